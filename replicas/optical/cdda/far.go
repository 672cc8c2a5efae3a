package cdda

import (
	"encoding/binary"
	"slices"
)

// Break is a place within a source from which on it lies elsewhere on the disc: the sound
// skips, or something was put in between.
type Break struct {
	Source  int
	LBA     int64 // on the disc
	Track   int
	Frame   int64 // sectors from the track's beginning
	LeftOut int64 // samples of the source that lack there
	PutIn   int64 // samples on the disc that are none of the source's
}

// anchor is a window of a source, and where it lies on the disc.
type anchor struct{ at, lba int64 } // samples

// maxHits bounds the places that a window is noted at: what repeats itself says little.
const maxHits = 4

// anywhere looks for windows on the whole disc. It reads the disc once.
func (c *comparison) anywhere(probes []probe) ([][]int64, error) {
	hits := make([][]int64, len(probes))
	by := map[uint64][]int{}
	var filter [1 << 10]uint64
	slot := func(v uint64) (int, uint64) {
		h := v * 0x9E3779B97F4A7C15 >> 48
		return int(h >> 6), 1 << (h & 63)
	}
	for i, p := range probes {
		v := binary.LittleEndian.Uint64(p.bytes) // its first eight bytes are looked up
		by[v] = append(by[v], i)
		k, bit := slot(v)
		filter[k] |= bit
	}
	const step = chunk * SectorSamples
	b := make([]byte, (step+window)*SampleBytes)
	for from := int64(0); from < c.total(); from += step {
		if err := c.ctx.Err(); err != nil {
			return nil, err
		}
		if err := c.sound(b, from); err != nil {
			return nil, err
		}
		for s := range step {
			v := binary.LittleEndian.Uint64(b[s*SampleBytes:])
			k, bit := slot(v)
			if filter[k]&bit == 0 {
				continue
			}
			for _, i := range by[v] {
				if w := probes[i].bytes; len(hits[i]) < maxHits && string(b[s*SampleBytes:][:len(w)]) == string(w) {
					hits[i] = append(hits[i], from+int64(s))
				}
			}
		}
	}
	return hits, nil
}

// mostAnchors is the windows of a source that are looked for on the whole disc.
const mostAnchors = 48

// far lays out sources that don't lie where they should by where they are found on the
// whole disc: shifted by half a minute, with silence or a skip within, or in any order.
// The others stay where l has them. nil: nothing more was found.
func (c *comparison) far(l layout, offset int, which []int) (layout, []Break, error) {
	var probes []probe
	for _, i := range which {
		s := c.sources[i]
		if !s.exact() {
			continue
		}
		for k := range int64(mostAnchors) {
			p, _, err := c.pick(i, s.Samples*(2*k+1)/(2*mostAnchors))
			if err != nil {
				return nil, nil, err
			}
			if p != nil && p.unique {
				probes = append(probes, *p)
			}
		}
	}
	if len(probes) == 0 {
		return nil, nil, nil
	}
	hits, err := c.anywhere(probes)
	if err != nil {
		return nil, nil, err
	}
	out := slices.DeleteFunc(slices.Clone(l), func(p piece) bool { return slices.Contains(which, p.source) })
	var breaks []Break
	found := false
	for _, i := range which {
		rows := grouped(i, probes, hits)
		if len(rows) == 0 {
			if k := slices.IndexFunc(l, func(p piece) bool { return p.source == i }); k >= 0 {
				out = append(out, l[k]) // it stays where it isn't found, if there is room
			}
			continue
		}
		found = true
		ps, bs, err := c.pieces(i, offset, rows)
		if err != nil {
			return nil, nil, err
		}
		out, breaks = append(out, ps...), append(breaks, bs...)
	}
	if !found {
		return nil, nil, nil
	}
	return c.apart(out, l, which), breaks, nil
}

// grouped are the anchors of a source in rows of one distance each, in the source's
// order. A window that lies at several places is of the distance that most have.
func grouped(source int, probes []probe, hits [][]int64) (rows [][]anchor) {
	votes := map[int64]int{}
	for i, p := range probes {
		if p.source == source {
			for _, h := range hits[i] {
				votes[h-p.at]++
			}
		}
	}
	for i, p := range probes {
		if p.source != source || len(hits[i]) == 0 {
			continue
		}
		best := hits[i][0]
		for _, h := range hits[i] {
			if votes[h-p.at] > votes[best-p.at] {
				best = h
			}
		}
		if votes[best-p.at] < 2 {
			continue
		}
		a := anchor{p.at, best}
		if n := len(rows) - 1; n >= 0 && rows[n][0].lba-rows[n][0].at == a.lba-a.at {
			rows[n] = append(rows[n], a)
			continue
		}
		rows = append(rows, []anchor{a})
	}
	return rows
}

// pieces are a source's rows of anchors as pieces, each as far as the disc has its samples.
func (c *comparison) pieces(source, offset int, rows [][]anchor) (ps []piece, bs []Break, err error) {
	n := c.sources[source].Samples
	begin := int64(0)
	for k, row := range rows {
		lag := row[0].lba - row[0].at
		end := n
		var gap, put int64
		if k+1 < len(rows) {
			next := rows[k+1]
			nextLag := next[0].lba - next[0].at
			last := row[len(row)-1].at
			if end, err = c.agrees(source, last, next[0].at, lag, true); err != nil {
				return nil, nil, err
			}
			from, err := c.agrees(source, next[0].at, end, nextLag, false)
			if err != nil {
				return nil, nil, err
			}
			gap, put = from-end, from+nextLag-(end+lag)
		}
		ps = append(ps, piece{at: begin + lag + int64(offset), n: end - begin, source: source, from: begin})
		if k+1 < len(rows) {
			b := Break{Source: source, LBA: c.disc.First + (end+lag)/SectorSamples, LeftOut: gap, PutIn: max(0, put)}
			if put < 0 { // it is repeated, and not left out
				b.LeftOut, b.PutIn = gap, 0
			}
			b.Track, b.Frame = c.disc.Place(b.LBA)
			bs = append(bs, b)
			begin = end + gap
		}
	}
	return ps, bs, nil
}

// agrees walks from a sample of a source towards another as long as the disc has the same
// samples at a distance, and gives where that ends.
func (c *comparison) agrees(source int, from, to, lag int64, up bool) (int64, error) {
	const step = 1 << 12
	a, b := make([]byte, step*SampleBytes), make([]byte, step*SampleBytes)
	for from != to {
		n := min(step, max(to-from, from-to))
		at := from
		if !up {
			at -= n
		}
		x, y := a[:n*SampleBytes], b[:n*SampleBytes]
		if err := c.source(source, x, at); err != nil {
			return 0, err
		}
		if err := c.sound(y, at+lag); err != nil {
			return 0, err
		}
		if up {
			if k := int64(same(x, y)); k < n {
				return from + k, nil
			}
			from += n
			continue
		}
		if k := int64(sameEnd(x, y)); k < n {
			return from - k, nil
		}
		from -= n
	}
	return from, nil
}

// apart orders pieces and lets none lie over another: one that is where it was found goes
// before one that stayed, and an earlier one before a later.
func (c *comparison) apart(ps layout, before layout, which []int) layout {
	stayed := func(p piece) bool { return slices.Contains(which, p.source) && slices.Contains(before, p) }
	slices.SortStableFunc(ps, func(a, b piece) int { return int(min(max(a.at-b.at, -1), 1)) })
	var out layout
	for _, p := range ps {
		for len(out) > 0 {
			q := &out[len(out)-1]
			over := q.at + q.n - p.at
			if over <= 0 {
				break
			}
			if stayed(*q) {
				out = out[:len(out)-1]
				continue
			}
			if stayed(p) {
				p.n = 0
				break
			}
			q.n, q.cut = q.n-over, q.cut+over
			break
		}
		if p.n > 0 {
			out = append(out, p)
		}
	}
	return slices.DeleteFunc(out, func(p piece) bool { return p.n <= 0 })
}
