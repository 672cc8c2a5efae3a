package ground

import (
	"fmt"

	"firmus/fixity"

	"golang.org/x/sys/windows"
)

// VolumeOf finds out which volume a folder lies on: by the serial number of the volume
// that the folder, through links and junctions, is on. A share has its server's.
func VolumeOf(folder string) (fixity.Lies, error) {
	name, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return fixity.Lies{}, err
	}
	h, err := windows.CreateFile(name, 0, windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE|windows.FILE_SHARE_DELETE, nil,
		windows.OPEN_EXISTING, windows.FILE_FLAG_BACKUP_SEMANTICS, 0)
	if err != nil {
		return fixity.Lies{}, err
	}
	defer windows.CloseHandle(h)
	var info windows.ByHandleFileInformation
	if err := windows.GetFileInformationByHandle(h, &info); err != nil {
		return fixity.Lies{}, err
	}
	if info.VolumeSerialNumber == 0 {
		return fixity.Lies{Vague: true}, nil
	}
	id := fmt.Sprintf("serial %08x", info.VolumeSerialNumber)
	return fixity.Lies{Device: id, ID: id}, nil
}
