package udf

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf16"
)

var le, be = binary.LittleEndian, binary.BigEndian

// Tag identifiers: ECMA-167, sections 3/7.2.1 and 4/7.2.1.
const (
	tagSparing       = 0 // UDF 2.01, section 2.2.11
	tagPrimary       = 1
	tagAnchor        = 2
	tagPointer       = 3
	tagPartition     = 5
	tagLogical       = 6
	tagTerminating   = 8
	tagFileSet       = 256
	tagIdentifier    = 257
	tagAllocation    = 258
	tagEntry         = 261
	tagExtendedEntry = 266
)

// check holds a descriptor's tag against its identifier, its checksum and its CRC:
// ECMA-167, section 3/7.2. A CRC of length 0 says that none was computed.
func check(b []byte, id uint16) error {
	if len(b) < 16 {
		return errors.New("descriptor is cut off")
	}
	if got := le.Uint16(b); got != id {
		return fmt.Errorf("descriptor %d where %d should be", got, id)
	}
	var sum byte
	for i, x := range b[:16] {
		if i != 4 {
			sum += x
		}
	}
	if sum != b[4] {
		return fmt.Errorf("descriptor %d: wrong tag checksum", id)
	}
	n := int(le.Uint16(b[10:]))
	if 16+n > len(b) {
		return fmt.Errorf("descriptor %d: CRC over %d bytes where %d are left", id, n, len(b)-16)
	}
	if n > 0 && CRC(b[16:16+n]) != le.Uint16(b[8:]) {
		return fmt.Errorf("descriptor %d: wrong CRC", id)
	}
	return nil
}

var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}()

// CRC is the check of descriptors: polynomial x^16 + x^12 + x^5 + 1, from 0, the
// highest bit first (ECMA-167, section 3/7.2.6).
func CRC(b []byte) uint16 {
	var c uint16
	for _, x := range b {
		c = c<<8 ^ crcTable[byte(c>>8)^x]
	}
	return c
}

// extentAD is a run of bytes from a sector on: ECMA-167, section 3/7.1.
func extentAD(b []byte) run {
	return run{int64(le.Uint32(b[4:])), int64(le.Uint32(b)) / blockSize}
}

// longAD points to an extent of a partition: ECMA-167, section 4/14.14.2. kind is
// the upper two bits of its length (14.14.1.1).
type longAD struct {
	length uint32 // bytes
	kind   byte
	block  uint32
	part   uint16 // partition reference
}

// Kinds of extents.
const (
	recorded  = 0
	continued = 3 // further descriptors; 1 and 2 are not recorded and read as zeros
)

func longADAt(b []byte) longAD {
	n := le.Uint32(b)
	return longAD{n & 0x3FFFFFFF, byte(n >> 30), le.Uint32(b[4:]), le.Uint16(b[8:])}
}

// shortADAt takes a descriptor that leaves the partition out: section 4/14.14.1.
func shortADAt(b []byte, part uint16) longAD {
	n := le.Uint32(b)
	return longAD{n & 0x3FFFFFFF, byte(n >> 30), le.Uint32(b[4:]), part}
}

// timestamp takes the twelve bytes of ECMA-167, section 1/7.3: UTC, zero if they
// are no time. The zone is twelve bits of minutes, -2047 if it isn't given.
func timestamp(b []byte) time.Time {
	zone := int(int16(le.Uint16(b)<<4)) >> 4
	year, month, day := int(int16(le.Uint16(b[2:]))), int(b[4]), int(b[5])
	if month < 1 || month > 12 || day < 1 || day > 31 || b[6] > 23 || b[7] > 59 || b[8] > 59 {
		return time.Time{}
	}
	nano := (int(b[9])*10000 + int(b[10])*100 + int(b[11])) * 1000
	t := time.Date(year, time.Month(month), day, int(b[6]), int(b[7]), int(b[8]), nano, time.UTC)
	if zone >= -1440 && zone <= 1440 {
		t = t.Add(-time.Duration(zone) * time.Minute)
	}
	return t
}

// unicode decodes OSTA compressed Unicode (UDF 2.01, section 2.1.1): a compression
// identifier, then 8 or 16 bits a character. Writers put UTF-16 there; a surrogate
// without its other half becomes U+FFFD.
func unicode(b []byte) (string, error) {
	if len(b) == 0 {
		return "", nil
	}
	switch b[0] {
	case 8:
		u := make([]rune, len(b)-1)
		for i, c := range b[1:] {
			u[i] = rune(c)
		}
		return string(u), nil
	case 16:
		if len(b)%2 == 0 {
			return "", errors.New("half a character at the end of a name")
		}
		u := make([]uint16, len(b)/2)
		for i := range u {
			u[i] = be.Uint16(b[1+2*i:])
		}
		return string(utf16.Decode(u)), nil
	}
	return "", fmt.Errorf("name of compression %d", b[0])
}

// dstring is a fixed field whose last byte says how much of it is used: UDF 2.01,
// section 2.1.3. What makes no sense is "".
func dstring(b []byte) string {
	n := int(b[len(b)-1])
	if n == 0 || n >= len(b) {
		return ""
	}
	s, err := unicode(b[:n])
	if err != nil {
		return ""
	}
	return strings.TrimRight(s, "\x00")
}

// entityID is the identifier of a regid: ECMA-167, section 1/7.4.
func entityID(b []byte) string { return strings.TrimRight(string(b[1:24]), "\x00") }
