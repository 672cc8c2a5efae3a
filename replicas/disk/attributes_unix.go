//go:build unix

package disk

import (
	"errors"
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// copyAttributes gives f the permissions of old and, if that is allowed, its
// owner and group.
func copyAttributes(f *os.File, old fs.FileInfo) error {
	if st, ok := old.Sys().(*syscall.Stat_t); ok {
		err := f.Chown(int(st.Uid), int(st.Gid))
		// EINVAL, ENOTSUP: file systems without owners.
		if err != nil && !errors.Is(err, fs.ErrPermission) && !errors.Is(err, unix.EINVAL) && !errors.Is(err, unix.ENOTSUP) {
			return err
		}
	}
	err := f.Chmod(old.Mode().Perm())
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, unix.ENOTSUP) {
		return nil // file systems without permissions refuse any change
	}
	return err
}

// syncFolder makes the names in r last.
func syncFolder(r *os.Root) error {
	f, err := r.Open(".")
	if err != nil {
		return err
	}
	defer f.Close()
	err = f.Sync()
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOTSUP) {
		return nil // a file system that has no such thing, as some network shares
	}
	return err
}

// writable is what access(2) says; a file system mounted read-only isn't.
func writable(root string) bool { return unix.Access(root, unix.W_OK) == nil }

func groupOf(fi fs.FileInfo) (gid int, ok bool) {
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, false
	}
	return int(st.Gid), true
}
