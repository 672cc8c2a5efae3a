//go:build unix

package disk

import (
	"errors"
	"io/fs"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// withFolders gives the numbers of two open folders.
func withFolders(a, b *os.Root, do func(a, b int) error) error {
	fa, err := a.Open(".")
	if err != nil {
		return err
	}
	defer fa.Close()
	fb, err := b.Open(".")
	if err != nil {
		return err
	}
	defer fb.Close()
	return do(int(fa.Fd()), int(fb.Fd()))
}

// lookAndRename is renameNoReplace in two steps: by a second name, which replaces nothing, if
// the file system has them and the first is ours, since a crash may leave both.
func lookAndRename(from *os.Root, name string, into *os.Root, name2 string) error {
	if strings.HasPrefix(name, ownPrefix) {
		err := withFolders(from, into, func(a, b int) error { return unix.Linkat(a, name, b, name2, 0) })
		if err == nil {
			return from.Remove(name)
		}
		if errors.Is(err, fs.ErrExist) {
			return err
		}
	}
	if _, err := into.Lstat(name2); !errors.Is(err, fs.ErrNotExist) {
		return errors.Join(err, fs.ErrExist)
	}
	return renameBetween(from, name, into, name2)
}

func renameBetween(from *os.Root, name string, into *os.Root, name2 string) error {
	return withFolders(from, into, func(a, b int) error { return unix.Renameat(a, name, b, name2) })
}

// FreeBytes is the room left for us on the volume of a folder, -1 if it isn't known.
func FreeBytes(dir string) int64 {
	var st unix.Statfs_t
	if unix.Statfs(dir, &st) != nil {
		return -1
	}
	return int64(st.Bavail) * int64(st.Bsize)
}
