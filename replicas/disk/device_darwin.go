package disk

import (
	"fmt"
	"io/fs"
	"syscall"
)

// deviceOf knows the volume only: partitions of one drive look like two.
func deviceOf(_ string, fi fs.FileInfo) Device {
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return Device{}
	}
	return Device{ID: fmt.Sprintf("dev %d", st.Dev)}
}
