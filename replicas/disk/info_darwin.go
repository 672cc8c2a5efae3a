package disk

import (
	"errors"
	"io/fs"
	"os"
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// dataless marks a file whose bytes are only with a service (SF_DATALESS of
// Darwin's <sys/stat.h>).
const dataless = 0x40000000

func typeOf(fi fs.FileInfo) fixity.Type {
	switch m := fi.Mode(); {
	case m&fs.ModeSymlink != 0:
		return fixity.Link
	case !m.IsRegular():
		return fixity.Special
	}
	if st, ok := fi.Sys().(*syscall.Stat_t); ok && st.Flags&dataless != 0 {
		return fixity.Online
	}
	return fixity.File
}

func pinOf(fi fs.FileInfo) fixity.Pin {
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return fixity.Pin{}
	}
	return fixity.Pin{Inode: st.Ino, Change: st.Ctimespec.Nano()}
}

// steadyInodes says whether inode numbers stay the same as long as the file
// system is mounted: they are made up on FAT, exFAT and shares.
func steadyInodes(f *os.File) bool {
	var st unix.Statfs_t
	if unix.Fstatfs(int(f.Fd()), &st) != nil {
		return false
	}
	switch unix.ByteSliceToString(st.Fstypename[:]) {
	case "apfs", "hfs":
		return true
	}
	return false
}

// deviceGone is never needed: Darwin unmounts what was pulled.
func deviceGone(fs.FileInfo) bool { return false }

// remote says that err means a server that doesn't answer.
func remote(_ source, err error) bool { return errors.Is(err, unix.ETIMEDOUT) }
