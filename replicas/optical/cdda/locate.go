package cdda

import "slices"

// located is where the sources lie on the disc.
type located struct {
	layout     layout
	offset     int
	found      found
	ok         bool
	candidates []int // offsets to try, where the sound repeats itself
	silent     bool  // no source has a sound
	breaks     []Break
}

// locate finds the layout and the offset. It asks few windows first, and more
// where those don't settle it.
func (c *comparison) locate() (located, error) {
	layouts := c.layouts()
	var last located
	for _, times := range []int64{1, 4, 16} {
		probes, sound, err := c.probes(times)
		if err != nil {
			return located{}, err
		}
		if times == 16 && len(probes) == 0 {
			if probes, sound, err = c.scan(); err != nil {
				return located{}, err
			}
		}
		if last, err = c.best(layouts, probes, times == 16); err != nil || last.ok {
			return last, err
		}
		last.silent = !sound
		if f := last.found; f.usable > 90 && f.hits == 0 {
			break // more windows of another recording won't be found either
		}
	}
	if len(last.layout) > 0 && last.found.hits == 0 && len(last.found.repeated) > 0 {
		last.ok = true
		order := c.ranked(last.found.repeated)
		last.candidates = order[:min(len(order), maxCandid)]
		last.offset = order[0]
	}
	return last, nil
}

// best chooses among layouts: that in which the most sources are found, by the most
// votes. One in which all are ends the search.
func (c *comparison) best(layouts []layout, probes []probe, last bool) (located, error) {
	var top located
	for _, l := range layouts {
		f, err := c.look(l, probes)
		if err != nil {
			return located{}, err
		}
		if top.layout == nil || f.better(top.found) {
			top = located{layout: l, found: f, offset: f.begin(), ok: f.settled(last) || f.slipping()}
		}
		if top.ok && f.agreed() && len(f.unheard()) == 0 {
			return top, nil
		}
	}
	if len(top.found.unheard()) == 0 {
		return top, nil
	}
	l, err := c.rearranged(top, probes)
	if err != nil || l == nil {
		return top, err
	}
	f, err := c.look(l, probes)
	if err == nil && f.settled(last) && f.better(top.found) {
		top = located{layout: l, found: f, offset: f.begin(), ok: true}
	}
	return top, err
}

func (f found) better(g found) bool {
	if f.sources() != g.sources() {
		return f.sources() > g.sources()
	}
	if f.votes[f.best] != g.votes[g.best] {
		return f.votes[f.best] > g.votes[g.best]
	}
	return f.hits == 0 && g.hits == 0 && len(f.repeated) > len(g.repeated)
}

// rearranged looks for the sources that weren't found where they should be at the
// beginnings of all tracks. nil: none is there.
func (c *comparison) rearranged(top located, probes []probe) (layout, error) {
	l := slices.Clone(top.layout)
	moved := false
	for _, source := range top.found.unheard() {
		var few []probe
		for _, p := range probes {
			if p.source == source && p.unique && len(few) < perSource {
				few = append(few, p)
			}
		}
		for _, t := range c.disc.Tracks {
			f, err := c.look(layout{c.row(c.start(t), source)}, few)
			if err != nil {
				return nil, err
			}
			if f.hits == 0 {
				continue
			}
			i := slices.IndexFunc(l, func(p piece) bool { return p.source == source })
			l[i], moved = c.row(c.start(t), source), true
			break
		}
	}
	if !moved {
		return nil, nil
	}
	slices.SortFunc(l, func(a, b piece) int { return int(min(max(a.at-b.at, -1), 1)) })
	// A source that wasn't found gives way to one that was.
	unheard := top.found.unheard()
	var kept layout
	for _, p := range l {
		n := len(kept) - 1
		if n < 0 || kept[n].at+kept[n].n <= p.at {
			kept = append(kept, p)
			continue
		}
		if slices.Contains(unheard, kept[n].source) && slices.Index(top.layout, kept[n]) >= 0 {
			kept[n] = p
		}
	}
	return kept, nil
}
