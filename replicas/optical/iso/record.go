package iso

import (
	"errors"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
)

// File flags: ECMA-119, section 9.1.6.
const (
	flagDirectory  = 1 << 1
	flagAssociated = 1 << 2
	flagMulti      = 1 << 7 // not the last extent of its file
)

// record is a directory record: ECMA-119, section 9.1.
type record struct {
	lba, size  int64 // size in bytes
	xattr      int64 // sectors of extended attributes before the data
	flags      byte
	unit, gap  byte // of an interleaved file, else 0
	volume     uint16
	when       time.Time
	id, system []byte
}

// parse takes one record; b is as long as its first byte says.
func parse(b []byte) (record, error) {
	if len(b) < 34 {
		return record{}, errors.New("record of less than 34 bytes")
	}
	n := int(b[32])
	if n == 0 || 33+n > len(b) {
		return record{}, errors.New("name longer than its record")
	}
	r := record{
		xattr: int64(b[1]), lba: int64(le.Uint32(b[2:])), size: int64(le.Uint32(b[10:])),
		when: shortTime(b[18:25]), flags: b[25], unit: b[26], gap: b[27],
		volume: le.Uint16(b[28:]), id: b[33 : 33+n],
	}
	// The system use part begins at an even place (section 9.1.12).
	if at := 33 + n + (n+1)%2; at < len(b) {
		r.system = b[at:]
	}
	return r, nil
}

// self says that the record is "." or "..": section 6.8.2.2.
func (r record) self() bool { return len(r.id) == 1 && r.id[0] <= 1 }

// shortTime takes the seven bytes of section 9.1.5; zero time if they say none.
func shortTime(b []byte) time.Time {
	return date(1900+int(b[0]), int(b[1]), int(b[2]), int(b[3]), int(b[4]), int(b[5]), 0, int8(b[6]))
}

// longTime takes the seventeen bytes of section 8.4.26.1.
func longTime(b []byte) time.Time {
	var v [7]int
	at := 0
	for i, n := range []int{4, 2, 2, 2, 2, 2, 2} {
		x, err := strconv.ParseUint(string(b[at:at+n]), 10, 16)
		if err != nil {
			return time.Time{}
		}
		v[i] = int(x)
		at += n
	}
	return date(v[0], v[1], v[2], v[3], v[4], v[5], v[6]*int(10*time.Millisecond), int8(b[16]))
}

// date refuses what is no date. zone counts quarters of an hour east of Greenwich.
func date(year, month, day, hour, minute, second, nano int, zone int8) time.Time {
	if month < 1 || month > 12 || day < 1 || day > 31 || hour > 23 || minute > 59 || second > 59 {
		return time.Time{}
	}
	t := time.Date(year, time.Month(month), day, hour, minute, second, nano, time.UTC)
	if zone >= -48 && zone <= 52 {
		t = t.Add(-time.Duration(zone) * 15 * time.Minute)
	}
	return t
}

// ucs2 decodes big-endian UCS-2, and what later writers make of it: UTF-16. A
// surrogate without its other half becomes U+FFFD.
func ucs2(b []byte) string {
	u := make([]uint16, len(b)/2)
	for i := range u {
		u[i] = be.Uint16(b[2*i:])
	}
	return string(utf16.Decode(u))
}

// plain splits a name into what people call it and its version, 0 if it has none:
// ECMA-119, section 7.5.1. The full stop before an empty extension goes too, where
// dot says so.
func plain(name string, dot bool) (string, int) {
	version := 0
	if i := strings.LastIndexByte(name, ';'); i > 0 {
		if v, err := strconv.ParseUint(name[i+1:], 10, 15); err == nil {
			name, version = name[:i], int(v)
		}
	}
	if dot && len(name) > 1 {
		name = strings.TrimSuffix(name, ".")
	}
	return name, version
}
