// Package clips cuts out of a copy what a person may listen to: a WAVE file of 16 bits, at
// most 30 seconds long, from any place of a recording, and a waveform of it. Nothing else of
// a recording is ever given.
//
// Wrong bytes sound as noise at full scale. So a stretch that is known to be damaged is
// played no louder than the rest of its clip, whatever it holds.
package clips

import (
	"context"
	"encoding/binary"
	"io"
	"math"
	"slices"
	"time"

	"firmus/fixity/damage"
	"firmus/fixity/essence"
)

const (
	// Longest is the longest clip.
	Longest = 30 * time.Second
	// Usual is how long a clip is where nothing else is asked for.
	Usual = 10 * time.Second
	// most is how many samples a clip holds at most, all channels counted: 24 MiB of them.
	// Of many channels at a high rate it is shorter for that.
	most = 12 << 20
)

// Order says what is cut out.
type Order struct {
	// From is where the clip begins; it is Length long, Usual if that is 0, or as far as the
	// recording goes.
	From, Length time.Duration
	// Hurt are stretches that hold other bytes than they should.
	Hurt []damage.Span
	// Doubtful says that other bytes may be anywhere in the copy.
	Doubtful bool
}

// Stretch is a part of a recording.
type Stretch struct{ From, To time.Duration }

// Clip is what was cut out.
type Clip struct {
	Stretch
	// Asked is what was asked for: the picture shows all of it.
	Asked          Stretch
	Rate, Channels int
	// Samples are those of the clip, frame by frame.
	Samples []int16
	// Peaks are the lowest and the highest sample of each of equal parts of the clip, as
	// the file has them, before anything was turned down.
	Peaks []Peak
	// Lost can't be read, or can't be decoded, and is silent here.
	Lost []Stretch
	// Hurt lie in the clip and are known to be damaged. Softer says by how many decibels
	// the loudest of them was turned down; 0: it wasn't.
	Hurt   []Stretch
	Softer float64
	// Long is how long the recording is, as its file has it; 0: it doesn't say.
	Long time.Duration
}

// Peak is the lowest and the highest sample of a part. Nothing says that the part is lost.
type Peak struct {
	Low, High int16
	Nothing   bool
}

// columns is how many peaks a waveform has.
const columns = 600

// EndedError says that a recording ends before the place that was asked for.
type EndedError struct{ Long time.Duration }

// Error says where it ends.
func (e EndedError) Error() string { return "the recording ends at " + damage.Clock(e.Long) }

// Cut cuts a clip out of a file of the given size.
//
// It fails with essence.ErrNotPlayable, whose text says why, with an EndedError, and as r
// does.
func Cut(ctx context.Context, r io.ReaderAt, size int64, o Order) (*Clip, error) {
	length := o.Length
	if length <= 0 {
		length = Usual
	}
	length = min(length, Longest)
	c := &Clip{}
	var want essence.Stretch
	got, err := essence.Excerpt(r, size, func(s essence.Sound) (essence.Stretch, error) {
		n := max(1, min(frames(length, s.Rate), int64(most/s.Channels)))
		from := frames(max(0, o.From), s.Rate)
		want = essence.Stretch{From: from, To: from + n}
		c.Asked = Stretch{s.At(want.From), s.At(want.To)}
		if s.Frames > 0 {
			if from >= s.Frames {
				return want, EndedError{s.Duration}
			}
			want.To = min(want.To, s.Frames)
		}
		c.Rate, c.Channels = int(math.Round(s.Rate)), s.Channels
		c.Samples = make([]int16, 0, (want.To-want.From)*int64(s.Channels))
		return want, nil
	}, func(at int64, samples []int32) error {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		c.fill(at - want.From)
		for _, x := range samples {
			c.Samples = append(c.Samples, narrow(x))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	c.fill(got.To - got.From)
	s := got.Sound
	c.From, c.To, c.Long = s.At(got.From), s.At(got.To), s.Duration
	for _, l := range got.Lost {
		c.Lost = append(c.Lost, Stretch{s.At(l.From), s.At(l.To)})
	}
	c.Peaks = peaks(c, got, frames(c.Asked.To-c.Asked.From, s.Rate))
	hurt := c.damaged(o, got.From, s.Rate)
	for _, h := range hurt {
		if x := (Stretch{s.At(got.From + h.From), s.At(got.From + h.To)}); !c.Ended() || c.To-x.From >= time.Millisecond { // that it ends is told by itself
			c.Hurt = append(c.Hurt, x)
		}
	}
	c.Softer = c.soften(hurt)
	return c, nil
}

// frames is a time in frames.
func frames(d time.Duration, rate float64) int64 { return int64(d.Seconds() * rate) }

// fill gives silence to what nothing was given for, up to a frame of the clip.
func (c *Clip) fill(frame int64) {
	if n := int(frame)*c.Channels - len(c.Samples); n > 0 {
		c.Samples = append(c.Samples, make([]int16, n)...)
	}
}

// narrow is a sample with the nearest of 16 bits.
func narrow(x int32) int16 { return int16(min(math.MaxInt16, (int64(x)+1<<15)>>16)) }

// damaged are the frames of the clip that are known to be damaged, in order, apart from
// each other; all of them where that may be anywhere.
func (c *Clip) damaged(o Order, first int64, rate float64) (out []essence.Stretch) {
	n := int64(len(c.Samples) / max(1, c.Channels))
	if o.Doubtful {
		return []essence.Stretch{{From: 0, To: n}}
	}
	for _, h := range o.Hurt {
		if !h.InSound {
			continue
		}
		x := essence.Stretch{From: max(0, frames(h.From, rate)-first), To: min(n, frames(h.To, rate)+1-first)}
		if x.From < x.To {
			out = append(out, x)
		}
	}
	slices.SortFunc(out, func(a, b essence.Stretch) int { return int(a.From - b.From) })
	joined := out[:0]
	for _, x := range out {
		if k := len(joined); k > 0 && x.From <= joined[k-1].To {
			joined[k-1].To = max(joined[k-1].To, x.To)
			continue
		}
		joined = append(joined, x)
	}
	return joined
}

// peaks are those of the clip, on the scale of the frames that were asked for: there is
// nothing behind its end.
func peaks(c *Clip, got essence.Given, asked int64) []Peak {
	n := int64(len(c.Samples) / max(1, c.Channels))
	asked = max(asked, n)
	out := make([]Peak, min(columns, asked))
	for i := range out {
		from, to := asked*int64(i)/int64(len(out)), min(n, asked*int64(i+1)/int64(len(out)))
		if from >= to {
			out[i].Nothing = true
			continue
		}
		part := c.Samples[from*int64(c.Channels) : to*int64(c.Channels)]
		out[i] = Peak{Low: slices.Min(part), High: slices.Max(part)}
		for _, l := range got.Lost {
			if l.From-got.From <= from && l.To-got.From >= to {
				out[i].Nothing = true
			}
		}
	}
	return out
}

// WriteTo writes the clip as a WAVE file of 16-bit PCM.
func (c *Clip) WriteTo(w io.Writer) (int64, error) {
	n := len(c.Samples) * 2
	b := make([]byte, 0, 44)
	le := binary.LittleEndian
	b = append(b, "RIFF"...)
	b = le.AppendUint32(b, uint32(36+n))
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, 1) // PCM
	b = le.AppendUint16(b, uint16(c.Channels))
	b = le.AppendUint32(b, uint32(c.Rate))
	b = le.AppendUint32(b, uint32(c.Rate*c.Channels*2))
	b = le.AppendUint16(b, uint16(c.Channels*2))
	b = le.AppendUint16(b, 16)
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(n))
	done, err := w.Write(b)
	total := int64(done)
	piece := make([]byte, 0, 64<<10)
	for at := 0; at < len(c.Samples) && err == nil; {
		piece = piece[:0]
		for ; at < len(c.Samples) && len(piece) < cap(piece); at++ {
			piece = le.AppendUint16(piece, uint16(c.Samples[at]))
		}
		done, err = w.Write(piece)
		total += int64(done)
	}
	return total, err
}

// Bytes is how long the WAVE file is.
func (c *Clip) Bytes() int64 { return 44 + 2*int64(len(c.Samples)) }
