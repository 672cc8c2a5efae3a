package database

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lockedAt is far behind the text, which can then be read while the lock is held.
const lockedAt = 1 << 30

func tryLock(f *os.File) error {
	o := &windows.Overlapped{Offset: lockedAt}
	return windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, o)
}

func tryShare(f *os.File) error {
	o := &windows.Overlapped{Offset: lockedAt}
	return windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, o)
}

func unlockFile(f *os.File) {
	o := &windows.Overlapped{Offset: lockedAt}
	_ = windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, o)
}

// isHeld says that an error of these is that somebody else has the lock.
func isHeld(err error) bool {
	return errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING)
}
