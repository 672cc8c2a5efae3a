package cdda_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"testing"

	"firmus/replicas/optical/cdda"
)

// TestChanged is the same recording with other samples, as burning programs that
// level, dither or convert make it.
func TestChanged(t *testing.T) {
	rec := recordings()
	each := func(f func([]byte) []byte) [][]byte {
		var out [][]byte
		for _, r := range rec {
			out = append(out, f(r))
		}
		return out
	}
	inverted := func(b []byte) []byte {
		out := make([]byte, len(b))
		for i := range len(b) / 4 {
			l, r := at(b, i)
			put(out, i, -l, -r)
		}
		return out
	}
	// A filter that delays by half a sample, as a bad resampler does.
	between := func(b []byte) []byte {
		out := make([]byte, len(b))
		for i := range len(b)/4 - 1 {
			l, r := at(b, i)
			m, s := at(b, i+1)
			put(out, i, (l+m)/2, (r+s)/2)
		}
		return out
	}
	for _, tc := range []struct {
		name     string
		disc     [][]byte
		gain     float64
		within   float64
		inverted bool
	}{
		{"1.8 dB louder", each(func(b []byte) []byte { return louder(b, 1.8, false) }), 1.8, 0.01, false},
		{"1.8 dB louder, with dither", each(func(b []byte) []byte { return louder(b, 1.8, true) }), 1.8, 0.01, false},
		{"6 dB softer, with dither", each(func(b []byte) []byte { return louder(b, -6, true) }), -6, 0.01, false},
		{"dither only", each(func(b []byte) []byte { return louder(b, 0, true) }), 0, 0.01, false},
		{"upside down", each(inverted), 0, 0.01, true},
		{"between the samples", each(between), 0, 0.5, false},
	} {
		offsets := []int{667, -1500}
		if testing.Short() {
			offsets = offsets[:1]
		}
		for _, offset := range offsets {
			t.Run(fmt.Sprintf("%s at %d", tc.name, offset), func(t *testing.T) {
				r := compare(t, burn(tc.disc, cdda.Pause).read(offset), sources(rec...), cdda.Options{})
				if got := verdicts(r); got != "changed: changed changed changed" || r.Located || r.Verdict.Exact() {
					t.Fatalf("%s, located %v", got, r.Located)
				}
				for _, h := range r.Sources {
					l := h.Likeness
					if math.Abs(l.GainDB-tc.gain) > tc.within || l.SpreadDB > 2*tc.within || l.Correlation < 0.95 || l.Inverted != tc.inverted ||
						math.Abs(l.Offset-float64(offset)) > 1 || l.Alike != l.Windows {
						t.Errorf("%+v", l)
					}
				}
			})
		}
	}
}

// TestFormats compares with sources that a disc can't hold as they are.
func TestFormats(t *testing.T) {
	rec := recordings()[0]
	n := len(rec) / cdda.SampleBytes
	mono := make([]byte, 0, 2*n)
	deep := make([]byte, 0, 6*n)
	both := make([]byte, 0, 4*n)
	for i := range n {
		l, r := at(rec, i)
		mono = binary.LittleEndian.AppendUint16(mono, uint16(clip((l+r)/2)))
		m := clip((l + r) / 2)
		both = binary.LittleEndian.AppendUint16(both, uint16(m))
		both = binary.LittleEndian.AppendUint16(both, uint16(m))
		for _, v := range []float64{l, r} {
			x := int32(v)*256 + int32(i%200) - 100
			deep = append(deep, byte(x), byte(x>>8), byte(x>>16))
		}
	}
	for _, tc := range []struct {
		name   string
		pcm    []byte
		format cdda.Format
		disc   []byte
		want   cdda.Verdict
	}{
		{"24 bits, rounded", deep, cdda.Format{Rate: 44100, Channels: 2, Bits: 24}, rec, cdda.Identical},
		{"24 bits, dithered", deep, cdda.Format{Rate: 44100, Channels: 2, Bits: 24}, louder(rec, 0, true), cdda.Alike},
		{"one channel", mono, cdda.Format{Rate: 44100, Channels: 1, Bits: 16}, both, cdda.Identical},
		{"24 bits, another recording", deep, cdda.Format{Rate: 44100, Channels: 2, Bits: 24}, music(50, n), cdda.Other},
		{"24 bits, silent disc", deep, cdda.Format{Rate: 44100, Channels: 2, Bits: 24}, make([]byte, len(rec)), cdda.Differs},
		{"24 bits, silent both", make([]byte, len(deep)), cdda.Format{Rate: 44100, Channels: 2, Bits: 24}, make([]byte, len(rec)), cdda.SaysNothing},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := []cdda.Source{{Name: "a", PCM: bytes.NewReader(tc.pcm), Samples: int64(n), Format: tc.format}}
			r := compare(t, burn([][]byte{tc.disc}, 0).read(30), s, cdda.Options{})
			if r.Verdict != tc.want || r.Located && tc.want == cdda.Alike {
				t.Errorf("%s %+v", verdicts(r), r.Sources[0].Likeness)
			}
			if l := r.Sources[0].Likeness; tc.want == cdda.Alike && (math.Abs(l.GainDB) > 0.05 || math.Abs(l.Offset-30) > 0.1) {
				t.Errorf("%+v", l)
			}
		})
	}
	t.Run("one source of two is exact", func(t *testing.T) {
		s := sources(recordings()[1], nil)
		s[1] = cdda.Source{Name: "b", PCM: bytes.NewReader(deep), Samples: int64(n), Format: cdda.Format{Rate: 44100, Channels: 2, Bits: 24}}
		r := compare(t, burn([][]byte{recordings()[1], rec}, cdda.Pause).read(30), s, cdda.Options{})
		if got := verdicts(r); got != "identical: identical identical" || r.Offset != 30 {
			t.Errorf("%s at %d", got, r.Offset)
		}
	})
}

// sox runs the converter over bare samples.
func sox(t *testing.T, in []byte, args ...string) []byte {
	t.Helper()
	if _, err := exec.LookPath("sox"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal("sox is not installed")
		}
		t.Skip("sox is not installed")
	}
	cmd := exec.CommandContext(t.Context(), "sox", args...)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("sox %q: %v", args, err)
	}
	return out
}

// TestResampled burns what sox makes of a recording of 48 and of 96 kHz: held
// against that recording, and against another conversion of it.
func TestResampled(t *testing.T) {
	rates := []int{48_000, 96_000}
	if testing.Short() {
		rates = rates[:1]
	}
	for _, rate := range rates {
		master := music(1, 10*rate) // of that rate here
		raw := []string{"-t", "raw", "-e", "signed", "-b", "16", "-c", "2", "-r", fmt.Sprint(rate), "-"}
		to := []string{"-t", "raw", "-b", "16", "-r", "44100", "-"}
		disc := burn([][]byte{sox(t, master, append(append(raw, to...), "rate", "-v")...)}, 0).read(-102)
		s := []cdda.Source{{Name: "a", PCM: bytes.NewReader(master), Samples: int64(10 * rate), Format: cdda.Format{Rate: rate, Channels: 2, Bits: 16}}}
		r := compare(t, disc, s, cdda.Options{})
		l := r.Sources[0].Likeness
		if r.Verdict != cdda.Alike || math.Abs(l.GainDB) > 0.2 || math.Abs(l.Offset+102) > 0.1 {
			t.Errorf("%d: %s %+v", rate, verdicts(r), l)
		}
		quick := sox(t, master, append(append(raw, to...), "rate", "-l")...)
		r = compare(t, disc, sources(quick), cdda.Options{})
		l = r.Sources[0].Likeness
		if r.Verdict != cdda.Changed || math.Abs(l.GainDB) > 0.2 || math.Abs(l.Offset+102) > 0.1 {
			t.Errorf("%d: %s %+v", rate, verdicts(r), l)
		}
	}
}
