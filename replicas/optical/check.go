package optical

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
)

// Tries of a sector, and the time without any sector read after which a check ends.
const (
	TriesAtCap    = 2
	TriesAtLowest = 3
	StallTime     = 10 * time.Minute
)

// Caps of speed, as multiples of 1x: discs break up in fast drives, and old ones
// read better when they turn slowly.
const (
	FreshCD = 16
	ShelfCD = 8
	AnyDVD  = 4
)

// CheckOptions say how a disc is checked.
type CheckOptions struct {
	Fresh bool // it was burned just now: CDs turn faster
	Twice bool // sound is read twice, all of it
	// Map goes on where an earlier check of the disc ended; nil begins anew. It is
	// changed, and is the Result's.
	Map *Map
	// Data and Audio take the bytes of each sector that was read, and of doubtful
	// ones: sector k of data at 2048*k, of sound at 2352*k. Nothing is written for an
	// unreadable one. Nil takes nothing.
	Data, Audio io.WriterAt
	// Only are the sectors to read, in order; the others stay as they are in the Map. Nil:
	// all.
	Only     []Range
	Now      func() time.Time // needed
	Stall    time.Duration    // 0 is StallTime
	Progress func(Progress)   // called after each command; may be nil
}

// Progress is how far a check is.
type Progress struct {
	Pass   Pass
	LBA    int64 // sectors before it were dealt with in this pass
	Counts Counts
}

// Pass is one way over the disc.
type Pass uint8

// Passes, in their order.
const (
	First  Pass = iota // in batches
	Again              // single sectors that were put off
	Second             // sound for the second time
	Slow               // what failed, at the lowest speed
)

// Result is what a check came to. Also after an error it holds what is known.
type Result struct {
	Map      *Map
	Speed    int  // kB a second that reading was capped at, 0 if it wasn't
	Lowest   int  // kB a second of the last tries, 0 if it wasn't set
	C2       bool // the drive's error flags were believed
	Problems []error
}

// Check reads every sector of the disc, or those of Only. It ends with nil when each is read, doubtful
// or unreadable, and the disc was proved to be the same at the end as at the start;
// that sectors are unreadable is no error. Otherwise the error is ErrStalled,
// ErrSwapped (the map is then of no disc), ErrOtherDisc for Map, fixity.ErrAway when
// the drive was unplugged or the disc taken out, the context's, or what else broke it
// off, and the check can go on with the Map.
//
// Memory is bounded by the map's and some 2 MB.
func (d *Disc) Check(ctx context.Context, o CheckOptions) (Result, error) {
	c := &checker{d: d, o: o, stall: o.Stall}
	if c.stall == 0 {
		c.stall = StallTime
	}
	c.res.Map = o.Map
	if o.Map == nil {
		m, err := NewMap(d.contents)
		if err != nil {
			return Result{}, err
		}
		c.res.Map = m
	} else if o.Map.disc != d.contents.ID() || o.Map.sectors != d.contents.LeadOut {
		return Result{}, ErrOtherDisc
	}
	c.m = c.res.Map
	c.m.twice = c.m.twice || o.Twice
	c.progress = o.Now()
	err := c.run(ctx)
	return c.res, err
}

// checker is one check.
type checker struct {
	d        *Disc
	o        CheckOptions
	m        *Map
	res      Result
	stall    time.Duration
	progress time.Time // when a sector was last read
	sums     []uint32  // of sound that was read once, by LBA; nil unless it is read twice
	put      bool      // sectors were put off
	buf      []byte
	flags    []byte
}

func (c *checker) run(ctx context.Context) error {
	proof, err := c.d.prove(ctx)
	if err != nil {
		return err
	}
	c.buf = make([]byte, scsi.MaxTransfer)
	c.cap(ctx)
	err = c.passes(ctx)
	if c.d.drive != nil && c.res.Speed > 0 && !gone(err) {
		// Best effort, and not broken off with the check: a cap stays with the drive.
		restore, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		c.setSpeed(restore, mmc.MaxSpeed)
		cancel()
	}
	if err != nil && !errors.Is(err, ErrStalled) {
		return err
	}
	if same := c.d.unchanged(ctx, proof); same != nil {
		return same
	}
	return err
}

// cap caps the drive's speed.
func (c *checker) cap(ctx context.Context) {
	if c.d.drive == nil {
		return
	}
	p := c.d.contents.profile
	times := ShelfCD
	switch {
	case !p.CD() && p != mmc.NoProfile:
		times = AnyDVD
	case c.o.Fresh:
		times = FreshCD
	}
	v := times * p.Single()
	if err := c.setSpeed(ctx, v); err != nil {
		c.res.Problems = append(c.res.Problems, fmt.Errorf("%w: %w", ErrSpeed, err))
		return
	}
	c.res.Speed = v
}

func (c *checker) setSpeed(ctx context.Context, v int) error {
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	return c.d.drive.SetSpeed(ctx, c.d.contents.profile, v, c.d.contents.LeadOut)
}

func (c *checker) passes(ctx context.Context) error {
	areas := c.d.contents.Areas()
	if err := c.proveC2(ctx, areas); err != nil {
		return err
	}
	if c.o.Only != nil {
		areas = within(areas, c.o.Only)
	}
	if c.m.twice && c.d.contents.Kind != Data {
		c.sums = make([]uint32, c.d.contents.LeadOut)
	}
	for _, a := range areas {
		if err := c.first(ctx, a); err != nil {
			return err
		}
	}
	// What was put off is read in rows first: most of it is good. Single sectors of rows
	// that aren't come last.
	for _, patience := range []int{0, mmc.MaxData} {
		for _, a := range areas {
			if !c.put {
				break
			}
			if err := c.again(ctx, a, patience); err != nil {
				return err
			}
		}
	}
	if c.sums != nil {
		if err := c.second(ctx, areas); err != nil {
			return err
		}
	}
	return c.slow(ctx, areas)
}

// within are the parts of areas that lie in some ranges.
func within(areas []Area, only []Range) (out []Area) {
	for _, a := range areas {
		for _, r := range only {
			from, to := max(a.LBA, r.LBA), min(a.LBA+a.Count, r.LBA+r.Count)
			if from < to {
				out = append(out, Area{LBA: from, Count: to - from, Audio: a.Audio, Track: a.Track})
			}
		}
	}
	return out
}

// proveC2 finds out whether error flags may be believed, in the middle of the first
// sound. Where a sector can't be read there, another place is tried.
func (c *checker) proveC2(ctx context.Context, areas []Area) error {
	i := slices.IndexFunc(areas, func(a Area) bool { return a.Audio && a.Count >= 8 })
	if c.d.drive == nil || i < 0 {
		return nil
	}
	a := areas[i]
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	conf, err := c.d.drive.Configuration(ctx)
	for _, eighth := range []int64{4, 2, 6, 1, 7} {
		if err == nil {
			c.res.C2, err = c.d.drive.ProveC2(ctx, conf.C2, a.LBA+a.Count/8*eighth)
		}
		if err == nil || leave(ctx, err) || !errors.Is(err, fixity.ErrUnreadable) {
			break
		}
		if eighth != 7 {
			err = nil
		}
	}
	if err != nil && leave(ctx, err) {
		return err
	}
	if err != nil {
		c.res.Problems = append(c.res.Problems, fmt.Errorf("error flags aren't believed: %w", err))
	}
	if c.res.C2 {
		c.flags = make([]byte, mmc.MaxAudio*mmc.C2Bytes)
	}
	return nil
}

// todo gives the next row of sectors of an area from lba on for which f is true, at
// most max of them; false if there is none.
func (c *checker) todo(a Area, lba, most int64, f func(cell) bool) (Range, bool) {
	end := a.LBA + a.Count
	for lba < end {
		// Whole chunks that are alike are passed over.
		if k := c.m.chunks[lba/chunkSectors]; k.each == nil && !f(k.all) {
			lba = (lba/chunkSectors + 1) * chunkSectors
			continue
		}
		if !f(c.m.at(lba)) {
			lba++
			continue
		}
		r := Range{lba, 1}
		for r.Count < most && lba+r.Count < end && f(c.m.at(lba+r.Count)) {
			r.Count++
		}
		return r, true
	}
	return Range{}, false
}

func untried(v cell) bool { return v.state() == Untried }

func (c *checker) most(a Area) int64 {
	if a.Audio {
		return mmc.MaxAudio
	}
	return mmc.MaxData
}

// first reads an area in batches, and single sectors of a batch that failed. After
// some that fail one behind the other the rest of the batch is put off, and with it
// twice as much each time: a damaged place must not keep what is behind it from being
// read.
func (c *checker) first(ctx context.Context, a Area) error {
	const patience = 4
	skip := int64(0)
	for lba := a.LBA; ; {
		r, ok := c.todo(a, lba, c.most(a), untried)
		if !ok {
			return nil
		}
		whole, err := c.row(ctx, a, r, patience)
		if err != nil {
			return err
		}
		lba = r.LBA + r.Count
		if whole {
			skip = 0
		} else {
			c.put = true
			skip = max(c.most(a), 2*skip)
			lba += skip
		}
		c.tell(First, min(lba, a.LBA+a.Count))
	}
}

// again reads what was put off; with no patience only rows that can be read whole.
func (c *checker) again(ctx context.Context, a Area, patience int) error {
	for lba := a.LBA; ; {
		r, ok := c.todo(a, lba, c.most(a), untried)
		if !ok {
			return nil
		}
		if _, err := c.row(ctx, a, r, patience); err != nil {
			return err
		}
		lba = r.LBA + r.Count
		c.tell(Again, lba)
	}
}

// row reads a row of sectors in one command, and if that fails one by one, until
// patience of them have failed one behind the other. It says whether it dealt with
// all.
func (c *checker) row(ctx context.Context, a Area, r Range, patience int) (bool, error) {
	sense, err := c.read(ctx, a, r)
	if err == nil {
		return true, c.take(ctx, a, r, 1)
	}
	if err := c.failed(ctx, err); err != nil {
		return false, err
	}
	failures := 0
	for i := r.LBA; i < r.LBA+r.Count; i++ {
		if failures >= patience {
			return false, nil
		}
		before := 0
		if r.Count == 1 || sense.HasInfo && sense.Info == uint64(i) {
			before = 1 // it alone was read, or the drive named it: that was a try
		}
		ok, err := c.single(ctx, a, i, before, TriesAtCap)
		if err != nil {
			return false, err
		}
		if failures++; ok {
			failures = 0
		}
	}
	return true, nil
}

// slow tries what failed, or is doubtful, at the lowest speed.
func (c *checker) slow(ctx context.Context, areas []Area) error {
	set := false
	for _, a := range areas {
		total := c.total(a)
		pending := func(v cell) bool { return v.state() == Failed || v.state() == Doubtful && v.tries() < total }
		for lba := a.LBA; ; {
			r, ok := c.todo(a, lba, 1, pending)
			if !ok {
				break
			}
			if !set {
				set = true
				if err := c.lowest(ctx); err != nil {
					return err
				}
			}
			tries := c.m.at(r.LBA).tries()
			if _, err := c.single(ctx, a, r.LBA, tries, min(total, max(tries, TriesAtCap)+TriesAtLowest)); err != nil {
				return err
			}
			if v := c.m.at(r.LBA); v.state() == Failed {
				c.m.set(r.LBA, Unreadable, v.tries(), c.m.senses[v&0xFF])
			} else if v.state() == Doubtful && v.tries() < total {
				c.m.set(r.LBA, Doubtful, total, c.m.senses[v&0xFF])
			}
			lba = r.LBA + 1
			c.tell(Slow, lba)
		}
	}
	return nil
}

// total is how often a sector is tried before it is given up: sound that is read twice
// once more, since two readings must agree.
func (c *checker) total(a Area) int {
	if a.Audio && c.m.twice {
		return TriesAtCap + 1 + TriesAtLowest
	}
	return TriesAtCap + TriesAtLowest
}

func (c *checker) lowest(ctx context.Context) error {
	if c.d.drive == nil {
		return nil
	}
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	v, err := c.d.drive.SetLowest(ctx, c.d.contents.profile, c.d.contents.LeadOut)
	if err != nil && leave(ctx, err) {
		return err
	}
	c.res.Lowest = v
	return nil
}

func (c *checker) tell(p Pass, lba int64) {
	if c.o.Progress != nil {
		c.o.Progress(Progress{p, lba, c.m.Counts()})
	}
}
