package essence

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"strings"
	"unicode/utf8"

	"firmus/fixity/essence/sound"
)

// Part is a part of a sound file that is not the sound itself.
type Part struct {
	ID     string // as the file has it
	Name   string // in words; "" if it has none here
	Length int64  // of its body in bytes
	Fields []Field
	// Sum tells bodies apart of which no field is known: a CRC of the first 64 KiB.
	Sum uint32
}

// Field is a piece of text in a part. It may be hostile.
type Field struct{ Name, Value string }

// Bounds of what is looked at of a file's description. A hostile file could have more.
const (
	mostParts  = 200
	mostBody   = 64 << 10
	mostFields = 200
	mostValue  = 500 // runes
)

// Describe gives the parts of a sound file around its sound, in their order: chunks of WAVE
// and AIFF, metadata blocks of FLAC. It fails as r does; a file that is no sound has none.
func Describe(r io.ReaderAt, size int64) ([]Part, error) {
	s, _, err := Inspect(r, size)
	if err != nil {
		return nil, err
	}
	d := describer{r: r, size: size}
	switch s.Format {
	case sound.WAVE, sound.BWF, sound.RF64, sound.BW64:
		err = d.chunks(binary.LittleEndian, "data", s.DataOffset+s.DataLength)
	case sound.AIFF, sound.AIFC:
		err = d.chunks(binary.BigEndian, "SSND", 0)
	case sound.FLAC:
		err = d.blocks(s.DataOffset)
	}
	return d.parts, err
}

type describer struct {
	r     io.ReaderAt
	size  int64
	parts []Part
}

// body reads the beginning of a part.
func (d *describer) body(at, length int64) ([]byte, error) {
	b := make([]byte, max(0, min(length, mostBody, d.size-at)))
	return b, readFull(d.r, b, at, d.size)
}

// chunks walks the chunks of a form; end is where the samples end, if a header can't say it.
func (d *describer) chunks(order binary.ByteOrder, data string, end int64) error {
	for at := int64(12); at+8 <= d.size && len(d.parts) < mostParts; {
		h, err := d.body(at, 8)
		if err != nil {
			return err
		}
		id, length := string(h[:4]), int64(order.Uint32(h[4:]))
		at += 8
		if id == data {
			if end > 0 {
				length = end - at
			}
			at += length + length%2
			continue
		}
		b, err := d.body(at, length)
		if err != nil {
			return err
		}
		d.add(id, length, b, order)
		at += length + length%2
	}
	return nil
}

func (d *describer) add(id string, length int64, b []byte, order binary.ByteOrder) {
	p := Part{ID: id, Length: length, Sum: crc32.ChecksumIEEE(b), Name: names[id]}
	field := func(name string, value []byte) {
		if v := text(value); v != "" && len(p.Fields) < mostFields {
			p.Fields = append(p.Fields, Field{name, v})
		}
	}
	switch {
	case id == "bext" && len(b) >= 348: // EBU Tech 3285 version 2, section 2.3
		for _, f := range []struct {
			name     string
			from, to int
		}{{"description", 0, 256}, {"originator", 256, 288}, {"reference", 288, 320}, {"date", 320, 330}, {"time", 330, 338}} {
			field(f.name, b[f.from:f.to])
		}
		p.Fields = append(p.Fields, Field{"first sample since midnight", fmt.Sprint(binary.LittleEndian.Uint64(b[338:]))})
		if len(b) > 602 {
			field("coding history", b[602:])
		}
	case id == "LIST" && len(b) >= 4 && string(b[:4]) == "INFO":
		p.ID, p.Name = "LIST INFO", "descriptions"
		for b = b[4:]; len(b) >= 8; {
			n := int(min(int64(binary.LittleEndian.Uint32(b[4:])), int64(len(b)-8)))
			name := string(b[:4])
			if known := info[name]; known != "" {
				name = known
			}
			field(text([]byte(name)), b[8:8+n])
			b = b[min(len(b), 8+n+n%2):]
		}
	case id == "NAME" || id == "AUTH" || id == "(c) " || id == "ANNO" || id == "iXML" || id == "axml" || id == "_PMX":
		field("text", b)
	case id == "fmt " || id == "COMM" || id == "ds64" || id == "fact": // they say how the samples lie
		p.Fields = append(p.Fields, Field{"bytes", fmt.Sprintf("% x", b[:min(len(b), 40)])})
	}
	p.ID = text([]byte(p.ID))
	d.parts = append(d.parts, p)
}

// names are parts in words. LIST's names of INFO: IBM and Microsoft, Multimedia Programming
// Interface 1.0, chapter 2; AIFF 1.3.
var names = map[string]string{
	"bext": "broadcast description", "fmt ": "how the samples lie", "COMM": "how the samples lie", "ds64": "sizes", "fact": "number of samples",
	"cue ": "marks", "smpl": "loops", "inst": "instrument", "iXML": "production notes", "axml": "description in XML", "_PMX": "description in XML", "cart": "broadcast cart",
	"id3 ": "tags (ID3)", "ID3 ": "tags (ID3)", "JUNK": "room left free", "PAD ": "room left free", "FLLR": "room left free", "PEAK": "peaks", "levl": "peaks", "chna": "channels",
	"NAME": "name", "AUTH": "author", "(c) ": "copyright", "ANNO": "note", "MARK": "marks", "COMT": "comments", "APPL": "a program's own",
}

var info = map[string]string{
	"INAM": "title", "IART": "artist", "ICMT": "comment", "ICRD": "date", "ISFT": "program", "ICOP": "copyright", "IGNR": "genre", "ISBJ": "subject", "IKEY": "keywords",
	"IENG": "engineer", "ISRC": "source", "ITCH": "technician", "IPRD": "product", "IARL": "archival location", "IMED": "medium", "ISRF": "original form", "ICMS": "commissioned by",
}

// blocks walks FLAC's metadata blocks (RFC 9639, section 8); end is where its frames begin.
func (d *describer) blocks(end int64) error {
	at := int64(0)
	if h, err := d.body(0, 10); err != nil {
		return err
	} else if len(h) == 10 && string(h[:3]) == "ID3" {
		n := int64(0)
		for _, x := range h[6:10] {
			n = n<<7 | int64(x&0x7f)
		}
		d.parts = append(d.parts, Part{ID: "ID3", Name: "tags (ID3)", Length: 10 + n})
		if at = 10 + n; h[5]&0x10 != 0 {
			at += 10
		}
	}
	for at += 4; at+4 <= end && len(d.parts) < mostParts; {
		h, err := d.body(at, 4)
		if err != nil {
			return err
		}
		length := int64(h[1])<<16 | int64(h[2])<<8 | int64(h[3])
		b, err := d.body(at+4, length)
		if err != nil {
			return err
		}
		kind := int(h[0] & 0x7f)
		p := Part{ID: fmt.Sprintf("block %d", kind), Length: length, Sum: crc32.ChecksumIEEE(b)}
		if kind < len(blocks) {
			p.Name = blocks[kind]
		}
		if kind == 4 {
			p.Fields = comments(b)
		}
		d.parts = append(d.parts, p)
		at += 4 + length
	}
	return nil
}

var blocks = []string{"how the samples lie", "room left free", "a program's own", "places to seek", "tags", "cue sheet", "picture"}

// comments are the fields of a Vorbis comment (section 8.6).
func comments(b []byte) (out []Field) {
	take := func() ([]byte, bool) {
		if len(b) < 4 {
			return nil, false
		}
		n := int64(binary.LittleEndian.Uint32(b))
		if b = b[4:]; n > int64(len(b)) {
			return nil, false
		}
		x := b[:n]
		b = b[n:]
		return x, true
	}
	vendor, ok := take()
	if !ok || len(b) < 4 {
		return nil
	}
	out = append(out, Field{"written by", text(vendor)})
	for b = b[4:]; len(out) < mostFields; {
		x, ok := take()
		if !ok {
			return out
		}
		name, value, _ := bytes.Cut(x, []byte("="))
		out = append(out, Field{strings.ToLower(text(name)), text(value)})
	}
	return out
}

// text is a text up to its first zero byte, as UTF-8: what isn't that is taken as Latin-1.
func text(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	b = bytes.TrimSpace(b)
	if !utf8.Valid(b) {
		var s strings.Builder
		for _, c := range b {
			s.WriteRune(rune(c))
		}
		b = []byte(s.String())
	}
	if utf8.RuneCount(b) > mostValue {
		return string([]rune(string(b))[:mostValue]) + " …"
	}
	return string(b)
}

// Difference is what differs in one part or field of two files' descriptions. A side that
// lacks it is nil.
type Difference struct {
	Part    string // the part in words, with its letters in the file
	Field   string // "" if no field of it is known
	Was, Is *string
}

// Differ compares what two files say around their sound, field by field where fields are
// known, else by length and contents.
func Differ(was, is []Part) (out []Difference) {
	name := func(p Part) string {
		if p.Name == "" || p.Name == p.ID {
			return p.ID
		}
		return p.Name + " (" + p.ID + ")"
	}
	type key struct {
		id string
		n  int
	}
	index := func(parts []Part) map[key]Part {
		m, count := map[key]Part{}, map[string]int{}
		for _, p := range parts {
			m[key{p.ID, count[p.ID]}] = p
			count[p.ID]++
		}
		return m
	}
	old, now := index(was), index(is)
	seen := map[key]bool{}
	count := map[string]int{}
	for i, p := range append(append([]Part{}, was...), is...) {
		if i == len(was) {
			clear(count)
		}
		k := key{p.ID, count[p.ID]}
		count[p.ID]++
		if seen[k] {
			continue
		}
		seen[k] = true
		a, inOld := old[k]
		b, inNow := now[k]
		if inOld && inNow && a.Length == b.Length && a.Sum == b.Sum {
			continue
		}
		if ds := fields(name(p), a, b); len(ds) > 0 {
			out = append(out, ds...)
			continue
		}
		d := Difference{Part: name(p)}
		if inOld {
			d.Was = said(a)
		}
		if inNow {
			d.Is = said(b)
		}
		if d.Was != nil && d.Is != nil && *d.Was == *d.Is {
			*d.Is += ", with other contents"
		}
		out = append(out, d)
	}
	return out
}

func said(p Part) *string {
	s := fmt.Sprintf("%d bytes", p.Length)
	if p.Length == 1 {
		s = "1 byte"
	}
	return &s
}

// fields are the differences of two parts, field by field; of several of a name the first
// meets the first.
func fields(part string, a, b Part) (out []Difference) {
	find := func(fs []Field, name string, n int) *string {
		for i := range fs {
			if fs[i].Name == name {
				if n == 0 {
					return &fs[i].Value
				}
				n--
			}
		}
		return nil
	}
	seen := map[string]int{}
	for _, f := range a.Fields {
		x, y := &f.Value, find(b.Fields, f.Name, seen[f.Name])
		seen[f.Name]++
		if y == nil || *x != *y {
			out = append(out, Difference{part, f.Name, x, y})
		}
	}
	more := map[string]int{}
	for _, f := range b.Fields {
		if more[f.Name]++; more[f.Name] > seen[f.Name] {
			out = append(out, Difference{part, f.Name, nil, &f.Value})
		}
	}
	return out
}
