package disk

import (
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// errnoMeansHere knows the numbers that only Darwin has.
func errnoMeansHere(e syscall.Errno) error {
	switch e {
	case unix.EDEVERR:
		return fixity.ErrUnreadable
	case unix.EDEADLK: // the bytes are with a service only, and may not be fetched now; from memory
		return fixity.ErrInUse
	case unix.EPWROFF:
		return fixity.ErrAway
	}
	return nil
}
