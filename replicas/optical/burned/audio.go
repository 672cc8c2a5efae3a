package burned

import (
	"errors"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/cdda"
)

// audio holds the sound of a disc against the sources wanted, which are indices of the
// report's Files, or against a baseline, or makes one.
func (c *check) audio(want []int) (Verdict, error) {
	// What was to be read again and couldn't be is told as unreadable, so it is all
	// done once more then. The drive gave it a moment ago: this ends.
	for {
		lost := c.src.lost
		part := *c
		part.r.Files = slices.Clone(c.r.Files)
		part.r.Unreadable, part.r.Differing = slices.Clone(c.r.Unreadable), slices.Clone(c.r.Differing)
		v, err := part.sounds(want)
		if err != nil {
			return "", err
		}
		if c.src.lost != lost {
			continue
		}
		more, err := c.readAgain(part.r.Differing)
		if err != nil {
			return "", err
		}
		if !more {
			c.r = part.r
			return v, nil
		}
	}
}

func (c *check) sounds(want []int) (Verdict, error) {
	d := discOf(c.contents, filled{c.src}, c.marks())
	if len(want) == 0 {
		if len(c.w.Files) > 0 {
			c.listMarks(d)
			return c.unheard(d, fixity.DiscSaysNothing), nil
		}
		return c.soundBaseline(d)
	}
	sources, ok := c.sources(want, d)
	if !ok {
		c.listMarks(d)
		return c.unheard(d, fixity.DiscNotCompared), nil
	}
	r, err := cdda.Compare(c.ctx, d, sources, cdda.Options{Offset: c.o.Offset, Known: c.o.OffsetKnown})
	if err != nil {
		return "", err
	}
	for k, i := range want {
		h := &c.r.Files[i]
		if h.Cause == CauseNotCompared {
			continue
		}
		heard(h, r.Sources[k])
	}
	c.take(d, r)
	v := verdicts[r.Verdict]
	if v == fixity.DiscIntact && c.r.NotCompared > 0 {
		v = fixity.DiscNotCompared
	}
	switch v {
	case fixity.DiscAlike, fixity.DiscSaysNothing:
		v = c.unheard(d, v)
	}
	return v, nil
}

// unheard is the verdict where not every sample was compared: what wasn't read comes
// first.
func (c *check) unheard(d cdda.Disc, v Verdict) Verdict {
	for _, m := range d.Marks {
		if m.State == cdda.Unreadable {
			return fixity.DiscUnreadable
		}
	}
	return v
}

var verdicts = map[cdda.Verdict]Verdict{
	cdda.Identical: fixity.DiscIntact, cdda.Unread: fixity.DiscUnreadable, cdda.Slipped: fixity.DiscUnsteady, cdda.Reordered: fixity.DiscReordered,
	cdda.Differs: fixity.DiscAltered, cdda.Changed: fixity.DiscChanged, cdda.Alike: fixity.DiscAlike, cdda.Other: fixity.DiscOther,
	cdda.SaysNothing: fixity.DiscSaysNothing,
}

// heard puts what the disc holds of one source into words of ours.
func heard(h *Held, s cdda.Held) {
	h.Samples, h.Track, h.LBA, h.Likeness = true, s.Track, s.LBA, s.Likeness
	switch s.Verdict {
	case cdda.Identical, cdda.Reordered:
		h.State = fixity.Intact
	case cdda.Unread:
		h.State = fixity.Unreadable
	case cdda.Slipped:
		h.State = fixity.Unsteady
	case cdda.Differs:
		h.State = fixity.Altered
	case cdda.Changed:
		h.State, h.Cause = fixity.Altered, CauseChanged
	case cdda.Alike:
		h.State, h.Cause, h.Weaker = fixity.Intact, CauseAlike, true
	case cdda.Other:
		h.State, h.Cause = fixity.Altered, CauseOther
	case cdda.SaysNothing:
		h.Cause = CauseSaysNothing
	}
}

// sources are what the disc was burned from. In the place of one that isn't within
// reach stands silence of its length, in a format that isn't compared by samples.
// false: none is within reach, or a length isn't known.
func (c *check) sources(want []int, d cdda.Disc) (list []cdda.Source, ok bool) {
	for k, i := range want {
		f := c.w.Files[i]
		h := &c.r.Files[i]
		h.Samples = true
		if f.Sound != nil {
			s := *f.Sound
			s.Name = f.Name
			list, ok = append(list, s), true
			continue
		}
		h.Cause = CauseNotCompared
		c.r.NotCompared++
		n := f.Samples
		if n == 0 && len(d.Tracks) == len(want) {
			n = trackEnd(d, k) - d.Tracks[k].LBA
			n *= cdda.SectorSamples
		}
		if n == 0 {
			n = -1
		}
		list = append(list, cdda.Source{Name: f.Name, PCM: silence{}, Samples: n, Format: cdda.Format{Rate: cdda.Rate, Channels: 1, Bits: 16}})
	}
	if slices.ContainsFunc(list, func(s cdda.Source) bool { return s.Samples < 0 }) {
		ok = false
	}
	if !ok {
		for _, i := range want {
			if c.r.Files[i].Cause == "" {
				c.r.Files[i].Cause = CauseNotCompared
				c.r.NotCompared++
			}
		}
	}
	return list, ok
}

type silence struct{}

func (silence) ReadAt(p []byte, _ int64) (int, error) {
	clear(p)
	return len(p), nil
}

func trackEnd(d cdda.Disc, k int) int64 {
	if k+1 < len(d.Tracks) {
		return d.Tracks[k+1].LBA
	}
	return d.First + d.Sectors
}

// soundBaseline compares with a baseline, or makes one.
func (c *check) soundBaseline(d cdda.Disc) (Verdict, error) {
	if b := c.w.Baseline; b != nil && b.Sound != nil {
		r, err := cdda.CompareBaseline(c.ctx, d, *b.Sound, cdda.Options{})
		if err != nil {
			return "", err
		}
		c.take(d, r)
		if c.r.Baseline == nil || c.r.Baseline.Files == nil {
			c.r.Baseline = b
		} else if c.r.Baseline != b { // the files of a mixed disc were read for the first time
			c.keep().Sound = b.Sound
		}
		return verdicts[r.Verdict], nil
	}
	b, err := cdda.NewBaseline(c.ctx, d)
	if err != nil {
		return "", err
	}
	c.keep().Sound = &b
	c.listMarks(d)
	return c.unheard(d, fixity.DiscBaseline), nil
}

// keep is the baseline of this reading.
func (c *check) keep() *Baseline {
	switch c.r.Baseline {
	case nil:
		c.r.Baseline = &Baseline{}
	case c.w.Baseline: // the caller's, which stays as it is
		b := *c.w.Baseline
		c.r.Baseline = &b
	}
	return c.r.Baseline
}

// take adds the places of a comparison to the report.
func (c *check) take(d cdda.Disc, r cdda.Result) {
	c.r.Sound = &r
	for _, x := range r.Differing {
		s := Sectors{LBA: x.LBA, Count: x.Count, Track: x.Track, Time: x.Time(), Doubtful: x.Doubtful, Muted: x.Muted}
		if x.Doubtful { // the drive's reading, not the disc's contents
			c.unreadable(s)
		} else {
			c.differing(s)
		}
	}
	if r.DifferingAll > count(r.Differing) {
		c.r.DifferingAll += r.DifferingAll - count(r.Differing)
	}
	if !r.Located {
		c.listMarks(d)
		return
	}
	for _, x := range r.Unreadable {
		c.unreadable(Sectors{LBA: x.LBA, Count: x.Count, Track: x.Track, Time: x.Time()})
	}
	c.r.UnreadableAll += max(0, r.UnreadableAll-count(r.Unreadable))
}

func count(runs []cdda.Run) (n int64) {
	for _, r := range runs {
		n += r.Count
	}
	return n
}

// listMarks adds the sectors that weren't read to the report, by the tracks alone.
func (c *check) listMarks(d cdda.Disc) {
	for _, m := range d.Marks {
		if m.State != cdda.Unreadable {
			continue
		}
		x := cdda.Run{LBA: m.LBA, Count: m.Count}
		x.Track, x.Frame = d.Place(m.LBA)
		c.unreadable(Sectors{LBA: x.LBA, Count: x.Count, Track: x.Track, Time: x.Time()})
	}
}

// marks are how the sectors of sound were read.
func (c *check) marks() (list []cdda.Mark) {
	p := c.src.parts[ofSound]
	doubtful := newBits(c.contents.LeadOut)
	for r := range c.r.Check.Map.Runs() {
		if r.State == optical.Doubtful {
			for i := r.LBA; i < r.LBA+r.Count; i++ {
				doubtful.set(i)
			}
		}
	}
	add := func(lba int64, s cdda.State) {
		if k := len(list) - 1; k >= 0 && list[k].State == s && list[k].LBA+list[k].Count == lba {
			list[k].Count++
			return
		}
		list = append(list, cdda.Mark{LBA: lba, Count: 1, State: s})
	}
	for lba := p.first; lba < p.end; lba++ {
		switch {
		case c.src.bad.has(lba):
			add(lba, cdda.Unreadable)
		case doubtful.has(lba), c.otherwise.has(lba):
			add(lba, cdda.Doubtful)
		}
	}
	return list
}

// discOf is the sound of a disc.
func discOf(c optical.Contents, pcm io.ReaderAt, marks []cdda.Mark) cdda.Disc {
	d := cdda.Disc{Marks: marks}
	end := int64(0)
	for _, a := range c.Areas() {
		if !a.Audio {
			continue
		}
		if end == 0 {
			d.First = a.LBA
		}
		end = a.LBA + a.Count
	}
	d.Sectors = end - d.First
	for _, t := range c.Tracks {
		last := d.First - 1
		if k := len(d.Tracks); k > 0 {
			last = d.Tracks[k-1].LBA
		}
		if !t.Data && t.LBA < end && t.LBA > last { // drives have given tables that make no sense
			d.Tracks = append(d.Tracks, cdda.Track{Number: t.Number, LBA: t.LBA})
		}
	}
	d.PCM = shifted{pcm, d.First * cdda.SectorBytes}
	return d
}

// shifted is a reader from some byte on.
type shifted struct {
	r  io.ReaderAt
	by int64
}

func (s shifted) ReadAt(p []byte, off int64) (int, error) { return s.r.ReadAt(p, s.by+off) }

// filled gives zeros in the place of sectors of sound that can't be read.
type filled struct{ s *sectors }

func (f filled) ReadAt(p []byte, off int64) (int, error) {
	r := f.s.reader(true)
	n := 0
	for {
		got, err := r.ReadAt(p[n:], off+int64(n))
		n += got
		if n == len(p) {
			return n, nil
		}
		if broken(err) || !errors.Is(err, fixity.ErrUnreadable) {
			return n, err
		}
		lost := min(cdda.SectorBytes-(off+int64(n))%cdda.SectorBytes, int64(len(p)-n))
		clear(p[n : n+int(lost)])
		if n += int(lost); n == len(p) {
			return n, nil
		}
	}
}
