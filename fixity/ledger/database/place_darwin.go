package database

import (
	"fmt"

	"golang.org/x/sys/unix"
)

func checkPlace(dir string) error {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return nil // what is wrong with the folder is told by opening the file
	}
	// MNT_LOCAL of mount(2): the file system is stored on this computer.
	if s.Flags&unix.MNT_LOCAL == 0 {
		return fmt.Errorf("%w: keep it on a drive of this computer", ErrPlace)
	}
	return nil
}
