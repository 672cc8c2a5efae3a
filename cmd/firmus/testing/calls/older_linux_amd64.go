package calls

import "golang.org/x/sys/unix"

// init adds the calls that older systems left to this one; SQLite's driver makes some of them.
func init() {
	for nr, k := range map[int]kind{
		unix.SYS_OPEN:   {name: "open"},
		unix.SYS_STAT:   {name: "stat"},
		unix.SYS_LSTAT:  {name: "lstat"},
		unix.SYS_ACCESS: {name: "access"},
		unix.SYS_MKDIR:  {name: "mkdir", room: true, changes: true},
		unix.SYS_RMDIR:  {name: "rmdir", changes: true},
		unix.SYS_UNLINK: {name: "unlink", changes: true},
		unix.SYS_CHMOD:  {name: "chmod", changes: true},
		unix.SYS_RENAME: {name: "rename", room: true, changes: true},
		unix.SYS_LINK:   {name: "link", room: true, changes: true},
	} {
		k.fd, k.fd2, k.path2 = here, -1, -1
		if nr == unix.SYS_RENAME || nr == unix.SYS_LINK {
			k.fd2, k.path2 = here, 1
		}
		kinds[nr] = k
	}
}
