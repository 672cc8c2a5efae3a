package cdda

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
)

// piece is a source in the reference: what the disc should hold, in samples from
// the first sector on, with zeros where there is no piece.
type piece struct {
	at, n  int64
	source int
}

// layout is pieces in their order, apart from each other.
type layout []piece

// samples is the length of a source at the disc's rate.
func (s Source) samples() int64 {
	if s.exact() || s.Format.Rate <= 0 {
		return s.Samples
	}
	return s.Samples * Rate / int64(s.Format.Rate)
}

func (s Source) exact() bool { return s.Format == CD || s.Format == Format{} }

// layouts are the ways in which burning programs lay sources out, the usual first.
func (c *comparison) layouts() []layout {
	first := int64(0)
	if len(c.disc.Tracks) > 0 {
		first = c.start(c.disc.Tracks[0])
	}
	row := func(pad bool, gap int64) layout {
		var l layout
		at := first
		for i, s := range c.sources {
			l = append(l, piece{at, s.samples(), i})
			at += s.samples()
			if pad {
				at = (at+SectorSamples-1)/SectorSamples*SectorSamples + gap*SectorSamples
			}
		}
		return l
	}
	var all []layout
	add := func(l layout) {
		for i := range l[1:] {
			if l[i].at+l[i].n > l[i+1].at {
				return
			}
		}
		if !slices.ContainsFunc(all, func(o layout) bool { return slices.Equal(o, l) }) {
			all = append(all, l)
		}
	}
	if len(c.disc.Tracks) == len(c.sources) {
		var l layout
		for i, t := range c.disc.Tracks {
			l = append(l, piece{c.start(t), c.sources[i].samples(), i})
		}
		add(l)
	}
	add(row(false, 0)) // one recording, or several that run on
	add(row(true, 0))
	add(row(true, Pause))
	return all
}

// start is where a track begins, in samples of the reference.
func (c *comparison) start(t Track) int64 { return (t.LBA - c.disc.First) * SectorSamples }

// total is the samples of the disc.
func (c *comparison) total() int64 { return c.disc.Sectors * SectorSamples }

// in gives the first piece that ends behind at.
func (l layout) in(at int64) int {
	return sort.Search(len(l), func(i int) bool { return l[i].at+l[i].n > at })
}

// covers says that any of n samples from at on is a source's.
func (l layout) covers(at, n int64) bool {
	i := l.in(at)
	return i < len(l) && l[i].at < at+n
}

// within counts the samples of sources from one place to before another.
func (l layout) within(from, to int64) int64 {
	var n int64
	for _, p := range l {
		n += max(0, min(p.at+p.n, to)-max(p.at, from))
	}
	return n
}

// reference fills b with what the disc should hold from sample at on. Sources of
// other formats are zeros.
func (c *comparison) reference(l layout, b []byte, at int64) error {
	end := at + int64(len(b)/SampleBytes)
	done := at
	for i := l.in(at); i < len(l) && l[i].at < end; i++ {
		p := l[i]
		from, to := max(p.at, at), min(p.at+p.n, end)
		clear(b[(done-at)*SampleBytes : (from-at)*SampleBytes])
		part := b[(from-at)*SampleBytes : (to-at)*SampleBytes]
		if c.sources[p.source].exact() {
			if err := c.source(p.source, part, from-p.at); err != nil {
				return err
			}
		} else {
			clear(part)
		}
		done = to
	}
	clear(b[(done-at)*SampleBytes:])
	return nil
}

// source reads samples of a source of the disc's format.
func (c *comparison) source(i int, b []byte, at int64) error {
	s := c.sources[i]
	n, err := s.PCM.ReadAt(b, at*SampleBytes)
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return fmt.Errorf("read source %q at sample %d: %w", s.Name, at, err)
}

// sound reads samples of the disc; zeros stand before its beginning and behind its
// end.
func (c *comparison) sound(b []byte, at int64) error {
	end := at + int64(len(b)/SampleBytes)
	from, to := max(at, 0), min(end, c.total())
	if from >= to {
		clear(b)
		return nil
	}
	clear(b[:(from-at)*SampleBytes])
	clear(b[(to-at)*SampleBytes:])
	part := b[(from-at)*SampleBytes : (to-at)*SampleBytes]
	n, err := c.disc.PCM.ReadAt(part, from*SampleBytes)
	if n == len(part) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return fmt.Errorf("read disc from sector %d: %w", c.disc.First+from/SectorSamples, err)
}
