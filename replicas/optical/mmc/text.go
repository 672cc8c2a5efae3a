package mmc

import (
	"context"
	"encoding/binary"
	"errors"
	"strings"

	"golang.org/x/text/encoding/japanese"

	"firmus/replicas/optical/scsi"
)

// Text is what CD-TEXT says in one language.
type Text struct {
	Language uint8 // of EBU Tech 3264, table 3: 09h is English; 0 if none is given
	Disc     Words
	Tracks   []Words // of the tracks that have any, ascending
	DiscID   string
}

// Words are what CD-TEXT says of a disc or a track. What it doesn't say is "".
type Words struct {
	Track      int // 0 for the disc
	Title      string
	Performer  string
	Songwriter string
	Composer   string
	Arranger   string
	Message    string
	Code       string // of the disc its MCN or UPC, of a track its ISRC
}

func (w Words) empty() bool {
	w.Track = 0
	return w == Words{}
}

// Text reads the disc's CD-TEXT (READ TOC, format 5). No text is no error: most
// discs have none, and most drives without it say that they don't know the format.
func (d *Drive) Text(ctx context.Context) ([]Text, error) {
	head, err := d.toc(ctx, 5, 4)
	if err == nil {
		// 8 blocks of at most 256 packs of 18 bytes; an answer of another format is
		// told by ParseText.
		size := int(binary.BigEndian.Uint16(head)) + 2
		if size < 4+18 {
			return nil, nil
		}
		var b []byte
		if b, err = d.toc(ctx, 5, min(size, 4+8*256*18)); err == nil {
			return ParseText(b), nil
		}
	}
	// Besides "no such format", drives say 3/11 or 3/57 of a lead-in without packs.
	var e *scsi.Error
	if errors.As(err, &e) && (e.Sense.Key == scsi.IllegalRequest || e.Sense.Key == scsi.MediumError) {
		return nil, nil
	}
	return nil, err
}

// Types of packs (MMC-6, annex H, table H.2; IEC 61866 names the same).
const (
	packTitle  = 0x80
	packDiscID = 0x86
	packCode   = 0x8E
	packSize   = 0x8F
)

// charsets of a block (annex H, table H.5).
const (
	latin1    = 0x00
	ascii     = 0x01
	japanMS   = 0x80
	packBytes = 18
)

type pack struct {
	kind, track, seq, block, pos byte
	wide                         bool
	text                         [12]byte
}

// ParseText reads an answer of format 5: 4 bytes, then packs of 18 bytes (MMC-6,
// annex H). Packs whose check fails are left out with the words that they hold a
// part of; nil if no pack is right, which another format's answer never is.
func ParseText(b []byte) []Text {
	var blocks [8][]pack
	if len(b) < 4 {
		return nil
	}
	checked := false
	for p := b[4:]; len(p) >= packBytes; p = p[packBytes:] {
		checked = checked || p[16]|p[17] != 0
	}
	var charset [8]byte
	var language [8]byte
	for p := b[4:]; len(p) >= packBytes; p = p[packBytes:] {
		// Drives that check the packs themselves may give zeros for the sums, but
		// then for all.
		if p[0] < 0x80 || p[0] > 0x8F || checked && ^crcCCITT(p[:16]) != binary.BigEndian.Uint16(p[16:]) {
			continue
		}
		k := pack{kind: p[0], track: p[1] & 0x7F, seq: p[2], wide: p[3]&0x80 != 0, block: p[3] >> 4 & 7, pos: p[3] & 15}
		copy(k.text[:], p[4:16])
		blocks[k.block] = append(blocks[k.block], k)
		// Size information, table H.6: three packs; the first begins with the
		// charset, the last ends with the languages of the eight blocks.
		if k.kind == packSize && k.track == 0 {
			charset[k.block] = k.text[0]
		}
		if k.kind == packSize && k.track == 2 {
			copy(language[:], k.text[4:])
		}
	}
	var all []Text
	for i, packs := range blocks {
		t := Text{Language: language[i], Disc: Words{}}
		var words [100]Words
		for kind := byte(packTitle); kind <= packCode; kind++ {
			if kind > packDiscID && kind < packCode {
				continue // genre, tables of contents, reserved: not words
			}
			each(packs, kind, charset[i], func(track int, s string) {
				w := &words[track]
				switch kind {
				case 0x80:
					w.Title = s
				case 0x81:
					w.Performer = s
				case 0x82:
					w.Songwriter = s
				case 0x83:
					w.Composer = s
				case 0x84:
					w.Arranger = s
				case 0x85:
					w.Message = s
				case packDiscID:
					if track == 0 {
						t.DiscID = s
					}
				case packCode:
					w.Code = s
				}
			})
		}
		t.Disc = words[0]
		for n := 1; n < len(words); n++ {
			if !words[n].empty() {
				words[n].Track = n
				t.Tracks = append(t.Tracks, words[n])
			}
		}
		if !t.Disc.empty() || len(t.Tracks) > 0 || t.DiscID != "" {
			all = append(all, t)
		}
	}
	return all
}

// each gives the strings of one type of packs: they follow each other over the
// packs, one a track from the disc's on, each ended by a NUL.
func each(packs []pack, kind, charset byte, f func(track int, s string)) {
	var cur []byte
	track, next := 0, -1
	lost := false // the string that runs has a hole
	before := ""
	for _, p := range packs {
		if p.kind != kind {
			continue
		}
		if int(p.seq) != next {
			// Packs are lacking, or it is the first: begin at its track, with the
			// next string if it doesn't begin one.
			cur, track, lost = nil, int(p.track), p.pos != 0
		}
		next = int(p.seq) + 1
		step := 1
		if p.wide {
			step = 2
		}
		for i := 0; i+step <= len(p.text); i += step {
			if p.text[i] != 0 || step == 2 && p.text[i+1] != 0 {
				cur = append(cur, p.text[i:i+step]...)
				continue
			}
			if track > 99 {
				return
			}
			if !lost {
				s := decode(cur, charset)
				if s == "\t" || p.wide && s == "\t\t" { // the same as the track before
					s = before
				}
				if s != "" {
					f(track, s)
				}
				before = s
			} else {
				before = ""
			}
			cur, lost = nil, false
			track++
		}
	}
}

// decode gives a string's text, "" if its charset isn't known.
func decode(b []byte, charset byte) string {
	switch charset {
	case latin1, ascii:
		r := make([]rune, 0, len(b))
		for _, c := range b {
			r = append(r, rune(c)) // ISO 8859-1 is Unicode's beginning
		}
		return clean(string(r))
	case japanMS:
		s, err := japanese.ShiftJIS.NewDecoder().Bytes(b)
		if err != nil {
			return ""
		}
		return clean(string(s))
	}
	return ""
}

// clean takes out what no text has, so that it can be shown.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' || r >= 0x7F && r < 0xA0 {
			return -1
		}
		return r
	}, s)
}

// crcCCITT is the sum over a pack before it is inverted: x^16+x^12+x^5+1, from 0.
func crcCCITT(b []byte) uint16 {
	var c uint16
	for _, x := range b {
		c ^= uint16(x) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
	}
	return c
}
