package burned

import (
	"bytes"
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
		heard(h, r.Sources[k], sources[k].Samples)
	}
	c.take(d, r)
	v := verdicts[r.Verdict]
	if r.SlipsAll > 0 {
		if v, err = c.skips(want, r, v); err != nil {
			return "", err
		}
	}
	for _, b := range r.Breaks {
		if h := &c.r.Files[want[b.Source]]; h.Cause != CauseNotCompared {
			h.Breaks, h.Cause = append(h.Breaks, b), CauseSkips
		}
	}
	if v == fixity.DiscAltered && r.DifferingAll == 0 && onlyMissing(r) {
		v = fixity.DiscMissing
	}
	if v == fixity.DiscIntact && c.r.NotCompared > 0 {
		v = fixity.DiscNotCompared
	}
	switch v {
	case fixity.DiscAlike, fixity.DiscSaysNothing:
		v = c.unheard(d, v)
	}
	switch v {
	case fixity.DiscAlike, fixity.DiscChanged:
		return c.asAtFirst(d, v)
	}
	return v, nil
}

// onlyMissing says that nothing is wrong but that sources aren't on the disc.
func onlyMissing(r cdda.Result) bool {
	missing := false
	for _, h := range r.Sources {
		switch h.Verdict {
		case cdda.Missing:
			missing = true
		case cdda.Identical, cdda.SaysNothing, cdda.Alike:
		default:
			return false
		}
	}
	return missing
}

// skips tells a disc that skips from a drive that lost its place: what lies behind the
// places is read from the drive once more.
func (c *check) skips(want []int, r cdda.Result, v Verdict) (Verdict, error) {
	stays, err := c.slipsStay(r.Slips)
	if err != nil {
		return "", err
	}
	if !stays {
		if v == fixity.DiscIntact || r.Verdict == cdda.Slipped {
			return fixity.DiscUnsteady, nil
		}
		return v, nil
	}
	within := false
	for _, s := range r.Slips {
		if s.Source < 0 { // a pause of another length
			continue
		}
		within = true
		b := cdda.Break{Source: s.Source, LBA: s.LBA, LeftOut: int64(max(0, s.By)), PutIn: int64(max(0, -s.By))}
		h := &c.r.Files[want[s.Source]]
		h.State, h.Cause, h.Weaker = fixity.Altered, CauseSkips, false
		h.Breaks = append(h.Breaks, b)
	}
	switch {
	case within:
		return fixity.DiscAltered, nil
	case r.Verdict == cdda.Slipped && r.UnreadableAll > 0:
		return fixity.DiscUnreadable, nil
	case r.Verdict == cdda.Slipped: // only pauses are of other lengths
		return fixity.DiscIntact, nil
	}
	return v, nil
}

// mostSlips bounds the places that are read once more.
const mostSlips = 50

// slipsStay reads some sectors behind slips from the drive once more, and says that they
// are what they were. Reading by their addresses takes a drive to its place again.
func (c *check) slipsStay(slips []cdda.Slip) (bool, error) {
	if !c.d.Drive() {
		return true, nil // an image isn't misread
	}
	if c.src.only {
		return false, nil
	}
	const behind = 3
	first, second := make([]byte, behind*cdda.SectorBytes), make([]byte, behind*cdda.SectorBytes)
	for _, s := range slips[:min(len(slips), mostSlips)] {
		if err := c.ctx.Err(); err != nil {
			return false, err
		}
		r := c.src.reader(true)
		at := (s.LBA + 1) * cdda.SectorBytes
		n, err := r.ReadAt(first, at)
		if n == len(first) {
			done := c.src.again()
			n, err = r.ReadAt(second, at)
			done()
		}
		switch {
		case n < len(second) && broken(err):
			return false, err
		case n == len(second) && !bytes.Equal(first, second):
			return false, nil
		}
	}
	return true, nil
}

// asAtFirst holds a disc that is the same recording with other samples against the sums
// of its own first reading, exactly; without them it makes them.
func (c *check) asAtFirst(d cdda.Disc, v Verdict) (Verdict, error) {
	if b := c.w.Baseline; b != nil && b.Sound != nil {
		r, err := cdda.CompareBaseline(c.ctx, d, *b.Sound, cdda.Options{})
		if err != nil {
			return "", err
		}
		c.r.Baseline = b
		switch w := verdicts[r.Verdict]; w {
		case fixity.DiscIntact, fixity.DiscSaysNothing:
			return v, nil
		case fixity.DiscOther: // the same recording, on another disc: nothing is known of that
			return fixity.DiscAltered, nil
		default:
			c.take(d, r)
			return w, nil
		}
	}
	b, err := cdda.NewBaseline(c.ctx, d)
	if err != nil {
		return "", err
	}
	c.keep().Sound = &b
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
func heard(h *Held, s cdda.Held, samples int64) {
	h.Samples, h.Track, h.LBA, h.Likeness, h.Lacking, h.Form = true, s.Track, s.LBA, s.Likeness, s.Lacking, s.Form
	switch s.Verdict {
	case cdda.Identical, cdda.Reordered:
		if h.State = fixity.Intact; s.Reduced {
			h.Cause = CauseReduced
		}
	case cdda.Missing:
		h.State = fixity.Missing
	case cdda.Unread:
		h.State = fixity.Unreadable
	case cdda.Slipped:
		h.State = fixity.Unsteady
	case cdda.Differs:
		h.State = fixity.Altered
		switch l := s.Likeness; {
		case s.Form != cdda.Straight:
			h.Cause = string(s.Form)
		case s.Muted > 0 && s.Muted >= s.Differing && 2*s.Muted*cdda.SectorSamples >= samples:
			h.Cause = CauseSilent
		case s.Lacking > 0 && s.Differing == 0 && l.AlikeSectors == l.Sectors:
			h.Cause = CauseShorter
		case l.Sectors > 0:
			h.Cause = CausePartlyAlike
		}
	case cdda.Changed:
		if h.State, h.Cause = fixity.Altered, CauseChanged; s.Form != cdda.Straight {
			h.Cause = string(s.Form)
		}
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
		list = append(list, cdda.Source{Name: f.Name, PCM: silence{}, Samples: n, Format: cdda.Format{Rate: cdda.Rate, Channels: 3, Bits: 16}})
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
