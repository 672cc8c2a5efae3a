package disk

import (
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

func typeOf(fi fs.FileInfo) fixity.Type {
	switch m := fi.Mode(); {
	case m.IsRegular():
		return fixity.File
	case m&fs.ModeSymlink != 0:
		return fixity.Link
	}
	return fixity.Special
}

func pinOf(fi fs.FileInfo) fixity.Pin {
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return fixity.Pin{}
	}
	return fixity.Pin{Inode: st.Ino, Change: st.Ctim.Nano()}
}

// deviceGone says that the block device that fi lies on is no longer in the
// machine, though its file system may still be mounted and answer from memory.
func deviceGone(fi fs.FileInfo) bool {
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok || unix.Major(st.Dev) == 0 { // major 0: no block device of its own
		return false
	}
	if _, err := os.Stat(sysBlock); err != nil {
		return false
	}
	_, err := os.Stat(fmt.Sprintf("%s/%d:%d", sysBlock, unix.Major(st.Dev), unix.Minor(st.Dev)))
	return os.IsNotExist(err)
}

// sysBlock lists the machine's block devices by number (sysfs(5)). Tests put
// another folder in its place.
var sysBlock = "/sys/dev/block"
