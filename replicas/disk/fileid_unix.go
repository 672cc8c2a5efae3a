//go:build unix

package disk

import (
	"fmt"
	"os"
	"syscall"
)

func fileID(parent *os.Root, name string) (string, error) {
	fi, err := parent.Lstat(name)
	if err != nil {
		return "", mapErr(err)
	}
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok || !fi.Mode().IsRegular() {
		return "", nil
	}
	return fmt.Sprintf("%d:%d", st.Dev, st.Ino), nil
}
