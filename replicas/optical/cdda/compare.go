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
	if err == nil && !at.ok && !at.silent {
		at, err = c.inForm(at)
	}
	if err != nil {
		return Result{}, err
	}
	switch {
	case at.ok:
		r, err := c.exactly(at)
		if err != nil {
			return Result{}, err
		}
		return c.farther(r, at)
	case at.silent:
		return c.silent(at)
	}
	var all []int
	for i := range c.sources {
		all = append(all, i)
	}
	at = located{layout: c.layouts()[0], offset: c.known(), found: found{heard: make([]int, len(all)), asked: make([]int, len(all))}}
	mute, err := c.mute()
	if err != nil {
		return Result{}, err
	}
	if mute && !slices.ContainsFunc(c.sources, func(s Source) bool { return !s.exact() }) {
		return c.exactly(at)
	}
	l, breaks, err := c.far(at.layout, at.offset, all)
	if err != nil {
		return Result{}, err
	}
	if l == nil {
		return c.byEar()
	}
	return c.exactly(at.moved(l, breaks, all))
}

// moved is where sources lie that were found on the whole disc.
func (at located) moved(l layout, breaks []Break, which []int) located {
	f := found{heard: slices.Clone(at.found.heard), asked: slices.Clone(at.found.asked)}
	for _, i := range which {
		f.asked[i] = 1
		if slices.ContainsFunc(l, func(p piece) bool { return p.source == i && !slices.Contains(at.layout, p) }) {
			f.heard[i] = 1
		}
	}
	return located{layout: l, offset: at.offset, found: f, ok: true, breaks: breaks}
}

// farther looks on the whole disc for sources that don't lie where they should, or that
// differ there for long. It keeps what shows more.
func (c *comparison) farther(r Result, at located) (Result, error) {
	var which []int
	for i, h := range r.Sources {
		if c.sources[i].exact() && (h.Verdict == Other || h.Verdict == Missing || h.Verdict == Differs && h.Differing > patience) {
			which = append(which, i)
		}
	}
	if len(which) == 0 || len(at.candidates) > 0 {
		return r, nil
	}
	at.offset = r.Offset
	l, breaks, err := c.far(at.layout, at.offset, which)
	if err != nil || l == nil || slices.Equal(l, at.layout) {
		return r, err
	}
	q, err := c.exactly(at.moved(l, breaks, which))
	if err != nil {
		return Result{}, err
	}
	if whole(q) > whole(r) || whole(q) == whole(r) && q.DifferingAll+patience < r.DifferingAll {
		return q, nil
	}
	return r, nil
}

// whole counts the sources of which every sample is right.
func whole(r Result) (n int) {
	for _, h := range r.Sources {
		if h.Verdict == Identical {
			n++
		}
	}
	return n
}

// edge is the sectors at either end of a disc that may be no part of what was burned,
// where the offset isn't known.
func (c *comparison) edge() int64 { return int64(c.max)/SectorSamples + 1 }

// mute says that all that was read of the disc is silence.
func (c *comparison) mute() (bool, error) {
	b := make([]byte, chunk*SectorBytes)
	for at := int64(0); at < c.total(); at += chunk * SectorSamples {
		if err := c.ctx.Err(); err != nil {
			return false, err
		}
		part := b[:min(chunk*SectorSamples, c.total()-at)*SampleBytes]
		if err := c.sound(part, at); err != nil {
			return false, err
		}
		for k := 0; k < len(part); k += SectorBytes {
			s := at/SectorSamples + int64(k/SectorBytes)
			if s < c.edge() || s >= c.disc.Sectors-c.edge() {
				continue
			}
			if !allZero(part[k:k+SectorBytes]) && c.badAt(at+int64(k/SampleBytes), 1) != Unreadable {
				return false, nil
			}
		}
	}
	return true, nil
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
	differing := w.r.DifferingAll
	for _, r := range w.r.Differing {
		for s := r.LBA - c.disc.First; s < r.LBA-c.disc.First+r.Count; s++ {
			if s < c.edge() || s >= c.disc.Sectors-c.edge() {
				differing--
			}
		}
	}
	if differing > 0 {
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
	if err := c.depths(at.layout, at.offset); err != nil {
		return Result{}, err
	}
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
	if len(at.candidates) > 0 && 2*w.r.DifferingAll > w.r.Compared {
		return c.byEar() // a repeating sound that isn't this one
	}
	// A source that isn't heard may stand there in another form.
	again := false
	for _, p := range at.layout {
		if i := p.source; c.exact(i) && w.differing[i] > w.muted[i] && c.unheard(at, w, p) {
			ok, err := c.formOf(p, w.r.Offset)
			if err != nil {
				return Result{}, err
			}
			again = again || ok
		}
	}
	if again {
		if w, err = c.walk(at.layout, w.r.Offset, 0); err != nil {
			return Result{}, err
		}
	}
	r := w.r
	r.Ambiguous, r.Breaks = equal > 1, at.breaks
	for i, s := range c.sources {
		h := Held{Name: s.Name, Verdict: Identical, LBA: -1, Differing: w.differing[i], Muted: w.muted[i]}
		if c.hows != nil && c.exact(i) {
			h.Form = c.hows[i].form
		}
		h.Reduced = c.exact(i) && s.format().Bits > 16
		k := slices.IndexFunc(at.layout, func(p piece) bool { return p.source == i })
		if k < 0 {
			h.Verdict = Missing
			r.Sources = append(r.Sources, h)
			continue
		}
		p := at.layout[k]
		h.LBA = c.disc.First + p.at/SectorSamples
		h.Track = c.track(p.at)
		lost, behind, there := false, false, false
		for _, q := range at.layout {
			if q.source == i {
				lost = lost || c.lost(r, q)
				there = there || q.at < c.total()-int64(c.max)
				behind = behind || q.at+q.n > c.total() || q.cut > 0
				h.Lacking += q.cut + max(0, q.at+q.n-c.total())
			}
		}
		broken := slices.ContainsFunc(at.breaks, func(b Break) bool { return b.Source == i })
		unheard := h.Differing > 0 && c.unheard(at, w, p)
		switch {
		case !there && s.Samples > int64(c.max):
			h.Verdict, h.LBA, h.Track = Missing, -1, 0
		case !c.exact(i):
			h.Verdict, h.Likeness, err = c.ear(p, r.Offset, &r)
		case h.Muted > 0 && h.Differing-h.Muted <= 2*c.edge() && c.unheard(at, w, p):
			h.Verdict = Differs
		case unheard:
			if h.Verdict, h.Likeness, err = c.ear(p, r.Offset, nil); h.Verdict == SaysNothing {
				h.Verdict = Other
			}
		case h.Differing > 0 || behind || broken:
			h.Verdict = Differs
		case w.doubted[i] > 0 || lost:
			h.Verdict = Unread
		case h.Form != Straight:
			h.Verdict = Changed
		}
		if err != nil {
			return Result{}, err
		}
		if h.Likeness.Form != Straight {
			h.Form = h.Likeness.Form
		}
		r.Sources = append(r.Sources, h)
	}
	for _, p := range at.layout {
		r.Lacking += p.cut
	}
	r.Verdict = c.verdict(r, at.layout)
	return r, nil
}

// unheard says that nothing was found of a source where a walk went: a window that was
// found proves the recording, however much of it is damaged.
func (c *comparison) unheard(at located, w *walker, p piece) bool {
	i := p.source
	return at.found.heard[i] == 0 && (at.found.asked[i] > 1 || 2*w.differing[i]*SectorSamples > p.n)
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
	switch {
	case n > 0 && count[Changed] == n && len(r.Slips) == 0:
		return Changed
	case n > 0 && count[Other] > 0 && count[Other]+count[Missing] == n:
		return Other
	}
	doubted := true // all that differs was doubted by the drive
	for _, run := range r.Differing {
		doubted = doubted && run.Doubtful
	}
	switch {
	case count[Changed]+count[Other]+count[Missing]+count[Differs] > 0 || r.Lacking > 0 || r.DifferingAll > 0 && !doubted:
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
