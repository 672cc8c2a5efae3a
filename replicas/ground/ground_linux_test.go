package ground_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"firmus/replicas/ground"

	"golang.org/x/sys/unix"
)

// TestNoWayToAFolderHidesIt: a folder is recognised by a link, through a bind mount of
// it, of a folder in it, and of one that holds it.
func TestNoWayToAFolderHidesIt(t *testing.T) {
	dir := t.TempDir()
	mk := func(p string) string {
		p = filepath.Join(dir, p)
		if err := os.MkdirAll(p, 0o755); err != nil {
			t.Fatal(err)
		}
		return p
	}
	root, item, beside := mk("drive/studio/masters"), mk("drive/studio/masters/QV-0107"), mk("drive/other")
	for _, c := range []struct {
		name             string
		path             string
		inside, overlaps bool
	}{
		{"itself", root, true, true},
		{"a folder in it", item, true, true},
		{"what isn't there yet in it", filepath.Join(item, "new", "sheet.html"), true, true},
		{"the folder that holds it", filepath.Dir(root), false, true},
		{"beside it", beside, false, false},
		{"a name that begins alike", root + "-old", false, false},
		{"another spelling", filepath.Join(root, "..", "masters", "."), true, true},
	} {
		check(t, c.name, c.path, root, c.inside, c.overlaps)
	}
	link := filepath.Join(dir, "link")
	if err := os.Symlink(item, link); err != nil {
		t.Fatal(err)
	}
	check(t, "a link", link, root, true, true)
	dangling := filepath.Join(dir, "dangling")
	if err := os.Symlink(filepath.Join(item, "not-yet"), dangling); err != nil {
		t.Fatal(err)
	}
	check(t, "a link to what isn't there yet", dangling, root, true, true)

	bind := func(from, to string) string {
		at := mk(to)
		err := unix.Mount(from, at, "", unix.MS_BIND, "")
		if errors.Is(err, unix.EPERM) {
			t.Skip("mounting needs root")
		}
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = unix.Unmount(at, unix.MNT_DETACH) })
		return at
	}
	check(t, "a bind mount of it", bind(root, "m1"), root, true, true)
	check(t, "a bind mount of a folder in it", bind(item, "m2"), root, true, true)
	check(t, "a bind mount of the folder above", bind(filepath.Dir(root), "m3"), root, false, true)
	check(t, "a folder that holds a bind mount of it", filepath.Dir(bind(root, "stick/deep")), root, false, true)
	check(t, "a folder that holds a bind mount of a folder in it", filepath.Dir(bind(item, "stick2/deep")), root, false, true)
	check(t, "a bind mount of a folder beside it", bind(beside, "m4"), root, false, false)
	bind(beside, "drive/studio/masters/QV-0108")
	check(t, "a folder that is mounted into it", beside, root, true, true)
}

func check(t *testing.T, name, path, root string, inside, overlaps bool) {
	t.Helper()
	p, r := ground.Look(path), ground.Look(root)
	if got := p.Inside(r); got != inside {
		t.Errorf("%s: inside %v, want %v", name, got, inside)
	}
	if got := p.Overlaps(r); got != overlaps {
		t.Errorf("%s: overlaps %v, want %v", name, got, overlaps)
	}
}
