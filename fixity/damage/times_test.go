package damage_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/damage"
)

// 24 bit, stereo, 96 kHz, with a header of 44 bytes: 576,000 bytes a second.
var wave = damage.Layout{DataOffset: 44, DataLength: 576000 * 60, BytesPerFrame: 6, BytesPerSample: 3, Channels: 2, Rate: 96000}

func TestTimes(t *testing.T) {
	type span = damage.Span
	r := func(from, to int64) fixity.Range { return fixity.Range{Offset: from, Length: to - from} }
	end := wave.DataOffset + wave.DataLength
	flac := damage.Layout{DataOffset: 1000, DataLength: 1000, Rate: 48000, Frames: 480000, Channels: 2}
	for _, c := range []struct {
		name   string
		layout damage.Layout
		in     []fixity.Range
		want   []span
	}{
		{"none", wave, nil, nil},
		{"first second", wave, ranges(44, 576044), []span{{Range: r(44, 576044), InSound: true, To: time.Second}}},
		{"left byte", wave, ranges(44+576000, 45+576000),
			[]span{{Range: r(576044, 576045), InSound: true, From: time.Second, To: time.Second + 10417*time.Nanosecond, Channels: []int{1}}}},
		{"right byte", wave, ranges(44+5, 44+6), []span{{Range: r(49, 50), InSound: true, To: 10417, Channels: []int{2}}}},
		{"right and the next left", wave, ranges(44+5, 44+7), []span{{Range: r(49, 51), InSound: true, To: 20834}}},
		{"header", wave, ranges(4, 8), []span{{Range: r(4, 8)}}},
		{"header and sound", wave, ranges(0, 65536),
			[]span{{Range: r(0, 44)}, {Range: r(44, 65536), InSound: true, To: 113708334}}},
		{"behind the sound", wave, ranges(end, end+9), []span{{Range: r(end, end+9)}}},
		{"all of it", wave, ranges(0, end+9),
			[]span{{Range: r(0, 44)}, {Range: r(44, end), InSound: true, To: time.Minute}, {Range: r(end, end+9)}}},
		{"several", wave, ranges(44, 50, 576044, 576050),
			[]span{{Range: r(44, 50), InSound: true, To: 10417}, {Range: r(576044, 576050), InSound: true, From: time.Second, To: time.Second + 10417}}},
		{"no sound", damage.Layout{}, ranges(7, 9), []span{{Range: r(7, 9)}}},
		{"no rate", damage.Layout{DataLength: 100, BytesPerFrame: 4}, ranges(8, 12), []span{{Range: r(8, 12), InSound: true}}},
		{"compressed", flac, ranges(1500, 1600),
			[]span{{Range: r(1500, 1600), InSound: true, From: 5 * time.Second, To: 6 * time.Second, About: true}}},
		{"to the end of numbers", damage.Layout{DataOffset: 10, DataLength: 1<<63 - 1, BytesPerFrame: 1, Rate: 1},
			[]fixity.Range{{Offset: 1 << 62, Length: 1<<63 - 1}},
			[]span{{Range: r(1<<62, 1<<63-1), InSound: true, From: 1<<63 - 1, To: 1<<63 - 1}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, damage.Times(c.in, c.layout)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Of every byte of two frames of six channels, the channel is the right one.
func TestChannels(t *testing.T) {
	l := damage.Layout{DataOffset: 100, DataLength: 24, BytesPerFrame: 12, BytesPerSample: 2, Channels: 6, Rate: 1}
	for at := int64(100); at < 124; at++ {
		s := damage.Times(ranges(at, at+1), l)
		if want := []int{int(at-100)%12/2 + 1}; len(s) != 1 || !cmp.Equal(s[0].Channels, want) {
			t.Errorf("byte %d: %+v, want channels %v", at, s, want)
		}
	}
	// From the last channel on to the second: in the order of channels.
	if s := damage.Times(ranges(110, 115), l); !cmp.Equal(s[0].Channels, []int{1, 2, 6}) {
		t.Errorf("round the corner: %+v", s)
	}
	l.BytesPerSample = 3 // does not fit the frame: can't be told
	if s := damage.Times(ranges(110, 111), l); s[0].Channels != nil {
		t.Errorf("channels told without reason: %+v", s)
	}
}

func TestDescriptionOnly(t *testing.T) {
	d := fixity.DigestOf(fixity.BLAKE3, make([]byte, 32))
	other := fixity.DigestOf(fixity.BLAKE3, append(make([]byte, 31), 1))
	whole := damage.Sound{Layout: wave, Samples: d}
	with := func(f func(*damage.Sound)) damage.Sound {
		s := whole
		f(&s)
		return s
	}
	for _, c := range []struct {
		name string
		got  damage.Sound
		want bool
	}{
		{"same", whole, true},
		{"samples moved", with(func(s *damage.Sound) { s.Layout.DataOffset = 700 }), true},
		{"other samples", with(func(s *damage.Sound) { s.Samples = other }), false},
		{"samples not known", with(func(s *damage.Sound) { s.Samples = fixity.Digest{} }), false},
		{"played faster", with(func(s *damage.Sound) { s.Layout.Rate = 48000 }), false},
		{"played as mono", with(func(s *damage.Sound) { s.Layout.Channels = 1 }), false},
	} {
		if got := damage.DescriptionOnly(whole, c.got); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	if damage.DescriptionOnly(damage.Sound{}, damage.Sound{}) {
		t.Error("two files of unknown sound are called the same")
	}
}

func TestColumns(t *testing.T) {
	sec := func(from, to float64) damage.Span {
		return damage.Span{InSound: true, From: time.Duration(from * 1e9), To: time.Duration(to * 1e9)}
	}
	for _, c := range []struct {
		name  string
		spans []damage.Span
		want  string
	}{
		{"nothing", nil, ".........."},
		{"a column", []damage.Span{sec(20, 30)}, "..#......."},
		{"two halves", []damage.Span{sec(15, 25)}, ".##......."},
		{"one sample", []damage.Span{sec(99.9999, 100)}, ".........#"},
		{"nothing long", []damage.Span{sec(0, 0)}, "#........."},
		{"the rest", []damage.Span{sec(35, 100)}, "...#######"},
		{"behind the end", []damage.Span{sec(200, 300)}, ".........#"},
		{"description", []damage.Span{{}}, ".........."},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got strings.Builder
			for _, hurt := range damage.Columns(c.spans, 100*time.Second, 10) {
				got.WriteString(map[bool]string{false: ".", true: "#"}[hurt])
			}
			if got.String() != c.want {
				t.Errorf("got  %s\nwant %s", got.String(), c.want)
			}
		})
	}
	if damage.Columns(nil, 0, 60) != nil || damage.Columns(nil, time.Second, 0) != nil {
		t.Error("there are columns of nothing")
	}
	if got := damage.Clock(26*time.Hour + 3*time.Minute + 4*time.Second + 5999*time.Microsecond); got != "26:03:04.005" {
		t.Errorf("clock: %s", got)
	}
}
