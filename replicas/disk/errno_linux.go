package disk

import (
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// errnoMeansHere knows the numbers that only Linux has.
func errnoMeansHere(e syscall.Errno) error {
	switch e {
	case unix.EREMOTEIO, unix.EUCLEAN:
		return fixity.ErrUnreadable
	case unix.ENOMEDIUM:
		return fixity.ErrAway
	}
	return nil
}
