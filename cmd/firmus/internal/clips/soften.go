package clips

import (
	"math"
	"slices"
	"time"

	"firmus/fixity/essence"
)

// How a damaged stretch is held to the rest. Choices of this project (*common practice*).
const (
	// window is over how long loudness is measured.
	window = 10 * time.Millisecond
	// loud is the share of the rest's windows that are softer than what the damage may be:
	// one crack in the rest lets nothing through.
	loud = 0.95
	// floor is what it may be at least, as a share of full scale, so that a stretch in a
	// pause can be heard at all: -46 dB.
	floor = 0.005
	// heard is how much louder something is that one hears to be: 1 dB.
	heard = 1.12
	// alone is what a clip may be of which nothing is known to be right: -26 dB.
	alone = 0.05
)

// soften turns the given stretches of the clip down to the loudness of the rest: in each
// window neither the mean power nor the highest sample may be above it. It says by how many
// decibels the loudest window was turned down.
func (c *Clip) soften(hurt []essence.Stretch) float64 {
	if len(hurt) == 0 || c.Channels == 0 {
		return 0
	}
	n := int64(len(c.Samples) / c.Channels)
	step := max(1, int64(float64(c.Rate)*window.Seconds()))
	var power []float64
	peak := 0.0
	at := int64(0)
	rest := func(to int64) {
		for ; at < to; at += step {
			rms, high := c.level(at, min(to, at+step))
			power, peak = append(power, rms), max(peak, high)
		}
	}
	for _, h := range hurt {
		rest(h.From)
		at = h.To
	}
	rest(n)
	if len(power) == 0 {
		return c.quieten(n, step)
	}
	slices.Sort(power)
	mayPower := max(floor, power[int(loud*float64(len(power)-1))])
	mayPeak := max(4*floor, peak)
	least := 1.0
	for _, h := range hurt {
		for from := h.From; from < h.To; from += step {
			to := min(h.To, from+step)
			rms, high := c.level(from, to)
			gain := 1.0
			if rms > heard*mayPower {
				gain = mayPower / rms
			}
			if high*gain > mayPeak {
				gain = mayPeak / high
			}
			if gain < 1 {
				for i := from * int64(c.Channels); i < to*int64(c.Channels); i++ {
					c.Samples[i] = int16(float64(c.Samples[i]) * gain)
				}
				least = min(least, gain)
			}
		}
	}
	return -20 * math.Log10(least)
}

// quieten turns all of the clip down by as much as makes its loudest part no louder than alone:
// nothing is known of where it is damaged, so no part of it is changed against another.
func (c *Clip) quieten(n, step int64) float64 {
	var power []float64
	for at := int64(0); at < n; at += step {
		rms, _ := c.level(at, min(n, at+step))
		power = append(power, rms)
	}
	if len(power) == 0 || slices.Max(power) <= heard*alone {
		return 0
	}
	gain := alone / slices.Max(power)
	for i := range c.Samples {
		c.Samples[i] = int16(float64(c.Samples[i]) * gain)
	}
	return -20 * math.Log10(gain)
}

// level is the mean power of frames, as a root, and the highest sample, as shares of full
// scale.
func (c *Clip) level(from, to int64) (rms, peak float64) {
	part := c.Samples[from*int64(c.Channels) : to*int64(c.Channels)]
	sum := 0.0
	for _, x := range part {
		v := math.Abs(float64(x)) / (1 << 15)
		sum, peak = sum+v*v, max(peak, v)
	}
	return math.Sqrt(sum / float64(max(1, len(part)))), peak
}
