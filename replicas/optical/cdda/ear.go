package cdda

import "math"

// ear judges one source by correlation: first by some stretches, which find it, then by
// every sector. Where r isn't nil it takes the sectors that aren't alike.
func (c *comparison) ear(p piece, offset int, r *Result) (Verdict, Likeness, error) {
	n := min(moreWindows, max(fewWindows, mostWindows/len(c.sources)))
	k := c.correlator()
	like, err := k.likeness(p, offset, n)
	v := c.judge(p.source, like)
	if err == nil && v == Other && c.sources[p.source].format().Channels > 1 {
		c.crossed = true
		defer func() { c.crossed = false }()
		var other Likeness
		if other, err = k.likeness(p, offset, n); c.judge(p.source, other) != Other {
			v, like = c.judge(p.source, other), other
		} else {
			c.crossed = false
		}
	}
	if err != nil || like.Alike == 0 || v == SaysNothing {
		return v, like, err
	}
	t, err := k.trace(p, like)
	if err != nil {
		return v, like, err
	}
	like = t.like
	like.Lacking = c.missed(p, int(math.Round(like.Offset)))
	if v == Other && 3*like.AlikeSectors < like.Sectors {
		return v, like, nil
	}
	apart := like.HighDB-like.LowDB > levelDB || math.Abs(like.GainDB) > levelDB
	if t.channels() != c.crossed {
		like.Form, like.Even = ChannelsExchanged, false
	}
	switch {
	case like.Form != Straight && like.Lacking == 0 && v != Other:
		return Changed, like, nil // how well it fits says nothing then
	case like.AlikeSectors < like.Sectors || like.Lacking > 0 || len(t.slips) > 0:
		v = Differs
	case v == Alike && apart:
		v = Changed
	}
	if r != nil && v != Other {
		r.merged(t.runs, t.all)
		r.Lacking += like.Lacking
		r.Breaks = append(r.Breaks, t.slips...)
	}
	return v, like, nil
}

func (c *comparison) judge(source int, like Likeness) Verdict {
	switch {
	case like.Windows == 0:
		return SaysNothing
	case 2*like.Alike < like.Windows:
		return Other
	case c.sources[source].exact() && c.sources[source].format().Bits == 16:
		return Changed
	}
	return Alike
}

// levelDB is from which level on a recording that was converted is told as changed.
const levelDB = 0.5

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
		v, like, err := c.ear(p, c.known(), &r)
		if err != nil {
			return Result{}, err
		}
		h := Held{Name: c.sources[p.source].Name, Verdict: v, LBA: -1, Likeness: like, Lacking: like.Lacking, Form: like.Form}
		if like.Alike > 0 {
			h.LBA, h.Track = c.disc.First+p.at/SectorSamples, c.track(p.at)
		}
		count[v]++
		r.Sources = append(r.Sources, h)
	}
	n := len(r.Sources)
	if count[Other] > 0 && count[Other]+count[SaysNothing] == n {
		mute, err := c.mute()
		if err != nil {
			return Result{}, err
		}
		if mute { // of another disc there would be some sound
			count[Differs], count[Other] = count[Other], 0
			for i, p := range best {
				if h := &r.Sources[i]; h.Verdict == Other {
					h.Verdict, h.LBA, h.Track = Differs, c.disc.First+p.at/SectorSamples, c.track(p.at)
					h.Muted = c.disc.Sectors
				}
			}
		}
	}
	switch {
	case count[SaysNothing] == n:
		r.Verdict = SaysNothing
	case count[Other] > 0 && count[Other]+count[SaysNothing] == n:
		r.Verdict = Other
	case count[Differs]+count[Other] > 0:
		r.Verdict = Differs
	case count[Changed] > 0:
		r.Verdict = Changed
	default:
		r.Verdict = Alike
	}
	return r, nil
}
