//go:build unix

package disk_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
)

// TestDenied tells what the operating system forbids from what isn't there.
func TestDenied(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root is denied nothing; TestAsOrdinaryUser runs this as another")
	}
	ctx := context.Background()
	d := open(t, disk.Options{Store: "shelf", Marker: true}, map[string]string{"a.wav": "1", "sub/b.wav": "2"})
	check(t, os.Chmod(filepath.Join(d.Root(), "a.wav"), 0))
	_, readErr := d.Open(ctx, fixity.Entry{Path: "a.wav"}, 0)

	check(t, os.Chmod(filepath.Join(d.Root(), "sub"), 0o500))
	writeErr := d.Replace(ctx, "sub/b.wav", func(io.Writer) error { return nil })

	check(t, os.Chmod(d.Root(), 0o500))
	id, err := d.Identify(ctx)
	if err != nil || id.Writable {
		t.Errorf("a root that can't be written: %+v, %v", id, err)
	}
	adoptErr := d.Adopt(ctx, fixity.Identity{Holdings: "h", Store: "s", Set: "m"})

	check(t, os.Chmod(d.Root(), 0))
	t.Cleanup(func() {
		os.Chmod(d.Root(), 0o700)
		os.Chmod(filepath.Join(d.Root(), "sub"), 0o700)
	})
	_, identifyErr := d.Identify(ctx)
	_, listErr := list(d, "")
	for name, err := range map[string]error{"Open": readErr, "Replace": writeErr, "Adopt": adoptErr, "Identify": identifyErr, "List": listErr} {
		if !errors.Is(err, fixity.ErrDenied) || errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrVanished) {
			t.Errorf("%s: %v, want denied", name, err)
		}
	}
	if !errors.Is(listErr, fixity.ErrIncomplete) {
		t.Errorf("List: %v, want incomplete too", listErr)
	}
}
