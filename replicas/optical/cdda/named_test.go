package cdda_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"firmus/replicas/optical/cdda"
)

func noised(b []byte) {
	rng := rand.New(rand.NewPCG(9, 9))
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
}

// each changes every sample of both channels.
func each(b []byte, f func(l, r uint16) (uint16, uint16)) []byte {
	out := make([]byte, len(b))
	for i := 0; i < len(b); i += 4 {
		l, r := f(binary.LittleEndian.Uint16(b[i:]), binary.LittleEndian.Uint16(b[i+2:]))
		binary.LittleEndian.PutUint16(out[i:], l)
		binary.LittleEndian.PutUint16(out[i+2:], r)
	}
	return out
}

// silence is so many sectors of it.
func silence(sectors int) []byte { return make([]byte, sectors*cdda.SectorBytes) }

// told is a result in a line: the verdicts, forms, breaks, and how much differs.
func told(r cdda.Result) string {
	s := verdicts(r)
	var forms []string
	for _, h := range r.Sources {
		if h.Form != "" && !slices.Contains(forms, string(h.Form)) {
			forms = append(forms, string(h.Form))
		}
	}
	if len(forms) > 0 {
		s += " " + strings.Join(forms, " ")
	}
	for _, b := range r.Breaks {
		s += fmt.Sprintf(" break %d -%d +%d", b.Source, b.LeftOut, b.PutIn)
	}
	return s
}

// TestIdenticalSoundIsNeverAnotherDisc: what became of a disc is named as what it is, and
// tracks that are as they were burned are intact whatever is wrong with the others.
func TestIdenticalSoundIsNeverAnotherDisc(t *testing.T) {
	rec := recordings()
	long := music(21, 50*second)
	other := music(77, 15*second)
	same := func(list ...[]byte) [][]byte { return list }
	all := func(f func(l, r uint16) (uint16, uint16)) [][]byte {
		var out [][]byte
		for _, r := range rec {
			out = append(out, each(r, f))
		}
		return out
	}
	swap := func(v uint16) uint16 { return v<<8 | v>>8 }
	const four = cdda.SampleBytes
	at := 20 * second * four
	for _, tc := range []struct {
		name    string
		disc    [][]byte
		sources [][]byte // nil: the recordings
		want    string
		differ  int64 // sectors at most
	}{
		{"half a minute of silence before", same(append(silence(30*75), rec[0]...), rec[1], rec[2]), nil, "identical: identical identical identical", 0},
		{"half a minute of silence before one recording", same(append(silence(30*75), long...)), same(long), "identical: identical", 0},
		{"3,100 samples of silence before each", same(append(make([]byte, 3100*four), rec[0]...), append(make([]byte, 3100*four), rec[1]...), append(make([]byte, 3100*four), rec[2]...)), nil, "identical: identical identical identical", 0},
		{"silence within a track", same(slices.Concat(long[:at], silence(375), long[at:])), same(long), "differs: differs break 0 -0 +220500", 0},
		{"ten seconds left out", same(slices.Concat(long[:at], long[at+10*second*four:])), same(long), "differs: differs break 0 -441000 +0", 0},
		{"ten seconds put in", same(slices.Concat(long[:at], other[:10*second*four], long[at:])), same(long), "differs: differs break 0 -0 +441000", 751},
		{"the order reversed", same(rec[2], rec[1], rec[0]), nil, "reordered: identical identical identical", 0},
		{"one track foreign", same(rec[0], other, rec[2]), nil, "differs: identical other identical", 1200},
		{"one track missing", same(rec[0], rec[2]), nil, "differs: identical missing identical", 0},
		{"the first missing", same(rec[1], rec[2]), nil, "differs: missing identical identical", 0},
		{"the last missing", same(rec[0], rec[1]), nil, "differs: identical identical missing", 0},
		{"one track silent", same(rec[0], make([]byte, len(rec[1])), rec[2]), nil, "differs: identical differs identical", 1200},
		{"all silent", same(make([]byte, len(rec[0])), make([]byte, len(rec[1])), make([]byte, len(rec[2]))), nil, "differs: differs differs differs", 1 << 20},
		{"channels exchanged", all(func(l, r uint16) (uint16, uint16) { return r, l }), nil, "changed: changed changed changed channels-exchanged", 0},
		{"bytes exchanged", all(func(l, r uint16) (uint16, uint16) { return swap(l), swap(r) }), nil, "changed: changed changed changed bytes-exchanged", 0},
		{"the right channel lost", all(func(l, r uint16) (uint16, uint16) { return l, 0 }), nil, "changed: changed changed changed right-lost", 0},
		{"the left channel lost", all(func(l, r uint16) (uint16, uint16) { return 0, r }), nil, "changed: changed changed changed left-lost", 0},
		{"the left in both", all(func(l, r uint16) (uint16, uint16) { return l, l }), nil, "changed: changed changed changed left-in-both", 0},
		{"channels exchanged in one track", same(rec[0], each(rec[1], func(l, r uint16) (uint16, uint16) { return r, l }), rec[2]), nil, "differs: identical changed identical channels-exchanged", 0},
	} {
		for _, offset := range []int{0, 102} {
			t.Run(fmt.Sprintf("%s at %d", tc.name, offset), func(t *testing.T) {
				src := tc.sources
				if src == nil {
					src = rec
				}
				r := compare(t, burn(tc.disc, 0).read(offset), sources(src...), cdda.Options{})
				if got := told(r); got != tc.want {
					t.Errorf("%s, not %s; %d differ, offset %d", got, tc.want, r.DifferingAll, r.Offset)
				}
				if r.DifferingAll > tc.differ {
					t.Errorf("%d sectors differ: %v", r.DifferingAll, r.Differing)
				}
			})
		}
	}
	t.Run("every second sector noise", func(t *testing.T) {
		good := burn(same(long), 0)
		n := int64(0)
		d := good.edit(func(pcm []byte) {
			for s := int64(0); s < int64(len(pcm)/cdda.SectorBytes); s += 2 {
				noised(sectorOf(pcm, s))
				n++
			}
		}).read(0)
		r := compare(t, d, sources(long), cdda.Options{})
		if verdicts(r) != "differs: differs" || r.DifferingAll != n {
			t.Errorf("%s, %d of %d", verdicts(r), r.DifferingAll, n)
		}
	})
}

// TestMonoIsComparedExactly: one channel stands in both.
func TestMonoIsComparedExactly(t *testing.T) {
	rec := music(3, 20*second)
	n := len(rec) / 4
	mono := make([]byte, 2*n)
	for i := range n {
		copy(mono[2*i:], rec[4*i:4*i+2])
	}
	both := each(rec, func(l, _ uint16) (uint16, uint16) { return l, l })
	for _, tc := range []struct {
		name string
		edit func([]byte)
		want string
	}{
		{"as it is", func([]byte) {}, "identical: identical"},
		{"one bit", func(b []byte) { b[500*cdda.SectorBytes+2] ^= 1 }, "differs: differs"},
		{"half of it muted", func(b []byte) { clear(b[len(b)/2:]) }, "differs: differs"},
		{"a hundred sectors of noise", func(b []byte) { noised(b[300*cdda.SectorBytes : 400*cdda.SectorBytes]) }, "differs: differs"},
		{"the right channel silent", func(b []byte) {
			for i := 0; i < len(b); i += 4 {
				b[i+2], b[i+3] = 0, 0
			}
		}, "changed: changed right-lost"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := burn([][]byte{both}, 0).edit(tc.edit).read(30)
			s := []cdda.Source{{Name: "a", PCM: bytes.NewReader(mono), Samples: int64(n), Format: cdda.Format{Rate: 44100, Channels: 1, Bits: 16}}}
			if r := compare(t, d, s, cdda.Options{}); told(r) != tc.want {
				t.Errorf("%s, not %s, %d differ", told(r), tc.want, r.DifferingAll)
			}
		})
	}
}

// TestALikenessIsNeverOfHalfADisc: what was converted can only be alike, and is so with
// every sector and to its end.
func TestALikenessIsNeverOfHalfADisc(t *testing.T) {
	const rate = 48_000
	master := music(1, 40*rate)
	raw := []string{"-t", "raw", "-e", "signed", "-b", "16", "-c", "2", "-r", fmt.Sprint(rate), "-"}
	disc := sox(t, master, append(raw, "-t", "raw", "-b", "16", "-r", "44100", "-", "rate", "-v")...)
	src := func() []cdda.Source {
		return []cdda.Source{{Name: "a", PCM: bytes.NewReader(master), Samples: 40 * rate, Format: cdda.Format{Rate: rate, Channels: 2, Bits: 16}}}
	}
	good := burn([][]byte{disc}, 0)
	for _, tc := range []struct {
		name   string
		disc   burned
		want   cdda.Verdict
		differ [2]int64 // sectors, from and to
	}{
		{"as it is", good, cdda.Alike, [2]int64{0, 0}},
		{"softer", burn([][]byte{louder(disc, -3, false)}, 0), cdda.Changed, [2]int64{0, 0}},
		{"half cut off", burn([][]byte{disc[:len(disc)/2/4*4]}, 0), cdda.Differs, [2]int64{0, 0}},
		{"a second cut off", burn([][]byte{disc[:len(disc)-4*second]}, 0), cdda.Differs, [2]int64{0, 0}},
		{"45 % muted", good.edit(func(b []byte) { clear(b[len(b)/4/4*4:][:len(b)*45/100/4*4]) }), cdda.Differs, [2]int64{1340, 1352}},
		{"a hundred sectors of noise", good.edit(func(b []byte) { noised(b[1000*cdda.SectorBytes : 1100*cdda.SectorBytes]) }), cdda.Differs, [2]int64{100, 101}},
		{"a sector muted", good.edit(func(b []byte) { clear(b[1000*cdda.SectorBytes : 1001*cdda.SectorBytes]) }), cdda.Differs, [2]int64{1, 2}},
		{"other sound for two seconds", good.edit(func(b []byte) { copy(b[1000*cdda.SectorBytes:1150*cdda.SectorBytes], music(44, 2*second)) }), cdda.Differs, [2]int64{149, 151}},
		{"a skip", burn([][]byte{slices.Concat(disc[:20*second*4], disc[20*second*4+4*1000:])}, 0), cdda.Differs, [2]int64{0, 3}},
		{"another recording", burn([][]byte{music(45, 40*second)}, 0), cdda.Other, [2]int64{0, 0}},
		{"channels exchanged", burn([][]byte{each(disc, func(l, r uint16) (uint16, uint16) { return r, l })}, 0), cdda.Changed, [2]int64{0, 0}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if testing.Short() && tc.name != "as it is" && tc.name != "a skip" {
				t.Skip("each takes seconds, and minutes under the race detector")
			}
			r := compare(t, tc.disc.read(-102), src(), cdda.Options{})
			if r.Verdict != tc.want || r.DifferingAll < tc.differ[0] || r.DifferingAll > tc.differ[1] {
				t.Errorf("%s, %d differ: %v; %+v", told(r), r.DifferingAll, r.Differing, r.Sources[0])
			}
		})
	}
}

// TestOnlyALevelIsALevel: a level, however it was dithered, leaves nothing else of a
// sector; a copy by a lossy coder or with a skip does.
func TestOnlyALevelIsALevel(t *testing.T) {
	rec := music(5, 30*second)
	loud := louder(rec, 1.8, true)
	for _, tc := range []struct {
		name string
		disc []byte
		even bool
		want cdda.Verdict
	}{
		{"a level", louder(rec, 1.8, false), true, cdda.Changed},
		{"a level and dither", loud, true, cdda.Changed},
		{"two levels", slices.Concat(loud[:len(loud)/2/4*4], louder(rec, 2.8, true)[len(loud)/2/4*4:]), false, cdda.Changed},
		{"a little noise", func() []byte {
			b := bytes.Clone(loud)
			rng := rand.New(rand.NewPCG(3, 3))
			return each(b, func(l, r uint16) (uint16, uint16) { return l + uint16(rng.IntN(31)-15), r + uint16(rng.IntN(31)-15) })
		}(), false, cdda.Changed},
		{"a level and a skip", slices.Concat(loud[:20*second*4], loud[20*second*4+4*900:]), false, cdda.Differs},
		{"a level and ten seconds cut off", loud[:20*second*4], false, cdda.Differs},
		{"a level and a hundred sectors muted", func() []byte { b := bytes.Clone(loud); clear(b[1000*2352 : 1100*2352]); return b }(), false, cdda.Differs},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := compare(t, burn([][]byte{tc.disc}, 0).read(30), sources(rec), cdda.Options{})
			if l := r.Sources[0].Likeness; r.Verdict != tc.want || l.Even != tc.even {
				t.Errorf("%s, %+v", told(r), l)
			}
		})
	}
}
