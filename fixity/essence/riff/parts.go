package riff

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"firmus/fixity/essence/sound"
)

// format is a fmt chunk.
type format struct {
	tag, extended         uint16
	channels, align, bits int
	rate                  uint32
	short                 bool // fewer bytes than there must be
	foreign               bool // a GUID that isn't a format tag
}

const extensible = 0xfffe

// tail is the end of a GUID that is made of a format tag: KSDATAFORMAT_SUBTYPE.
var tail = []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71}

// readFormat reads WAVEFORMATEX and WAVEFORMATEXTENSIBLE.
func readFormat(b []byte) *format {
	if len(b) < 16 {
		return &format{short: true}
	}
	le := binary.LittleEndian
	f := &format{
		tag: le.Uint16(b), channels: int(le.Uint16(b[2:])), rate: le.Uint32(b[4:]),
		align: int(le.Uint16(b[12:])), bits: int(le.Uint16(b[14:])),
	}
	if f.tag != extensible {
		return f
	}
	if len(b) < 40 {
		f.short = true
		return f
	}
	if valid := int(le.Uint16(b[18:])); valid > 0 && valid <= f.bits {
		f.bits = valid
	}
	f.extended = le.Uint16(b[24:])
	f.foreign = !bytes.Equal(b[26:40], tail)
	return f
}

// codec names the format tag (mmreg.h).
func (f *format) codec() string {
	tag := f.tag
	if tag == extensible {
		if f.foreign {
			return "extensible"
		}
		tag = f.extended
	}
	switch tag {
	case 1:
		return sound.PCM
	case 3:
		return sound.Float
	case 6:
		return "alaw"
	case 7:
		return "ulaw"
	}
	return fmt.Sprintf("0x%04x", tag)
}

// ds64 is the chunk of 64-bit sizes: EBU Tech 3306, section 3; BS.2088, annex 1.
type ds64 struct {
	at                  int64 // of its body
	riff, data, samples uint64
	table               map[string]uint64 // sizes of other chunks
}

// tableMost is how many sizes of other chunks are read. Only chunks of 4 GiB and
// more that aren't the samples need one.
const tableMost = 16

const ds64Head = 28 + 12*tableMost

func (f *File) readDS64(b []byte) {
	if f.ds64 != nil || len(b) < 24 {
		return
	}
	le := binary.LittleEndian
	d := &ds64{
		at:   f.chunks.At() - int64(len(b)),
		riff: le.Uint64(b), data: le.Uint64(b[8:]), samples: le.Uint64(b[16:]),
		table: map[string]uint64{},
	}
	if len(b) >= 28 {
		n := min(le.Uint32(b[24:]), tableMost)
		for b = b[28:]; n > 0 && len(b) >= 12; n, b = n-1, b[12:] {
			d.table[string(b[:4])] = le.Uint64(b[4:])
		}
	}
	f.ds64 = d
	if !f.long {
		return
	}
	switch {
	case f.riff != unset:
		f.chunks.FormEnd = 8 + int64(f.riff)
	case d.riff != 0:
		f.chunks.FormEnd = 8 + clamp(d.riff)
	}
}

// length is the true length of a chunk whose 32-bit size says nothing: the
// table's, else all there is.
func (d *ds64) length(id string, there int64) int64 {
	if d != nil {
		if n, ok := d.table[id]; ok {
			return clamp(n)
		}
	}
	return there
}

// bextLength is the length of a bext chunk without its coding history: EBU Tech
// 3285 version 2, section 2.3.
const bextLength = 602

func readBext(b []byte) *sound.Broadcast {
	full := make([]byte, bextLength)
	copy(full, b)
	text := func(from, to int) string {
		t, _, _ := bytes.Cut(full[from:to], []byte{0})
		return string(bytes.TrimRight(t, " "))
	}
	return &sound.Broadcast{
		Description: text(0, 256),
		Originator:  text(256, 288),
		Reference:   text(288, 320),
		Date:        text(320, 330),
		Time:        text(330, 338),
		Since:       binary.LittleEndian.Uint64(full[338:]),
		Version:     binary.LittleEndian.Uint16(full[346:]),
	}
}
