package burned

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"firmus/fixity"
	"firmus/replicas/optical"
)

// check is one call of Check.
type check struct {
	ctx       context.Context // of that call
	d         *optical.Disc
	w         Want
	o         Options
	contents  optical.Contents
	r         Result
	src       *sectors
	again     bits // sectors of sound that differ and were read once more
	againLeft int  // how many more may be
	// otherwise are those of them that the drive gave otherwise then: its reading is in
	// doubt, not what the disc holds.
	otherwise bits
}

func (c *check) run() (Result, error) {
	c.r.Check.Map = c.o.Map
	if c.o.Map == nil {
		m, err := optical.NewMap(c.contents)
		if err != nil {
			return c.r, err
		}
		c.r.Check.Map = m
	}
	c.r.Problems = slices.Clone(c.contents.Problems)
	if !c.kindFits() {
		// It need not be read to say that.
		c.r.Verdict = fixity.DiscOther
		for _, f := range c.w.Files {
			c.r.Files = append(c.r.Files, Held{Name: f.Name, LBA: -1, Samples: c.sound(f), Cause: CauseOther})
		}
		return c.r, nil
	}
	var err error
	c.src, err = newSectors(c.ctx, c.d, c.o.Spool)
	if err != nil {
		c.r.Problems = append(c.r.Problems, fmt.Errorf("room for the disc's sectors: %w", err))
	}
	defer c.src.close()
	broken := c.read()
	if broken != nil && !errors.Is(broken, optical.ErrStalled) {
		return c.r, broken
	}
	c.src.know(c.r.Check.Map, broken != nil)
	if c.src.full != nil {
		c.r.Problems = append(c.r.Problems, fmt.Errorf("room for the disc's sectors: %w", c.src.full))
	}
	err = c.compare()
	if err == nil {
		err = c.src.gone
	}
	if err != nil {
		c.r.Verdict = ""
		if broken != nil {
			err = broken
		}
		return c.r, err
	}
	if broken != nil {
		c.r.Verdict = ""
	}
	return c.r, broken
}

// kindFits says that the disc holds what was registered for it.
func (c *check) kindFits() bool {
	switch c.w.Kind {
	case optical.Audio:
		return c.contents.Kind != optical.Data
	case optical.Data:
		return c.contents.Kind != optical.Audio
	case optical.Mixed:
		return c.contents.Kind == optical.Mixed
	}
	return true
}

// read reads every sector.
func (c *check) read() error {
	o := optical.CheckOptions{
		Fresh: c.o.Fresh, Twice: c.o.Twice, Map: c.r.Check.Map, Now: c.o.Now, Stall: c.o.Stall, Progress: c.o.Progress,
	}
	if c.src.spool != nil {
		o.Data, o.Audio = c.src.writer(false), c.src.writer(true)
	}
	res, err := c.d.Check(c.ctx, o)
	if res.Map == nil {
		res.Map = c.r.Check.Map
	}
	c.r.Check = res
	c.r.Problems = append(c.r.Problems, res.Problems...)
	return err
}

// sound says that a wanted file was burned as sound.
func (c *check) sound(f File) bool {
	switch c.contents.Kind {
	case optical.Audio:
		return true
	case optical.Data:
		return false
	}
	return f.Audio || f.Sound != nil || c.w.Kind == optical.Audio
}

// compare holds what was read against what is wanted.
func (c *check) compare() error {
	var data, sound []int
	for i, f := range c.w.Files {
		c.r.Files = append(c.r.Files, Held{Name: f.Name, LBA: -1})
		if c.sound(f) {
			sound = append(sound, i)
		} else {
			data = append(data, i)
		}
	}
	var verdicts []Verdict
	if c.contents.Kind != optical.Audio && c.w.Kind != optical.Audio {
		v, err := c.data(data)
		if err != nil {
			return err
		}
		verdicts = append(verdicts, v)
	}
	if c.contents.Kind != optical.Data && c.w.Kind != optical.Data {
		v, err := c.audio(sound)
		if err != nil {
			return err
		}
		verdicts = append(verdicts, v)
	}
	c.r.Verdict = worst(verdicts)
	slices.SortStableFunc(c.r.Unreadable, func(a, b Sectors) int { return cmp.Compare(a.LBA, b.LBA) })
	slices.SortStableFunc(c.r.Differing, func(a, b Sectors) int { return cmp.Compare(a.LBA, b.LBA) })
	return nil
}

// rank is the verdicts of two parts of a disc, the one that wins first.
var rank = []Verdict{
	fixity.DiscAltered, fixity.DiscUnreadable, fixity.DiscUnsteady, fixity.DiscMissing, fixity.DiscOther, fixity.DiscChanged,
	fixity.DiscReordered, fixity.DiscNotCompared, fixity.DiscBaseline, fixity.DiscAlike, fixity.DiscIntact, fixity.DiscSaysNothing,
}

// worst is the verdict of a disc by those of its parts. One part that is another
// disc's makes the whole altered.
func worst(parts []Verdict) Verdict {
	var v Verdict
	for i, p := range parts {
		switch {
		case i == 0:
			v = p
		case p != v && (p == fixity.DiscOther || v == fixity.DiscOther):
			v = fixity.DiscAltered
		case slices.Index(rank, p) < slices.Index(rank, v):
			v = p
		}
	}
	return v
}

// unreadable adds a row to the report's.
func (c *check) unreadable(s Sectors) {
	if rest := add(&c.r.Unreadable, &c.r.UnreadableAll, s); rest && !s.Doubtful {
		c.r.UnreadableRest = appendRows(c.r.UnreadableRest, s.LBA, s.Count)
	}
}

func (c *check) differing(s Sectors) {
	if add(&c.r.Differing, &c.r.DifferingAll, s) {
		c.r.DifferingRest = appendRows(c.r.DifferingRest, s.LBA, s.Count)
	}
}

// add adds a row to a list, or says that the list is full.
func add(list *[]Sectors, all *int64, s Sectors) (full bool) {
	*all += s.Count
	if len(*list) == MaxRuns {
		return true
	}
	*list = append(*list, s)
	return false
}

// appendRows adds sectors behind the last row of a list, or to it.
func appendRows(list []optical.Range, lba, n int64) []optical.Range {
	if k := len(list) - 1; k >= 0 && list[k].LBA+list[k].Count == lba {
		list[k].Count += n
		return list
	}
	return append(list, optical.Range{LBA: lba, Count: n})
}
