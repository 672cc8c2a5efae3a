package database

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// Magic numbers of statfs(2) for file systems that reach over a network. SQLite's
// WAL needs shared memory between processes, which these don't give.
var remote = map[int64]string{
	0x6969:     "NFS",
	0x517b:     "SMB",
	0xff534d42: "CIFS",
	0xfe534d42: "SMB2",
	0x5346414f: "AFS",
	0x01021997: "9P",
	0x00c36400: "Ceph",
	0x47504653: "a cluster file system",
}

func checkPlace(dir string) error {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return nil // what is wrong with the folder is told by opening the file
	}
	if name, ok := remote[int64(s.Type)&0xffffffff]; ok {
		return fmt.Errorf("%w (%s): keep it on a drive of this computer", ErrPlace, name)
	}
	return nil
}
