package cdda

import (
	"bytes"
	"context"
)

// chunk is the sectors that are compared at once: small enough for both sides to
// stay in the cache of one core.
const chunk = 64

// comparison is one call of Compare.
type comparison struct {
	ctx     context.Context // of that call
	disc    Disc
	sources []Source
	opt     Options
	max     int
	hows    []how  // by source, nil: as they are
	raw     []byte // of a source in another format
	crossed bool   // the disc is heard with its channels exchanged
	loose   []bool // by source, nil: sources whose lowest bits were brought to 16 otherwise
}

// walker compares a disc with a layout at an offset.
type walker struct {
	c         *comparison
	l         layout
	offset    int
	limit     int64 // of differing sectors; the walk ends beyond it
	mark      int   // next of the disc's marks
	fails     int   // sectors in a row that differ and aren't a slip
	r         Result
	differing []int64 // sectors by source that were read well
	muted     []int64 // of them, those that hold zeros in place of sound
	doubted   []int64 // that the drive doubted

	ahead, near []byte // for resync: of the disc, of the sources
}

// walk compares all sectors once. More than limit differing sectors end it early,
// if limit isn't 0.
func (c *comparison) walk(l layout, offset int, limit int64) (*walker, error) {
	w := &walker{c: c, l: l, offset: offset, limit: limit}
	w.muted = make([]int64, len(c.sources))
	w.differing, w.doubted = make([]int64, len(c.sources)), make([]int64, len(c.sources))
	w.r = Result{Located: true, Offset: offset}
	disc, ref := make([]byte, chunk*SectorBytes), make([]byte, chunk*SectorBytes)
	for s := int64(0); s < c.disc.Sectors; s += chunk {
		if err := c.ctx.Err(); err != nil {
			return nil, err
		}
		n := min(chunk, c.disc.Sectors-s)
		d, r := disc[:n*SectorBytes], ref[:n*SectorBytes]
		if err := c.sound(d, s*SectorSamples); err != nil {
			return nil, err
		}
		if err := w.chunk(s, n, d, r); err != nil {
			return nil, err
		}
		if limit > 0 && w.r.DifferingAll > limit {
			break
		}
	}
	w.edges()
	return w, nil
}

// chunk compares n sectors from s on.
func (w *walker) chunk(s, n int64, d, r []byte) error {
	at := s*SectorSamples + int64(w.offset)
	if err := w.c.reference(w.l, r, at); err != nil {
		return err
	}
	if bytes.Equal(d, r) && !w.marked(s, n) && at >= 0 && at+n*SectorSamples <= w.c.total() && !w.inexact(at, n*SectorSamples) {
		w.r.Compared += n
		w.fails = 0
		return nil
	}
	for i := range n {
		part, want := d[i*SectorBytes:(i+1)*SectorBytes], r[i*SectorBytes:(i+1)*SectorBytes]
		slipped, err := w.sector(s+i, part, want)
		if err != nil {
			return err
		}
		if !slipped {
			continue
		}
		// The rest of the chunk has another place in the sources. The sector itself
		// may hold both: nothing differs then.
		before := bytes.Clone(want)
		if err := w.c.reference(w.l, r[i*SectorBytes:], (s+i)*SectorSamples+int64(w.offset)); err != nil {
			return err
		}
		if same(part, before) >= SectorSamples-sameEnd(part, want) {
			w.r.Compared++
			continue
		}
		if _, err := w.sector(s+i, part, want); err != nil {
			return err
		}
	}
	return nil
}

// same counts the samples that are the same from the beginning on.
func same(a, b []byte) int {
	n := 0
	for n*SampleBytes < len(a) && [SampleBytes]byte(a[n*SampleBytes:]) == [SampleBytes]byte(b[n*SampleBytes:]) {
		n++
	}
	return n
}

// sameEnd counts those that are the same up to the end.
func sameEnd(a, b []byte) int {
	n := 0
	for at := len(a) - SampleBytes; at >= 0 && [SampleBytes]byte(a[at:]) == [SampleBytes]byte(b[at:]); at -= SampleBytes {
		n++
	}
	return n
}

// marked says that any of n sectors from s on isn't good.
func (w *walker) marked(s, n int64) bool {
	lba := w.c.disc.First + s
	marks := w.c.disc.Marks
	for w.mark < len(marks) && marks[w.mark].LBA+marks[w.mark].Count <= lba {
		w.mark++
	}
	return w.mark < len(marks) && marks[w.mark].LBA < lba+n
}

func (w *walker) state(s int64) State {
	if w.marked(s, 1) {
		return w.c.disc.Marks[w.mark].State
	}
	return Good
}

// inexact says that a source of another format lies among n samples from at on.
func (w *walker) inexact(at, n int64) bool {
	for i := w.l.in(at); i < len(w.l) && w.l[i].at < at+n; i++ {
		if !w.c.exact(w.l[i].source) {
			return true
		}
	}
	return false
}

// sector compares one sector with the reference at the walker's offset. true: the
// offset was changed, and the sector is to be compared again.
func (w *walker) sector(s int64, d, r []byte) (slipped bool, err error) {
	at := s*SectorSamples + int64(w.offset)
	// What the disc never held, before its beginning or behind its end, is left out.
	lo, hi := max(-at, 0), min(SectorSamples, w.c.total()-at)
	if lo >= hi {
		return false, nil
	}
	state := w.state(s)
	if state == Unreadable { // whatever lies there
		w.unreadable(s, at)
		return false, nil
	}
	if w.inexact(at, SectorSamples) {
		return false, nil
	}
	d, r = d[lo*SampleBytes:hi*SampleBytes], r[lo*SampleBytes:hi*SampleBytes]
	if bytes.Equal(d, r) {
		w.r.Compared++
		w.fails = 0
		if state == Doubtful {
			w.r.DoubtfulEqual++
		}
		return false, nil
	}
	if state == Good {
		if offset, ok, err := w.resync(s); err != nil {
			return false, err
		} else if ok {
			was := w.offset
			w.offset, w.fails = offset, 0
			if w.r.SlipsAll++; len(w.r.Slips) < MaxSlips {
				w.r.Slips = append(w.r.Slips, w.slip(s, was))
			}
			return true, nil
		}
	}
	w.fails++
	w.r.Compared++
	w.differ(s, at+lo, d, r, state)
	return false, nil
}

// slip is a place where the offset was another one before.
func (w *walker) slip(s int64, was int) Slip {
	out := Slip{LBA: w.c.disc.First + s, Offset: w.offset, By: w.offset - was, Source: -1}
	pos := s*SectorSamples + int64(w.offset)
	if k := w.l.in(pos); k < len(w.l) {
		if p := w.l[k]; p.at+SectorSamples < pos && pos+SectorSamples < p.at+p.n {
			out.Source = p.source
		}
	}
	return out
}

// differ records a sector that differs; at is the place in the reference of the
// first sample of d and r.
func (w *walker) differ(s, at int64, d, r []byte, state State) {
	run := Run{LBA: w.c.disc.First + s, Count: 1, Muted: allZero(d), Doubtful: state == Doubtful}
	first := int64(-1)
	last := -1 // source that was counted last
	for i := 0; i < len(d); i += SampleBytes {
		if [SampleBytes]byte(d[i:]) == [SampleBytes]byte(r[i:]) {
			continue
		}
		run.Samples++
		pos := at + int64(i/SampleBytes)
		if k := w.l.in(pos); k < len(w.l) && w.l[k].at <= pos {
			if first < 0 {
				first = pos
			}
			if w.l[k].source != last {
				last = w.l[k].source
				if run.Doubtful {
					w.doubted[last]++
				} else {
					w.differing[last]++
					if run.Muted {
						w.muted[last]++
					}
				}
			}
		}
	}
	if first < 0 && (s < w.c.edge() || s >= w.c.disc.Sectors-w.c.edge()) {
		return // what a drive gives beyond the sound isn't the disc's
	}
	run.Track, run.Frame = w.where(s, first)
	w.r.DifferingAll++
	w.r.Differing = add(w.r.Differing, run)
}

func (w *walker) unreadable(s, at int64) {
	run := Run{LBA: w.c.disc.First + s, Count: 1}
	first := int64(-1)
	if w.l.covers(at, SectorSamples) {
		first = max(at, w.l[w.l.in(at)].at)
	}
	run.Track, run.Frame = w.where(s, first)
	w.r.UnreadableAll++
	w.r.Unreadable = add(w.r.Unreadable, run)
}

// add joins a run to the last one if it goes on with it.
func add(runs []Run, r Run) []Run {
	if n := len(runs) - 1; n >= 0 {
		p := &runs[n]
		if p.LBA+p.Count == r.LBA && p.Track == r.Track && p.Muted == r.Muted && p.Doubtful == r.Doubtful {
			p.Count += r.Count
			p.Samples += r.Samples
			return runs
		}
	}
	if len(runs) == MaxRuns {
		return runs
	}
	return append(runs, r)
}

// where says in which track a sector lies, and how far. pos is the place in the
// reference of what is meant of it; -1: it is no source's, and so in a gap unless
// its track has no source at all.
func (w *walker) where(s, pos int64) (track int, frame int64) {
	tracks := w.c.disc.Tracks
	lba := w.c.disc.First + s
	k := -1
	for i, t := range tracks {
		// By the offset a track's first samples may lie in the sector before it.
		if t.LBA <= lba || pos >= 0 && w.c.start(t) <= pos {
			k = i
		}
	}
	if k < 0 {
		return 0, 0
	}
	if pos < 0 {
		end := w.c.total()
		if k+1 < len(tracks) {
			end = w.c.start(tracks[k+1])
		}
		if from := w.c.start(tracks[k]); w.l.covers(from, end-from) {
			return 0, 0
		}
	}
	return tracks[k].Number, max(lba-tracks[k].LBA, 0)
}

const (
	lookAhead = 4  // sectors whose windows vote on a slip
	patience  = 75 // sectors that differ before it is asked less often
	seldom    = 16
)

// resync looks whether a sector and those behind it are the sources' at another
// offset: then the reading has slipped.
func (w *walker) resync(s int64) (int, bool, error) {
	if w.fails > patience && w.fails%seldom != 0 {
		return 0, false, nil
	}
	n := min(lookAhead, w.c.disc.Sectors-s)
	if w.ahead == nil {
		w.ahead, w.near = make([]byte, lookAhead*SectorBytes), make([]byte, (2*w.c.max+window)*SampleBytes)
	}
	d, b := w.ahead[:n*SectorBytes], w.near
	if err := w.c.sound(d, s*SectorSamples); err != nil {
		return 0, false, err
	}
	if n > 1 {
		// Damage is mostly one sector: if the next is right where it is, nothing slipped.
		next := make([]byte, SectorBytes)
		if err := w.c.reference(w.l, next, (s+1)*SectorSamples+int64(w.offset)); err != nil {
			return 0, false, err
		}
		if bytes.Equal(next, d[SectorBytes:2*SectorBytes]) && !allZero(next) {
			return 0, false, nil
		}
	}
	votes := map[int]int{}
	missed := 0
	for at := int64(100); at+window <= n*SectorSamples; at += SectorSamples / 2 {
		x := d[at*SampleBytes : (at+window)*SampleBytes]
		if busy(x) < 2*minBusy {
			continue
		}
		if err := w.c.reference(w.l, b, s*SectorSamples+at+int64(w.offset-w.c.max)); err != nil {
			return 0, false, err
		}
		if hits := indexAll(b, x, 2); len(hits) == 1 {
			votes[w.offset-w.c.max+hits[0]]++
		} else if missed++; missed > 5 {
			break // three votes can't be had any more
		}
	}
	best := w.c.winner(votes)
	return best, best != w.offset && votes[best] >= enoughVotes && votes[best] > votes[w.offset], nil
}

// edges counts what the offset and the disc's length keep from being compared.
func (w *walker) edges() {
	total := w.c.total()
	offset := int64(w.r.Offset)
	w.r.EdgeStart = w.l.within(0, max(offset, 0))
	w.r.EdgeEnd = w.l.within(total+min(offset, 0), total)
	w.r.Lacking = w.l.within(total, 1<<62)
}
