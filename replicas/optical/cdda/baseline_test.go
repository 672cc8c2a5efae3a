package cdda_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical/cdda"
)

// recorded are the recordings, made once.
var recorded = sync.OnceValue(recordings)

func baseline(t testing.TB, d cdda.Disc) cdda.Baseline {
	t.Helper()
	b, err := cdda.NewBaseline(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Validate(); err != nil {
		t.Fatalf("what was made isn't valid: %v", err)
	}
	return b
}

func again(t testing.TB, d cdda.Disc, b cdda.Baseline) cdda.Result {
	t.Helper()
	r, err := cdda.CompareBaseline(t.Context(), d, b, cdda.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A baseline made at one offset holds at any other, and the other way round.
func TestBaselineOffsets(t *testing.T) {
	disc := burn(recorded(), 150)
	offsets := []int{0, 30, -30, 667, -1164}
	for _, made := range offsets {
		b := baseline(t, disc.read(made))
		for _, o := range offsets {
			r := again(t, disc.read(o), b)
			if r.Verdict != cdda.Identical || r.Offset != o-made || !r.Located || r.DifferingAll != 0 {
				t.Errorf("made at %d, read at %d: %s at %d, %+v differ", made, o, r.Verdict, r.Offset, r.Differing)
			}
			// Nearly all is compared: at the edges a group at most.
			all := b.Sectors
			if r.Compared < all-2*cdda.Group || r.Compared > all {
				t.Errorf("made at %d, read at %d: %d of %d sectors compared", made, o, r.Compared, all)
			}
			if (o == made) != (r.EdgeStart+r.EdgeEnd == 0) {
				t.Errorf("made at %d, read at %d: %d and %d samples at the edges", made, o, r.EdgeStart, r.EdgeEnd)
			}
		}
	}
}

func TestBaseline(t *testing.T) {
	flip := func(at ...int64) func(*burned) {
		return func(d *burned) {
			for _, s := range at {
				d.pcm[s*cdda.SectorBytes+1000] ^= 1
			}
		}
	}
	mark := func(lba, n int64, s cdda.State) []cdda.Mark { return []cdda.Mark{{LBA: lba, Count: n, State: s}} }
	silence := func() burned { return burn([][]byte{make([]byte, 20*second*cdda.SampleBytes)}, 0) }
	type reading struct {
		disc   burned
		edit   func(*burned)
		offset int
		marks  []cdda.Mark
	}
	three := func() burned { return burn(recorded(), 0) } // tracks at 0, 1501, 2627; the end at 3528
	one := burn(recorded()[:1], 0)
	short := burned{one.pcm[:1000*cdda.SectorBytes], one.tracks}
	for _, tc := range []struct {
		name          string
		first, second reading
		want          string
		doubtfulEqual int64
	}{
		{"same", reading{disc: three()}, reading{disc: three()}, "identical", 0},
		{"one sector", reading{disc: three()}, reading{disc: three(), edit: flip(1655)}, "differs 1650+10 track 2 00:00:01.74", 0},
		{"neighbouring groups", reading{disc: three()}, reading{disc: three(), edit: flip(1655, 1665)}, "differs 1650+20 track 2 00:00:01.74", 0},
		// Groups lie at the first reading's places: here 667 samples, of two sectors, earlier.
		{
			"one sector at another offset", reading{disc: three()}, reading{disc: three(), edit: flip(1655), offset: 667},
			"differs 1648+11 track 2 00:00:01.72", 0,
		},
		{
			"neighbouring groups at another offset", reading{disc: three()}, reading{disc: three(), edit: flip(1655, 1665), offset: 667},
			"differs 1648+21 track 2 00:00:01.72", 0,
		},
		{"the last group, which is short", reading{disc: three()}, reading{disc: three(), edit: flip(3527)}, "differs 3520+8 track 3 00:00:11.68", 0},
		{
			"many rows", reading{disc: three()}, reading{disc: three(), edit: flip(5, 1005, 2005, 3005)},
			"differs 0+10 track 1 00:00:00.00 1000+10 track 1 00:00:13.25 2000+10 track 2 00:00:06.49 3000+10 track 3 00:00:04.73", 0,
		},
		{
			"a long row", reading{disc: three()}, reading{disc: three(), edit: flip(1655, 1665, 1675, 1685, 1695, 1705, 1715)},
			"differs 1650+70 track 2 00:00:01.74", 0,
		},
		{"what wasn't read first isn't compared", reading{disc: three(), marks: mark(1655, 2, cdda.Unreadable)}, reading{disc: three(), edit: flip(1658)}, "identical", 0},
		{"nor what was doubted", reading{disc: three(), marks: mark(1655, 2, cdda.Doubtful)}, reading{disc: three(), edit: flip(1658)}, "identical", 0},
		{"what isn't read now", reading{disc: three()}, reading{disc: three(), edit: flip(1655), marks: mark(1655, 2, cdda.Unreadable)}, "unread unread 1655+2 track 2 00:00:02.04", 0},
		{
			"unread here, differing there", reading{disc: three()}, reading{disc: three(), edit: flip(3005), marks: mark(1655, 2, cdda.Unreadable)},
			"differs 3000+10 track 3 00:00:04.73 unread 1655+2 track 2 00:00:02.04", 0,
		},
		{"doubted and the same", reading{disc: three()}, reading{disc: three(), marks: mark(1655, 2, cdda.Doubtful)}, "identical", 10},
		{"doubted and another", reading{disc: three()}, reading{disc: three(), edit: flip(1655), marks: mark(1655, 1, cdda.Doubtful)}, "unread 1650+10 track 2 00:00:01.74 doubtful", 0},
		{"another disc", reading{disc: three()}, reading{disc: burn([][]byte{music(11, 47*second)}, 0)}, "other", 0},
		{"silence now", reading{disc: one}, reading{disc: silence()}, "other", 0},
		{"silence first", reading{disc: silence()}, reading{disc: burn([][]byte{music(1, 20*second)}, 0)}, "other 0+1500 track 1 00:00:00.00", 0},
		{"silence both times", reading{disc: silence()}, reading{disc: silence(), offset: 0}, "says-nothing", 0},
		{"cut short", reading{disc: one}, reading{disc: short}, "differs", 0},
		{
			"the first sound comes late", reading{disc: burn([][]byte{slices.Concat(make([]byte, 30*second*cdda.SampleBytes), music(4, second/2))}, 0)},
			reading{disc: burn([][]byte{slices.Concat(make([]byte, 30*second*cdda.SampleBytes), music(4, second/2))}, 0), offset: 30}, "identical", 0,
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var read [2]cdda.Disc
			for i, x := range []reading{tc.first, tc.second} {
				d := burned{bytes.Clone(x.disc.pcm), x.disc.tracks}
				if x.edit != nil {
					x.edit(&d)
				}
				read[i] = d.read(x.offset)
				read[i].Marks = x.marks
			}
			b := baseline(t, read[0])
			r := again(t, read[1], b)
			got := string(r.Verdict)
			for _, x := range r.Differing {
				got += fmt.Sprintf(" %d+%d track %d %s", x.LBA, x.Count, x.Track, x.Time())
				if x.Doubtful {
					got += " doubtful"
				}
			}
			for _, x := range r.Unreadable {
				got += fmt.Sprintf(" unread %d+%d track %d %s", x.LBA, x.Count, x.Track, x.Time())
			}
			if got != tc.want {
				t.Errorf("got  %s\nwant %s", got, tc.want)
			}
			if r.DoubtfulEqual != tc.doubtfulEqual {
				t.Errorf("%d sectors were doubted and are right", r.DoubtfulEqual)
			}
		})
	}
}

// A tone has no stretch that occurs once. It is found all the same, if it is there.
func TestBaselineTone(t *testing.T) {
	tone := make([]byte, 20*second*cdda.SampleBytes)
	for i := range len(tone) / cdda.SampleBytes {
		if i > 3000 {
			v := 9000 * math.Sin(2*math.Pi*float64(i%441)/44.1)
			put(tone, i, v, v)
		}
	}
	other := bytes.Clone(tone)
	for i := range len(other) / cdda.SampleBytes {
		l, _ := at(other, i)
		put(other, i, l/2, l/2)
	}
	disc := burn([][]byte{tone}, 0)
	b := baseline(t, disc.read(30))
	for _, o := range []int{30, 0, -30, 667, -1164} {
		if r := again(t, disc.read(o), b); r.Verdict != cdda.Identical || r.Offset != o-30 {
			t.Errorf("at %d: %s at %d", o, r.Verdict, r.Offset)
		}
	}
	if r := again(t, burn([][]byte{other}, 0).read(30), b); r.Verdict != cdda.Other {
		t.Errorf("another tone: %s at %d", r.Verdict, r.Offset)
	}
	altered := burned{bytes.Clone(disc.pcm), disc.tracks}
	altered.pcm[900*cdda.SectorBytes+1000] ^= 1
	if r := again(t, altered.read(667), b); r.Verdict != cdda.Differs || r.DifferingAll > cdda.Group+1 {
		t.Errorf("altered: %s at %d, %d differ", r.Verdict, r.Offset, r.DifferingAll)
	}
}

// A drive that loses its place on the way hasn't read another disc, nor an altered one.
func TestBaselineSlips(t *testing.T) {
	disc := burn(recorded(), 0)
	for _, tc := range []struct {
		name   string
		at     int64 // sector from which on the second offset holds
		before int
		after  int
		alter  int64 // sector that is altered besides; 0: none
		want   cdda.Verdict
	}{
		{"forwards, in the middle", 1800, 0, 40, 0, cdda.Slipped},
		{"backwards, in the middle", 1804, 30, -20, 0, cdda.Slipped},
		{"between groups", 1750, 0, 588, 0, cdda.Slipped},
		{"near the beginning", 300, 0, 40, 0, cdda.Slipped},
		{"near the end", 3300, 0, 40, 0, cdda.Slipped},
		{"and a sector is altered behind it", 1800, 0, 40, 2005, cdda.Differs},
		{"and a sector is altered before it", 1800, 0, 40, 1005, cdda.Differs},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := baseline(t, disc.read(0))
			d := burned{bytes.Clone(disc.pcm), disc.tracks}
			if tc.alter > 0 {
				d.pcm[tc.alter*cdda.SectorBytes+1000] ^= 1
			}
			pcm := make([]byte, len(d.pcm))
			x, y := d.read(tc.before), d.read(tc.after)
			if _, err := x.PCM.ReadAt(pcm[:tc.at*cdda.SectorBytes], 0); err != nil {
				t.Fatal(err)
			}
			if _, err := y.PCM.ReadAt(pcm[tc.at*cdda.SectorBytes:], tc.at*cdda.SectorBytes); err != nil {
				t.Fatal(err)
			}
			x.PCM = bytes.NewReader(pcm)
			r := again(t, x, b)
			if r.Verdict != tc.want || r.SlipsAll != 1 || len(r.Slips) != 1 {
				t.Fatalf("%s, slips %+v, differing %+v", r.Verdict, r.Slips, r.Differing)
			}
			if s := r.Slips[0]; s.Offset != tc.after || s.LBA < tc.at-2*cdda.Group || s.LBA > tc.at+2 {
				t.Errorf("slips %+v", r.Slips)
			}
			if tc.alter == 0 && r.DifferingAll > 0 || tc.alter > 0 && (len(r.Differing) != 1 || r.DifferingAll > cdda.Group+1) {
				t.Errorf("differing %+v", r.Differing)
			}
		})
	}
}

var errReader = errors.New("the drive went away")

type brokenReader struct{}

func (brokenReader) ReadAt([]byte, int64) (int, error) { return 0, errReader }

func TestBaselineErrors(t *testing.T) {
	disc := burn(recorded()[:1], 0).read(0)
	b := baseline(t, disc)
	broken := disc
	broken.PCM = brokenReader{}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := cdda.NewBaseline(t.Context(), broken); !errors.Is(err, errReader) {
		t.Error(err)
	}
	if _, err := cdda.NewBaseline(ended, disc); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if _, err := cdda.CompareBaseline(t.Context(), broken, b, cdda.Options{}); !errors.Is(err, errReader) {
		t.Error(err)
	}
	if _, err := cdda.CompareBaseline(ended, disc, b, cdda.Options{}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if _, err := cdda.LookBaseline(t.Context(), broken, b, []int64{700}); !errors.Is(err, errReader) {
		t.Error(err)
	}
}

func TestBaselineValidate(t *testing.T) {
	d := burn(recorded()[:1], 0).read(0)
	good := baseline(t, d) // of 1501 sectors
	for _, tc := range []struct {
		name string
		edit func(*cdda.Baseline)
		want string
	}{
		{"no sectors", func(b *cdda.Baseline) { b.Sectors = 0 }, "0 sectors"},
		{"less than none", func(b *cdda.Baseline) { b.Sectors = -1501 }, "-1501 sectors"},
		{"more than a disc has", func(b *cdda.Baseline) { b.Sectors = 1 << 40 }, "sectors from"},
		{"begins before the disc", func(b *cdda.Baseline) { b.First = -1 }, "from -1 on"},
		{"begins behind any disc", func(b *cdda.Baseline) { b.First = 1 << 62 }, "sectors from"},
		{"a sum lacks", func(b *cdda.Baseline) { b.Sums = b.Sums[1:] }, "with 150 sums"},
		{"a sum too many", func(b *cdda.Baseline) { b.Sums = append(b.Sums, 1) }, "with 152 sums"},
		{"a short window", func(b *cdda.Baseline) { b.Windows[3].PCM = b.Windows[3].PCM[:100] }, "window 3"},
		{"an empty window", func(b *cdda.Baseline) { b.Windows[0].PCM = nil }, "window 0"},
		{"a window before the beginning", func(b *cdda.Baseline) { b.Windows[0].At = -1 }, "window 0"},
		{"a window over the end", func(b *cdda.Baseline) { b.Windows[len(b.Windows)-1].At = 1501*cdda.SectorSamples - 1 }, "of a baseline"},
		{"a window beyond what can be added to", func(b *cdda.Baseline) { b.Windows[0].At = 1<<63 - 1 }, "window 0"},
		{"windows out of order", func(b *cdda.Baseline) { b.Windows[1].At = b.Windows[0].At }, "window 1"},
		{"too many windows", func(b *cdda.Baseline) { b.Windows = make([]cdda.Window, cdda.MaxWindows+1) }, "65 windows"},
		{"a group that isn't there", func(b *cdda.Baseline) { b.Unread = []int{151} }, "group 151"},
		{"a group before the first", func(b *cdda.Baseline) { b.Unread = []int{-1} }, "group -1"},
		{"a group twice", func(b *cdda.Baseline) { b.Unread = []int{3, 3} }, "group 3"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := good
			b.Windows, b.Sums = slices.Clone(good.Windows), slices.Clone(good.Sums)
			tc.edit(&b)
			err := b.Validate()
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Fatalf("%v, not of %q", err, tc.want)
			}
			if _, err := cdda.CompareBaseline(t.Context(), d, b, cdda.Options{}); err == nil {
				t.Error("it is compared with")
			}
			if _, err := cdda.LookBaseline(t.Context(), d, b, []int64{700}); err == nil {
				t.Error("it is looked for")
			}
		})
	}
	text, err := json.Marshal(good)
	if err != nil {
		t.Fatal(err)
	}
	var back cdda.Baseline
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(good, back); diff != "" {
		t.Error(diff)
	}
}
