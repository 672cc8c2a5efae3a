package damage

import (
	"math"
	"time"

	"firmus/fixity"
)

// Layout says where in a file its samples lie. The zero Layout has none.
type Layout struct {
	DataOffset     int64   // first byte of the samples
	DataLength     int64   // bytes of samples; 0 if the file has no sound
	BytesPerFrame  int     // one sample of every channel; 0 where the samples are compressed
	BytesPerSample int     // one sample of one channel in the file, padding included; 0 if unknown
	Channels       int     // 0 if unknown
	Rate           float64 // frames a second
	Frames         int64   // for compressed samples, where times are by proportion; 0 if unknown
}

// Duration is the length of the recording, 0 if the layout doesn't say.
func (l Layout) Duration() time.Duration {
	frames := l.Frames
	if l.BytesPerFrame > 0 {
		frames = l.DataLength / int64(l.BytesPerFrame)
	}
	return l.at(float64(frames), math.Round)
}

// Span is a stretch of a recording, or of the description around it.
type Span struct {
	Range   fixity.Range // the part of the file it stands for
	InSound bool         // false: in the description in the file; From and To are 0 then

	// From and To count from the beginning of the recording, outwards to the whole
	// frame, rounded outwards to the nanosecond. Both are 0 if the layout has no rate.
	From, To time.Duration

	// About says that the samples are compressed and the times are by proportion
	// of bytes: a wrong byte may spoil all up to the end of its packet.
	About bool

	// Channels are those touched, 1 the first (left), where a stretch is short
	// enough not to touch all of them. Otherwise nil, as where it can't be told.
	Channels []int
}

// Times gives the time in a recording for each range. A range that crosses the
// edge of the samples becomes several spans, in the order of the file. Times of
// ranges that are whole blocks are those of the whole blocks.
func Times(ranges []fixity.Range, l Layout) []Span {
	begin, end := l.DataOffset, l.DataOffset+max(0, l.DataLength)
	if end < begin {
		end = math.MaxInt64
	}
	var spans []Span
	for _, r := range ranges {
		from, to := r.Offset, r.Offset+r.Length
		if to < from {
			to = math.MaxInt64
		}
		if a, b := from, min(to, begin); a < b {
			spans = append(spans, Span{Range: fixity.Range{Offset: a, Length: b - a}})
		}
		if a, b := max(from, begin), min(to, end); a < b {
			spans = append(spans, l.span(a, b))
		}
		if a, b := max(from, end), to; a < b {
			spans = append(spans, Span{Range: fixity.Range{Offset: a, Length: b - a}})
		}
	}
	return spans
}

// span is of the bytes [a, b), which lie in the samples.
func (l Layout) span(a, b int64) Span {
	s := Span{Range: fixity.Range{Offset: a, Length: b - a}, InSound: true}
	a -= l.DataOffset
	b -= l.DataOffset
	if l.BytesPerFrame <= 0 {
		if l.Frames > 0 {
			part := float64(l.Frames) / float64(l.DataLength)
			s.From, s.To = l.at(float64(a)*part, math.Floor), l.at(float64(b)*part, math.Ceil)
			s.About = true
		}
		return s
	}
	n := int64(l.BytesPerFrame)
	s.From, s.To = l.at(float64(a/n), math.Floor), l.at(float64((b-1)/n+1), math.Ceil)
	s.Channels = l.channels(a, b)
	return s
}

func (l Layout) channels(a, b int64) []int {
	n := int64(l.BytesPerFrame)
	if l.Channels <= 0 || l.BytesPerSample*l.Channels != l.BytesPerFrame {
		return nil
	}
	touched := make([]bool, l.Channels)
	count := 0
	for ; a < b; a = (a/int64(l.BytesPerSample) + 1) * int64(l.BytesPerSample) {
		if ch := a % n / int64(l.BytesPerSample); !touched[ch] {
			touched[ch] = true
			if count++; count == l.Channels {
				return nil
			}
		}
	}
	chs := make([]int, 0, count)
	for i, t := range touched {
		if t {
			chs = append(chs, i+1)
		}
	}
	return chs
}

// most is how many whole seconds a time.Duration has.
const most = math.MaxInt64 / int64(time.Second)

// at is the time of a frame. Whole seconds are taken off first, since the
// product with 1e9 would lose the nanoseconds of long recordings.
func (l Layout) at(frame float64, round func(float64) float64) time.Duration {
	if !(l.Rate > 0) {
		return 0
	}
	frame = max(0, frame)
	s := math.Floor(frame / l.Rate)
	ns := round((frame - s*l.Rate) * 1e9 / l.Rate)
	if s >= float64(most) {
		return math.MaxInt64
	}
	return time.Duration(s)*time.Second + time.Duration(ns)
}

// Sound is what the judgement "description only" needs to know of a file.
type Sound struct {
	Layout  Layout
	Samples fixity.Digest // of the samples; zero if unknown
}

// DescriptionOnly says that two files that differ hold the same sound: the
// digests of their samples are known and equal, and are to be played alike. It
// holds also where a longer description moved the samples, so that the ranges of
// the difference, which compare place by place, lie in the samples too. Callers
// take the digest in the same reading as the block sums.
func DescriptionOnly(want, got Sound) bool {
	return !want.Samples.IsZero() && want.Samples == got.Samples &&
		want.Layout.Rate == got.Layout.Rate &&
		want.Layout.Channels == got.Layout.Channels &&
		want.Layout.BytesPerSample == got.Layout.BytesPerSample
}
