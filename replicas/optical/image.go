package optical

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"firmus/replicas/optical/cue"
	"firmus/replicas/optical/sector"
)

// OpenImage opens an image: a cue sheet if its name ends in ".cue", whatever the case,
// else the sectors of a data disc, 2048 bytes each. Files that a sheet names are
// looked for beside it and nowhere else. It gives ErrImage, with the reason and what to
// give instead, if it can't be one: a sound file, or raw sectors without their sheet.
//
// An image is pinned: when its files' size or time changes, reading ends with
// ErrSwapped.
func OpenImage(ctx context.Context, path string) (*Disc, error) {
	root, err := os.OpenRoot(filepath.Dir(path))
	if err != nil {
		return nil, fmt.Errorf("open image %q: %w", path, err)
	}
	defer root.Close()
	d := &Disc{}
	im := &image{}
	d.medium = im
	if strings.EqualFold(filepath.Ext(path), ".cue") {
		err = d.openSheet(root, im, filepath.Base(path))
	} else {
		err = d.openPlain(root, im, filepath.Base(path))
	}
	if err == nil && d.contents.LeadOut > MaxSectors {
		err = ErrTooLarge
	}
	if err == nil {
		err = d.identify(ctx)
	}
	if err != nil {
		_ = im.close()
		return nil, fmt.Errorf("open image %q: %w", path, err)
	}
	return d, nil
}

// image is files as a medium.
type image struct {
	files    []*imageFile
	segments []segment // ascending
}

// imageFile is one open file, or the samples in it.
type imageFile struct {
	f          *os.File
	size       int64
	time       time.Time
	from, end  int64 // bytes that hold sectors
	swapped    bool  // samples with the high byte first
	endsMidway bool  // in a sector of data
}

// segment is a row of sectors of one kind. Those without a file are silence.
type segment struct {
	lba, count int64
	file       *imageFile
	offset     int64 // of the first, in the file
	mode       cue.Mode
}

func (im *image) close() error {
	var all []error
	for _, f := range im.files {
		all = append(all, f.f.Close())
	}
	return errors.Join(all...)
}

// open opens a file of an image, which must be a regular one.
func (im *image) open(root *os.Root, name string) (*imageFile, error) {
	// Looked at first: a pipe of that name would be waited on for ever.
	fi, err := root.Stat(name)
	if err == nil && !fi.Mode().IsRegular() {
		return nil, fmt.Errorf("%q isn't a file: %w", name, ErrImage)
	}
	if err != nil {
		return nil, err
	}
	f, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	if fi, err = f.Stat(); err != nil {
		_ = f.Close()
		return nil, err
	}
	x := &imageFile{f: f, size: fi.Size(), time: fi.ModTime(), end: fi.Size()}
	im.files = append(im.files, x)
	return x, nil
}

func (d *Disc) openPlain(root *os.Root, im *image, name string) error {
	f, err := im.open(root, name)
	if err != nil {
		return err
	}
	n := f.size / sector.Data
	if n == 0 {
		return fmt.Errorf("%d bytes: %w", f.size, ErrImage)
	}
	if err := refuse(f.f, f.size, name); err != nil {
		return err
	}
	if f.size%sector.Data != 0 {
		d.contents.Problems = append(d.contents.Problems, fmt.Errorf("the image ends within a sector: %w", ErrShorter))
	}
	im.segments = []segment{{0, n, f, 0, cue.Mode1User}}
	c := &d.contents
	c.LeadOut = n
	c.Tracks = []Track{{Number: 1, Session: 1, Data: true}}
	c.Sessions = []Session{{1, 1, 1, 0, n}}
	c.setEnds()
	return nil
}

func (im *image) same(context.Context) error {
	for _, f := range im.files {
		fi, err := f.f.Stat()
		if err != nil {
			return err
		}
		if fi.Size() != f.size || !fi.ModTime().Equal(f.time) {
			return fmt.Errorf("image file %q has another size or time: %w", f.f.Name(), ErrSwapped)
		}
	}
	return nil
}

func (im *image) find(lba int64) (segment, bool) {
	for _, s := range im.segments {
		if lba >= s.lba && lba < s.lba+s.count {
			return s, true
		}
	}
	return segment{}, false
}

func (im *image) read(ctx context.Context, lba int64, count int, audio bool, b, flags []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	clear(flags)
	size := int64(sector.Data)
	if audio {
		size = sector.Raw
	}
	for i := int64(0); i < int64(count); {
		s, ok := im.find(lba + i)
		if !ok || audio != (s.mode == cue.Audio) {
			return &flawError{lba: lba + i, flaw: sector.NoData}
		}
		n := min(s.lba+s.count-lba-i, int64(count)-i)
		if err := s.read(lba+i, n, b[i*size:(i+n)*size]); err != nil {
			return err
		}
		i += n
	}
	return nil
}

// read reads n sectors of a segment from lba on, as a drive gives them.
func (s segment) read(lba, n int64, b []byte) error {
	if s.file == nil {
		clear(b)
		return nil
	}
	unit := s.mode.Bytes()
	raw := b
	if s.mode != cue.Audio && s.mode != cue.Mode1User {
		raw = make([]byte, n*unit)
	}
	at := s.offset + (lba-s.lba)*unit
	got, err := s.file.f.ReadAt(raw[:max(0, min(n*unit, s.file.end-at))], at)
	if int64(got) < n*unit {
		// A file's last sector of sound may be filled up: programs cut files where
		// the sound ends.
		bad := lba + int64(got)/unit
		tail := s.mode == cue.Audio && n == 1 && got > 0
		switch {
		case err != nil && !errors.Is(err, io.EOF):
			return &flawError{lba: bad, err: err}
		case !tail:
			return &flawError{lba: bad, err: errEnds}
		}
		clear(raw[got:])
	}
	switch s.mode {
	case cue.Audio:
		if s.file.swapped {
			for i := 0; i+1 < len(b); i += 2 {
				b[i], b[i+1] = b[i+1], b[i]
			}
		}
	case cue.Mode1User:
	default:
		return s.users(lba, n, raw, b)
	}
	return nil
}

// users takes a user's data out of raw sectors, and holds each against its error
// detection code.
func (s segment) users(lba, n int64, raw, b []byte) error {
	unit := s.mode.Bytes()
	var whole [sector.Raw]byte
	for i := range n {
		r := raw[i*unit : (i+1)*unit]
		if s.mode == cue.Mode2Part {
			// The first 16 bytes aren't there, and don't count in mode 2.
			sector.Encode(whole[:], lba+i, make([]byte, sector.Data))
			whole[15] = 2
			copy(whole[16:], r)
			r = whole[:]
		}
		user, flaw := sector.User(r)
		if flaw > sector.Parity {
			return &flawError{lba: lba + i, flaw: flaw}
		}
		// A sound sector of another place: the image was put together wrongly.
		if a, ok := sector.Address(r); s.mode == cue.Mode1Raw && ok && a != lba+i {
			return &flawError{lba: lba + i, err: fmt.Errorf("it says that it is sector %d", a)}
		}
		copy(b[i*sector.Data:(i+1)*sector.Data], user)
	}
	return nil
}

// missing says which file of a sheet isn't there.
func missing(name string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("file %q of the cue sheet isn't beside it: %w", name, ErrImage)
	}
	return fmt.Errorf("file %q of the cue sheet: %w", name, err)
}
