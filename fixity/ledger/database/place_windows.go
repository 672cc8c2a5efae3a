package database

import (
	"fmt"
	"path/filepath"

	"golang.org/x/sys/windows"
)

func checkPlace(dir string) error {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil // what is wrong with the folder is told by opening the file
	}
	root, err := windows.UTF16PtrFromString(filepath.VolumeName(abs) + `\`)
	if err != nil {
		return nil
	}
	if windows.GetDriveType(root) == windows.DRIVE_REMOTE {
		return fmt.Errorf("%w: keep it on a drive of this computer", ErrPlace)
	}
	return nil
}
