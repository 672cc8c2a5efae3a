package ground

import (
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// ioctl asks the file system of f; the answer is put into buf, which is longer than any.
func ioctl(f *os.File, code uint, buf []byte) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), uintptr(code), uintptr(unsafe.Pointer(&buf[0]))); errno != 0 {
		return errno
	}
	return nil
}
