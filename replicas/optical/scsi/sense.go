package scsi

import (
	"encoding/binary"
	"fmt"
)

// Key is a sense key, the coarsest word on what happened (SPC-4, table 48).
type Key uint8

// Sense keys.
const (
	NoSense        Key = 0x0
	RecoveredError Key = 0x1
	NotReady       Key = 0x2
	MediumError    Key = 0x3
	HardwareError  Key = 0x4
	IllegalRequest Key = 0x5
	UnitAttention  Key = 0x6
	DataProtect    Key = 0x7
	BlankCheck     Key = 0x8
	VendorSpecific Key = 0x9
	CopyAborted    Key = 0xA
	AbortedCommand Key = 0xB
	VolumeOverflow Key = 0xD
	Miscompare     Key = 0xE
)

var keys = [16]string{
	"no sense", "recovered error", "not ready", "medium error", "hardware error", "illegal request",
	"unit attention", "data protect", "blank check", "vendor specific", "copy aborted", "aborted command",
	"reserved key 12", "volume overflow", "miscompare", "completed",
}

func (k Key) String() string { return keys[k&15] }

// Sense is what a drive says of a command that did not go as it should. The zero
// value says nothing.
type Sense struct {
	Key       Key
	ASC, ASCQ uint8  // additional sense code and its qualifier
	Deferred  bool   // it is about an earlier command
	HasInfo   bool   // Info was given
	Info      uint64 // for a read error the sector; some drives give nonsense
}

// Code is key, code and qualifier in hexadecimal: "3/11/05".
func (s Sense) Code() string { return fmt.Sprintf("%x/%02x/%02x", uint8(s.Key), s.ASC, s.ASCQ) }

// Name says in the standard's words what the additional sense code means, "" if it
// isn't known.
func (s Sense) Name() string {
	if n, ok := codes[uint16(s.ASC)<<8|uint16(s.ASCQ)]; ok {
		return n
	}
	return codes[uint16(s.ASC)<<8]
}

func (s Sense) String() string {
	if s == (Sense{}) {
		return "no sense data"
	}
	t := s.Key.String()
	if n := s.Name(); n != "" && s.ASC|s.ASCQ != 0 {
		t += ", " + n
	}
	t += " (" + s.Code() + ")"
	if s.HasInfo && s.Key == MediumError {
		t += fmt.Sprintf(" at %d", s.Info)
	}
	if s.Deferred {
		t += ", of an earlier command"
	}
	return t
}

// ParseSense reads sense data in fixed (SPC-4, section 4.5.3) or descriptor format
// (section 4.5.2). What isn't there counts as zero; false says that there is no
// sense data at all.
func ParseSense(b []byte) (Sense, bool) {
	if len(b) < 3 {
		return Sense{}, false
	}
	var s Sense
	switch b[0] & 0x7F {
	case 0x70, 0x71:
		s.Deferred = b[0]&0x7F == 0x71
		s.Key = Key(b[2] & 15)
		if b[0]&0x80 != 0 && len(b) >= 7 { // VALID
			s.HasInfo, s.Info = true, uint64(binary.BigEndian.Uint32(b[3:]))
		}
		// Byte 7 says how much follows it.
		if len(b) >= 14 && b[7] >= 6 {
			s.ASC, s.ASCQ = b[12], b[13]
		}
	case 0x72, 0x73:
		s.Deferred = b[0]&0x7F == 0x73
		s.Key, s.ASC = Key(b[1]&15), b[2]
		if len(b) >= 4 {
			s.ASCQ = b[3]
		}
		if len(b) < 8 {
			break
		}
		rest := b[8:min(len(b), 8+int(b[7]))]
		for len(rest) >= 2 && len(rest) >= 2+int(rest[1]) {
			d := rest[:2+int(rest[1])]
			rest = rest[len(d):]
			// Information descriptor: type 0, length 0Ah, VALID in byte 2 (4.5.2.2).
			if d[0] == 0 && len(d) >= 12 && d[2]&0x80 != 0 {
				s.HasInfo, s.Info = true, binary.BigEndian.Uint64(d[4:])
			}
		}
	default:
		return Sense{}, false
	}
	return s, true
}

// Fixed gives sense data in fixed format, 18 bytes.
func (s Sense) Fixed() []byte {
	b := make([]byte, 18)
	b[0] = 0x70
	if s.Deferred {
		b[0] = 0x71
	}
	b[2], b[7], b[12], b[13] = byte(s.Key)&15, 10, s.ASC, s.ASCQ
	if s.HasInfo && s.Info <= 1<<32-1 {
		b[0] |= 0x80
		binary.BigEndian.PutUint32(b[3:], uint32(s.Info))
	}
	return b
}
