package scsi

import (
	"errors"
	"fmt"
	"os/user"
	"runtime"
	"strconv"
	"time"
	"unsafe"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// Open opens a drive, "/dev/sr0", without asking for a disc in it. It gives a
// *DeniedError if the account may not, and an error that matches fixity.ErrAway if
// there is no such drive, fixity.ErrBusy if another program has it for itself.
//
// It is opened for writing where that is allowed, since the kernel lets only
// writers set a drive's speed; no command that writes is ever sent.
func Open(path string) (*Device, error) {
	const flags = unix.O_NONBLOCK | unix.O_CLOEXEC
	fd, err := open(path, unix.O_RDWR|flags)
	if err != nil && !errors.Is(err, unix.ENOENT) {
		fd, err = open(path, unix.O_RDONLY|flags)
	}
	if err != nil {
		return nil, openError(path, err)
	}
	var version int32
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), sgGetVersion, uintptr(unsafe.Pointer(&version))); e != 0 || version < 30000 {
		_ = unix.Close(fd)
		return nil, fmt.Errorf("open drive %q: it takes no SCSI commands", path)
	}
	return newDevice(path, &sg{fd}), nil
}

func open(path string, flags int) (int, error) {
	for {
		fd, err := unix.Open(path, flags, 0)
		if err != unix.EINTR {
			return fd, err
		}
	}
}

func openError(path string, err error) error {
	switch err {
	case unix.EACCES, unix.EPERM:
		return &DeniedError{Path: path, Group: groupOf(path), Err: err}
	case unix.EBUSY:
		return fmt.Errorf("open drive %q: another program has it for itself: %w", path, fixity.ErrBusy)
	case unix.ENOENT, unix.ENXIO, unix.ENODEV:
		return fmt.Errorf("open drive %q: %w: %w", path, err, fixity.ErrAway)
	}
	return fmt.Errorf("open drive %q: %w", path, err)
}

// groupOf names the group that may use the drive, "" if its group may not.
func groupOf(path string) string {
	var st unix.Stat_t
	if unix.Stat(path, &st) != nil || st.Mode&unix.S_IRGRP == 0 {
		return ""
	}
	id := strconv.Itoa(int(st.Gid))
	if g, err := user.LookupGroupId(id); err == nil {
		return g.Name
	}
	return id
}

// From include/scsi/sg.h.
const (
	sgIO         = 0x2285
	sgGetVersion = 0x2282
)

// header is struct sg_io_hdr, version 3. Go aligns its fields as C does.
type header struct {
	interfaceID    int32
	dxferDirection int32
	cmdLen         uint8
	mxSbLen        uint8
	iovecCount     uint16
	dxferLen       uint32
	dxferp         unsafe.Pointer
	cmdp           unsafe.Pointer
	sbp            unsafe.Pointer
	timeout        uint32 // ms
	flags          uint32
	packID         int32
	usrPtr         unsafe.Pointer
	status         uint8
	maskedStatus   uint8
	msgStatus      uint8
	sbLenWr        uint8
	hostStatus     uint16
	driverStatus   uint16
	resid          int32
	duration       uint32
	info           uint32
}

// sg is the SG_IO ioctl on an open node.
type sg struct{ fd int }

func (s *sg) close() error { return unix.Close(s.fd) }

func (s *sg) send(cdb, data []byte, dir Direction, timeout time.Duration) (answer, error) {
	sense := make([]byte, 96)
	h := &header{
		interfaceID: 'S', dxferDirection: -1, cmdLen: uint8(len(cdb)), mxSbLen: uint8(len(sense)),
		timeout: uint32(timeout.Milliseconds()),
	}
	var p runtime.Pinner
	defer p.Unpin()
	p.Pin(&cdb[0])
	p.Pin(&sense[0])
	h.cmdp, h.sbp = unsafe.Pointer(&cdb[0]), unsafe.Pointer(&sense[0])
	if len(data) > 0 {
		p.Pin(&data[0])
		h.dxferp, h.dxferLen = unsafe.Pointer(&data[0]), uint32(len(data))
		if h.dxferDirection = -3; dir == Out {
			h.dxferDirection = -2
		}
	}
	// Not repeated on EINTR: the command may have been carried out.
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(s.fd), sgIO, uintptr(unsafe.Pointer(h))); e != 0 {
		return answer{}, sendError(e)
	}
	return answer{
		status: Status(h.status), sense: sense[:min(int(h.sbLenWr), len(sense))],
		host: h.hostStatus, driver: h.driverStatus, residual: int(h.resid),
	}, nil
}

func sendError(e unix.Errno) error {
	switch e {
	case unix.ENODEV, unix.ENXIO, unix.ESHUTDOWN, unix.ENOENT:
		return fmt.Errorf("%w: the drive was unplugged: %w", e, fixity.ErrAway)
	case unix.EBUSY, unix.EAGAIN:
		return fmt.Errorf("%w: %w", e, fixity.ErrBusy)
	case unix.EPERM, unix.EACCES:
		return fmt.Errorf("%w: %w", e, fixity.ErrDenied)
	}
	return e
}
