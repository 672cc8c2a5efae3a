//go:build unix

package database

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

func tryLock(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }

func tryShare(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB) }

func unlockFile(f *os.File) { _ = unix.Flock(int(f.Fd()), unix.LOCK_UN) }

// isHeld says that an error of these is that somebody else has the lock.
func isHeld(err error) bool { return errors.Is(err, unix.EWOULDBLOCK) }
