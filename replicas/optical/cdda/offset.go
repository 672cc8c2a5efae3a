package cdda

import (
	"bytes"
	"slices"
)

// The offset is found by windows of the sources that are looked for on the disc
// near where they should be. Each that is found votes for an offset.
const (
	window      = 64 // samples: with a sound in it no other stretch is the same by chance
	minBusy     = 4  // samples of a window that change the value, or it says nothing
	enoughBusy  = 48
	minProbes   = 24
	perSource   = 3
	enoughVotes = 3
	maxCandid   = 16
)

// probe is a window of a source.
type probe struct {
	source int
	at     int64 // sample of the source
	bytes  []byte
	unique bool // it occurs once near there
}

// busy counts the samples of b that differ from the one before.
func busy(b []byte) int {
	n := 0
	for i := SampleBytes; i < len(b); i += SampleBytes {
		if [SampleBytes]byte(b[i:]) != [SampleBytes]byte(b[i-SampleBytes:]) {
			n++
		}
	}
	return n
}

// indexAll gives the samples of b at which w occurs, at most limit.
func indexAll(b, w []byte, limit int) (at []int) {
	for from := 0; len(at) < limit; {
		i := bytes.Index(b[from:], w)
		if i < 0 {
			break
		}
		if i += from; i%SampleBytes == 0 {
			at = append(at, i/SampleBytes)
		}
		from = i + 1
	}
	return at
}

// pick chooses a window around sample at of a source: the busiest that occurs once
// within twice the largest offset to either side; else a busy one that repeats; nil
// if nothing sounds there. sound says that not all is zeros.
func (c *comparison) pick(source int, at int64) (p *probe, sound bool, err error) {
	n := c.sources[source].Samples
	reach := int64(c.max)
	from, to := max(at-2*reach, 0), min(at+2*reach+window, n)
	if to-from < window {
		return nil, false, nil
	}
	b := make([]byte, (to-from)*SampleBytes)
	if err := c.source(source, b, from); err != nil {
		return nil, false, err
	}
	if allZero(b) {
		return nil, false, nil
	}
	best := minBusy - 1
	var repeated *probe
	lo, hi := max(at-reach, from), min(at+reach, to)
	for s := lo; s+window <= hi; s += window {
		w := b[(s-from)*SampleBytes : (s-from+window)*SampleBytes]
		k := busy(w)
		if k <= best {
			continue
		}
		if len(indexAll(b, w, 2)) > 1 {
			if repeated == nil {
				repeated = &probe{source: source, at: s, bytes: w}
			}
			continue
		}
		best, p = k, &probe{source: source, at: s, bytes: w, unique: true}
		if k >= enoughBusy {
			break
		}
	}
	if p == nil {
		p = repeated
	}
	return p, true, nil
}

// probes spreads windows evenly over the sources; times makes them denser.
func (c *comparison) probes(times int64) (all []probe, sound bool, err error) {
	var total int64
	for _, s := range c.sources {
		if s.exact() {
			total += s.Samples
		}
	}
	for i, s := range c.sources {
		if !s.exact() || s.Samples == 0 {
			continue
		}
		n := times * max(perSource, (minProbes*s.Samples+total-1)/total)
		n = min(n, 1+s.Samples/window)
		for k := range n {
			if err := c.ctx.Err(); err != nil {
				return nil, false, err
			}
			p, loud, err := c.pick(i, s.Samples*(2*k+1)/(2*n))
			if err != nil {
				return nil, false, err
			}
			sound = sound || loud
			if p != nil {
				all = append(all, *p)
			}
		}
	}
	return all, sound, nil
}

// scan looks through whole sources for windows, where those spread evenly met
// silence only.
func (c *comparison) scan() (all []probe, sound bool, err error) {
	const step = 16 << 10
	b := make([]byte, step*SampleBytes)
	for i, s := range c.sources {
		if !s.exact() {
			continue
		}
		for at := int64(0); at < s.Samples && len(all) < minProbes; at += step {
			if err := c.ctx.Err(); err != nil {
				return nil, false, err
			}
			part := b[:min(step, s.Samples-at)*SampleBytes]
			if err := c.source(i, part, at); err != nil {
				return nil, false, err
			}
			if allZero(part) {
				continue
			}
			sound = true
			for in := int64(0); in*SampleBytes < int64(len(part)); in += int64(c.max) {
				p, _, err := c.pick(i, at+in)
				if err != nil {
					return nil, false, err
				}
				if p != nil {
					all = append(all, *p)
				}
			}
		}
	}
	return all, sound, nil
}

// found is what probes say of a layout.
type found struct {
	votes    map[int]int // by offset
	repeated map[int]int // of windows that say little: by offset
	hits     int         // unique windows that were found
	usable   int         // unique windows
	first    int         // offset of the first hit
	heard    []int       // hits by source
	asked    []int       // unique windows by source
	best     int         // offset with the most votes
}

// look searches the disc for the windows of a layout's sources.
func (c *comparison) look(l layout, probes []probe) (found, error) {
	f := found{votes: map[int]int{}, repeated: map[int]int{}, heard: make([]int, len(c.sources)), asked: make([]int, len(c.sources))}
	starts := make([]int64, len(c.sources))
	for i := range starts {
		starts[i] = -1
	}
	for _, p := range l {
		starts[p.source] = p.at
	}
	b := make([]byte, (2*c.max+window)*SampleBytes)
	for _, p := range probes {
		if p.unique {
			f.asked[p.source]++
			f.usable++
		}
		if starts[p.source] < 0 {
			continue
		}
		if err := c.sound(b, starts[p.source]+p.at-int64(c.max)); err != nil {
			return f, err
		}
		if !p.unique {
			for _, h := range indexAll(b, p.bytes, 2*c.max) {
				f.repeated[c.max-h]++
			}
			continue
		}
		at := indexAll(b, p.bytes, 4)
		if len(at) == 0 {
			continue
		}
		if f.hits++; f.hits == 1 {
			f.first = c.max - at[0]
		}
		f.heard[p.source]++
		for _, h := range at {
			f.votes[c.max-h]++
		}
	}
	f.best = c.winner(f.votes)
	return f, nil
}

// winner gives the offset with the most votes; of equals the known one, then the
// smallest.
func (c *comparison) winner(votes map[int]int) int {
	order := c.ranked(votes)
	if len(order) == 0 {
		return 0
	}
	return order[0]
}

func (c *comparison) ranked(votes map[int]int) []int {
	order := make([]int, 0, len(votes))
	for o := range votes {
		order = append(order, o)
	}
	slices.SortFunc(order, func(a, b int) int {
		if d := votes[b] - votes[a]; d != 0 {
			return d
		}
		if c.opt.Known && (a == c.opt.Offset) != (b == c.opt.Offset) {
			if a == c.opt.Offset {
				return -1
			}
			return 1
		}
		if d := max(a, -a) - max(b, -b); d != 0 {
			return d
		}
		return a - b
	})
	return order
}

// settled says that the votes decide: enough for one offset, and most of the hits.
// At last fewer do if none contradicts: there may be a single sound on the disc.
func (f found) settled(last bool) bool {
	v := f.votes[f.best]
	return v >= enoughVotes && 2*v > f.hits || last && v > 0 && v == f.hits && 2*v >= f.usable
}

// agreed says that hardly any hit contradicts the winner.
func (f found) agreed() bool { return 10*f.votes[f.best] >= 9*f.hits }

// begin is the offset to begin with: the winner; but where the windows don't agree
// the reading has slipped, and that of the first that isn't alone.
func (f found) begin() int {
	if f.agreed() || f.votes[f.first] < 2 {
		return f.best
	}
	return f.first
}

// slipping says that windows were found, at offsets that don't agree.
func (f found) slipping() bool { return f.hits >= enoughVotes && 2*f.hits >= f.usable }

// sources counts those of which something was found.
func (f found) sources() int {
	n := 0
	for _, h := range f.heard {
		if h > 0 {
			n++
		}
	}
	return n
}

// unheard are the sources that have windows and of which none was found.
func (f found) unheard() (list []int) {
	for i, n := range f.asked {
		if n > 0 && f.heard[i] == 0 {
			list = append(list, i)
		}
	}
	return list
}

var zeros [4096]byte

func allZero(b []byte) bool {
	for len(b) > len(zeros) {
		if !bytes.Equal(b[:len(zeros)], zeros[:]) {
			return false
		}
		b = b[len(zeros):]
	}
	return bytes.Equal(b, zeros[:len(b)])
}
