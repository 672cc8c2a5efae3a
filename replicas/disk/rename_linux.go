package disk

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// renameNoReplace is renameat2(2) with RENAME_NOREPLACE, where the file system knows it.
func renameNoReplace(from *os.Root, name string, into *os.Root, name2 string) error {
	err := withFolders(from, into, func(a, b int) error { return unix.Renameat2(a, name, b, name2, unix.RENAME_NOREPLACE) })
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOSYS) {
		return lookAndRename(from, name, into, name2)
	}
	return err
}
