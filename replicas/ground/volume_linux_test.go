package ground_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/ground"

	"golang.org/x/sys/unix"
)

func volume(t *testing.T, folder string) fixity.Lies {
	t.Helper()
	l, err := ground.VolumeOf(folder)
	if err != nil {
		t.Fatal(err)
	}
	if l.Device == "" || l.Vague {
		t.Errorf("%s: %+v", folder, l)
	}
	return l
}

// TestOneVolumeNeverLooksLikeTwo: folders, bind mounts and subvolumes of one file system
// have one device and one id; other file systems have others, and a file system keeps its
// id when it is mounted again.
func TestOneVolumeNeverLooksLikeTwo(t *testing.T) {
	dir := t.TempDir()
	folder := func(name string) string {
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(p, 0o755); err != nil {
			t.Fatal(err)
		}
		return p
	}
	mount := func(source, at, kind string, flags uintptr, data string) {
		t.Helper()
		err := unix.Mount(source, at, kind, flags, data)
		if errors.Is(err, unix.EPERM) {
			t.Skip("mounting needs root")
		}
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = unix.Unmount(at, unix.MNT_DETACH) })
	}
	a, b, bound := folder("a"), folder("b"), folder("bound")
	if x, y := volume(t, a), volume(t, b); x != y {
		t.Errorf("two folders: %+v and %+v", x, y)
	}
	here := volume(t, a)
	mount("first", a, "tmpfs", 0, "size=1m")
	mount("second", b, "tmpfs", 0, "size=1m")
	mount(a, bound, "", unix.MS_BIND, "")
	x, y, z := volume(t, a), volume(t, b), volume(t, bound)
	if x == y || x.Device == y.Device || x.Device == here.Device {
		t.Errorf("two file systems in memory: %+v and %+v, on %+v", x, y, here)
	}
	if x != z {
		t.Errorf("a bind mount: %+v and %+v", x, z)
	}
	for _, kind := range []string{"ext4", "btrfs"} {
		t.Run(kind, func(t *testing.T) {
			mkfs, err := exec.LookPath("mkfs." + kind)
			if err != nil {
				t.Skip(err)
			}
			image, at := filepath.Join(dir, kind+".img"), folder(kind)
			if err := exec.Command("truncate", "-s", "128M", image).Run(); err != nil {
				t.Fatal(err)
			}
			if out, err := exec.Command(mkfs, image).CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			attach := func() {
				t.Helper()
				if out, err := exec.Command("mount", "-o", "loop", image, at).CombinedOutput(); err != nil {
					t.Skipf("%v: %s", err, out)
				}
				t.Cleanup(func() { _ = unix.Unmount(at, unix.MNT_DETACH) })
			}
			attach()
			first := volume(t, at)
			if first.ID == "" || first.ID == here.ID || first.Device == here.Device {
				t.Errorf("%+v, on %+v", first, here)
			}
			if kind == "btrfs" {
				sub := filepath.Join(at, "sub")
				if out, err := exec.Command("btrfs", "subvolume", "create", sub).CombinedOutput(); err != nil {
					t.Fatalf("%v\n%s", err, out)
				}
				if s := volume(t, sub); s != first {
					t.Errorf("a subvolume: %+v, the whole %+v", s, first)
				}
			}
			if err := unix.Unmount(at, 0); err != nil {
				t.Fatal(err)
			}
			attach()
			if again := volume(t, at); again.ID != first.ID {
				t.Errorf("mounted again: id %s, before %s", again.ID, first.ID)
			}
			if strings.Contains(first.ID, first.Device) {
				t.Errorf("the id %s holds the device number %s", first.ID, first.Device)
			}
		})
	}
}
