package vmtest_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// A block device that logs what is written to it, by the kernel's device mapper, and the
// replaying of that log (Documentation/admin-guide/device-mapper/log-writes.rst, and
// struct log_write_super and log_write_entry of drivers/md/dm-log-writes.c).

const (
	sectorBytes = 512

	logMagic = 0x6a736677736872 // WRITE_LOG_MAGIC
	logFlush = 1 << 0           // LOG_FLUSH_FLAG: all that had ended before is on the medium
	logFUA   = 1 << 1           // LOG_FUA_FLAG: so is this
	logTrim  = 1 << 2           // LOG_DISCARD_FLAG
	logMark  = 1 << 3           // LOG_MARK_FLAG
)

// entry is what was written in one piece.
type entry struct {
	flags uint64
	off   int64 // bytes
	data  []byte
	mark  string
}

// readLog reads the log of a device.
func readLog(t *testing.T, device string) (out []entry) {
	t.Helper()
	f, err := os.Open(device)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	at := int64(0)
	sectors := func(n uint64) []byte {
		t.Helper()
		b := make([]byte, n*sectorBytes)
		if _, err := f.ReadAt(b, at); err != nil {
			t.Fatal(err)
		}
		at += int64(len(b))
		return b
	}
	le := binary.LittleEndian
	super := sectors(1)
	if le.Uint64(super) != logMagic || le.Uint64(super[8:]) != 1 || le.Uint32(super[24:]) != sectorBytes {
		t.Fatalf("no log: % x", super[:32])
	}
	for range le.Uint64(super[16:]) {
		b := sectors(1)
		e := entry{flags: le.Uint64(b[16:]), off: int64(le.Uint64(b)) * sectorBytes}
		n := le.Uint64(b[8:])
		switch {
		case e.flags&logMark != 0:
			e.mark = string(bytes.TrimRight(b[32:32+le.Uint64(b[24:])], "\x00"))
		case e.flags&logTrim == 0:
			e.data = sectors(n)
		}
		out = append(out, e)
	}
	return out
}

// left is what a drive with a cache holds when the power goes after the first n writes: what
// was flushed, and of the rest all, or each write or not.
func left(base image, log []entry, n int, rnd *rand.Rand) image {
	out := maps.Clone(base)
	safe := 0
	for i, e := range log[:n] {
		if e.flags&logFlush != 0 {
			safe = i
		}
	}
	for i, e := range log[:n] {
		if i < safe || e.flags&logFUA != 0 || rnd == nil || rnd.IntN(2) == 0 {
			out.write(e.off, e.data)
		}
	}
	return out
}

// image is what a device holds: its pages that aren't zeros, by their offset. Pages are never
// written to.
type image map[int64][]byte

const page = 4096

var zeros = make([]byte, page)

func (m image) write(off int64, b []byte) {
	for len(b) > 0 {
		at := off / page * page
		is := make([]byte, page)
		copy(is, m[at])
		n := copy(is[off-at:], b)
		if m[at] = is; bytes.Equal(is, zeros) {
			delete(m, at)
		}
		off, b = off+int64(n), b[n:]
	}
}

// imageOf reads so many bytes.
func imageOf(t *testing.T, r io.Reader, size int64) image {
	t.Helper()
	m, b := image{}, make([]byte, 1<<20)
	for at := int64(0); at < size; at += int64(len(b)) {
		if _, err := io.ReadFull(r, b); err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(b); i += page {
			if p := b[i : i+page]; !bytes.Equal(p, zeros) {
				m[at+int64(i)] = bytes.Clone(p)
			}
		}
	}
	return m
}

func (m image) equal(other image) bool {
	return maps.EqualFunc(m, other, func(a, b []byte) bool { return bytes.Equal(a, b) })
}

// lay makes a file of it, behind a new loop device; done ends that.
func (m image) lay(t *testing.T, path string, size int64) (device string, done func()) {
	t.Helper()
	f, err := os.Create(path)
	if err == nil {
		err = f.Truncate(size)
	}
	for at, b := range m {
		if err == nil {
			_, err = f.WriteAt(b, at)
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const number = 0
	device = fmt.Sprintf("/dev/loop%d", number)
	loop, err := os.OpenFile(device, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.IoctlLoopConfigure(int(loop.Fd()), &unix.LoopConfig{Fd: uint32(f.Fd()), Size: sectorBytes}); err != nil {
		t.Fatal("loop device:", err)
	}
	return device, func() {
		t.Helper()
		if _, err := unix.IoctlRetInt(int(loop.Fd()), unix.LOOP_CLR_FD); err != nil {
			t.Error("loop device:", err)
		}
		if err := errors.Join(loop.Close(), os.Remove(path)); err != nil {
			t.Error(err)
		}
	}
}

// mapper is the device mapper's control device (uapi/linux/dm-ioctl.h).
type mapper struct {
	t *testing.T
	f *os.File
}

// dmHeader is struct dm_ioctl.
type dmHeader struct {
	version               [3]uint32
	size, start           uint32
	targets               uint32
	opened                int32
	flags, event, padding uint32
	dev                   uint64
	name                  [128]byte
	uuid                  [129]byte
	rest                  [7]byte
}

const (
	dmCreate  = 3  // DM_DEV_CREATE_CMD
	dmRemove  = 4  // DM_DEV_REMOVE_CMD
	dmSuspend = 6  // DM_DEV_SUSPEND_CMD, which resumes without its flag
	dmLoad    = 9  // DM_TABLE_LOAD_CMD
	dmMessage = 14 // DM_TARGET_MSG_CMD
)

func (m mapper) call(number uintptr, name string, targets uint32, rest []byte) {
	m.t.Helper()
	const size = unsafe.Sizeof(dmHeader{})
	h := dmHeader{version: [3]uint32{4, 0, 0}, size: uint32(size) + uint32(len(rest)) + 1024, start: uint32(size), targets: targets}
	copy(h.name[:], name)
	b := make([]byte, h.size)
	copy(b, unsafe.Slice((*byte)(unsafe.Pointer(&h)), size))
	copy(b[size:], rest)
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, m.f.Fd(), 3<<30|size<<16|0xfd<<8|number, uintptr(unsafe.Pointer(&b[0]))); e != 0 {
		m.t.Fatalf("device mapper, call %d: %v", number, e)
	}
}

// logged makes a device that writes to a device of so many bytes, and logs that to another.
func logged(t *testing.T, name string, bytes int64, device, log string) mapper {
	t.Helper()
	f, err := os.OpenFile("/dev/mapper/control", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	m := mapper{t, f}
	m.call(dmCreate, name, 0, nil)
	params := append(fmt.Appendf(nil, "%s %s", device, log), 0)
	for len(params)%8 != 0 {
		params = append(params, 0)
	}
	le := binary.LittleEndian
	spec := make([]byte, 40) // struct dm_target_spec
	le.PutUint64(spec[8:], uint64(bytes/sectorBytes))
	le.PutUint32(spec[20:], uint32(40+len(params)))
	copy(spec[24:], "log-writes")
	m.call(dmLoad, name, 1, append(spec, params...))
	m.call(dmSuspend, name, 0, nil)
	return m
}

// mark writes a word into the log.
func (m mapper) mark(name, word string) {
	m.t.Helper()
	m.call(dmMessage, name, 0, append(append(make([]byte, 8), "mark "+word...), 0))
}

func (m mapper) remove(name string) {
	m.t.Helper()
	m.call(dmRemove, name, 0, nil)
	if err := m.f.Close(); err != nil {
		m.t.Error(err)
	}
}
