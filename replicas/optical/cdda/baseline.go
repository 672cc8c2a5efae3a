package cdda

import (
	"context"
	"fmt"
	"hash/crc32"
	"slices"
)

// Baseline is what is kept of a first reading of an audio disc that nothing older is
// known of. A later reading can be held against it in any drive: the windows say by
// how much that drive's offset is another, and the sums are compared shifted by it.
// It says nothing of what the disc held before that first reading.
type Baseline struct {
	First, Sectors int64
	Windows        []Window
	// Sums are the CRC-32C of each Group sectors; the last may be of fewer.
	Sums []uint32
	// Unread are the groups, ascending, of which the first reading is no witness: some
	// of them wasn't read, or the drive doubted it.
	Unread []int
}

// Window is a stretch of sound that occurs once near where it lies.
type Window struct {
	At  int64  // sample from the first sector on
	PCM []byte // WindowBytes
}

// Group is the sectors that a sum of a baseline is of.
const Group = 10

// WindowBytes is the length of a baseline's window.
const WindowBytes = window * SampleBytes

// MaxWindows is the most that a baseline has.
const MaxWindows = 64

const groupSamples = Group * SectorSamples

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// NewBaseline makes one of what was read of a disc: that is read once, in order. An
// error is of the reader, of ctx, or of a call that makes no sense.
func NewBaseline(ctx context.Context, d Disc) (Baseline, error) {
	c, err := alone(ctx, d, Options{})
	if err != nil {
		return Baseline{}, fmt.Errorf("baseline of audio disc: %w", err)
	}
	b := Baseline{First: d.First, Sectors: d.Sectors}
	const places = 48
	var probes []probe
	for k := range int64(places) {
		p, _, err := c.pick(0, c.total()*(2*k+1)/(2*places))
		if err != nil {
			return Baseline{}, fmt.Errorf("baseline of audio disc: %w", err)
		}
		if p != nil {
			probes = append(probes, *p)
		}
	}
	if len(probes) < enoughVotes { // little of it sounds
		if probes, _, err = c.scan(); err != nil {
			return Baseline{}, fmt.Errorf("baseline of audio disc: %w", err)
		}
	}
	for _, p := range probes {
		if !p.unique || c.badAt(p.at, window) != Good || len(b.Windows) == MaxWindows {
			continue
		}
		if k := len(b.Windows) - 1; k >= 0 && b.Windows[k].At >= p.at {
			continue // a neighbour's
		}
		b.Windows = append(b.Windows, Window{p.at, slices.Clone(p.bytes)})
	}
	buf := make([]byte, groupSamples*SampleBytes)
	for at := int64(0); at < c.total(); at += groupSamples {
		if err := ctx.Err(); err != nil {
			return Baseline{}, fmt.Errorf("baseline of audio disc: %w", err)
		}
		part := buf[:min(groupSamples, c.total()-at)*SampleBytes]
		if c.badAt(at, int64(len(part)/SampleBytes)) != Good {
			b.Unread = append(b.Unread, len(b.Sums))
			b.Sums = append(b.Sums, 0)
			continue
		}
		if err := c.sound(part, at); err != nil {
			return Baseline{}, fmt.Errorf("baseline of audio disc: %w", err)
		}
		b.Sums = append(b.Sums, crc32.Checksum(part, castagnoli))
	}
	return b, nil
}

// alone is a comparison of a disc with itself: the windows are picked of it.
func alone(ctx context.Context, d Disc, o Options) (*comparison, error) {
	s := Source{Name: "the disc", PCM: d.PCM, Samples: d.Sectors * SectorSamples}
	if err := sensible(d, []Source{s}, o); err != nil {
		return nil, err
	}
	return &comparison{ctx: ctx, disc: d, sources: []Source{s}, opt: o, max: max(o.MaxOffset, defaultMax)}, nil
}

// badAt is the worst state of the sectors that n samples from at on lie in.
func (c *comparison) badAt(at, n int64) State {
	from, to := c.disc.First+at/SectorSamples, c.disc.First+(at+n-1)/SectorSamples
	k, _ := slices.BinarySearchFunc(c.disc.Marks, from, func(m Mark, from int64) int {
		if m.LBA+m.Count <= from {
			return -1
		}
		return 1
	})
	worst := Good
	for ; k < len(c.disc.Marks) && c.disc.Marks[k].LBA <= to; k++ {
		worst = max(worst, c.disc.Marks[k].State)
	}
	return worst
}

// CompareBaseline holds a disc against what a first reading left. The Result is as
// Compare's, with the baseline in the place of the sources: Offset is how far the two
// readings are apart, Differing are rows of whole groups, and Held is given of none.
// What wasn't read at the first time isn't compared, nor counted in Compared.
func CompareBaseline(ctx context.Context, d Disc, b Baseline, o Options) (Result, error) {
	c, err := alone(ctx, d, o)
	if err == nil {
		err = b.Validate()
	}
	if err != nil {
		return Result{}, fmt.Errorf("compare audio disc with its baseline: %w", err)
	}
	w := &again{c: c, b: b, broken: -1, buf: make([]byte, groupSamples*SampleBytes)}
	if err := w.run(); err != nil {
		return Result{}, fmt.Errorf("compare audio disc with its baseline: %w", err)
	}
	return w.r, nil
}

// maxBaseline is more sectors than any disc of sound has: 99 tracks, 100 minutes.
const maxBaseline = 100 * 60 * SectorsASec

// Validate says what is wrong with a baseline that comes from outside.
func (b Baseline) Validate() error {
	switch {
	case b.First < 0 || b.Sectors <= 0 || b.First > maxBaseline || b.Sectors > maxBaseline:
		return fmt.Errorf("a baseline of %d sectors from %d on", b.Sectors, b.First)
	case int64(len(b.Sums)) != (b.Sectors+Group-1)/Group:
		return fmt.Errorf("a baseline of %d sectors with %d sums", b.Sectors, len(b.Sums))
	case len(b.Windows) > MaxWindows:
		return fmt.Errorf("a baseline with %d windows", len(b.Windows))
	}
	for i, w := range b.Windows {
		if len(w.PCM) != WindowBytes || w.At < 0 || w.At > b.Sectors*SectorSamples-window || i > 0 && w.At <= b.Windows[i-1].At {
			return fmt.Errorf("window %d of a baseline, of %d bytes at sample %d", i, len(w.PCM), w.At)
		}
	}
	for i, g := range b.Unread {
		if g < 0 || g >= len(b.Sums) || i > 0 && g <= b.Unread[i-1] {
			return fmt.Errorf("group %d of a baseline of %d", g, len(b.Sums))
		}
	}
	return nil
}

// again is a comparison with a baseline.
type again struct {
	c       *comparison
	b       Baseline
	r       Result
	offset  int
	pending []Run // rows that differ, since the last group that didn't
	from    int   // the group of the first of them
	equal   bool  // some group didn't differ
	broken  int   // the group that a slip lies in; -1: none
	buf     []byte
}

func (w *again) run() error {
	var probes []probe
	for _, x := range w.b.Windows {
		probes = append(probes, probe{at: x.At, bytes: x.PCM, unique: true})
	}
	f, err := w.c.look(layout{{n: w.b.Sectors * SectorSamples}}, probes)
	if err != nil {
		return err
	}
	w.offset = w.c.known()
	switch {
	case f.settled(true), f.slipping():
		w.offset = f.begin()
		w.r.Located = true
	case f.usable > 0:
		w.r.Verdict = Other
		return nil
	default:
		if err := w.bySums(); err != nil {
			return err
		}
	}
	w.r.Offset = w.offset
	for g := 0; g < len(w.b.Sums); g++ {
		if err := w.c.ctx.Err(); err != nil {
			return err
		}
		back, err := w.group(g)
		if err != nil {
			return err
		}
		if back {
			g = w.from - 1
		}
	}
	w.settle()
	w.marked()
	w.r.Verdict = w.verdict()
	return nil
}

// group compares one. true: the reading has slipped; go on with group from again.
func (w *again) group(g int) (back bool, err error) {
	base := int64(g) * groupSamples
	n := min(groupSamples, w.b.Sectors*SectorSamples-base)
	at := base - int64(w.offset)
	switch {
	case at < 0:
		w.r.EdgeStart += n
		return false, nil
	case at+n > w.c.total():
		if at >= w.c.total()+int64(w.c.max) {
			w.r.Lacking += n
		} else {
			w.r.EdgeEnd += n
		}
		return false, nil
	}
	state := w.c.badAt(at, n)
	if _, unread := slices.BinarySearch(w.b.Unread, g); unread || state == Unreadable {
		return false, nil
	}
	buf := w.buf[:n*SampleBytes]
	if err := w.c.sound(buf, at); err != nil {
		return false, err
	}
	first := at / SectorSamples
	count := (at+n-1)/SectorSamples - first + 1
	if crc32.Checksum(buf, castagnoli) == w.b.Sums[g] {
		w.r.Compared += n / SectorSamples
		if state == Doubtful {
			w.r.DoubtfulEqual += count
		}
		w.equal = true
		w.settle()
		return false, nil
	}
	if g == w.broken {
		return false, nil // it holds what lies before the slip and what lies behind it
	}
	w.r.Compared += n / SectorSamples
	if len(w.pending) == 0 {
		w.from = g
	}
	run := Run{LBA: w.c.disc.First + first, Count: count, Muted: allZero(buf), Doubtful: state == Doubtful}
	run.Track, run.Frame = w.c.disc.Place(run.LBA)
	w.pending = append(w.pending, run)
	if len(w.pending) == 3 && state == Good {
		return w.slipped(base)
	}
	return false, nil
}

// slipped looks whether from a place on the sound lies elsewhere on the disc.
func (w *again) slipped(base int64) (bool, error) {
	var probes []probe
	for _, x := range w.b.Windows {
		if x.At >= base && len(probes) < enoughVotes {
			probes = append(probes, probe{at: x.At, bytes: x.PCM, unique: true})
		}
	}
	f, err := w.c.look(layout{{n: w.b.Sectors * SectorSamples}}, probes)
	if err != nil || len(probes) < 2 || f.votes[f.best] < 2 || f.best == w.offset {
		return false, err
	}
	was := w.offset
	w.offset = f.best
	if !w.equal && w.r.SlipsAll == 0 { // most of it lies elsewhere, but this is where it begins
		w.r = Result{Located: true, Offset: w.offset}
		w.pending, w.from = nil, 0
		return true, nil
	}
	if w.r.SlipsAll++; len(w.r.Slips) < MaxSlips {
		w.r.Slips = append(w.r.Slips, Slip{LBA: w.pending[0].LBA, Offset: f.best, By: f.best - was, Source: -1})
	}
	w.broken = w.from
	for range w.pending {
		w.r.Compared -= Group
	}
	w.pending = nil
	return true, nil
}

var silentSum = crc32.Checksum(make([]byte, groupSamples*SampleBytes), castagnoli)

// bySums finds the offset where no window is of use, as a tone repeats itself: a few
// groups that sound are summed at every offset there may be. That takes some
// hundredths of a second each.
func (w *again) bySums() error {
	const enough = 4
	votes := map[int]int{}
	buf := make([]byte, (groupSamples+2*w.c.max)*SampleBytes)
	asked := 0
	for g := 0; g < len(w.b.Sums) && asked < enough; g++ {
		base := int64(g) * groupSamples
		_, unread := slices.BinarySearch(w.b.Unread, g)
		near := base - int64(w.c.max)
		if w.b.Sums[g] == silentSum || unread || base+groupSamples > w.b.Sectors*SectorSamples || w.c.badAt(max(near, 0), groupSamples+2*int64(w.c.max)) != Good {
			continue
		}
		if err := w.c.ctx.Err(); err != nil {
			return err
		}
		if err := w.c.sound(buf, near); err != nil {
			return err
		}
		asked++
		for s := range 2*w.c.max + 1 {
			if crc32.Checksum(buf[s*SampleBytes:][:groupSamples*SampleBytes], castagnoli) == w.b.Sums[g] {
				votes[w.c.max-s]++
			}
		}
	}
	if order := w.c.ranked(votes); len(order) > 0 {
		w.offset, w.r.Located = order[0], true
		w.r.Ambiguous = len(order) > 1 && votes[order[1]] == votes[order[0]]
	}
	return nil
}

// settle takes rows that differ into the result. Neighbouring groups may share a
// sector.
func (w *again) settle() {
	for _, run := range w.pending {
		if k := len(w.r.Differing) - 1; k >= 0 {
			if p := &w.r.Differing[k]; p.LBA+p.Count > run.LBA {
				run.Count -= p.LBA + p.Count - run.LBA
				run.LBA = p.LBA + p.Count
				run.Track, run.Frame = w.c.disc.Place(run.LBA)
			}
		}
		w.r.DifferingAll += run.Count
		w.r.Differing = add(w.r.Differing, run)
	}
	w.pending = nil
}

// marked lists the sectors that couldn't be read.
func (w *again) marked() {
	for _, m := range w.c.disc.Marks {
		if m.State != Unreadable {
			continue
		}
		run := Run{LBA: m.LBA, Count: m.Count}
		run.Track, run.Frame = w.c.disc.Place(m.LBA)
		w.r.UnreadableAll += m.Count
		w.r.Unreadable = add(w.r.Unreadable, run)
	}
}

func (w *again) verdict() Verdict {
	doubted := true
	for _, run := range w.r.Differing {
		doubted = doubted && run.Doubtful
	}
	switch {
	case !w.r.Located && w.r.DifferingAll > 0 && !doubted:
		return Other // silence was expected
	case w.r.Lacking > 0, w.r.DifferingAll > 0 && !doubted:
		return Differs
	case w.r.SlipsAll > 0:
		return Slipped
	case w.r.UnreadableAll > 0, w.r.DifferingAll > 0:
		return Unread
	case !w.r.Located:
		return SaysNothing
	}
	return Identical
}
