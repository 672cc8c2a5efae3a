//go:build unix

package disk

import (
	"io/fs"
	"syscall"
)

// otherDevice says that two folders lie on two devices, by their numbers.
func otherDevice(a, b fs.FileInfo) bool {
	x, ok := a.Sys().(*syscall.Stat_t)
	y, ok2 := b.Sys().(*syscall.Stat_t)
	return ok && ok2 && x.Dev != y.Dev
}
