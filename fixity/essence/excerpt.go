package essence

import (
	"errors"
	"fmt"
	"io"
	"math"

	"firmus/fixity"
	"firmus/fixity/essence/aiff"
	"firmus/fixity/essence/flac"
	"firmus/fixity/essence/pcm"
	"firmus/fixity/essence/riff"
	"firmus/fixity/essence/sound"
)

// ErrNotPlayable says that a file's samples can't be given: it is no sound any more, or of a
// code that is not decoded here. The error's text says which.
var ErrNotPlayable = errors.New("there is no sound in it that can be played")

// Stretch are frames of a recording: From and up to To.
type Stretch struct{ From, To int64 }

// Given is what an excerpt gave.
type Given struct {
	Sound Sound
	// Stretch are the frames that were asked for, as far as the file goes.
	Stretch
	// Lost are those that can't be read or decoded, in order. Nothing was given for them.
	Lost []Stretch
}

// Excerpt gives samples from any place of a sound file. want is told what the file's header
// says and chooses the frames; each gets them in order, interleaved, each sample at the upper
// end of 32 bits, with the number of their first frame. Samples of floating point are
// rounded, and those beyond full scale are full scale.
//
// It reads little more than what was asked for, wherever that lies, and holds one piece of
// it: 64 KiB, or a frame of FLAC. What a medium can't read is left out.
//
// It fails with ErrNotPlayable, as want and each do, and as r does for other reasons than
// fixity.ErrUnreadable; fixity.ErrChanged if the file ends early.
func Excerpt(r io.ReaderAt, size int64, want func(Sound) (Stretch, error), each func(at int64, samples []int32) error) (Given, error) {
	b := make([]byte, min(sniff, size))
	if err := readFull(r, b, 0, size); err != nil {
		return Given{}, err
	}
	f := known(b, size)
	if f == nil {
		return Given{}, fmt.Errorf("%w: it doesn't begin like a sound file", ErrNotPlayable)
	}
	if err := f.Walker().ReadAt(r, size); err != nil {
		return Given{}, err
	}
	var form pcm.Form
	s, _ := f.Finish()
	switch x := f.(type) {
	case *riff.File:
		form = x.Form
	case *aiff.File:
		form = x.Form
	}
	if why := unplayable(s, form); why != "" {
		return Given{}, fmt.Errorf("%w: %s", ErrNotPlayable, why)
	}
	out := Given{Sound: s}
	var err error
	if out.Stretch, err = want(s); err != nil {
		return out, err
	}
	out.From = max(0, out.From)
	if s.Frames > 0 || s.Format != sound.FLAC {
		out.To = min(out.To, s.Frames)
	}
	out.To = max(out.From, out.To)
	next := out.From
	give := func(at int64, samples []int32) error {
		if at > next {
			out.Lost = append(out.Lost, Stretch{next, at})
		}
		next = at + int64(len(samples)/s.Channels)
		return each(at, samples)
	}
	if s.Format == sound.FLAC {
		err = flac.Excerpt(patient{r}, size, out.From, out.To, give)
		if errors.Is(err, flac.ErrNoFrames) {
			err = nil
		}
		if s.Frames == 0 && next < out.To { // how long it is wasn't said
			out.To = next
		}
	} else {
		err = plain(r, s, form, out.Stretch, give)
	}
	if err == nil && next < out.To {
		out.Lost = append(out.Lost, Stretch{next, out.To})
	}
	return out, err
}

// unplayable says why the samples of a sound can't be given; "" if they can.
func unplayable(s Sound, f pcm.Form) string {
	switch {
	case s.Format == sound.Opaque:
		return "it doesn't begin like a sound file"
	case s.Codec != "" && s.Codec != sound.PCM && s.Codec != sound.Float:
		return fmt.Sprintf("its samples are in the code %q", s.Codec)
	case s.Rate < 1 || s.Rate > 1<<20 || s.Channels < 1 || s.Channels > 64 || s.Codec == "":
		return "its header doesn't say how its samples lie"
	case s.DataLength == 0:
		return "it holds no samples"
	case s.Format != sound.FLAC && (!f.Valid() || s.BytesPerFrame < 1):
		return "its header doesn't say how its samples lie"
	case s.Format != sound.FLAC && s.Codec == sound.PCM && f.Bytes > 4:
		return "its samples are longer than 32 bits"
	case s.Codec == sound.Float && s.BytesPerSample != 4 && s.BytesPerSample != 8:
		return "its header doesn't say how its samples lie"
	}
	return ""
}

// piece is how much is read at once.
const piece = 64 << 10

// plain gives samples that aren't compressed.
func plain(r io.ReaderAt, s Sound, f pcm.Form, want Stretch, each func(int64, []int32) error) error {
	n := int64(s.BytesPerFrame)
	size := s.DataOffset + s.DataLength
	buf := make([]byte, max(1, piece/n)*n)
	var out []int32
	for at := want.From; at < want.To; {
		frames := min(int64(len(buf))/n, want.To-at)
		b := buf[:frames*n]
		switch err := readFull(r, b, s.DataOffset+at*n, size); {
		case errors.Is(err, fixity.ErrUnreadable):
			at += frames
			continue
		case err != nil:
			return err
		}
		out = wide(out[:0], b, s, f)
		if err := each(at, out); err != nil {
			return err
		}
		at += frames
	}
	return nil
}

// wide are samples at the upper end of 32 bits, where containers keep them too.
func wide(out []int32, b []byte, s Sound, f pcm.Form) []int32 {
	each := s.BytesPerSample
	if each == 3 && s.Codec == sound.PCM && !f.BigEndian && !f.Unsigned { // most masters
		for i := 0; i+3 <= len(b); i += 3 {
			out = append(out, int32(uint32(b[i])<<8|uint32(b[i+1])<<16|uint32(b[i+2])<<24))
		}
		return out
	}
	for i := 0; i+each <= len(b); i += each {
		v := uint64(0)
		for k := range each {
			at := i + k
			if f.BigEndian {
				at = i + each - 1 - k
			}
			v |= uint64(b[at]) << (8 * k)
		}
		switch {
		case s.Codec == sound.Float && each == 4:
			out = append(out, scaled(float64(math.Float32frombits(uint32(v)))))
		case s.Codec == sound.Float:
			out = append(out, scaled(math.Float64frombits(v)))
		default:
			x := uint32(v) << (32 - 8*each)
			if f.Unsigned {
				x ^= 1 << 31
			}
			out = append(out, int32(x))
		}
	}
	return out
}

// scaled is a sample of which 1 is full scale. What is no number is 0.
func scaled(x float64) int32 {
	x = math.Round(x * (1 << 31))
	switch {
	case math.IsNaN(x):
		return 0
	case x >= math.MaxInt32:
		return math.MaxInt32
	case x <= math.MinInt32:
		return math.MinInt32
	}
	return int32(x)
}

// readFull fills b from a file of the given size.
func readFull(r io.ReaderAt, b []byte, at, size int64) error {
	n, err := r.ReadAt(b, at)
	switch {
	case n == len(b):
		return nil
	case err == io.EOF:
		return fmt.Errorf("file ends at byte %d of %d: %w", at+int64(n), size, fixity.ErrChanged)
	case err == nil:
		err = io.ErrNoProgress
	}
	return fmt.Errorf("at byte %d: %w", at+int64(n), err)
}

// patient is a reader that gives zeros for what its medium can't read: no frame of FLAC is
// whole where they lie.
type patient struct{ io.ReaderAt }

func (p patient) ReadAt(b []byte, at int64) (int, error) {
	n, err := p.ReaderAt.ReadAt(b, at)
	for err != nil && errors.Is(err, fixity.ErrUnreadable) && n < len(b) {
		skip := min(len(b)-n, leftOut)
		clear(b[n : n+skip])
		n += skip
		var m int
		if n < len(b) {
			m, err = p.ReaderAt.ReadAt(b[n:], at+int64(n))
			n += m
		} else {
			err = nil
		}
	}
	return n, err
}

// leftOut is how much is left out at a place that can't be read.
const leftOut = 4 << 10
