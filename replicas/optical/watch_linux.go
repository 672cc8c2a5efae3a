package optical

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// events listens to the kernel's own messages (group 1), which need neither rights
// nor a device daemon. Nil if it can't. The kernel tells of a change once, and then
// not until somebody has opened the drive: asking does.
func events(ctx context.Context, path string) <-chan bool {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.NETLINK_KOBJECT_UEVENT)
	if err != nil {
		return nil
	}
	if err := unix.Bind(fd, &unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: 1}); err != nil {
		_ = unix.Close(fd)
		return nil
	}
	f := os.NewFile(uintptr(fd), "uevents")
	conn, err := f.SyscallConn()
	if err != nil {
		_ = f.Close()
		return nil
	}
	out := make(chan bool)
	stop := context.AfterFunc(ctx, func() { _ = f.Close() })
	go func() {
		defer close(out)
		defer stop()
		b := make([]byte, 16<<10)
		device := deviceName(path)
		for {
			n, from, err := receive(conn, b)
			// Messages were lost, or this one came from another program.
			switch {
			case errors.Is(err, unix.ENOBUFS):
				n = -1
			case err != nil:
				return
			}
			about, button := true, false
			if n >= 0 {
				if about, button = concerns(b[:n], device); from != 0 {
					about = false
				}
			}
			if !about {
				continue
			}
			select {
			case out <- button:
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

// receive waits for one message and says which process sent it: 0 is the kernel.
func receive(conn interface {
	Read(func(fd uintptr) bool) error
}, b []byte) (n int, from uint32, err error) {
	cerr := conn.Read(func(fd uintptr) bool {
		var sa unix.Sockaddr
		n, sa, err = unix.Recvfrom(int(fd), b, 0)
		if nl, ok := sa.(*unix.SockaddrNetlink); ok {
			from = nl.Pid
		}
		return err != unix.EAGAIN && err != unix.EINTR
	})
	if cerr != nil {
		return 0, 0, cerr
	}
	return n, from, err
}

// deviceName is the kernel's name of the drive at a path, which may be a link.
func deviceName(path string) string {
	if p, err := filepath.EvalSymlinks(path); err == nil {
		path = p
	}
	return filepath.Base(path)
}

// From include/uapi/linux/cdrom.h.
const (
	cdromDriveStatus = 0x5326
	anySlot          = 0x7FFFFFFF
)

// ask opens the drive, which makes the kernel look at it, and asks what is in it.
// diskseq counts the discs that the kernel has seen.
func ask(_ context.Context, path string) look {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	switch err {
	case nil:
	case unix.ENOENT, unix.ENXIO, unix.ENODEV:
		return look{presence: NoDrive}
	default:
		return look{}
	}
	defer unix.Close(fd)
	l := look{}
	status, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), cdromDriveStatus, anySlot)
	switch {
	case e == unix.ENODEV || e == unix.ENXIO:
		l.presence = NoDrive
	case e != 0:
	case status == 1:
		l.presence = NoDisc
	case status == 2:
		l.presence = TrayOpen
	case status == 3:
		l.presence = NotReady
	case status == 4:
		l.presence = HasDisc
	}
	if b, err := os.ReadFile(filepath.Join("/sys/block", deviceName(path), "diskseq")); err == nil {
		l.seq, _ = strconv.ParseUint(strings.TrimSpace(string(b)), 10, 64)
	}
	return l
}
