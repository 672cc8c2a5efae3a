package disk

import (
	"os"
	"path/filepath"

	"golang.org/x/sys/windows"
)

// renameNoReplace is MoveFileEx without MOVEFILE_REPLACE_EXISTING. It goes by path: a
// folder that is held open can't be exchanged here.
func renameNoReplace(from *os.Root, name string, into *os.Root, name2 string) error {
	a, err := windows.UTF16PtrFromString(filepath.Join(from.Name(), name))
	if err != nil {
		return err
	}
	b, err := windows.UTF16PtrFromString(filepath.Join(into.Name(), name2))
	if err != nil {
		return err
	}
	return windows.MoveFileEx(a, b, windows.MOVEFILE_WRITE_THROUGH)
}

// FreeBytes is the room left for us on the volume of a folder, -1 if it isn't known.
func FreeBytes(dir string) int64 {
	p, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return -1
	}
	var free uint64
	if windows.GetDiskFreeSpaceEx(p, &free, nil, nil) != nil {
		return -1
	}
	return int64(free)
}
