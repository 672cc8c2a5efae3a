package scsi

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"unsafe"

	"firmus/fixity"

	"golang.org/x/sys/windows"
)

// passThroughDirect is IOCTL_SCSI_PASS_THROUGH_DIRECT of Windows' ntddscsi.h.
const passThroughDirect = 0x4D014

// Open opens a drive, "E:" or `\\.\CdRom0`, without asking for a disc in it. It
// gives a *DeniedError if the account may not, and an error that matches
// fixity.ErrAway if there is no such drive, fixity.ErrBusy if another program has
// it for itself.
//
// The system asks for access for writing before it passes any command on; no
// command that writes is ever sent.
func Open(path string) (*Device, error) {
	device := devicePath(path)
	if !strings.HasPrefix(device, `\\`) {
		if _, err := os.Lstat(device); err == nil { // a file or folder, which could be opened
			return nil, fmt.Errorf("open drive %q: it takes no SCSI commands", path)
		}
	}
	name, err := windows.UTF16PtrFromString(device)
	if err != nil {
		return nil, fmt.Errorf("open drive %q: %w", path, err)
	}
	h, err := windows.CreateFile(name, windows.GENERIC_READ|windows.GENERIC_WRITE,
		windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE, nil, windows.OPEN_EXISTING, 0, 0)
	switch err {
	case nil:
		return newDevice(path, &passThrough{control(h).do, func() error { return windows.CloseHandle(h) }}), nil
	case windows.ERROR_ACCESS_DENIED:
		return nil, &DeniedError{Path: path, Err: err}
	case windows.ERROR_SHARING_VIOLATION, windows.ERROR_LOCK_VIOLATION, windows.ERROR_BUSY:
		return nil, fmt.Errorf("open drive %q: another program has it for itself: %w: %w", path, err, fixity.ErrBusy)
	case windows.ERROR_FILE_NOT_FOUND, windows.ERROR_PATH_NOT_FOUND, windows.ERROR_INVALID_DRIVE, windows.ERROR_BAD_UNIT,
		windows.ERROR_NO_SUCH_DEVICE:
		return nil, fmt.Errorf("open drive %q: %w: %w", path, err, fixity.ErrAway)
	}
	return nil, fmt.Errorf("open drive %q: %w", path, err)
}

// control is a handle of a drive.
type control windows.Handle

func (h control) do(request, data []byte) error {
	var p runtime.Pinner
	defer p.Unpin()
	if len(data) > 0 {
		p.Pin(&data[0])
		putAddress(request, uintptr(unsafe.Pointer(&data[0])))
	}
	var n uint32
	err := windows.DeviceIoControl(windows.Handle(h), passThroughDirect, &request[0], uint32(len(request)), &request[0], uint32(len(request)), &n, nil)
	switch err {
	case nil:
		return nil
	case windows.ERROR_DEV_NOT_EXIST, windows.ERROR_NO_SUCH_DEVICE, windows.ERROR_DEVICE_NOT_CONNECTED, windows.ERROR_DEVICE_REMOVED,
		windows.ERROR_FILE_NOT_FOUND, windows.ERROR_BAD_UNIT:
		return fmt.Errorf("%w: the drive was unplugged: %w", err, fixity.ErrAway)
	case windows.ERROR_BUSY, windows.ERROR_SHARING_VIOLATION, windows.ERROR_LOCK_VIOLATION:
		return fmt.Errorf("%w: %w", err, fixity.ErrBusy)
	case windows.ERROR_ACCESS_DENIED:
		return fmt.Errorf("%w: %w", err, fixity.ErrDenied)
	}
	return err
}
