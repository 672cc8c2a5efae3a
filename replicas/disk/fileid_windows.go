package disk

import (
	"fmt"
	"os"

	"golang.org/x/sys/windows"
)

func fileID(parent *os.Root, name string) (string, error) {
	fi, err := parent.Lstat(name)
	if err != nil {
		return "", mapErr(err)
	}
	if !fi.Mode().IsRegular() {
		return "", nil
	}
	f, err := parent.Open(name)
	if err != nil {
		return "", mapErr(err)
	}
	defer f.Close()
	var info windows.ByHandleFileInformation
	if err := windows.GetFileInformationByHandle(windows.Handle(f.Fd()), &info); err != nil {
		return "", mapErr(err)
	}
	return fmt.Sprintf("%08x:%08x%08x", info.VolumeSerialNumber, info.FileIndexHigh, info.FileIndexLow), nil
}
