package disk

import (
	"errors"
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/windows"
)

// errnoMeans sorts the numbers of Microsoft's "System Error Codes".
func errnoMeans(e syscall.Errno) error {
	switch e {
	case windows.ERROR_FILE_NOT_FOUND, windows.ERROR_PATH_NOT_FOUND, windows.ERROR_DELETE_PENDING:
		return fixity.ErrVanished
	case windows.ERROR_ACCESS_DENIED, windows.ERROR_WRITE_PROTECT, windows.ERROR_PRIVILEGE_NOT_HELD:
		return fixity.ErrDenied
	case windows.ERROR_CRC, windows.ERROR_SEEK, windows.ERROR_SECTOR_NOT_FOUND, windows.ERROR_READ_FAULT,
		windows.ERROR_IO_DEVICE, windows.ERROR_DISK_OPERATION_FAILED, windows.ERROR_DATA_CHECKSUM_ERROR,
		windows.ERROR_FILE_CORRUPT, windows.ERROR_DISK_CORRUPT, windows.ERROR_GEN_FAILURE:
		return fixity.ErrUnreadable
	case windows.ERROR_SHARING_VIOLATION, windows.ERROR_LOCK_VIOLATION, windows.ERROR_USER_MAPPED_FILE,
		windows.ERROR_BUSY:
		return fixity.ErrInUse
	case windows.ERROR_NOT_READY, windows.ERROR_BAD_NETPATH, windows.ERROR_NETNAME_DELETED, windows.ERROR_DEV_NOT_EXIST,
		windows.ERROR_DEVICE_NOT_CONNECTED, windows.ERROR_BAD_NET_NAME, windows.ERROR_UNEXP_NET_ERR,
		windows.ERROR_NO_SUCH_DEVICE, windows.ERROR_NO_MEDIA_IN_DRIVE, windows.ERROR_INVALID_DRIVE,
		windows.ERROR_SEM_TIMEOUT, windows.ERROR_NETWORK_UNREACHABLE, windows.ERROR_HOST_UNREACHABLE,
		windows.ERROR_DEVICE_REMOVED, windows.ERROR_WRONG_DISK, windows.ERROR_UNRECOGNIZED_VOLUME,
		windows.ERROR_FILE_INVALID:
		return fixity.ErrAway
	case windows.ERROR_TOO_MANY_OPEN_FILES, windows.ERROR_NOT_ENOUGH_MEMORY, windows.ERROR_OUTOFMEMORY, windows.ERROR_NO_SYSTEM_RESOURCES:
		return fixity.ErrExhausted
	}
	return nil
}

// noLinks says that a file system, or a share, gives a file no second name.
func noLinks(err error) bool {
	return errors.Is(err, errors.ErrUnsupported) || errors.Is(err, windows.ERROR_INVALID_FUNCTION) || errors.Is(err, windows.ERROR_TOO_MANY_LINKS)
}
