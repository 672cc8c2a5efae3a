package disk

import (
	"errors"
	"os"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// fileSystem is the kind of a file system, as statfs(2) names it in f_type.
type fileSystem int64

// File systems that statfs(2) or the kernel's sources name and x/sys doesn't.
const (
	exfatMagic    = 0x2011bab0
	ntfs3Magic    = 0x7366746e
	jfsMagic      = 0x3153464a
	hfsPlusMagic  = 0x482b
	bcachefsMagic = 0xca451a4e
)

func fileSystemOf(fd int) fileSystem {
	var st unix.Statfs_t
	if unix.Fstatfs(fd, &st) != nil {
		return 0
	}
	return fileSystem(uint32(st.Type))
}

// unknown says that Linux doesn't tell whether a cache answered: FUSE and
// network file systems have a cache elsewhere, tmpfs is nothing but cache, and
// overlays read another file than the one that was opened.
func (k fileSystem) unknown() bool {
	switch k {
	case unix.EXT4_SUPER_MAGIC, unix.XFS_SUPER_MAGIC, unix.BTRFS_SUPER_MAGIC, unix.F2FS_SUPER_MAGIC,
		unix.MSDOS_SUPER_MAGIC, exfatMagic, ntfs3Magic, hfsPlusMagic, jfsMagic, bcachefsMagic,
		unix.NILFS_SUPER_MAGIC, unix.ISOFS_SUPER_MAGIC, unix.UDF_SUPER_MAGIC, unix.SQUASHFS_MAGIC,
		unix.REISERFS_SUPER_MAGIC, unix.EROFS_SUPER_MAGIC_V1:
		return false
	}
	return true
}

// claim is what may be said of a read that went the way c.
func (k fileSystem) claim(c fixity.Cache) fixity.Cache {
	if k.unknown() {
		return fixity.Unknown
	}
	return c
}

// direct says whether O_DIRECT, once a file could be opened with it, really
// passes the page cache. Some file systems quietly read certain files (in the
// inode, journalled, compressed, encrypted) through it: statx(2) tells since
// Linux 6.1, and where it doesn't, only those are believed that have no such files.
func (k fileSystem) direct(fd int) bool {
	var st unix.Statx_t
	err := unix.Statx(fd, "", unix.AT_EMPTY_PATH, unix.STATX_DIOALIGN, &st)
	if err == nil && st.Mask&unix.STATX_DIOALIGN != 0 {
		return st.Dio_offset_align > 0 && st.Dio_offset_align <= alignment && st.Dio_mem_align <= alignment
	}
	switch k {
	case unix.EXT4_SUPER_MAGIC, unix.XFS_SUPER_MAGIC, unix.MSDOS_SUPER_MAGIC, exfatMagic, jfsMagic, hfsPlusMagic:
		return true
	}
	return false
}

// steadyInodes says whether inode numbers of f's file system stay the same as
// long as it is mounted. Where they are made up they may change whenever the
// kernel forgets a file.
func steadyInodes(f *os.File) bool {
	switch k := fileSystemOf(int(f.Fd())); k {
	case unix.MSDOS_SUPER_MAGIC, exfatMagic, unix.FUSE_SUPER_MAGIC, unix.SMB_SUPER_MAGIC,
		unix.SMB2_SUPER_MAGIC, unix.CIFS_SUPER_MAGIC, unix.V9FS_MAGIC:
		return false
	}
	return true
}

// remote says that err, which a bad medium gives, means a server that doesn't
// answer: a read of a network file system timed out.
func remote(s source, err error) bool {
	l, ok := s.(*linuxSource)
	return ok && l.fs.unknown() && errors.Is(err, unix.ETIMEDOUT)
}
