//go:build unix

package wire

import (
	"io/fs"
	"syscall"
)

// readByOthers says who but the owner can read a file, "" if nobody can. A file
// that root gives to a service through an access list (as systemd's LoadCredential
// does) shows the list's mask as the rights of root's group.
func readByOthers(fi fs.FileInfo) string {
	mode := fi.Mode().Perm()
	if st, ok := fi.Sys().(*syscall.Stat_t); ok && st.Uid == 0 && st.Gid == 0 {
		mode &^= 0o040
	}
	switch {
	case mode&0o007 != 0:
		return "everyone on this computer"
	case mode&0o070 != 0:
		return "its group"
	}
	return ""
}
