package disk

import (
	"io/fs"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// looker gives a look at names of a folder: what Lstat says, by the folder that is open
// already. A name that was read from it is no path, and the last link isn't followed, so
// nothing outside is reached; os.Root would take each name apart anew.
func looker(_ *os.Root, folder *os.File) func(name string) (fs.FileInfo, error) {
	fd := int(folder.Fd())
	return func(name string) (fs.FileInfo, error) {
		var st unix.Stat_t
		for {
			err := unix.Fstatat(fd, name, &st, unix.AT_SYMLINK_NOFOLLOW)
			if err == nil {
				break
			}
			if err != unix.EINTR {
				return nil, &fs.PathError{Op: "lstat", Path: name, Err: err}
			}
		}
		return &looked{name, syscall.Stat_t{Dev: st.Dev, Ino: st.Ino, Nlink: st.Nlink, Mode: st.Mode, Uid: st.Uid, Gid: st.Gid, Rdev: st.Rdev, Size: st.Size,
			Mtim: syscall.Timespec{Sec: st.Mtim.Sec, Nsec: st.Mtim.Nsec}, Ctim: syscall.Timespec{Sec: st.Ctim.Sec, Nsec: st.Ctim.Nsec}}}, nil
	}
}

// looked is what a looker saw.
type looked struct {
	name string
	st   syscall.Stat_t
}

func (l *looked) Name() string       { return l.name }
func (l *looked) Size() int64        { return l.st.Size }
func (l *looked) ModTime() time.Time { return time.Unix(l.st.Mtim.Unix()) }
func (l *looked) IsDir() bool        { return l.st.Mode&unix.S_IFMT == unix.S_IFDIR }
func (l *looked) Sys() any           { return &l.st }

func (l *looked) Mode() fs.FileMode {
	m := fs.FileMode(l.st.Mode & 0o777)
	switch l.st.Mode & unix.S_IFMT {
	case unix.S_IFREG:
		return m
	case unix.S_IFDIR:
		return m | fs.ModeDir
	case unix.S_IFLNK:
		return m | fs.ModeSymlink
	case unix.S_IFIFO:
		return m | fs.ModeNamedPipe
	case unix.S_IFSOCK:
		return m | fs.ModeSocket
	case unix.S_IFCHR:
		return m | fs.ModeDevice | fs.ModeCharDevice
	case unix.S_IFBLK:
		return m | fs.ModeDevice
	}
	return m | fs.ModeIrregular
}
