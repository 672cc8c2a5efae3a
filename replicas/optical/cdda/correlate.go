package cdda

import (
	"math"
	"slices"
)

const (
	stretch = 1 << 14 // samples that are correlated, some 0.4 s
	around  = 8       // lags to either side of the peak, to find it between samples

	// Two stretches are alike from this correlation of their differences from
	// sample to sample on. Differences, because hum and rumble make any two
	// recordings of one machine alike. White noise that loses what lies between 20
	// and 22 kHz keeps 0.95; of two unlike noises the best of 6,000 lags comes to
	// some 4 times 1/sqrt(16,384), 0.03, and to more where fewer samples are free.
	alikeFrom = 0.7

	fewWindows  = 3  // a source, to choose a layout
	moreWindows = 12 // a source, to say what it is
	mostWindows = 96 // of all sources
	faint       = 1e-9
)

// correlator compares stretches of sources with the disc.
type correlator struct {
	c    *comparison
	t    *transform
	x, y []complex128
	a, b []complex128

	rate, reach int // of the filter
	table       [][]float64
}

func (c *comparison) correlator() *correlator {
	n := stretch
	for n < stretch+2*c.max+2*around {
		n *= 2
	}
	return &correlator{
		c: c, t: newTransform(n),
		x: make([]complex128, stretch), y: make([]complex128, stretch+2*c.max+2*around),
		a: make([]complex128, n), b: make([]complex128, n),
	}
}

// likeness compares n stretches of a source that should begin at piece p with an
// offset of about offset.
func (k *correlator) likeness(p piece, offset, n int) (Likeness, error) {
	var like Likeness
	var gains, values []float64
	centre := float64(offset)
	for i := range n {
		if err := k.c.ctx.Err(); err != nil {
			return like, err
		}
		at, ok, err := k.loudest(p, i, n)
		if err != nil {
			return like, err
		}
		if !ok {
			continue
		}
		from := p.at + at - int64(math.Round(centre)) - int64(k.c.max+around)
		if k.c.unreadable(from, int64(len(k.y))) || from+int64(len(k.y)) <= 0 || from >= k.c.total() {
			continue
		}
		if err := k.c.heard(k.y, from); err != nil {
			return like, err
		}
		like.Windows++
		m := k.match()
		if math.Abs(m.sharp) < alikeFrom {
			continue
		}
		// The offset may drift where one machine's clock differs from another's.
		centre = float64(p.at+at-from) - m.lag
		if like.Alike++; like.Alike == 1 {
			like.Offset = centre
		}
		values = append(values, math.Abs(m.raw))
		gains = append(gains, 20*math.Log10(math.Abs(m.gain)))
		like.Inverted = m.gain < 0
	}
	if like.Alike > 0 {
		slices.Sort(gains)
		slices.Sort(values)
		like.Correlation = values[len(values)/2]
		like.GainDB, like.SpreadDB = gains[len(gains)/2], gains[len(gains)-1]-gains[0]
	}
	return like, nil
}

// loudest fills x with the loudest of a few stretches in the i-th of n parts of a
// source; false if nothing sounds there.
func (k *correlator) loudest(p piece, i, n int) (int64, bool, error) {
	part := p.n / int64(n)
	from := int64(i) * part
	best, where := 0.0, int64(-1)
	x := make([]complex128, stretch)
	for try := range int64(3) {
		at := from + max(0, part-stretch)*try/2
		if try > 0 && part <= stretch {
			break
		}
		if err := k.c.signal(p.source, x, at); err != nil {
			return 0, false, err
		}
		if e := energy(steps(x)); e > best {
			best, where = e, at
			copy(k.x, x)
		}
	}
	return where, best > faint, nil
}

// match is how a stretch fits.
type match struct {
	lag   float64 // samples into y
	sharp float64 // correlation of the differences
	raw   float64 // of the sound itself
	gain  float64
}

// match looks for x in y.
func (k *correlator) match() match {
	clear(k.a)
	clear(k.b)
	dx, dy := steps(k.x), steps(k.y)
	copy(k.a, dx)
	copy(k.b, dy)
	k.t.correlate(k.a, k.b)
	ex := energy(dx)
	local := energy(dy[:stretch])
	best, lag := 0.0, 0
	for l := 0; l+stretch <= len(dy); l++ {
		if l > 0 {
			local += square(dy[l+stretch-1]) - square(dy[l-1])
		}
		if l < around || l+stretch+around > len(dy) || local < faint {
			continue
		}
		if v := math.Abs(real(k.a[l])) / math.Sqrt(ex*local); v > best {
			best, lag = v, l
		}
	}
	if lag == 0 {
		return match{}
	}
	var m match
	var fraction float64
	_, m.sharp, _ = fit(dx, dy, lag)
	fraction, m.raw, m.gain = fit(k.x, k.y, lag)
	m.lag = float64(lag) + fraction
	return m
}

// fit correlates x with y at the lags around one and finds the peak between them:
// the correlation of sounds without anything above half the rate is itself such a
// sound, and can be interpolated.
func fit(x, y []complex128, lag int) (fraction, value, gain float64) {
	var c [2*around + 1]float64
	for i := range c {
		part := y[lag-around+i:][:len(x)]
		for n, v := range x {
			w := part[n]
			c[i] += real(v)*real(w) + imag(v)*imag(w)
		}
	}
	peak := c[around]
	for step := -16; step <= 16; step++ {
		f := float64(step) / 16
		var v float64
		for i := range c {
			d := f - float64(i-around)
			v += c[i] * sinc(d) * taper(d/(around+1))
		}
		if math.Abs(v) > math.Abs(peak) {
			peak, fraction = v, f
		}
	}
	ex, ey := energy(x), energy(y[lag:lag+len(x)])
	if ex < faint || ey < faint {
		return 0, 0, 0
	}
	value = max(-1, min(1, peak/math.Sqrt(ex*ey)))
	return fraction, value, peak / ex
}

// steps are the differences from sample to sample.
func steps(x []complex128) []complex128 {
	d := make([]complex128, len(x))
	for i := 1; i < len(x); i++ {
		d[i] = x[i] - x[i-1]
	}
	return d
}

func square(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

func energy(x []complex128) float64 {
	var e float64
	for _, v := range x {
		e += square(v)
	}
	return e
}

// unreadable says that any of n samples of the disc from at on couldn't be read.
func (c *comparison) unreadable(at, n int64) bool {
	from := c.disc.First + at/SectorSamples - 1
	to := c.disc.First + (at+n)/SectorSamples + 1
	for _, m := range c.disc.Marks {
		if m.State == Unreadable && m.LBA < to && m.LBA+m.Count > from {
			return true
		}
	}
	return false
}
