package app

import "golang.org/x/sys/windows"

// freeBytes is the room left for us on the drive of a folder, -1 if it isn't known.
func freeBytes(dir string) int64 {
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
