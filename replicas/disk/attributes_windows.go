package disk

import (
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/windows"
)

// copyAttributes gives f what Go knows of old's permissions: only "read-only".
func copyAttributes(f *os.File, old fs.FileInfo) error { return f.Chmod(old.Mode().Perm()) }

// syncFolder does nothing: Windows makes a rename last by itself, as NTFS logs it.
func syncFolder(*os.Root) error { return nil }

// writable says that root's volume isn't write-protected. Permissions show only
// when something is written.
func writable(root string) bool {
	path, err := windows.UTF16PtrFromString(filepath.VolumeName(root) + `\`)
	if err != nil {
		return false
	}
	var flags uint32
	if err := windows.GetVolumeInformation(path, nil, 0, nil, nil, &flags, nil, 0); err != nil {
		return false
	}
	return flags&windows.FILE_READ_ONLY_VOLUME == 0
}

func groupOf(fs.FileInfo) (gid int, ok bool) { return 0, false }
