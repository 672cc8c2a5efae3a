package watch

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// written says that a program has the file open for writing. A lease for reading is
// refused then (fcntl(2), F_SETLEASE); whoever may take none isn't told.
func written(f *os.File) bool {
	_, err := unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_RDLCK)
	if err == nil {
		_, _ = unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_UNLCK)
		return false
	}
	return errors.Is(err, unix.EAGAIN)
}

// heldOpen: here files that are open can be opened.
func heldOpen(error) bool { return false }
