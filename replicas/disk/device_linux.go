package disk

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// deviceOf follows sysfs(5) from the device's number to the whole drive.
func deviceOf(_ string, fi fs.FileInfo) Device {
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return Device{}
	}
	number := fmt.Sprintf("%d:%d", unix.Major(st.Dev), unix.Minor(st.Dev))
	dev := Device{ID: number}
	folder, err := filepath.EvalSymlinks(filepath.Join(sysBlock, number))
	if err != nil {
		return dev
	}
	if _, err := os.Stat(filepath.Join(folder, "partition")); err == nil {
		folder = filepath.Dir(folder)
		if whole, err := os.ReadFile(filepath.Join(folder, "dev")); err == nil {
			dev.ID = strings.TrimSpace(string(whole))
		}
	}
	if r, err := os.ReadFile(filepath.Join(folder, "queue", "rotational")); err == nil {
		dev.Rotational, dev.Known = strings.TrimSpace(string(r)) == "1", true
	}
	return dev
}
