//go:build unix

package disk_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
)

func TestReplaceKeepsPermissionsAndOwner(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{"a.wav": oldText})
	path := filepath.Join(d.Root(), "a.wav")
	check(t, os.Chmod(path, 0o640))
	if os.Geteuid() == 0 {
		check(t, os.Chown(path, 1234, 2345))
	}
	before, err := os.Stat(path)
	check(t, err)
	check(t, d.Replace(context.Background(), "a.wav", writeNew))
	after, err := os.Stat(path)
	check(t, err)
	was, is := before.Sys().(*syscall.Stat_t), after.Sys().(*syscall.Stat_t)
	if after.Mode() != before.Mode() || was.Uid != is.Uid || was.Gid != is.Gid {
		t.Errorf("%v of %d:%d, was %v of %d:%d", after.Mode(), is.Uid, is.Gid, before.Mode(), was.Uid, was.Gid)
	}
	if os.SameFile(before, after) {
		t.Error("written in place")
	}
}

// TestReplaceFollowsNothing: neither a link in the file's place nor one in a
// folder's leads to another file, and nothing else is put aside.
func TestReplaceFollowsNothing(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": oldText, "QV-0107/sub/x": "x"})
	at := func(p string) string { return filepath.Join(d.Root(), p) }
	check(t, os.Symlink("a.wav", at("QV-0107/link")))
	check(t, os.Symlink(at("QV-0107"), at("folder link")))
	check(t, os.Symlink(t.TempDir(), at("way out")))
	check(t, syscall.Mkfifo(at("fifo"), 0o666))
	for path, want := range map[string]error{
		"QV-0107/link": fixity.ErrRefused, "QV-0107/sub": fixity.ErrRefused, "fifo": fixity.ErrRefused,
		"folder link/a.wav": fixity.ErrVanished, "way out/a.wav": fixity.ErrVanished, "QV-0107/a.wav/x": fixity.ErrVanished,
	} {
		if err := d.Replace(context.Background(), path, writeNew); !errors.Is(err, want) {
			t.Errorf("%q: %v, want %v", path, err, want)
		}
	}
	if got := content(t, d, "QV-0107/a.wav"); got != oldText || leftovers(t, d) != nil {
		t.Errorf("%q, left %q", got, leftovers(t, d))
	}
}

// TestReplaceLeavesReadersAlone: who reads the old file goes on reading it, and
// learns at its end that it changed.
func TestReplaceLeavesReadersAlone(t *testing.T) {
	ctx := context.Background()
	d := open(t, disk.Options{}, map[string]string{"a.wav": oldText})
	r, err := d.Open(ctx, fixity.Entry{Path: "a.wav"}, 0)
	check(t, err)
	defer r.Close()
	check(t, d.Replace(ctx, "a.wav", writeNew))
	b, err := io.ReadAll(r)
	if string(b) != oldText || !errors.Is(err, fixity.ErrChanged) {
		t.Errorf("%q, %v, want the old bytes and that it changed", b, err)
	}
}
