// Package sector knows the layout of a sector of a compact disc, 2352 bytes: its
// address, the error detection code over it and the parity that corrects it
// (ECMA-130, section 14 and annexes A and B). Drives strip and use these
// themselves; images with raw sectors hold them.
package sector

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// Sizes, in bytes.
const (
	Raw  = 2352 // all of a sector; an audio sector is nothing but samples
	Data = 2048 // of a user's data in it
)

// A second has 75 sectors, and the first address is 2 s after the beginning.
const (
	PerSecond = 75
	Lead      = 2 * PerSecond // sectors before LBA 0
)

// Places in a sector of mode 1 (ECMA-130, 14.3) and of mode 2, form 1.
const (
	header = 12 // behind the synchronisation field: minute, second, frame, mode
	user   = 16
	edc    = 2064
	parity = 2076 // 172 bytes P, 104 bytes Q
	parQ   = parity + 172

	xaUser = 24 // behind two copies of the subheader
	xaEDC  = 2072
)

var syncField = []byte{0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0}

// MSF is minute, second and frame of a sector's address on the disc, as numbers
// (MMC-6, 4.2.2.2: the address of LBA 0 is 00:02:00).
func MSF(lba int64) (m, s, f byte) {
	lba += Lead
	return byte(lba / (60 * PerSecond)), byte(lba / PerSecond % 60), byte(lba % PerSecond)
}

// LBA is the address of minute, second and frame; addresses from 90:00:00 on lie
// before LBA 0 (MMC-6, table 6).
func LBA(m, s, f byte) int64 {
	lba := (int64(m)*60+int64(s))*PerSecond + int64(f) - Lead
	if m >= 90 {
		lba -= 100 * 60 * PerSecond
	}
	return lba
}

// edcTable is for the polynomial of annex A, (x^16+x^15+x^2+1)(x^16+x^2+x+1), the
// lowest bit first.
var edcTable = func() (t [256]uint32) {
	for i := range t {
		c := uint32(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xD8018001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

// EDC is the error detection code of annex A.
func EDC(b []byte) uint32 {
	c := uint32(0)
	for _, x := range b {
		c = c>>8 ^ edcTable[byte(c)^x]
	}
	return c
}

// Flaw is what is wrong with a raw sector of data.
type Flaw uint8

// Flaws, the least grave first.
const (
	Sound   Flaw = iota
	Parity       // the data is right by its detection code, the parity over it isn't
	Corrupt      // the data is not what was written
	NoData       // it isn't a sector of data
)

func (f Flaw) String() string {
	switch f {
	case Sound:
		return "sound"
	case Parity:
		return "parity damaged"
	case Corrupt:
		return "error detection code wrong"
	}
	return "not a sector of data"
}

// User gives the 2048 bytes of a user's data in a raw sector of mode 1 or of mode 2
// form 1, and what is wrong with it. It points into raw. Nil with NoData: sectors
// of other modes have no 2048 bytes, or none that are protected.
func User(raw []byte) ([]byte, Flaw) {
	if len(raw) < Raw || !bytes.Equal(raw[:header], syncField) {
		return nil, NoData
	}
	le := binary.LittleEndian
	switch raw[15] {
	case 1:
		b := raw[user : user+Data]
		if EDC(raw[:edc]) != le.Uint32(raw[edc:]) {
			return b, Corrupt
		}
		if !parityRight(raw, false) || !bytes.Equal(raw[edc+4:parity], make([]byte, 8)) {
			return b, Parity
		}
		return b, Sound
	case 2:
		// Bit 5 of the submode is form 2, whose data isn't corrected.
		if raw[18]&0x20 != 0 {
			return nil, NoData
		}
		b := raw[xaUser : xaUser+Data]
		if EDC(raw[user:xaEDC]) != le.Uint32(raw[xaEDC:]) {
			return b, Corrupt
		}
		if !parityRight(raw, true) {
			return b, Parity
		}
		return b, Sound
	}
	return nil, NoData
}

// Address is the LBA that a raw sector of data says it has; false if it has none.
func Address(raw []byte) (int64, bool) {
	if len(raw) < user || !bytes.Equal(raw[:header], syncField) {
		return 0, false
	}
	var v [3]byte
	for i := range v {
		b := raw[header+i]
		if b>>4 > 9 || b&15 > 9 {
			return 0, false
		}
		v[i] = b>>4*10 + b&15
	}
	return LBA(v[0], v[1], v[2]), true
}

// Encode makes the raw sector of mode 1 of 2048 bytes of data. It panics if there
// are more or less, or if raw is too short.
func Encode(raw []byte, lba int64, data []byte) {
	if len(data) != Data {
		panic(fmt.Sprintf("sector of %d bytes", len(data)))
	}
	raw = raw[:Raw]
	copy(raw, syncField)
	m, s, f := MSF(lba)
	bcd := func(v byte) byte { return v/10<<4 | v%10 }
	raw[12], raw[13], raw[14], raw[15] = bcd(m), bcd(s), bcd(f), 1
	copy(raw[user:], data)
	binary.LittleEndian.PutUint32(raw[edc:], EDC(raw[:edc]))
	clear(raw[edc+4 : parity])
	p, q := codes(raw, false)
	copy(raw[parity:], p[:])
	copy(raw[parQ:], q[:])
}
