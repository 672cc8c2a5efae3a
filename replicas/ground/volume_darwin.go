package ground

import (
	"encoding/hex"
	"fmt"
	"strings"
	"unsafe"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// attrList is struct attrlist of getattrlist(2).
type attrList struct {
	bitmapCount                     uint16
	_                               uint16
	common, volume, dir, file, fork uint32
}

const (
	attrBitMapCount = 5          // ATTR_BIT_MAP_COUNT
	attrVolInfo     = 0x80000000 // ATTR_VOL_INFO
	attrVolUUID     = 0x00040000 // ATTR_VOL_UUID
)

// VolumeOf finds out which volume a folder lies on: by the volume's own id, or by the
// server of a share.
func VolumeOf(folder string) (fixity.Lies, error) {
	var st unix.Stat_t
	if err := unix.Stat(folder, &st); err != nil {
		return fixity.Lies{}, err
	}
	var fs unix.Statfs_t
	if err := unix.Statfs(folder, &fs); err != nil {
		return fixity.Lies{}, err
	}
	l := fixity.Lies{Device: fmt.Sprintf("dev %d", st.Dev)}
	source, kind := unix.ByteSliceToString(fs.Mntfromname[:]), unix.ByteSliceToString(fs.Fstypename[:])
	if !strings.HasPrefix(source, "/dev/") {
		switch kind {
		case "smbfs", "nfs", "afpfs", "webdav":
			host := strings.TrimPrefix(source, "//")
			if i := strings.IndexByte(host, '@'); i >= 0 {
				host = host[i+1:]
			}
			host, _, _ = strings.Cut(host, "/")
			host, _, _ = strings.Cut(host, ":")
			l.ID = "server " + strings.ToLower(host)
		default:
			l.Vague = true
		}
		return l, nil
	}
	point, err := unix.BytePtrFromString(unix.ByteSliceToString(fs.Mntonname[:]))
	if err != nil {
		return l, err
	}
	list := attrList{bitmapCount: attrBitMapCount, volume: attrVolInfo | attrVolUUID}
	var answer [4 + 16]byte // its length, then the id
	if _, _, errno := unix.Syscall6(unix.SYS_GETATTRLIST, uintptr(unsafe.Pointer(point)), uintptr(unsafe.Pointer(&list)),
		uintptr(unsafe.Pointer(&answer[0])), uintptr(len(answer)), 0, 0); errno == 0 {
		if id := hex.EncodeToString(answer[4:]); strings.Trim(id, "0") != "" {
			l.ID = id
		}
	}
	return l, nil
}
