//go:build unix

package beside

import (
	"os"

	"golang.org/x/sys/unix"
)

// hold says no if a Clear has it. Where there are no locks nobody clears away.
func hold(f *os.File) bool {
	return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) != unix.EWOULDBLOCK
}

func remove(path string) {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if err != nil {
		return
	}
	defer f.Close()
	if unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) == nil {
		_ = os.RemoveAll(path)
	}
}
