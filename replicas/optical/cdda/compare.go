package cdda

import (
	"context"
	"errors"
	"fmt"
	"slices"
)

// defaultMax is the offset that is looked for: drives are known for some 1,500
// samples at most.
const defaultMax = 3000

// Compare says what a disc holds of the recordings that it was burned from. It
// reads the disc once in order, after a few stretches of it (on average 24, of some
// ten sectors each), and the sources likewise; where that shows another recording,
// or other samples, some dozens of stretches more. It holds a few megabytes.
//
// An error is of a reader, of ctx, or of a call that makes no sense; there is no
// result then. What is wrong with the disc is never an error.
func Compare(ctx context.Context, d Disc, sources []Source, o Options) (Result, error) {
	if err := sensible(d, sources, o); err != nil {
		return Result{}, fmt.Errorf("compare audio disc: %w", err)
	}
	c := &comparison{ctx: ctx, disc: d, sources: sources, opt: o, max: o.MaxOffset}
	if c.max == 0 {
		c.max = defaultMax
	}
	if o.Known {
		c.max = min(MaxOffset, max(c.max, o.Offset, -o.Offset))
	}
	r, err := c.compare()
	if err != nil {
		return Result{}, fmt.Errorf("compare audio disc: %w", err)
	}
	return r, nil
}

func sensible(d Disc, sources []Source, o Options) error {
	if d.PCM == nil || d.Sectors <= 0 || d.Sectors > 1<<31 || d.First < 0 {
		return fmt.Errorf("a disc of %d sectors from %d on", d.Sectors, d.First)
	}
	if len(sources) == 0 {
		return errors.New("no sources")
	}
	for _, s := range sources {
		f := s.Format
		if s.PCM == nil || s.Samples < 0 || s.Samples > 1<<40 {
			return fmt.Errorf("source %q of %d samples", s.Name, s.Samples)
		}
		if !s.exact() && (f.Rate < 4000 || f.Rate > 1<<20 || f.Channels < 1 || f.Channels > 64 || f.Bits != 16 && f.Bits != 24 && f.Bits != 32) {
			return fmt.Errorf("source %q has %d samples a second, %d channels of %d bits", s.Name, f.Rate, f.Channels, f.Bits)
		}
	}
	for i, t := range d.Tracks {
		if t.LBA < d.First || t.LBA >= d.First+d.Sectors || i > 0 && t.LBA <= d.Tracks[i-1].LBA {
			return fmt.Errorf("track %d begins at sector %d", t.Number, t.LBA)
		}
	}
	for i, m := range d.Marks {
		if m.Count <= 0 || i > 0 && m.LBA < d.Marks[i-1].LBA+d.Marks[i-1].Count {
			return fmt.Errorf("marks aren't in order at sector %d", m.LBA)
		}
	}
	if o.MaxOffset < 0 || o.MaxOffset > MaxOffset || o.Offset < -MaxOffset || o.Offset > MaxOffset {
		return fmt.Errorf("an offset of more than %d samples", MaxOffset)
	}
	return nil
}

func (c *comparison) compare() (Result, error) {
	if !slices.ContainsFunc(c.sources, Source.exact) {
		return c.byEar()
	}
	at, err := c.locate()
	if err != nil {
		return Result{}, err
	}
	switch {
	case at.ok:
		return c.exactly(at)
	case at.silent:
		return c.silent(at)
	}
	return c.byEar()
}

// silent compares sources without a sound: the disc may have one. Sources of other
// formats have their say all the same.
func (c *comparison) silent(at located) (Result, error) {
	if slices.ContainsFunc(c.sources, func(s Source) bool { return !s.exact() }) {
		return c.byEar()
	}
	w, err := c.walk(at.layout, c.known(), 0)
	if err != nil {
		return Result{}, err
	}
	out := Result{Verdict: SaysNothing, Compared: w.r.Compared, Unreadable: w.r.Unreadable, UnreadableAll: w.r.UnreadableAll}
	for i, s := range c.sources {
		h := Held{Name: s.Name, Verdict: SaysNothing, LBA: -1, Differing: w.differing[i]}
		if h.Differing > 0 {
			h.Verdict = Other
		}
		out.Sources = append(out.Sources, h)
	}
	if w.r.DifferingAll > 0 {
		out.Verdict = Other
	}
	return out, nil
}

func (c *comparison) known() int {
	if c.opt.Known {
		return c.opt.Offset
	}
	return 0
}

// exactly compares sample for sample at the offset that was found, or at the best
// of several.
func (c *comparison) exactly(at located) (Result, error) {
	w, err := c.walk(at.layout, at.offset, 0)
	if err != nil {
		return Result{}, err
	}
	equal := 0
	for _, o := range at.candidates {
		q := w
		if o != w.r.Offset {
			if q, err = c.walk(at.layout, o, w.r.DifferingAll); err != nil {
				return Result{}, err
			}
		}
		if q.r.DifferingAll < w.r.DifferingAll {
			w, equal = q, 0
		}
		if q.r.DifferingAll == w.r.DifferingAll {
			equal++
		}
	}
	r := w.r
	r.Ambiguous = equal > 1
	if len(at.candidates) > 0 && 2*r.DifferingAll > r.Compared {
		return c.byEar() // a repeating sound that isn't this one
	}
	for i, s := range c.sources {
		h := Held{Name: s.Name, Verdict: Identical, LBA: -1, Differing: w.differing[i]}
		k := slices.IndexFunc(at.layout, func(p piece) bool { return p.source == i })
		if k < 0 {
			h.Verdict = Other
			r.Sources = append(r.Sources, h)
			continue
		}
		p := at.layout[k]
		h.LBA = c.disc.First + p.at/SectorSamples
		h.Track = c.track(p.at)
		// A window that was found proves the recording, however much of it is damaged.
		unheard := at.found.heard[i] == 0 && (at.found.asked[i] > 1 || 2*h.Differing*SectorSamples > p.n)
		switch {
		case !s.exact():
			h.Verdict, h.Likeness, err = c.ear(p, r.Offset)
		case h.Differing > 0 && unheard:
			h.Verdict, h.Likeness, err = c.ear(p, r.Offset)
		case h.Differing > 0 || p.at+p.n > c.total():
			h.Verdict = Differs
		case at.found.asked[i] == 0:
			h.Verdict, err = c.says(i)
		case w.doubted[i] > 0 || c.lost(r, p):
			h.Verdict = Unread
		}
		if err != nil {
			return Result{}, err
		}
		r.Sources = append(r.Sources, h)
	}
	r.Verdict = c.verdict(r, at.layout)
	return r, nil
}

// says tells a source that is silent from one whose sound repeats itself.
func (c *comparison) says(i int) (Verdict, error) {
	b := make([]byte, 1<<16)
	s := c.sources[i]
	for at := int64(0); at < s.Samples; at += int64(len(b)) / SampleBytes {
		if err := c.ctx.Err(); err != nil {
			return "", err
		}
		part := b[:min(int64(len(b)), (s.Samples-at)*SampleBytes)]
		if err := c.source(i, part, at); err != nil {
			return "", err
		}
		if !allZero(part) {
			return Identical, nil
		}
	}
	return SaysNothing, nil
}

// lost says that sectors of a piece couldn't be read.
func (c *comparison) lost(r Result, p piece) bool {
	at := p.at - int64(r.Offset)
	for _, m := range c.disc.Marks {
		from := (m.LBA - c.disc.First) * SectorSamples
		if m.State == Unreadable && from < at+p.n && from+m.Count*SectorSamples > at {
			return true
		}
	}
	return false
}

// track is the one that a place of the reference lies in.
func (c *comparison) track(at int64) int {
	n := 0
	for _, t := range c.disc.Tracks {
		if c.start(t) <= at {
			n = t.Number
		}
	}
	return n
}

// verdict sums up what is held of the sources.
func (c *comparison) verdict(r Result, l layout) Verdict {
	count := map[Verdict]int{}
	for _, h := range r.Sources {
		count[h.Verdict]++
	}
	n := len(r.Sources) - count[SaysNothing]
	if n > 0 {
		for _, v := range []Verdict{Changed, Other} {
			if count[v] == n {
				return v
			}
		}
	}
	doubted := true // all that differs was doubted by the drive
	for _, run := range r.Differing {
		doubted = doubted && run.Doubtful
	}
	switch {
	case count[Changed] > 0 || count[Other] > 0 || r.Lacking > 0 || r.DifferingAll > 0 && !doubted:
		return Differs
	case r.SlipsAll > 0:
		return Slipped
	case r.UnreadableAll > 0 || r.DifferingAll > 0:
		return Unread
	case !slices.IsSortedFunc(l, func(a, b piece) int { return a.source - b.source }):
		return Reordered
	case count[Alike] > 0:
		return Alike
	case count[SaysNothing] == len(r.Sources):
		return SaysNothing
	}
	return Identical
}

// ear judges one source by correlation.
func (c *comparison) ear(p piece, offset int) (Verdict, Likeness, error) {
	n := min(moreWindows, max(fewWindows, mostWindows/len(c.sources)))
	like, err := c.correlator().likeness(p, offset, n)
	return c.judge(p.source, like), like, err
}

func (c *comparison) judge(source int, like Likeness) Verdict {
	switch {
	case like.Windows == 0:
		return SaysNothing
	case 2*like.Alike < like.Windows:
		return Other
	case c.sources[source].exact():
		return Changed
	}
	return Alike
}

// byEar compares by correlation alone: no sample of the sources was found.
func (c *comparison) byEar() (Result, error) {
	var best layout
	most := 0
	k := c.correlator()
	for _, l := range c.layouts() {
		alike, windows := 0, 0
		for _, p := range l[:min(len(l), 4)] {
			like, err := k.likeness(p, c.known(), fewWindows)
			if err != nil {
				return Result{}, err
			}
			alike += like.Alike
			windows += like.Windows
		}
		if best == nil || alike > most {
			best, most = l, alike
		}
		if alike > 0 && alike == windows {
			break
		}
	}
	var r Result
	count := map[Verdict]int{}
	for _, p := range best {
		v, like, err := c.ear(p, c.known())
		if err != nil {
			return Result{}, err
		}
		h := Held{Name: c.sources[p.source].Name, Verdict: v, LBA: -1, Likeness: like}
		if like.Alike > 0 {
			h.LBA, h.Track = c.disc.First+p.at/SectorSamples, c.track(p.at)
		}
		count[v]++
		r.Sources = append(r.Sources, h)
	}
	n := len(r.Sources)
	switch {
	case count[SaysNothing] == n:
		r.Verdict = SaysNothing
	case count[Other] > 0:
		r.Verdict = Other
	case count[Changed] > 0:
		r.Verdict = Changed
	default:
		r.Verdict = Alike
	}
	return r, nil
}
