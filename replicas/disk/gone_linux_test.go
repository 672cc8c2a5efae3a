package disk_test

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
)

// TestPulledDrive: the block device is no longer in the machine. Its file system
// may still answer from memory, and every read gives an input/output error, as
// one bad place would: it is away all the same, and not unreadable.
func TestPulledDrive(t *testing.T) {
	ctx := context.Background()
	d := open(t, disk.Options{}, map[string]string{"a.wav": "1"})
	fi, err := os.Stat(filepath.Join(d.Root(), "a.wav"))
	check(t, err)
	if fi.Sys().(*syscall.Stat_t).Dev>>8 == 0 {
		t.Skip("the temporary folder lies on no block device")
	}
	read := func() error {
		r, err := disk.NewReader(disk.FakeSource{
			ReadAt: func([]byte, int64) (int, error) { return 0, syscall.EIO },
			Stat:   func() (fs.FileInfo, error) { return fi, nil },
		})
		check(t, err)
		_, err = r.Read(make([]byte, 10))
		return err
	}
	if err := read(); !errors.Is(err, fixity.ErrUnreadable) || errors.Is(err, fixity.ErrAway) {
		t.Errorf("while it is there: %v, want unreadable", err)
	}
	was := disk.SetSysBlock(t.TempDir())
	defer disk.SetSysBlock(was)
	_, identify := d.Identify(ctx)
	_, shards := d.Shards(ctx)
	_, listing := list(d, "")
	for name, err := range map[string]error{"read": read(), "Identify": identify, "Shards": shards, "List": listing} {
		if !errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrUnreadable) {
			t.Errorf("%s: %v, want away", name, err)
		}
	}
}
