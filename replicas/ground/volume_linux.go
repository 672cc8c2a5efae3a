package ground

import (
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// Codes of ioctl(2), from the kernel's headers.
const (
	fsGetUUID    = 0x80111500 // FS_IOC_GETFSUUID, <linux/fs.h>, since Linux 6.9
	btrfsInfo    = 0x8400941f // BTRFS_IOC_FS_INFO, <linux/btrfs.h>
	fatGetVolume = 0x80047213 // FAT_IOCTL_GET_VOLUME_ID, <linux/msdos_fs.h>
)

// byUUID is where udev lists volumes by their id. Tests put another folder in its place.
var byUUID = "/dev/disk/by-uuid"

// VolumeOf finds out which volume a folder lies on. A file system's id is asked of the
// kernel, then looked up where udev lists it. Subvolumes of one btrfs, bind mounts and
// drives of one btrfs are one volume. Shares of one server count as one, because a
// client isn't told what the server keeps them on. What lies below a FUSE file system
// isn't told either, unless it names a device or a server.
func VolumeOf(folder string) (fixity.Lies, error) {
	f, err := os.OpenFile(folder, os.O_RDONLY|unix.O_DIRECTORY, 0) // a pipe would be waited on for ever
	if err != nil {
		return fixity.Lies{}, err
	}
	defer f.Close()
	var st unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &st); err != nil {
		return fixity.Lies{}, err
	}
	l := fixity.Lies{Device: fmt.Sprintf("%d:%d", unix.Major(st.Dev), unix.Minor(st.Dev))}
	all := mounts()
	real, err := filepath.EvalSymlinks(folder)
	if err != nil {
		real = folder
	}
	m, known := of(all, real)
	if known {
		l.Device = m.device // all subvolumes of a btrfs have that of the whole
	}
	var fs unix.Statfs_t
	if err := unix.Fstatfs(int(f.Fd()), &fs); err != nil {
		return l, err
	}
	switch fs.Type {
	case unix.BTRFS_SUPER_MAGIC:
		l.ID = asked(f, btrfsInfo, 16, 16)
	case unix.MSDOS_SUPER_MAGIC:
		if id := asked(f, fatGetVolume, 0, 4); id != "" {
			l.ID = "fat " + id
		}
	default:
		l.ID = asked(f, fsGetUUID, 1, 16)
	}
	if l.ID == "" && known {
		l.ID, l.Vague = named(m)
	}
	if l.ID == "" && !l.Vague && (fs.Type == unix.EXT4_SUPER_MAGIC || fs.Type == unix.TMPFS_MAGIC) && fs.Fsid != (unix.Fsid{}) {
		l.ID = fmt.Sprintf("fsid %08x%08x", uint32(fs.Fsid.Val[0]), uint32(fs.Fsid.Val[1])) // of ext4: made of its id; of tmpfs: anew at each mount
	}
	return l, nil
}

// asked gives length bytes at from of what an ioctl answers; "" if
// the kernel or the file system doesn't know it, or has no id.
func asked(f *os.File, code uint, from, length int) string {
	buf := make([]byte, 1024)
	if code == fsGetUUID {
		buf[0] = 16
	}
	if err := ioctl(f, code, buf); err != nil {
		return ""
	}
	id := hex.EncodeToString(buf[from : from+length])
	if strings.Trim(id, "0") == "" {
		return ""
	}
	return id
}

// named is what a mount's source tells of its volume.
func named(m mount) (id string, vague bool) {
	if strings.HasPrefix(m.source, "/dev/") {
		return uuidOf(m.source), false
	}
	network := m.kind == "cifs" || m.kind == "smb3" || m.kind == "9p" || m.kind == "afs" || m.kind == "ceph" || strings.HasPrefix(m.kind, "nfs")
	if !network && !strings.HasPrefix(m.kind, "fuse") {
		return "", false
	}
	host := serverOf(m.source)
	if host == "" {
		return "", true
	}
	return "server " + host, false
}

// serverOf is the server in a share's name: //host/share, host:/folder, user@host:folder.
func serverOf(source string) string {
	var host string
	if rest, ok := strings.CutPrefix(source, "//"); ok {
		host, _, _ = strings.Cut(rest, "/")
	} else if before, _, ok := strings.Cut(source, ":/"); ok {
		host = before
	} else if before, _, ok := strings.Cut(source, ":"); ok && strings.Contains(before, "@") {
		host = before
	}
	if i := strings.LastIndexByte(host, '@'); i >= 0 {
		host = host[i+1:]
	}
	return strings.ToLower(strings.Trim(host, "[]"))
}

// uuidOf looks a device up among udev's links; "" if it isn't there.
func uuidOf(device string) string {
	want, err := os.Stat(device)
	if err != nil {
		return ""
	}
	names, err := os.ReadDir(byUUID)
	if err != nil {
		return ""
	}
	for _, n := range names {
		if got, err := os.Stat(filepath.Join(byUUID, n.Name())); err == nil && os.SameFile(got, want) {
			return strings.ToLower(strings.ReplaceAll(n.Name(), "-", ""))
		}
	}
	return ""
}
