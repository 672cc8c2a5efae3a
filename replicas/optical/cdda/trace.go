package cdda

import (
	"math"
	"slices"
)

// What a sector must be to be alike. A disc's steps are those of 16 bits.
const (
	quiet      = 32.0 // steps, rms: below that dither decides, and only that it is quiet counts
	alikeSound = 0.9  // correlation of a sector with the source's
	alikeSteps = 0.5  // and of the differences from sample to sample, where those sound
	steady     = 2.0  // steps, rms, that a level's change and dither leave of a sector
	loud       = 1000 // steps, rms, from which on a sector's level is measured
	full       = 32767
	// sameGainDB is how far the level of sectors may be apart where one level was set.
	sameGainDB = 0.1
)

// traced is what every sector of a piece says.
type traced struct {
	like  Likeness // Sectors, AlikeSectors, Even, LowDB and HighDB
	runs  []Run
	all   int64 // sectors that aren't alike
	slips []Break

	straight, exchanged, both float64 // products of the channels, over all sectors
}

// channels says that the disc has the channels exchanged: it fits twice as well so.
func (t traced) channels() bool {
	return t.both > 0 && 1-math.Abs(t.exchanged)/t.both < 0.5*(1-math.Abs(t.straight)/t.both)
}

// trace holds every sector of a piece against the source, where likeness has found it.
func (k *correlator) trace(p piece, like Likeness) (traced, error) {
	c := k.c
	t := traced{like: like}
	t.like.Even, t.like.LowDB, t.like.HighDB = true, math.Inf(1), math.Inf(-1)
	offset := like.Offset
	// Disc sample i is sample i+offset of the reference.
	from := max(0, int64(math.Ceil(float64(p.at)-offset)))
	to := min(c.total(), int64(math.Floor(float64(p.at+p.n)-offset)))
	const most = chunk * SectorSamples
	x, y := make([]complex128, most), make([]complex128, most)
	mark, fails := 0, 0
	marks := c.disc.Marks
	for from < to {
		if err := c.ctx.Err(); err != nil {
			return t, err
		}
		end := min(to, (from/SectorSamples+chunk)*SectorSamples)
		d, s := y[:end-from], x[:end-from]
		if err := c.heard(d, from); err != nil {
			return t, err
		}
		if err := k.signalAt(p.source, s, float64(from)+offset-float64(p.at)+float64(p.from)); err != nil {
			return t, err
		}
		for at := from; at < end; {
			next := min(end, (at/SectorSamples+1)*SectorSamples)
			lba := c.disc.First + at/SectorSamples
			for mark < len(marks) && marks[mark].LBA+marks[mark].Count <= lba {
				mark++
			}
			state := Good
			if mark < len(marks) && marks[mark].LBA <= lba {
				state = marks[mark].State
			}
			if state == Unreadable || next-at < window {
				at = next
				continue
			}
			one := measure(s[at-from:next-from], d[at-from:next-from])
			if !one.alike && state == Good && (fails&(fails-1) == 0 || fails%64 == 0) {
				moved, ok, err := k.again(p, at, offset)
				if err != nil {
					return t, err
				}
				if ok && math.Abs(moved-offset) > 0.05 {
					if by := moved - offset; math.Abs(by) > 2 { // not the drift of a clock
						b := Break{Source: p.source, LBA: lba, LeftOut: max(0, int64(math.Round(by))), PutIn: max(0, int64(math.Round(-by)))}
						b.Track, b.Frame = c.disc.Place(lba)
						t.slips = append(t.slips, b)
					}
					offset, fails = moved, 0
					to = min(c.total(), int64(math.Floor(float64(p.at+p.n)-offset)))
					end = min(end, to)
					if at >= end {
						break
					}
					if err := k.signalAt(p.source, s[at-from:end-from], float64(at)+offset-float64(p.at)+float64(p.from)); err != nil {
						return t, err
					}
					next = min(next, end)
					one = measure(s[at-from:next-from], d[at-from:next-from])
					one.alike = one.alike || math.Abs(moved-offset) > 2 // it may hold both
				}
			}
			t.like.Sectors++
			t.straight, t.exchanged, t.both = t.straight+one.sd, t.exchanged+one.crossed, t.both+math.Sqrt(one.ss*one.dd)
			if one.alike {
				fails = 0
				t.like.AlikeSectors++
				t.like.Even = t.like.Even && one.left <= steady
				if one.loud {
					t.like.LowDB, t.like.HighDB = min(t.like.LowDB, one.gain), max(t.like.HighDB, one.gain)
				}
			} else {
				fails++
				t.all++
				r := Run{LBA: lba, Count: 1, Samples: next - at, Muted: one.mute, Doubtful: state == Doubtful}
				r.Track, r.Frame = c.disc.Place(lba)
				t.runs = add(t.runs, r)
			}
			at = next
		}
		from = end
	}
	if t.like.HighDB < t.like.LowDB { // nowhere is it loud
		t.like.LowDB, t.like.HighDB = like.GainDB, like.GainDB
	}
	t.like.Even = t.like.Even && t.all == 0 && len(t.slips) == 0 && t.like.HighDB-t.like.LowDB <= sameGainDB
	return t, nil
}

// again looks for the sound of a place once more, where it isn't as it was.
func (k *correlator) again(p piece, at int64, offset float64) (float64, bool, error) {
	pos := int64(math.Round(float64(at)+offset)) - p.at + p.from
	if pos+stretch > p.from+p.n {
		return 0, false, nil
	}
	// The stretch of the disc that begins here is looked for in the source, by the places
	// exchanged: what x is in y, y's sound would be in x.
	if err := k.c.signal(p.source, k.x, pos); err != nil {
		return 0, false, err
	}
	from := at - int64(k.c.max+around)
	if err := k.c.heard(k.y, from); err != nil {
		return 0, false, err
	}
	m := k.match()
	if math.Abs(m.sharp) < alikeFrom {
		return 0, false, nil
	}
	// Sample pos of the source is disc sample from+lag.
	return float64(pos-p.from+p.at) - (float64(from) + m.lag), true, nil
}

// sectorLike is how a sector fits.
type sectorLike struct {
	alike, mute, loud bool
	gain              float64 // dB
	left              float64 // steps, rms, that aren't the source's at its best level

	ss, dd, sd, crossed float64 // products of the source's and the disc's samples
}

func measure(s, d []complex128) sectorLike {
	var ss, dd, sd, crossed, ps, pd, psd float64
	n := 0.0
	var ls, ld complex128
	for i := range s {
		x, y := s[i]*(full+1), d[i]*(full+1)
		if clipped(y) {
			continue
		}
		ss += square(x)
		dd += square(y)
		sd += real(x)*real(y) + imag(x)*imag(y)
		crossed += real(x)*imag(y) + imag(x)*real(y)
		if i > 0 {
			u, v := x-ls, y-ld
			ps += square(u)
			pd += square(v)
			psd += real(u)*real(v) + imag(u)*imag(v)
		}
		ls, ld = x, y
		n += 2
	}
	if n == 0 {
		return sectorLike{alike: true} // all of it is clipped, which says nothing
	}
	rs, rd := math.Sqrt(ss/n), math.Sqrt(dd/n)
	out := sectorLike{mute: dd == 0, loud: rs >= loud, ss: ss, dd: dd, sd: sd, crossed: crossed}
	if rs < quiet {
		out.alike = rd < 2*rs+quiet
		out.left = math.Abs(rd - rs)
		if out.alike {
			out.left = 0
		}
		return out
	}
	if dd == 0 {
		return out
	}
	out.alike = math.Abs(sd) >= alikeSound*math.Sqrt(ss*dd)
	if math.Sqrt(ps/n) >= quiet {
		out.alike = out.alike && math.Abs(psd) >= alikeSteps*math.Sqrt(ps*pd)
	}
	out.gain = 20 * math.Log10(math.Abs(sd)/ss)
	out.left = math.Sqrt(max(0, dd-sd*sd/ss) / n)
	return out
}

func clipped(v complex128) bool {
	return real(v) >= full || real(v) <= -full || imag(v) >= full || imag(v) <= -full
}

const phases = 512 // of a sample, at which the converter's filter is known

// signalAt fills x with a source's sound at the disc's rate from a place between samples on.
func (k *correlator) signalAt(source int, x []complex128, at float64) error {
	s := k.c.sources[source]
	s.Format = s.format()
	ratio := float64(s.Format.Rate) / Rate
	pos := at * ratio
	if whole := math.Round(pos); s.Format.Rate == Rate && math.Abs(pos-whole) < 1.0/32 {
		return s.frames(x, int64(whole))
	}
	if k.rate != s.Format.Rate {
		k.filter(s.Format.Rate)
	}
	from := int64(math.Floor(pos)) - int64(k.reach)
	in := make([]complex128, int(float64(len(x))*ratio)+2*k.reach+3)
	if err := s.frames(in, from); err != nil {
		return err
	}
	for i := range x {
		p := pos + float64(i)*ratio - float64(from)
		mid := int(p)
		row := k.table[int((p-float64(mid))*phases)]
		part := in[mid-k.reach+1:][:len(row)]
		var re, im float64
		for n, g := range row {
			re += g * real(part[n])
			im += g * imag(part[n])
		}
		x[i] = complex(re, im)
	}
	return nil
}

// filter makes the table for a rate: a windowed sinc as signal has it.
func (k *correlator) filter(rate int) {
	ratio := float64(rate) / Rate
	cut := min(1, 1/ratio) * 0.96
	k.rate, k.reach = rate, int(math.Ceil(taps/cut))
	k.table = make([][]float64, phases)
	for f := range k.table {
		row := make([]float64, 2*k.reach)
		for n := range row {
			d := (float64(f)+0.5)/phases - float64(n-k.reach+1)
			row[n] = cut * sinc(d*cut) * taper(d/float64(k.reach))
		}
		k.table[f] = row
	}
}

// missed counts the samples of a piece that the disc hasn't room for, beyond what a drive
// may not reach.
func (c *comparison) missed(p piece, offset int) int64 {
	behind := p.at + p.n - int64(offset) - c.total()
	if behind <= int64(c.max) {
		behind = 0
	}
	return p.cut + behind
}

// merged adds runs to those of a result, in order.
func (r *Result) merged(runs []Run, all int64) {
	r.DifferingAll += all
	r.Differing = append(r.Differing, runs...)
	slices.SortStableFunc(r.Differing, func(a, b Run) int { return int(min(max(a.LBA-b.LBA, -1), 1)) })
	if len(r.Differing) > MaxRuns {
		r.Differing = r.Differing[:MaxRuns]
	}
}
