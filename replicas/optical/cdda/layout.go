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
	from   int64 // sample of the source that it begins with
	cut    int64 // samples that don't fit in before the next piece
}

// row is a piece of a whole source.
func (c *comparison) row(at int64, source int) piece {
	return piece{at: at, n: c.sources[source].samples(), source: source}
}

// layout is pieces in their order, apart from each other.
type layout []piece

// samples is the length of a source at the disc's rate.
func (s Source) samples() int64 {
	return s.Samples * Rate / int64(s.format().Rate)
}

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
			l = append(l, c.row(at, i))
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
	var short layout
	if len(c.disc.Tracks) == len(c.sources) {
		var l layout
		for i, t := range c.disc.Tracks {
			p := c.row(c.start(t), i)
			// A track may be too short for its source.
			if end := c.trackEnd(i); p.at+p.n > end && i+1 < len(c.disc.Tracks) {
				p.n, p.cut = end-p.at, p.at+p.n-end
			}
			l = append(l, p)
		}
		if slices.ContainsFunc(l, func(p piece) bool { return p.cut > 0 }) {
			short = l
		} else {
			add(l)
		}
	}
	add(row(false, 0)) // one recording, or several that run on
	add(row(true, 0))
	add(row(true, Pause))
	if short != nil {
		add(short)
	}
	return all
}

// trackEnd is where the track with an index ends.
func (c *comparison) trackEnd(i int) int64 {
	if i+1 < len(c.disc.Tracks) {
		return c.start(c.disc.Tracks[i+1])
	}
	return c.total()
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
		if c.exact(p.source) {
			if err := c.source(p.source, part, from-p.at+p.from); err != nil {
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
