package mmc

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
)

// Track is one track of a table of contents.
type Track struct {
	Number  int
	Session int   // 0 if it isn't known
	LBA     int64 // where it begins (index 1)
	Control uint8 // bits of Q sub-channel: see the methods
}

// Control bits of the Q sub-channel (IEC 60908, 17.5.1; ECMA-130, 22.3.1).
const (
	preEmphasis = 1
	dataTrack   = 4
)

// Data says that the track holds data, not sound.
func (t Track) Data() bool { return t.Control&dataTrack != 0 }

// PreEmphasis says that a player must lower the treble.
func (t Track) PreEmphasis() bool { return !t.Data() && t.Control&preEmphasis != 0 }

// Session is one session of a disc.
type Session struct {
	Number      int
	First, Last int   // tracks
	LeadOut     int64 // the first sector behind its tracks; 0 if it isn't known
}

// TOC is a table of contents.
type TOC struct {
	Tracks   []Track // ascending
	LeadOut  int64   // the first sector behind the last track
	Sessions []Session
	// Unsure says why sessions aren't all known; nil if they are.
	Unsure error
}

// TOC reads the disc's table of contents and its sessions. It fails only if the
// table itself can't be had; what is wrong with the sessions is in Unsure.
func (d *Drive) TOC(ctx context.Context) (TOC, error) {
	b, err := d.toc(ctx, 0, 4+100*8)
	if err != nil {
		return TOC{}, err
	}
	t, err := ParseTOC(b)
	if err != nil {
		return TOC{}, err
	}
	full, err := d.fullTOC(ctx)
	if err == nil {
		err = t.join(full)
	}
	if err == nil {
		return t, nil
	}
	if ctx.Err() != nil {
		return TOC{}, ctx.Err()
	}
	if gone(err) {
		return TOC{}, err
	}
	t.Unsure = fmt.Errorf("which session each track is of isn't known: %w", err)
	t.bySessionInfo(ctx, d)
	return t, nil
}

// gone says that the disc or the drive isn't there any more.
func gone(err error) bool {
	return errors.Is(err, ErrNoDisc) || errors.Is(err, ErrTrayOpen) || errors.Is(err, ErrChanged)
}

// toc asks for one format. The format stands in byte 2 and, as drives before MMC
// knew it, in the upper bits of byte 9: there are drives that heed only the one,
// and others only the other. What comes must be looked at: some answer format 0
// whatever they were asked.
func (d *Drive) toc(ctx context.Context, format byte, size int) ([]byte, error) {
	b := make([]byte, size)
	cdb := []byte{0x43, 0, format, 0, 0, 0, 0, byte(size >> 8), byte(size), format << 6}
	if format == 1 || format == 2 {
		cdb[6] = 1 // sessions from the first on
	}
	if format == 2 {
		cdb[1] = 2 // the raw table has only minutes, seconds, frames
	}
	if _, err := d.do(ctx, cdb, b, scsi.In, ShortTime*3); err != nil {
		return nil, err
	}
	n := int(binary.BigEndian.Uint16(b)) + 2
	return b[:min(n, len(b))], nil
}

// ParseTOC reads an answer of format 0 with logical block addresses (MMC-6, table
// 483): 4 bytes, then 8 a track, the last of which is AAh, the lead-out.
func ParseTOC(b []byte) (TOC, error) {
	if len(b) < 4+16 || (len(b)-4)%8 != 0 || int(binary.BigEndian.Uint16(b))+2 != len(b) {
		return TOC{}, shape("table of contents of %d bytes", len(b))
	}
	var t TOC
	var last int64
	for e := b[4:]; len(e) > 0; e = e[8:] {
		lba := int64(int32(binary.BigEndian.Uint32(e[4:])))
		number, control := int(e[2]), e[1]&15
		if len(t.Tracks) > 0 && lba <= last || lba < 0 {
			return TOC{}, shape("table of contents: track %d at sector %d, behind one at %d", number, lba, last)
		}
		last = lba
		if number == 0xAA {
			if len(e) != 8 || len(t.Tracks) == 0 {
				return TOC{}, shape("table of contents: tracks behind the lead-out")
			}
			t.LeadOut = lba
			break
		}
		if number < 1 || number > 99 || len(t.Tracks) > 0 && number != t.Tracks[len(t.Tracks)-1].Number+1 {
			return TOC{}, shape("table of contents: track %d", number)
		}
		t.Tracks = append(t.Tracks, Track{Number: number, LBA: lba, Control: control})
	}
	if t.LeadOut == 0 {
		return TOC{}, shape("table of contents without a lead-out")
	}
	if f, l := int(b[2]), int(b[3]); f != t.Tracks[0].Number || l != t.Tracks[len(t.Tracks)-1].Number {
		return TOC{}, shape("table of contents of tracks %d to %d, with %d to %d", f, l, t.Tracks[0].Number, t.Tracks[len(t.Tracks)-1].Number)
	}
	return t, nil
}

func (d *Drive) fullTOC(ctx context.Context) (TOC, error) {
	head, err := d.toc(ctx, 2, 4)
	if err != nil {
		return TOC{}, err
	}
	size := int(binary.BigEndian.Uint16(head)) + 2
	if size > 4+11*1200 { // 99 tracks and what else 99 sessions may point to
		return TOC{}, shape("raw table of contents of %d bytes", size)
	}
	b, err := d.toc(ctx, 2, max(size, 4+11))
	if err != nil {
		return TOC{}, err
	}
	return ParseFullTOC(b)
}

// ParseFullTOC reads an answer of format 2 (MMC-6, table 489): 4 bytes, then 11 for
// each entry of the lead-ins' Q sub-channel (IEC 60908, 17.5.1).
func ParseFullTOC(b []byte) (TOC, error) {
	if len(b) < 4+4*11 || (len(b)-4)%11 != 0 || int(binary.BigEndian.Uint16(b))+2 != len(b) {
		return TOC{}, shape("raw table of contents of %d bytes", len(b))
	}
	if b[2] != 1 || b[3] < 1 || b[3] > 99 {
		return TOC{}, shape("raw table of contents of sessions %d to %d", b[2], b[3])
	}
	var t TOC
	sessions := make([]Session, int(b[3])+1)
	seen := map[[2]byte]bool{}
	for e := b[4:]; len(e) > 0; e = e[11:] {
		session, adr, control, point := int(e[0]), e[1]>>4, e[1]&15, e[3]
		if session < 1 || session > int(b[3]) || e[2] != 0 {
			return TOC{}, shape("raw table of contents: entry %x", e[:11])
		}
		if adr != 1 { // other modes hold numbers and hints for writers
			continue
		}
		// A lead-in says everything three times over, and so do some drives.
		if seen[[2]byte{e[0], point}] {
			continue
		}
		seen[[2]byte{e[0], point}] = true
		s := &sessions[session]
		s.Number = session
		lba := sector.LBA(e[8], e[9], e[10])
		switch {
		case point >= 1 && point <= 99:
			if e[9] > 59 || e[10] > 74 || lba < 0 {
				return TOC{}, shape("raw table of contents: track %d at %d:%d:%d", point, e[8], e[9], e[10])
			}
			t.Tracks = append(t.Tracks, Track{Number: int(point), Session: session, LBA: lba, Control: control})
		case point == 0xA0:
			s.First = int(e[8])
		case point == 0xA1:
			s.Last = int(e[8])
		case point == 0xA2:
			s.LeadOut = lba
		}
	}
	slices.SortFunc(t.Tracks, func(a, b Track) int { return a.Number - b.Number })
	for i, tr := range t.Tracks {
		if i > 0 && (tr.Number != t.Tracks[i-1].Number+1 || tr.LBA <= t.Tracks[i-1].LBA || tr.Session < t.Tracks[i-1].Session) {
			return TOC{}, shape("raw table of contents: track %d behind track %d", tr.Number, t.Tracks[i-1].Number)
		}
	}
	for i, s := range sessions[1:] {
		if s.Number != i+1 || s.First < 1 || s.Last < s.First || s.LeadOut <= 0 {
			return TOC{}, shape("raw table of contents: session %d with tracks %d to %d, ending at %d", i+1, s.First, s.Last, s.LeadOut)
		}
		for _, tr := range t.Tracks {
			in := tr.Number >= s.First && tr.Number <= s.Last
			if in != (tr.Session == s.Number) || in && tr.LBA >= s.LeadOut {
				return TOC{}, shape("raw table of contents: track %d and session %d", tr.Number, s.Number)
			}
		}
		t.Sessions = append(t.Sessions, s)
		t.LeadOut = s.LeadOut
	}
	if len(t.Tracks) == 0 {
		return TOC{}, shape("raw table of contents without tracks")
	}
	return t, nil
}

// join takes the sessions of a raw table over, if it is the same disc's.
func (t *TOC) join(full TOC) error {
	if len(full.Tracks) != len(t.Tracks) || full.LeadOut != t.LeadOut {
		return shape("two tables of contents: %d tracks to sector %d, and %d to %d", len(t.Tracks), t.LeadOut, len(full.Tracks), full.LeadOut)
	}
	for i, tr := range full.Tracks {
		if o := t.Tracks[i]; o.Number != tr.Number || o.LBA != tr.LBA || o.Data() != tr.Data() {
			return shape("two tables of contents: track %d at %d, and at %d", o.Number, o.LBA, tr.LBA)
		}
	}
	for i := range full.Tracks {
		t.Tracks[i].Session = full.Tracks[i].Session
	}
	t.Sessions = full.Sessions
	return nil
}

// bySessionInfo makes what can be made of format 1 (MMC-6, table 487), which gives
// the first track of the last session. A disc of one session is known then.
func (t *TOC) bySessionInfo(ctx context.Context, d *Drive) {
	b, err := d.toc(ctx, 1, 12)
	if err != nil || len(b) != 12 || binary.BigEndian.Uint16(b) != 10 {
		return
	}
	first, last, track := int(b[2]), int(b[3]), int(b[6])
	i := slices.IndexFunc(t.Tracks, func(tr Track) bool { return tr.Number == track })
	if first != 1 || last < first || i < 0 || t.Tracks[i].LBA != int64(binary.BigEndian.Uint32(b[8:])) {
		return
	}
	end := t.Tracks[len(t.Tracks)-1].Number
	switch {
	case last == 1 && i == 0:
		t.Unsure = nil
		t.Sessions = []Session{{1, t.Tracks[0].Number, end, t.LeadOut}}
	case last == 2 && i > 0:
		t.Sessions = []Session{{1, t.Tracks[0].Number, track - 1, 0}, {2, track, end, t.LeadOut}}
	case last > 2 && i > 0:
		t.Sessions = []Session{{last, track, end, t.LeadOut}}
	default:
		return
	}
	for j := range t.Tracks {
		switch {
		case j >= i:
			t.Tracks[j].Session = last
		case last == 2:
			t.Tracks[j].Session = 1
		}
	}
}
