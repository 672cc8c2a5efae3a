package disk

import (
	"fmt"
	"io/fs"
	"path/filepath"

	"golang.org/x/sys/windows"
)

// deviceOf knows the volume only: partitions of one drive look like two.
func deviceOf(root string, _ fs.FileInfo) Device {
	path, err := windows.UTF16PtrFromString(filepath.VolumeName(root) + `\`)
	if err != nil {
		return Device{}
	}
	var serial uint32
	if err := windows.GetVolumeInformation(path, nil, 0, &serial, nil, nil, nil, 0); err != nil {
		return Device{}
	}
	return Device{ID: fmt.Sprintf("volume %08x", serial)}
}
