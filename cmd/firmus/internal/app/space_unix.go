//go:build unix

package app

import "golang.org/x/sys/unix"

// freeBytes is the room left for us on the drive of a folder, -1 if it isn't known.
func freeBytes(dir string) int64 {
	var st unix.Statfs_t
	if unix.Statfs(dir, &st) != nil {
		return -1
	}
	return int64(st.Bavail) * int64(st.Bsize)
}
