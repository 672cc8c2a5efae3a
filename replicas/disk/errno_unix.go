//go:build unix

package disk

import (
	"errors"
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// errnoMeans sorts the numbers of POSIX.1-2017, <errno.h>, and some of each
// system's own. Those of a bad medium are what the block layer makes of a
// drive's sense data (EIO, ENODATA, EILSEQ, EREMOTEIO, ETIMEDOUT), and what a
// file system says of its own damaged structures (EBADMSG, EUCLEAN).
func errnoMeans(e syscall.Errno) error {
	switch e {
	case unix.ENOENT, unix.ENOTDIR:
		return fixity.ErrVanished
	case unix.EACCES, unix.EPERM, unix.EROFS:
		return fixity.ErrDenied
	case unix.EIO, unix.ENODATA, unix.EILSEQ, unix.EBADMSG, unix.ETIMEDOUT:
		return fixity.ErrUnreadable
	case unix.EBUSY, unix.ETXTBSY, unix.EAGAIN:
		return fixity.ErrInUse
	case unix.ESTALE, unix.ENOTCONN, unix.EHOSTDOWN, unix.EHOSTUNREACH, unix.ENODEV, unix.ENXIO, unix.ESHUTDOWN:
		return fixity.ErrAway
	case unix.EMFILE, unix.ENFILE, unix.ENOMEM:
		return fixity.ErrExhausted
	}
	return errnoMeansHere(e)
}

// noLinks says that a file system, or a share, gives a file no second name.
func noLinks(err error) bool {
	return errors.Is(err, errors.ErrUnsupported) || errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EMLINK) || errors.Is(err, syscall.EINVAL)
}
