package disk_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/replicas/disk"
)

// On FAT, which knows no second names, what lies in the place is kept as a copy, and a kill
// at any step loses nothing either. mkfs.vfat: Debian's dosfstools, and the kernel's own
// file system.
func TestPutBackOnFAT(t *testing.T) {
	if known, err := os.ReadFile("/proc/filesystems"); err == nil && !strings.Contains(string(known), "vfat") {
		t.Skip("this kernel has no FAT, and no package gives it one")
	}
	m := newImage(t, 32<<20, "mkfs.vfat", "-F", "32")
	n := 0
	fresh := func() *disk.Dir {
		n++
		root := fmt.Sprintf("root-%d", n)
		m.put(t, filepath.Join(root, inPlace), []byte(oldText))
		d, err := disk.Open(filepath.Join(m.at, root), disk.Options{})
		check(t, err)
		return d
	}
	d := fresh()
	if err := os.Link(filepath.Join(d.Root(), inPlace), filepath.Join(d.Root(), "second")); err == nil {
		t.Fatal("it knows second names")
	}
	kept, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
	if err != nil || kept != keptAt || content(t, d, kept) != oldText || content(t, d, inPlace) != newText {
		t.Errorf("kept at %q: %v", kept, err)
	}
	putBackCrash(t, fresh)
}
