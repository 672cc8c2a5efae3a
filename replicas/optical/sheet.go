package optical

import (
	"fmt"
	"io"
	"os"
	"strings"

	"firmus/replicas/optical/cue"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/sector"
)

// openSheet lays the files of a cue sheet out as a disc.
func (d *Disc) openSheet(root *os.Root, im *image, name string) error {
	text, err := im.open(root, name)
	if err != nil {
		return err
	}
	if text.size > cue.MaxBytes {
		return fmt.Errorf("%d bytes: %w", text.size, cue.ErrSheet)
	}
	b := make([]byte, text.size)
	if _, err := io.ReadFull(text.f, b); err != nil {
		return err
	}
	sheet, err := cue.Parse(b)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrImage, err)
	}
	files := make([]*imageFile, len(sheet.Files))
	for i, f := range sheet.Files {
		if files[i], err = im.open(root, beside(f.Name)); err != nil {
			return missing(f.Name, err)
		}
		switch f.Type {
		case "MOTOROLA":
			files[i].swapped = true
		case "WAVE":
			if err := files[i].wave(); err != nil {
				return missing(f.Name, err)
			}
		}
	}
	if err := d.layOut(im, sheet, files); err != nil {
		return err
	}
	d.contents.setSheetWords(sheet)
	return nil
}

// beside is the last part of a name: sheets hold paths of the machine that they were
// made on, of Windows' kind too.
func beside(name string) string {
	return name[strings.LastIndexAny(name, `/\`)+1:]
}

// layOut works out where on the disc each track and gap lies. The lead sectors before
// LBA 0 are in no image.
func (d *Disc) layOut(im *image, sheet cue.Sheet, files []*imageFile) error {
	c := &d.contents
	c.MCN = sheet.MCN
	l := layer{im: im, files: files}
	var own []int64 // sectors of each track from its index 1 on
	for i, t := range sheet.Tracks {
		if i == 0 || t.Session != sheet.Tracks[i-1].Session {
			if i > 0 {
				c.Sessions[len(c.Sessions)-1].LeadOut = l.lba
				gap := int64(furtherSession)
				if t.Session == 2 {
					gap = secondSession
				}
				// It includes the pause that a sheet may have as a gap of 2 s.
				l.lba += gap - sector.Lead
				if t.Pregap == 0 && t.Index0 < 0 {
					l.lba += sector.Lead
				}
			}
			c.Sessions = append(c.Sessions, Session{Number: t.Session, First: t.Number})
		}
		if err := l.gap(i, t, sheet); err != nil {
			return err
		}
		s := &c.Sessions[len(c.Sessions)-1]
		if s.First == t.Number {
			s.LBA = l.lba
		}
		s.Last = t.Number
		c.Tracks = append(c.Tracks, Track{Number: t.Number, Session: t.Session, LBA: l.lba, Data: t.Mode != cue.Audio, PreEmphasis: t.PreEmphasis, ISRC: t.ISRC})
		end := l.rest(t)
		if i+1 < len(sheet.Tracks) {
			if next := sheet.Tracks[i+1]; next.Index0 >= 0 && next.GapFile == t.File {
				end = next.Index0
			} else if next.Index0 < 0 && next.File == t.File {
				end = next.Index1
			}
		}
		if err := l.take(t.File, t.Index1, end, t.Mode); err != nil {
			return fmt.Errorf("track %d: %w", t.Number, err)
		}
		own = append(own, l.lba-c.Tracks[i].LBA)
		l.silence(t.Postgap, t.Mode)
	}
	c.LeadOut = l.lba
	c.Sessions[len(c.Sessions)-1].LeadOut = l.lba
	c.setEnds()
	// Gaps are the track's before them, as on a disc. Where kinds change the sheet
	// says exactly what is of which.
	for i := range c.Tracks[:len(c.Tracks)-1] {
		if t := &c.Tracks[i]; t.Data != c.Tracks[i+1].Data {
			t.Sectors = own[i]
		}
	}
	for _, f := range files {
		if f.endsMidway {
			c.Problems = append(c.Problems, fmt.Errorf("image file %q ends within a sector: %w", f.f.Name(), ErrShorter))
		}
	}
	return nil
}

// layer lays sectors out one after the other.
type layer struct {
	im    *image
	files []*imageFile
	lba   int64
	file  int   // that is being taken from
	frame int64 // sectors taken from it
	bytes int64
}

// at goes to a frame of a file; frames between are passed over.
func (l *layer) at(file int) {
	if file != l.file {
		l.file, l.frame, l.bytes = file, 0, 0
	}
}

// rest is where a file's sectors end, in frames, if they are the track's to the end.
// Sound that ends within a sector fills it.
func (l *layer) rest(t cue.Track) int64 {
	l.at(t.File)
	f := l.files[t.File]
	left := f.end - f.from - l.bytes
	n := left / t.Mode.Bytes()
	if left%t.Mode.Bytes() != 0 {
		if t.Mode == cue.Audio {
			n++
		} else {
			f.endsMidway = true
		}
	}
	return l.frame + n
}

// gap lays out what comes before a track's index 1.
func (l *layer) gap(i int, t cue.Track, sheet cue.Sheet) error {
	pregap := t.Pregap
	if i == 0 { // its first 2 s lie before LBA 0
		pregap = max(0, pregap-sector.Lead)
	}
	l.silence(pregap, t.Mode)
	switch {
	case t.Index0 >= 0 && t.GapFile != t.File:
		l.at(t.GapFile)
		before := sheet.Tracks[max(0, i-1)]
		if err := l.take(t.GapFile, t.Index0, l.rest(cue.Track{File: t.GapFile, Mode: before.Mode}), before.Mode); err != nil {
			return fmt.Errorf("gap of track %d: %w", t.Number, err)
		}
	case t.Index0 >= 0:
		if err := l.take(t.File, t.Index0, t.Index1, t.Mode); err != nil {
			return fmt.Errorf("gap of track %d: %w", t.Number, err)
		}
	case t.Index1 > 0 && i == 0: // a gap that nobody named
		if err := l.take(t.File, 0, t.Index1, t.Mode); err != nil {
			return fmt.Errorf("gap of track %d: %w", t.Number, err)
		}
	}
	return nil
}

// take lays out the frames from and before end of a file.
func (l *layer) take(file int, from, end int64, mode cue.Mode) error {
	l.at(file)
	if end < from {
		return fmt.Errorf("it begins at frame %d of its file, and that ends before: the image is cut short: %w", from, ErrImage)
	}
	if from != l.frame {
		return fmt.Errorf("it lies at frame %d of its file, behind frame %d: %w", from, l.frame, ErrImage)
	}
	f := l.files[file]
	n := end - from
	if n == 0 {
		return nil
	}
	if l.lba+n > MaxSectors {
		return ErrTooLarge
	}
	l.im.segments = append(l.im.segments, segment{l.lba, n, f, f.from + l.bytes, mode})
	l.lba, l.frame, l.bytes = l.lba+n, end, l.bytes+n*mode.Bytes()
	return nil
}

func (l *layer) silence(n int64, mode cue.Mode) {
	if n <= 0 {
		return
	}
	l.im.segments = append(l.im.segments, segment{lba: l.lba, count: n, mode: mode})
	l.lba += n
}

// setSheetWords takes over what a sheet says in words.
func (c *Contents) setSheetWords(sheet cue.Sheet) {
	words := func(track int, w cue.Words, code string) mmc.Words {
		return mmc.Words{
			Track: track, Title: w.Title, Performer: w.Performer, Songwriter: w.Songwriter,
			Composer: w.Composer, Arranger: w.Arranger, Message: w.Message, Code: code,
		}
	}
	t := mmc.Text{Disc: words(0, sheet.Words, "")}
	for _, tr := range sheet.Tracks {
		if tr.Words != (cue.Words{}) {
			t.Tracks = append(t.Tracks, words(tr.Number, tr.Words, ""))
		}
	}
	if len(t.Tracks) > 0 || sheet.Words != (cue.Words{}) {
		c.Text = []mmc.Text{t}
	}
}
