package scsi

import (
	"encoding/binary"
	"fmt"
	"strings"
	"time"
)

// SCSI_PASS_THROUGH_DIRECT on 64-bit Windows, with the sense data behind it: where
// its fields lie. It is filled by hand, and not by a struct with a pointer in it,
// so that it is the same and tested on every system.
const (
	ptLength         = 0  // u16: size of the structure
	ptStatus         = 2  // u8: SCSI status
	ptCDBLength      = 6  // u8
	ptSenseLength    = 7  // u8
	ptDataIn         = 8  // u8: 0 out, 1 in, 2 none
	ptTransferLength = 12 // u32
	ptTimeOut        = 16 // u32, seconds
	ptDataBuffer     = 24 // pointer
	ptSenseOffset    = 32 // u32
	ptCDB            = 36 // 16 bytes
	ptSize           = 56
	ptSense          = 64
	ptSenseBytes     = 96
	ptAll            = ptSense + ptSenseBytes
)

// passThrough is Windows' way to a drive. ioctl carries a request out in place,
// after it has put the address of data into it.
type passThrough struct {
	ioctl func(request, data []byte) error
	shut  func() error
}

func (p *passThrough) close() error { return p.shut() }

func (p *passThrough) send(cdb, data []byte, dir Direction, timeout time.Duration) (answer, error) {
	r := make([]byte, ptAll)
	le := binary.LittleEndian
	le.PutUint16(r[ptLength:], ptSize)
	r[ptCDBLength], r[ptSenseLength] = byte(len(cdb)), ptSenseBytes
	switch dir {
	case Out:
		r[ptDataIn] = 0
	case In:
		r[ptDataIn] = 1
	default:
		r[ptDataIn] = 2
	}
	le.PutUint32(r[ptTransferLength:], uint32(len(data)))
	le.PutUint32(r[ptTimeOut:], uint32(max(1, (timeout+time.Second-1)/time.Second)))
	le.PutUint32(r[ptSenseOffset:], ptSense)
	copy(r[ptCDB:ptCDB+16], cdb)
	if err := p.ioctl(r, data); err != nil {
		return answer{}, fmt.Errorf("pass-through: %w", err)
	}
	a := answer{status: Status(r[ptStatus]), residual: len(data) - int(le.Uint32(r[ptTransferLength:]))}
	if a.status != Good {
		a.sense = r[ptSense : ptSense+min(int(r[ptSenseLength]), ptSenseBytes)]
	}
	return a, nil
}

func putAddress(request []byte, p uintptr) {
	binary.LittleEndian.PutUint64(request[ptDataBuffer:], uint64(p))
}

// devicePath makes the name that Windows opens a drive by: `\\.\E:` for "E:",
// `E:\` or "e". Others are let be.
func devicePath(path string) string {
	letter := strings.TrimRight(path, `:\/`)
	if len(letter) == 1 && (letter[0]|0x20) >= 'a' && (letter[0]|0x20) <= 'z' {
		return `\\.\` + strings.ToUpper(letter) + ":"
	}
	return path
}
