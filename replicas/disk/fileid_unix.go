//go:build unix

package disk

import (
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"firmus/fixity"
)

// pinIn is pinOf: on these systems a look at the name tells all.
func pinIn(_ *os.File, fi fs.FileInfo, _ bool) fixity.Pin { return pinOf(fi) }

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
