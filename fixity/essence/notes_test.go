package essence_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity/essence"
	"firmus/fixity/essence/aiff"
	"firmus/fixity/essence/sound"
)

// fmt24 and a are 24 bit stereo at 48 kHz, 100 frames: 44 bytes of header, 600 of
// samples.
var (
	fmt24 = plain(1, 2, 48000, 3, 24)
	a     = noise(600)
	good  = riff(fmt24, data(a))
	aif   = form("AIFF", comm(2, 100, 24), ssnd(a))
)

// size32 puts a size into a file: little endian into RIFF, big endian into FORM.
func size32(file []byte, at int, n uint32) []byte {
	file = append([]byte{}, file...)
	if string(file[:4]) == "FORM" {
		binary.BigEndian.PutUint32(file[at:], n)
	} else {
		binary.LittleEndian.PutUint32(file[at:], n)
	}
	return file
}

func size64(file []byte, at int, n uint64) []byte {
	file = append([]byte{}, file...)
	binary.LittleEndian.PutUint64(file[at:], n)
	return file
}

func TestNotes(t *testing.T) {
	type note = essence.Note
	rf := long("RF64", a, 100, fmt24)
	odd := a[:599]
	for _, c := range []struct {
		name   string
		file   []byte
		notes  []note
		whole  sound.Wholeness
		frames int64 // that are digested
	}{
		{"sound", good, nil, sound.Whole, 100},
		{"cut inside the samples", good[:444], []note{{Code: sound.PartFrame, At: 440, Length: 4}, {Code: sound.DataBeyondEnd, At: 444, Length: 200}}, sound.Broken, 66},
		{"cut before the samples", good[:44], []note{{Code: sound.DataBeyondEnd, At: 44, Length: 600}, {Code: sound.DataEmpty, At: 44}}, sound.Broken, 0},
		{"cut behind the format", good[:36], []note{{Code: sound.FormBeyondEnd, At: 36, Length: 608}, {Code: sound.NoData, At: 36}}, sound.Broken, 0},
		{"cut inside the format", good[:30], []note{{Code: sound.ChunkBeyondEnd, At: 30, Length: 6}, {Code: sound.NoData, At: 30}, {Code: sound.NoFormat, At: 30}}, sound.Broken, 0},
		{"cut inside a chunk behind the samples", riff(fmt24, data(a), chunk("LIST", a))[:700], []note{{Code: sound.ChunkBeyondEnd, At: 700, Length: 552}}, sound.Broken, 100},
		{"cut between chunks", riff(fmt24, data(a), chunk("LIST", a))[:644], []note{{Code: sound.FormBeyondEnd, At: 644, Length: 608}}, sound.Broken, 100},
		{"cut inside a chunk's header", riff(fmt24, data(a), chunk("LIST", a))[:648], []note{{Code: sound.Trailing, At: 644, Length: 4}, {Code: sound.FormBeyondEnd, At: 648, Length: 604}}, sound.Broken, 100},
		{"no data chunk", riff(fmt24, chunk("LIST", a)), []note{{Code: sound.NoData, At: 644}}, sound.Broken, 0},
		{"no format", riff(data(a)), []note{{Code: sound.NoFormat, At: 620}}, sound.Broken, 0},
		{"format behind the samples", riff(data(a), fmt24), []note{{Code: sound.FormatLate, At: 644}}, sound.Whole, 0},
		{"empty data chunk", riff(fmt24, data(nil)), []note{{Code: sound.DataEmpty, At: 44}}, sound.Broken, 0},
		{"second data chunk", riff(fmt24, data(a), data(a[:6])), []note{{Code: sound.TwoData, At: 644, Length: 6}}, sound.Whole, 100},
		{"short format", riff(chunk("fmt ", a[:14]), data(a)), []note{{Code: sound.FormatOdd, At: 34}}, sound.Untold, 0},
		{"short extensible format", riff(chunk("fmt ", replace(extensible(1, 2, 48000, 3, 24)[8:], 0)[:38]), data(a)), []note{{Code: sound.FormatOdd, At: 58}}, sound.Untold, 0},
		{"no channels", riff(plain(1, 0, 48000, 3, 24), data(a)), []note{{Code: sound.FormatOdd, At: 36}}, sound.Untold, 0},
		{"no rate", riff(plain(1, 2, 0, 3, 24), data(a)), []note{{Code: sound.FormatOdd, At: 36}}, sound.Untold, 0},
		{"frames too short for their bits", riff(plain(1, 2, 48000, 2, 24), data(a)), []note{{Code: sound.FormatOdd, At: 36}}, sound.Untold, 0},
		{"samples too wide", riff(plain(1, 2, 48000, 9, 24), data(a)), []note{{Code: sound.FormatOdd, At: 36}}, sound.Untold, 0},
		{"float of 24 bits", riff(plain(3, 2, 48000, 3, 24), data(a)), []note{{Code: sound.FormatOdd, At: 36}}, sound.Untold, 0},
		{"half a frame at the end", riff(fmt24, data(a[:596])), []note{{Code: sound.PartFrame, At: 638, Length: 2}}, sound.Whole, 99},

		{"streamed: both sizes unset", size32(size32(good, 4, math.MaxUint32), 40, math.MaxUint32), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"streamed: both sizes 0", size32(size32(good, 4, 0), 40, 0), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"streamed: form 8, samples 0", size32(size32(good, 4, 8), 40, 0), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"streamed: the header alone is counted", size32(size32(good, 4, 36), 40, 0), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"streamed: 2 GiB less a little", size32(size32(good, 4, 0x7fffeffc+36), 40, 0x7fffeffc), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"2 GiB less something else", size32(size32(good, 4, 0x7fffeff0+36), 40, 0x7fffeff0), []note{{Code: sound.DataBeyondEnd, At: 644, Length: 0x7fffeff0 - 600}}, sound.Broken, 100},
		{"only the form's size is 0", size32(good, 4, 0), []note{{Code: sound.FormSize, At: 4}}, sound.Whole, 100},
		{"the form is too short", size32(good, 4, 36), []note{{Code: sound.FormSize, At: 44, Length: 600}}, sound.Whole, 100},
		{"the form is too long", size32(good, 4, 700), []note{{Code: sound.FormBeyondEnd, At: 644, Length: 64}}, sound.Broken, 100},

		{"odd, padded", riff(plain(1, 1, 8000, 1, 8), data(odd), chunk("LIST", a[:3])), nil, sound.Whole, 599},
		{"odd, not padded", riff(plain(1, 1, 8000, 1, 8), data(odd)[:607], chunk("LIST", a[:4])), []note{{Code: sound.PadMissing, At: 643, Length: 1}}, sound.Whole, 599},
		{"odd, not padded, at the end", riff(plain(1, 1, 8000, 1, 8), data(odd)[:607]), []note{{Code: sound.PadMissing, At: 643, Length: 1}}, sound.Whole, 599},
		{"odd, padding counted but not there", riff(plain(1, 1, 8000, 1, 8), data(odd))[:643], []note{{Code: sound.PadMissing, At: 643, Length: 1}}, sound.Whole, 599},
		{"odd, padded, padding not counted", size32(riff(plain(1, 1, 8000, 1, 8), data(odd)), 4, 635), nil, sound.Whole, 599},
		{"bytes behind the end", join(good, a[:100]), []note{{Code: sound.Trailing, At: 644, Length: 100}}, sound.Whole, 100},
		{"a few bytes behind the end", join(good, a[:3]), []note{{Code: sound.Trailing, At: 644, Length: 3}}, sound.Whole, 100},
		{"a tag behind the end", join(good, []byte("TAGQuillmere Valley"), make([]byte, 109)), []note{{Code: sound.Trailing, At: 644, Length: 128}}, sound.Whole, 100},
		{"a chunk behind the end", join(good, chunk("id3 ", a[:10])), []note{{Code: sound.FormSize, At: 644, Length: 18}}, sound.Whole, 100},
		{"short bext", riff(chunk("bext", []byte("QV-0107")), fmt24, data(a)), []note{{Code: sound.BextShort, At: 20, Length: 595}}, sound.Whole, 100},
		{"too many chunks", join(le("RIFF", uint32(0), "WAVE"), bytes.Repeat(chunk("JUNK", nil), 10001)),
			[]note{{Code: sound.FormSize, At: 4}, {Code: sound.ManyChunks, At: 12 + 80000, Length: 8}, {Code: sound.NoData, At: 80020}, {Code: sound.NoFormat, At: 80020}}, sound.Broken, 0},

		{"rf64", rf, nil, sound.Whole, 100},
		{"rf64, with the true size beside it", size32(rf, 76, 600), nil, sound.Whole, 100},
		{"rf64, cut", rf[:380], []note{{Code: sound.DataBeyondEnd, At: 380, Length: 300}}, sound.Broken, 50},
		{"rf64 without ds64", join(rf[:12], rf[48:]), []note{{Code: sound.DS64Missing, At: 12}}, sound.Broken, 100},
		{"rf64, other samples' size beside it", size32(rf, 76, 594), []note{{Code: sound.DS64Wrong, At: 20}, {Code: sound.Trailing, At: 674, Length: 6}}, sound.Whole, 99},
		{"rf64, too few in ds64", size64(rf, 28, 594), []note{{Code: sound.DS64Wrong, At: 20}, {Code: sound.Trailing, At: 674, Length: 6}}, sound.Whole, 99},
		{"rf64, other number of samples", size64(rf, 36, 99), []note{{Code: sound.DS64Wrong, At: 20}}, sound.Whole, 100},
		{"bw64, any number of samples", size64(replace(rf, 0, 'B', 'W'), 36, 99), nil, sound.Whole, 100},
		{"rf64, form too long", size64(rf, 20, 900), []note{{Code: sound.FormBeyondEnd, At: 680, Length: 228}}, sound.Broken, 100},
		{"rf64, form too short", size64(rf, 20, 100), []note{{Code: sound.DS64Wrong, At: 108, Length: 572}}, sound.Whole, 100},
		{"rf64, never completed", size64(size64(rf, 20, 0), 28, 0), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"rf64, sizes beyond all bounds", size64(size64(rf, 20, math.MaxUint64), 28, math.MaxUint64), []note{{Code: sound.DS64Wrong, At: 20}, {Code: sound.DataBeyondEnd, At: 680, Length: 1<<62 - 600}}, sound.Broken, 100},

		{"aiff", aif, nil, sound.Whole, 100},
		{"aiff, cut", aif[:354], []note{{Code: sound.DataBeyondEnd, At: 354, Length: 300}}, sound.Broken, 50},
		{"aiff, cut inside SSND's head", aif[:50], []note{{Code: sound.DataEmpty, At: 46}, {Code: sound.DataBeyondEnd, At: 50, Length: 604}}, sound.Broken, 0},
		{"aiff, more samples promised", size32(aif, 22, 101), []note{{Code: sound.CountWrong, At: 38, Length: 6}}, sound.Whole, 100},
		{"aiff, fewer samples promised", size32(aif, 22, 50), []note{{Code: sound.CountWrong, At: 38, Length: 300}}, sound.Whole, 50},
		{"aiff, no samples promised", size32(aif, 22, 0), []note{{Code: sound.CountWrong, At: 38, Length: 600}}, sound.Whole, 100},
		{"aiff, description behind the samples", form("AIFF", ssnd(a), comm(2, 100, 24)), []note{{Code: sound.FormatLate, At: 654}}, sound.Whole, 0},
		{"aiff, nothing but a name", form("AIFF", ckunk("NAME", []byte("QV-0107"))), []note{{Code: sound.NoData, At: 28}, {Code: sound.NoFormat, At: 28}}, sound.Broken, 0},
		{"aiff, two SSND", form("AIFF", comm(2, 100, 24), ssnd(a), ssnd(a[:6])), []note{{Code: sound.TwoData, At: 654, Length: 14}}, sound.Whole, 100},
		{"aiff, samples further behind", form("AIFF", comm(2, 100, 24), ckunk("SSND", be(uint32(16), uint32(0), make([]byte, 16), a))), nil, sound.Whole, 100},
		{"aiff, samples beyond the chunk", form("AIFF", comm(2, 100, 24), ckunk("SSND", be(uint32(1<<31), uint32(0), a))), []note{{Code: sound.CountWrong, At: 38, Length: 600}, {Code: sound.DataEmpty, At: 46}}, sound.Broken, 0},
		{"aiff, streamed: all 0", size32(size32(size32(aif, 4, 0), 22, 0), 42, 0), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"aiff, streamed: 2 GiB less a little", size32(size32(size32(aif, 4, 0x7f00004c), 22, 0x152aaaaa), 42, 0x7f000004), []note{{Code: sound.HeaderOpen, At: 4}}, sound.Untold, 100},
		{"aiff, only the form's size is 0", size32(aif, 4, 0), []note{{Code: sound.FormSize, At: 4}}, sound.Whole, 100},
		{"aiff, short description", form("AIFF", ckunk("COMM", a[:16]), ssnd(a)), []note{{Code: sound.FormatOdd, At: 36}}, sound.Untold, 0},
		{"aifc, short description", form("AIFC", comm(2, 100, 24), ssnd(a)), []note{{Code: sound.FormatOdd, At: 38}}, sound.Untold, 0},
		{"aiff, channels below zero", form("AIFF", comm(-2, 100, 24), ssnd(a)), []note{{Code: sound.FormatOdd, At: 38}}, sound.Untold, 0},
		{"aiff, bits below zero", form("AIFF", comm(2, 100, -24), ssnd(a)), []note{{Code: sound.FormatOdd, At: 38}}, sound.Untold, 0},
		{"aiff, a rate that is no number", replace(aif, 28, 0x7f, 0xff), []note{{Code: sound.FormatOdd, At: 38}}, sound.Untold, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, notes := read(t, c.file)
			if diff := cmp.Diff(c.notes, notes); diff != "" {
				t.Errorf("notes (-want +got):\n%s", diff)
			}
			if got := sound.Judge(notes); got != c.whole {
				t.Errorf("%s, want %s", got, c.whole)
			}
			if s.Samples.IsZero() != (c.frames == 0) || c.frames > 0 && s.Frames != c.frames {
				t.Errorf("%d frames, samples %v; want %d", s.Frames, s.Samples, c.frames)
			}
		})
	}
}

// Cut to any length, a file is never called whole; and of every length that has
// some frames, those are digested.
func TestEveryLength(t *testing.T) {
	for name, file := range map[string][]byte{
		"wave": good, "broadcast": riff(bext(""), fmt24, data(a)), "rf64": long("RF64", a, 100, fmt24), "aiff": aif,
		"tagged": riff(fmt24, data(a), chunk("LIST", a[:40])),
	} {
		for n := range file {
			_, notes := read(t, file[:n])
			if sound.Judge(notes) == sound.Whole {
				t.Errorf("%s, cut to %d of %d, is called whole: %+v", name, n, len(file), notes)
			}
		}
	}
}

func TestSilence(t *testing.T) {
	quiet := func(n int) []byte { return make([]byte, 6*n) }
	loud := func(n int) []byte { return noise(6 * n) }
	at := func(frame int64) time.Duration { return sound.Sound{Rate: 48000}.At(frame) }
	z := func(from, to int64) essence.Note {
		return essence.Note{Code: sound.Zeros, At: 44 + 6*from, Length: 6 * (to - from), From: at(from), To: at(to)}
	}
	for _, c := range []struct {
		name    string
		samples []byte
		silent  int64 // frames in all, those at both ends too
		stretch int64 // in the longest
		want    []essence.Note
	}{
		{"none", loud(20000), 0, 0, nil},
		{"0.1 s", join(loud(1000), quiet(4800), loud(1000)), 0, 0, nil},
		{"a frame more", join(loud(1000), quiet(4801), loud(1000)), 4801, 4801, []essence.Note{z(1000, 5801)}},
		{"at the beginning", join(quiet(9000), loud(1000)), 9000, 9000, nil},
		{"at the end", join(loud(1000), quiet(9000)), 9000, 9000, nil},
		{"all of it", quiet(9000), 9000, 9000, nil},
		{"two", join(quiet(9000), loud(50), quiet(5000), loud(50), quiet(90000), loud(1), quiet(9000)), 113000, 90000, []essence.Note{z(9050, 14050), z(14100, 104100)}},
		{"not from frame to frame", join(loud(1000), quiet(4801)[:6*4801-1], loud(1000), []byte{1}), 0, 0, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, notes := read(t, riff(fmt24, data(c.samples)))
			if s.Silent != at(c.silent) || s.Stretch != at(c.stretch) {
				t.Errorf("silent for %v, %v at once; want %d frames and %d", s.Silent, s.Stretch, c.silent, c.stretch)
			}
			if diff := cmp.Diff(c.want, notes); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
	_, twice := read(t, riff(fmt24, data(a), bytes.Repeat(data(a[:6]), 50)))
	if len(twice) != 8 || twice[7].Count != 42 {
		t.Errorf("%d notes on 50 second data chunks: %+v", len(twice), twice)
	}
	many := bytes.Repeat(join(bytes.Repeat([]byte{0x80}, 801), []byte{1}), 150)
	_, notes := read(t, riff(plain(1, 1, 8000, 1, 8), data(many)))
	if len(notes) != 101 || notes[0].Code != sound.ZerosMore || notes[0].Count != 49 {
		t.Errorf("%d notes, the first is %+v", len(notes), notes[0])
	}
}

// A file that a card's file system made room for, and nobody wrote, is known from one
// of another kind.
func TestAFileOfZerosIsToldFromOneOfAnotherKind(t *testing.T) {
	for _, c := range []struct {
		name string
		file []byte
		want string
	}{
		{"zeros", make([]byte, 70_000), "opaque blank"},
		{"a few zeros", make([]byte, 5), "opaque blank"},
		{"nothing", nil, "opaque"},
		{"a byte at the end", append(make([]byte, 70_000), 1), "opaque"},
		{"a byte at the beginning", append([]byte{1}, make([]byte, 70_000)...), "opaque"},
		{"not text", append(make([]byte, 70_000), 0xff), "opaque"},
	} {
		if _, notes := read(t, c.file); codes(notes) != c.want {
			t.Errorf("%s: notes %q, want %q", c.name, codes(notes), c.want)
		}
	}
}

// huge is a file of zeros with a beginning and an end: too long to be made.
type huge struct {
	head, tail []byte
	size       int64
	most       int64 // bytes that may be read
}

func (h *huge) ReadAt(p []byte, at int64) (int, error) {
	if h.most -= int64(len(p)); h.most < 0 {
		return 0, fmt.Errorf("more was read than there are headers")
	}
	clear(p)
	if at < int64(len(h.head)) {
		copy(p, h.head[at:])
	}
	if end := h.size - int64(len(h.tail)); at >= end {
		copy(p, h.tail[at-end:])
	}
	if at+int64(len(p)) > h.size {
		return 0, io.EOF
	}
	return len(p), nil
}

func TestLongFiles(t *testing.T) {
	const gib = 1 << 30
	list := chunk("LIST", []byte("INFO"))
	header := func(riff, data uint32) []byte { return size32(size32(good[:44], 4, riff), 40, data) }
	rf := func(n uint64, tail int) []byte {
		return size64(size64(size64(long("RF64", a, 0, fmt24)[:80], 20, 72+n+uint64(tail)), 28, n), 36, n/6)
	}
	table := join(le("RF64", uint32(math.MaxUint32), "WAVE"), chunk("ds64", le(uint64(0), uint64(600), uint64(100), uint32(1), "big ", uint64(5*gib))),
		fmt24, le("big ", uint32(math.MaxUint32)))
	for _, c := range []struct {
		name       string
		head, tail []byte
		size       int64
		frames     int64
		codes      string
	}{
		{"rf64 of 6 GiB", rf(6*gib, len(list)), list, 80 + 6*gib + 12, gib, ""},
		{"rf64 of 6 GiB, cut", rf(6*gib, 0), nil, 80 + 3*gib, gib / 2, "data-beyond-end"},
		{"rf64 with another long chunk", table, data(a), int64(len(table)) + 5*gib + 608, 100, ""},
		{"wave that says modulo 4 GiB", header(36+2*gib+12, 2*gib), list, 44 + 6*gib + 12, gib, "size-wrapped"},
		{"wave that ends at 4 GiB", header(math.MaxUint32-8, math.MaxUint32-44), nil, 4*gib - 1, (4*gib - 45) / 6, "pad-missing part-frame size-limit"},
		{"wave that ends near 2 GiB", header(2*gib-4096-8, 2*gib-4096-44), nil, 2*gib - 4096, (2*gib - 4096 - 44) / 6, "size-limit part-frame"},
		{"wave of 3 GiB", header(3*gib+36, 3*gib), nil, 3*gib + 44, gib / 2, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, notes, err := essence.Inspect(&huge{c.head, c.tail, c.size, 2000}, c.size)
			if err != nil {
				t.Fatal(err)
			}
			if got := codes(notes); strings.Join(sorted(got), " ") != strings.Join(sorted(c.codes), " ") || s.Frames != c.frames {
				t.Errorf("%d frames, want %d; notes %q, want %q", s.Frames, c.frames, got, c.codes)
			}
		})
	}
}

func sorted(s string) []string {
	f := strings.Fields(s)
	for i := range f {
		for j := range i {
			if f[i] < f[j] {
				f[i], f[j] = f[j], f[i]
			}
		}
	}
	return f
}

// Numbers of 80 bits, worked out by hand from the layout that AIFF 1.3 names: 1 is
// 2^0, so an exponent of 16383 and a mantissa of 2^63.
func TestExtended(t *testing.T) {
	for _, c := range []struct {
		bytes []byte
		want  float64
	}{
		{[]byte{0x3f, 0xff, 0x80, 0, 0, 0, 0, 0, 0, 0}, 1},
		{[]byte{0x40, 0x0e, 0xac, 0x44, 0, 0, 0, 0, 0, 0}, 44100},
		{[]byte{0x40, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0}, 48000},
		{[]byte{0x40, 0x0f, 0xbb, 0x80, 0, 0, 0, 0, 0, 0}, 96000},
		{[]byte{0x40, 0x0b, 0xfa, 0, 0, 0, 0, 0, 0, 0}, 8000},
		{[]byte{0x40, 0x0d, 0xad, 0xdd, 0x17, 0x45, 0xd1, 0x74, 0x5d, 0x17}, 244800.0 / 11},
		{[]byte{0xc0, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0}, -48000},
		{make([]byte, 10), 0},
		{[]byte{0x7f, 0xff, 0x80, 0, 0, 0, 0, 0, 0, 0}, 0},
		{[]byte{0x7f, 0xfe, 0x80, 0, 0, 0, 0, 0, 0, 0}, 0},
	} {
		if got := aiff.Extended(c.bytes); got != c.want {
			t.Errorf("% x is %v, want %v", c.bytes, got, c.want)
		}
	}
}
