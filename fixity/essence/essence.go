// Package essence looks at the sound inside a file: whether it is whole as far as
// the file itself can tell, how long it is, and a digest of its samples that is
// the same whatever the file around them.
//
// Files are known by their bytes, never by their names: WAVE, broadcast wave, RF64
// and BW64 (package riff), AIFF and AIFC (package aiff), FLAC (package flac).
// Whatever else a file is, it is opaque: nothing is guessed. How samples are
// digested is defined in package pcm.
//
// What is found wrong is told by notes from a closed table, sound.Meanings; errors
// are of the reader only. No bytes make this package panic or take more than a few
// hundred kilobytes (FLAC: a few megabytes). Time goes with the bytes, but for FLAC
// that is decoded: there it goes with the samples, of which a hostile file can
// promise many in few bytes. A reader that fails when its context ends, ends that too.
package essence

import (
	"fmt"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/fixity/essence/aiff"
	"firmus/fixity/essence/flac"
	"firmus/fixity/essence/riff"
	"firmus/fixity/essence/sound"
	"firmus/fixity/essence/walk"
)

// Sound is what is known of the sound in a file.
type Sound = sound.Sound

// Note is one thing that is odd about a file.
type Note = sound.Note

// sniff is how many bytes tell what a file is.
const sniff = 12

// format is a file of one format that is being taken apart.
type format interface {
	Walker() *walk.Walker
	Finish() (sound.Sound, []sound.Note)
}

// known gives the format of a file that begins with b, nil if it is opaque.
func known(b []byte, size int64) format {
	switch {
	case riff.Is(b):
		return riff.New(size)
	case aiff.Is(b):
		return aiff.New(size)
	case flac.Is(b):
		return flacFile{flac.New(size)}
	}
	return nil
}

type flacFile struct{ *flac.File }

func (f flacFile) Walker() *walk.Walker { return f.Walk() }

// Inspect looks at the structure of a file of the given size. It reads headers
// only, so Samples is zero, digital silence and files of nothing but zeros aren't
// looked for, and FLAC isn't decoded. It fails only if r does; fixity.ErrChanged if it ends early.
func Inspect(r io.ReaderAt, size int64) (Sound, []Note, error) {
	b := make([]byte, min(sniff, size))
	if n, err := r.ReadAt(b, 0); n < len(b) {
		if err == io.EOF {
			err = fmt.Errorf("file ends at byte %d of %d: %w", n, size, fixity.ErrChanged)
		}
		return Sound{}, nil, err
	}
	f := known(b, size)
	if f == nil {
		return opaque(size, false)
	}
	if err := f.Walker().ReadAt(r, size); err != nil {
		return Sound{}, nil, err
	}
	s, notes := f.Finish()
	return s, settle(notes, size), nil
}

func opaque(size int64, blank bool) (Sound, []Note, error) {
	notes := []Note{{Code: sound.OpaqueFile}}
	if blank {
		notes = append(notes, Note{Code: sound.Blank, Length: size})
	}
	return Sound{}, settle(notes, size), nil
}

// settle adds what the size alone tells, and puts the notes in order of place.
func settle(notes []Note, size int64) []Note {
	if n := limit(size); n > 0 {
		notes = append(notes, Note{Code: sound.SizeLimit, At: size, Length: n - size})
	}
	slices.SortStableFunc(notes, func(a, b Note) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	return notes
}

// near is how far below a limit a file counts as ended by it: recorders write
// whole clusters, and end a file before the one that won't fit. Common practice;
// no standard says it.
const near = 1 << 20

// limit is the limit of size that seems to have ended the file, 0 if none: 2 GiB,
// where 32-bit signed sizes end, and 4 GiB, where FAT's files and RIFF's sizes do.
func limit(size int64) int64 {
	for _, n := range []int64{2 << 30, 4 << 30} {
		if size <= n && size > n-near {
			return n
		}
	}
	return 0
}
