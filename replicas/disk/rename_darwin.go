package disk

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// renameNoReplace is renameatx_np(2) with RENAME_EXCL, where the file system knows it.
func renameNoReplace(from *os.Root, name string, into *os.Root, name2 string) error {
	err := withFolders(from, into, func(a, b int) error { return unix.RenameatxNp(a, name, b, name2, unix.RENAME_EXCL) })
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOTSUP) {
		return lookAndRename(from, name, into, name2)
	}
	return err
}
