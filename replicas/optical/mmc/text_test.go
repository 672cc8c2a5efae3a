package mmc_test

import (
	"bytes"
	"encoding/binary"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical/mmc"
)

// xmodem is the sum of CD-TEXT before it is inverted: polynomial 1021h, from 0.
func xmodem(b []byte) uint16 {
	var c uint32
	for _, x := range b {
		c ^= uint32(x) << 8
		for range 8 {
			if c <<= 1; c&0x10000 != 0 {
				c ^= 0x11021
			}
		}
	}
	return uint16(c)
}

// line is the strings of one type, the disc's first.
type line struct {
	kind    byte
	strings []string
	wide    bool
}

// packs lays lines out as MMC-6, annex H, has it.
func packs(block byte, seq *byte, lines ...line) []byte {
	var out []byte
	for _, l := range lines {
		var text []byte
		var track, pos []byte // of each byte
		for i, s := range l.strings {
			if s += "\x00"; l.wide {
				s += "\x00"
			}
			for j := range len(s) {
				text = append(text, s[j])
				track = append(track, byte(i))
				if l.wide {
					j /= 2
				}
				pos = append(pos, byte(min(j, 15)))
			}
		}
		for at := 0; at < len(text); at += 12 {
			p := make([]byte, 18)
			p[0], p[1], p[2], p[3] = l.kind, track[at], *seq, block<<4|pos[at]
			if l.wide {
				p[3] |= 0x80
			}
			*seq++
			copy(p[4:16], text[at:])
			binary.BigEndian.PutUint16(p[16:], ^xmodem(p[:16]))
			out = append(out, p...)
		}
	}
	return out
}

// sizes are the three packs of size information.
func sizes(block, charset byte, seq *byte, languages [8]byte) []byte {
	var b [36]byte
	b[0], b[1], b[2] = charset, 1, 3
	copy(b[28:], languages[:])
	var out []byte
	for i := range 3 {
		p := make([]byte, 18)
		p[0], p[1], p[2], p[3] = 0x8F, byte(i), *seq, block<<4
		*seq++
		copy(p[4:], b[i*12:(i+1)*12])
		binary.BigEndian.PutUint16(p[16:], ^xmodem(p[:16]))
		out = append(out, p...)
	}
	return out
}

func answer(packs ...[]byte) []byte {
	b := append([]byte{0, 0, 0, 0}, bytes.Join(packs, nil)...)
	binary.BigEndian.PutUint16(b, uint16(len(b)-2))
	return b
}

func quillmere() []byte {
	var s0, s1 byte
	return answer(
		packs(0, &s0,
			line{0x80, []string{"Quillmere Valley Song Survey QV-0107", "The Miller\x92s Caf\xe9", "Over the Weir", "Reel"}, false},
			line{0x81, []string{"", "A. Nonesuch", "\t", "Choir of the Lower Valley"}, false},
			line{0x86, []string{"QD-0031"}, false},
			line{0x8E, []string{"0012345678905", "XXQVS5800107"}, false}),
		sizes(0, 0, &s0, [8]byte{0x09, 0x69}),
		packs(1, &s1, line{0x80, []string{"\x8d\x90\x92\x4a", "\x83\x8a\x81\x5b\x83\x8b"}, true}),
		sizes(1, 0x80, &s1, [8]byte{0x09, 0x69}),
	)
}

func TestParseText(t *testing.T) {
	if got := xmodem([]byte("123456789")); got != 0x31C3 { // the check value of CRC-16/XMODEM
		t.Fatalf("%04x", got)
	}
	english := mmc.Text{
		Language: 9, DiscID: "QD-0031", Disc: mmc.Words{Title: "Quillmere Valley Song Survey QV-0107", Code: "0012345678905"},
		Tracks: []mmc.Words{
			{Track: 1, Title: "The Millers Café", Performer: "A. Nonesuch", Code: "XXQVS5800107"},
			{Track: 2, Title: "Over the Weir", Performer: "A. Nonesuch"},
			{Track: 3, Title: "Reel", Performer: "Choir of the Lower Valley"},
		},
	}
	japanese := mmc.Text{Language: 0x69, Disc: mmc.Words{Title: "告谷"}, Tracks: []mmc.Words{{Track: 1, Title: "リール"}}}
	zeroed := quillmere()
	for at := 4; at < len(zeroed); at += 18 {
		zeroed[at+16], zeroed[at+17] = 0, 0
	}
	hole := quillmere()
	hole[4+18*3+5] ^= 1 // the fourth pack: the disc's title ends and track 1's begins in it
	holed := english
	holed.Disc.Title = ""
	holed.Tracks = append([]mmc.Words(nil), english.Tracks...)
	holed.Tracks[0].Title = ""
	for _, tc := range []struct {
		name string
		data []byte
		want []mmc.Text
	}{
		{"two languages", quillmere(), []mmc.Text{english, japanese}},
		{"no sums", zeroed, []mmc.Text{english, japanese}},
		{"a pack is damaged", hole, []mmc.Text{holed, japanese}},
		{"one sum of all is given, and wrong", func() []byte { b := bytes.Clone(zeroed); b[4+16] = 1; return b }(), nil},
		{"cut off in a pack", quillmere()[:4+17], nil},
		{"empty", []byte{0, 2, 0, 0}, nil},
		{"nothing", nil, nil},
		{"a table of contents", []byte{0, 18, 1, 1, 0, 0x10, 1, 0, 0, 0, 0, 0, 0, 0x10, 0xAA, 0, 0, 0, 5, 0xDC, 0, 0}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if diff := cmp.Diff(tc.want, mmc.ParseText(tc.data)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestText(t *testing.T) {
	disc := audioDisc()
	_, d := drive(disc)
	if got, err := d.Text(t.Context()); got != nil || err != nil {
		t.Error("a disc without it", got, err)
	}
	disc.Text = quillmere()[4:]
	if got, err := d.Text(t.Context()); len(got) != 2 || err != nil {
		t.Error(got, err)
	}
}

func seed(f *testing.F, all ...[]byte) {
	f.Helper()
	if len(all) == 0 {
		f.Fatal("no seeds")
	}
	for _, b := range all {
		f.Add(b)
	}
}

func FuzzParseText(f *testing.F) {
	seed(f, quillmere(), quillmere()[:100], nil)
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, x := range mmc.ParseText(b) {
			last := 0
			for _, w := range x.Tracks {
				if w.Track <= last || w.Track > 99 {
					t.Fatalf("track %d behind %d", w.Track, last)
				}
				last = w.Track
			}
			if x.Disc == (mmc.Words{}) && len(x.Tracks) == 0 && x.DiscID == "" {
				t.Fatal("a text without words")
			}
		}
	})
}

// Answers byte by byte: MMC-6, tables 483 and 489.
var (
	plainTOC = []byte{
		0, 26, 1, 2,
		0, 0x10, 1, 0, 0, 0, 0, 0,
		0, 0x14, 2, 0, 0, 0, 0x30, 0x39,
		0, 0x14, 0xAA, 0, 0, 0, 0x40, 0,
	}
	rawTOC = []byte{
		0, 2 + 4*11, 1, 1,
		1, 0x10, 0, 0xA0, 0, 0, 0, 0, 1, 0, 0,
		1, 0x10, 0, 0xA1, 0, 0, 0, 0, 1, 0, 0,
		1, 0x10, 0, 0xA2, 0, 0, 0, 0, 0, 22, 0,
		1, 0x10, 0, 1, 0, 0, 0, 0, 0, 2, 0,
	}
)

func with(b []byte, at int, v ...byte) []byte {
	b = bytes.Clone(b)
	copy(b[at:], v)
	return b
}

func TestParseTOC(t *testing.T) {
	got, err := mmc.ParseTOC(plainTOC)
	want := mmc.TOC{Tracks: []mmc.Track{{Number: 1}, {Number: 2, LBA: 12345, Control: 4}}, LeadOut: 16384}
	if err != nil || !cmp.Equal(got, want) {
		t.Error(err, cmp.Diff(want, got))
	}
	for name, b := range map[string][]byte{
		"empty": nil, "header only": {0, 2, 1, 1}, "cut off": plainTOC[:20], "longer than it says": append(bytes.Clone(plainTOC), 0),
		"tracks backwards": with(plainTOC, 4+8+4, 0, 0, 0, 0), "no lead-out": with(plainTOC, 4+16+2, 3), "lead-out first": with(plainTOC, 4+2, 0xAA),
		"number 100": with(plainTOC, 4+8+2, 100), "number skipped": with(plainTOC, 4+8+2, 3), "other first": with(plainTOC, 2, 2),
		"negative": with(plainTOC, 4+4, 0xFF), "length": with(plainTOC, 0, 0, 25),
	} {
		if got, err := mmc.ParseTOC(b); err == nil || !cmp.Equal(got, mmc.TOC{}) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

func TestParseFullTOC(t *testing.T) {
	got, err := mmc.ParseFullTOC(rawTOC)
	want := mmc.TOC{Tracks: []mmc.Track{{Number: 1, Session: 1}}, LeadOut: 1500, Sessions: []mmc.Session{{Number: 1, First: 1, Last: 1, LeadOut: 1500}}}
	if err != nil || !cmp.Equal(got, want) {
		t.Error(err, cmp.Diff(want, got))
	}
	twice := append(bytes.Clone(rawTOC), rawTOC[4:]...)
	twice[1] = byte(len(twice) - 2)
	if got, err := mmc.ParseFullTOC(twice); err != nil || !cmp.Equal(got, want) {
		t.Error("entries said twice", err, got)
	}
	for name, b := range map[string][]byte{
		"empty": nil, "cut off": rawTOC[:40], "session 2 of 1": with(rawTOC, 4, 2), "no session": with(rawTOC, 3, 0),
		"second session lacks": with(rawTOC, 3, 2), "no lead-out": with(rawTOC, 4+22+3, 0xB0), "track behind the lead-out": with(rawTOC, 4+33+9, 30),
		"61 seconds": with(rawTOC, 4+33+9, 61), "tracks of another number": with(rawTOC, 4+8, 2), "format 0": plainTOC,
	} {
		if got, err := mmc.ParseFullTOC(b); err == nil || !cmp.Equal(got, mmc.TOC{}) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

func FuzzParseTOC(f *testing.F) {
	seed(f, plainTOC, rawTOC, plainTOC[:7])
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, parse := range []func([]byte) (mmc.TOC, error){mmc.ParseTOC, mmc.ParseFullTOC} {
			toc, err := parse(b)
			if err != nil {
				if len(toc.Tracks) > 0 {
					t.Fatal("tracks with an error")
				}
				continue
			}
			if len(toc.Tracks) == 0 || len(toc.Tracks) > 99 || toc.LeadOut <= 0 {
				t.Fatalf("%+v", toc)
			}
			for i, tr := range toc.Tracks {
				if i > 0 && tr.LBA <= toc.Tracks[i-1].LBA || tr.LBA < 0 {
					t.Fatalf("%+v", toc)
				}
			}
		}
	})
}
