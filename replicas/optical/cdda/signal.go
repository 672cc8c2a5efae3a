package cdda

import (
	"errors"
	"fmt"
	"io"
	"math"
)

// signal fills x with a source's sound at the disc's rate from sample at on, the
// left channel as the real and the right as the imaginary part, full scale as 1.
// Beyond the source are zeros. Other rates are converted; of more than two channels
// the odd ones go left, the even ones right.
func (c *comparison) signal(source int, x []complex128, at int64) error {
	s := c.sources[source]
	s.Format = s.format()
	if s.Format.Rate == Rate {
		return s.frames(x, at)
	}
	// A windowed sinc, cut off below half the lower rate.
	ratio := float64(s.Format.Rate) / Rate
	cut := min(1, 1/ratio) * 0.96
	reach := int(math.Ceil(taps / cut))
	from := int64(math.Floor(float64(at)*ratio)) - int64(reach)
	in := make([]complex128, int(float64(len(x))*ratio)+2*reach+3)
	if err := s.frames(in, from); err != nil {
		return err
	}
	for i := range x {
		pos := float64(at+int64(i))*ratio - float64(from)
		mid := int(pos)
		var re, im float64
		for k := mid - reach + 1; k <= mid+reach; k++ {
			d := pos - float64(k)
			g := cut * sinc(d*cut) * taper(d/float64(reach))
			re += g * real(in[k])
			im += g * imag(in[k])
		}
		x[i] = complex(re, im)
	}
	return nil
}

// taps is the zero crossings of the sinc to either side.
const taps = 24

func sinc(x float64) float64 {
	if math.Abs(x) < 1e-9 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// taper is a raised cosine that is 1 at 0 and 0 at ±1.
func taper(x float64) float64 {
	if x <= -1 || x >= 1 {
		return 0
	}
	return 0.5 + 0.5*math.Cos(math.Pi*x)
}

// frames reads samples of a source's own rate.
func (s Source) frames(x []complex128, at int64) error {
	clear(x)
	from, to := max(at, 0), min(at+int64(len(x)), s.Samples)
	if from >= to {
		return nil
	}
	width := s.Format.Bits / 8
	step := width * s.Format.Channels
	b := make([]byte, int(to-from)*step)
	if n, err := s.PCM.ReadAt(b, from*int64(step)); n < len(b) {
		if err == nil || errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return fmt.Errorf("read source %q at sample %d: %w", s.Name, from, err)
	}
	scale := 1 / math.Ldexp(1, s.Format.Bits-1)
	x = x[from-at : to-at]
	for i := range x {
		f := b[i*step : (i+1)*step]
		var sum [2]float64
		var n [2]float64
		for ch := range s.Format.Channels {
			sum[ch%2] += number(f[ch*width:(ch+1)*width]) * scale
			n[ch%2]++
		}
		if s.Format.Channels == 1 {
			sum[1], n[1] = sum[0], 1
		}
		x[i] = complex(sum[0]/n[0], sum[1]/n[1])
	}
	return nil
}

// number is a whole number with a sign, the low byte first.
func number(b []byte) float64 {
	v := int32(0)
	for i, x := range b {
		v |= int32(x) << (8 * (4 - len(b) + i))
	}
	return float64(v >> (8 * (4 - len(b))))
}

// heard fills x with the disc's sound.
func (c *comparison) heard(x []complex128, at int64) error {
	b := make([]byte, len(x)*SampleBytes)
	if err := c.sound(b, at); err != nil {
		return err
	}
	for i := range x {
		l, r := number(b[i*4:i*4+2])/(1<<15), number(b[i*4+2:i*4+4])/(1<<15)
		if c.crossed {
			l, r = r, l
		}
		x[i] = complex(l, r)
	}
	return nil
}
