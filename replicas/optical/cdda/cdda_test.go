package cdda_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical/cdda"
)

// TestFigures: IEC 60908 has 44,100 samples of two channels of 16 bits a second, and
// 75 sectors a second; ECMA-130, section 16, has 98 frames of 24 bytes a sector.
func TestFigures(t *testing.T) {
	if cdda.SectorBytes != 98*24 || cdda.SectorSamples != 588 || cdda.Rate != 44_100 || cdda.SectorBytes*cdda.SectorsASec != 44_100*2*2 {
		t.Error("a figure of the standard is wrong")
	}
}

func TestOffsets(t *testing.T) {
	rec := recordings()
	d := burn(rec, cdda.Pause)
	end := 0 // samples of silence behind the last recording
	if n := len(rec[2]) % cdda.SectorBytes; n > 0 {
		end = (cdda.SectorBytes - n) / cdda.SampleBytes
	}
	for _, offset := range []int{0, 1, -1, 30, 667, -1164, 1500, -1500, 2999, -3000} {
		t.Run(fmt.Sprint(offset), func(t *testing.T) {
			r := compare(t, d.read(offset), sources(rec...), cdda.Options{})
			if got := verdicts(r); got != "identical: identical identical identical" || r.Offset != offset || !r.Located || r.Ambiguous {
				t.Errorf("%s at %d", got, r.Offset)
			}
			if r.EdgeStart != int64(max(0, offset)) || r.EdgeEnd != int64(max(0, -offset-end)) || r.Lacking != 0 {
				t.Errorf("edges %d and %d, %d lacking", r.EdgeStart, r.EdgeEnd, r.Lacking)
			}
			// All sectors, but those that lie in the edge with all their samples.
			if want := d.read(0).Sectors - int64(max(offset, -offset)/cdda.SectorSamples); r.Compared != want {
				t.Errorf("%d sectors were compared, not %d", r.Compared, want)
			}
			for i, h := range r.Sources {
				if h.Track != i+1 || h.LBA != d.tracks[i].LBA {
					t.Errorf("source %s is in track %d at %d", h.Name, h.Track, h.LBA)
				}
			}
		})
	}
}

func TestLayouts(t *testing.T) {
	rec := recordings()
	joined := burn([][]byte{bytes.Join(rec, nil)}, 0)
	cut := joined // one recording, cut into tracks
	cut.tracks = []cdda.Track{{Number: 1}, {Number: 2, LBA: 700}, {Number: 3, LBA: 1900}}
	bare := burn(rec, 0)
	bare.tracks = nil
	hidden := burn(append([][]byte{make([]byte, 300*cdda.SectorBytes)}, rec...), 0)
	hidden.tracks = hidden.tracks[1:] // silence before the first track's index 1
	for _, tc := range []struct {
		name    string
		disc    burned
		sources [][]byte
	}{
		{"no gaps", burn(rec, 0), rec},
		{"gaps of two seconds", burn(rec, cdda.Pause), rec},
		{"gaps of 3.5 seconds", burn(rec, 260), rec},
		{"one recording in one track", joined, [][]byte{bytes.Join(rec, nil)}},
		{"one recording cut into tracks", cut, [][]byte{bytes.Join(rec, nil)}},
		{"recordings that run on", func() burned { d := joined; d.tracks = burn(rec, 0).tracks; return d }(), rec},
		{"no table of contents", bare, rec},
		{"silence before the first track", hidden, rec},
		{"one track", burn(rec[:1], 0), rec[:1]},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := compare(t, tc.disc.read(-588), sources(tc.sources...), cdda.Options{})
			if r.Verdict != cdda.Identical || r.Offset != -588 {
				t.Errorf("%s at %d, differing %v", verdicts(r), r.Offset, r.Differing)
			}
		})
	}
	t.Run("a later first sector", func(t *testing.T) {
		d := burn(rec, cdda.Pause).read(12)
		d.First = 5000 // behind a data track
		for i := range d.Tracks {
			d.Tracks[i].LBA += d.First
			d.Tracks[i].Number++
		}
		r := compare(t, d, sources(rec...), cdda.Options{})
		if r.Verdict != cdda.Identical || r.Sources[0].LBA != 5000 || r.Sources[0].Track != 2 {
			t.Errorf("%s, %+v", verdicts(r), r.Sources[0])
		}
	})
}

// edit changes a disc's bytes before a drive reads it.
func (d burned) edit(f func(pcm []byte)) burned {
	pcm := bytes.Clone(d.pcm)
	f(pcm)
	return burned{pcm, d.tracks}
}

func sectorOf(pcm []byte, lba int64) []byte { return pcm[lba*cdda.SectorBytes:][:cdda.SectorBytes] }

func TestDiffering(t *testing.T) {
	rec := recordings()
	good := burn(rec, cdda.Pause)
	two, three := good.tracks[1].LBA, good.tracks[2].LBA
	noise := func(b []byte) {
		rng := rand.New(rand.NewPCG(9, 9))
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
	}
	for _, tc := range []struct {
		name    string
		edit    func(pcm []byte)
		offset  int
		marks   []cdda.Mark
		verdict string
		differ  []cdda.Run
		unread  []cdda.Run
	}{
		{"one flipped bit", func(pcm []byte) { sectorOf(pcm, two+300)[1000] ^= 1 }, 0, nil,
			"differs: identical differs identical", []cdda.Run{{LBA: two + 300, Count: 1, Track: 2, Frame: 300, Samples: 1}}, nil},
		{"one flipped bit, drive shifted", func(pcm []byte) { sectorOf(pcm, two+300)[1000] ^= 1 }, 100, nil,
			"differs: identical differs identical", []cdda.Run{{LBA: two + 300, Count: 1, Track: 2, Frame: 300, Samples: 1}}, nil},
		{"the first sample of a track, drive ahead", func(pcm []byte) { sectorOf(pcm, two)[0] ^= 1 }, 600, nil,
			"differs: identical differs identical", []cdda.Run{{LBA: two - 2, Count: 1, Track: 2, Frame: 0, Samples: 1}}, nil},
		{"in a gap", func(pcm []byte) { sectorOf(pcm, two-20)[0] = 9 }, 0, nil,
			"differs: identical identical identical", []cdda.Run{{LBA: two - 20, Count: 1, Samples: 1}}, nil},
		{"zeros for sound", func(pcm []byte) { clear(pcm[(three+100)*cdda.SectorBytes:][:3*cdda.SectorBytes]) }, 0, nil,
			"differs: identical identical differs", []cdda.Run{{LBA: three + 100, Count: 3, Track: 3, Frame: 100, Samples: 3 * 588, Muted: true}}, nil},
		{"noise", func(pcm []byte) { noise(sectorOf(pcm, 75)) }, 0, nil,
			"differs: differs identical identical", []cdda.Run{{LBA: 75, Count: 1, Track: 1, Frame: 75, Samples: 588}}, nil},
		{"unreadable", func(pcm []byte) { noise(sectorOf(pcm, 75)) }, 0, []cdda.Mark{{LBA: 75, Count: 2, State: cdda.Unreadable}},
			"unread: unread identical identical", nil, []cdda.Run{{LBA: 75, Count: 2, Track: 1, Frame: 75}}},
		{"unreadable in a gap", func([]byte) {}, 0, []cdda.Mark{{LBA: two - 10, Count: 10, State: cdda.Unreadable}},
			"unread: identical identical identical", nil, []cdda.Run{{LBA: two - 10, Count: 10}}},
		{"unreadable over a boundary", func([]byte) {}, 0, []cdda.Mark{{LBA: two - 2, Count: 4, State: cdda.Unreadable}},
			"unread: identical unread identical", nil, []cdda.Run{{LBA: two - 2, Count: 2}, {LBA: two, Count: 2, Track: 2}}},
		{"doubtful and right", func([]byte) {}, 0, []cdda.Mark{{LBA: 75, Count: 2, State: cdda.Doubtful}},
			"identical: identical identical identical", nil, nil},
		{"doubtful and wrong", func(pcm []byte) { noise(sectorOf(pcm, 75)) }, 0, []cdda.Mark{{LBA: 75, Count: 2, State: cdda.Doubtful}},
			"unread: unread identical identical", []cdda.Run{{LBA: 75, Count: 1, Track: 1, Frame: 75, Samples: 588, Doubtful: true}}, nil},
		{"unreadable and altered", func(pcm []byte) { noise(sectorOf(pcm, 75)) }, 0, []cdda.Mark{{LBA: 300, Count: 1, State: cdda.Unreadable}},
			"differs: differs identical identical", []cdda.Run{{LBA: 75, Count: 1, Track: 1, Frame: 75, Samples: 588}}, []cdda.Run{{LBA: 300, Count: 1, Track: 1, Frame: 300}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := good.edit(tc.edit).read(tc.offset)
			d.Marks = tc.marks
			r := compare(t, d, sources(rec...), cdda.Options{})
			if got := verdicts(r); got != tc.verdict || r.Offset != tc.offset {
				t.Errorf("%s at %d, not %s", got, r.Offset, tc.verdict)
			}
			if diff := cmp.Diff(tc.differ, r.Differing); diff != "" {
				t.Errorf("differing: %s", diff)
			}
			if diff := cmp.Diff(tc.unread, r.Unreadable); diff != "" {
				t.Errorf("unreadable: %s", diff)
			}
			if r.SlipsAll != 0 {
				t.Errorf("slips %v", r.Slips)
			}
		})
	}
}

func TestTime(t *testing.T) {
	for _, tc := range []struct {
		run  cdda.Run
		want string
	}{
		{cdda.Run{Track: 3, Frame: 9000}, "00:02:00.00"},
		{cdda.Run{Track: 3, Frame: 9074}, "00:02:00.74"},
		{cdda.Run{Track: 1, Frame: 75 * 3661}, "01:01:01.00"},
		{cdda.Run{Frame: 9000}, ""},
	} {
		if got := tc.run.Time(); got != tc.want {
			t.Errorf("%q, not %q", got, tc.want)
		}
	}
}

// TestHeavyDamage finds the offset from what is left.
func TestHeavyDamage(t *testing.T) {
	rec := music(4, 60*second)
	good := burn([][]byte{rec}, 0)
	for _, percent := range []int{50, 90} {
		bad := int64(0)
		d := good.edit(func(pcm []byte) {
			rng := rand.New(rand.NewPCG(1, uint64(percent)))
			for s := range int64(len(pcm) / cdda.SectorBytes) {
				if rng.IntN(100) < percent {
					bad++
					for i := range sectorOf(pcm, s) {
						sectorOf(pcm, s)[i] = byte(rng.Uint32())
					}
				}
			}
		}).read(0)
		r := compare(t, d, sources(rec), cdda.Options{})
		if r.Verdict != cdda.Differs || r.Offset != 0 || r.DifferingAll != bad || r.SlipsAll != 0 {
			t.Errorf("%d %%: %s at %d, %d of %d sectors, %d slips", percent, verdicts(r), r.Offset, r.DifferingAll, bad, r.SlipsAll)
		}
		if len(r.Differing) > cdda.MaxRuns {
			t.Errorf("%d runs", len(r.Differing))
		}
	}
}

func TestSlips(t *testing.T) {
	rec := music(4, 40*second)
	good := burn([][]byte{rec}, 0)
	shifted := func(from, by int) func([]byte) {
		return func(pcm []byte) {
			n := from * cdda.SampleBytes
			copy(pcm[n:], good.pcm[n+by*cdda.SampleBytes:])
		}
	}
	for _, tc := range []struct {
		name string
		edit func(pcm []byte)
		want []cdda.Slip
	}{
		{"at a sector", shifted(1000*588, 40), []cdda.Slip{{LBA: 1000, Offset: 40, By: 40}}},
		{"inside a sector", shifted(1000*588+200, 17), []cdda.Slip{{LBA: 1000, Offset: 17, By: 17}}},
		{"backwards", func(pcm []byte) { copy(pcm[1000*2352:], good.pcm[1000*2352-17*4:len(good.pcm)-17*4]) }, []cdda.Slip{{LBA: 1000, Offset: -17, By: -17}}},
		{"there and back", func(pcm []byte) { copy(pcm[1000*2352:1026*2352], good.pcm[1000*2352+17*4:]) }, []cdda.Slip{{LBA: 1000, Offset: 17, By: 17}, {LBA: 1026, By: -17}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := compare(t, good.edit(tc.edit).read(0), sources(rec), cdda.Options{})
			// The end that was shifted in holds what the last samples were.
			late := slices.DeleteFunc(r.Differing, func(x cdda.Run) bool { return x.LBA >= good.read(0).Sectors-1 })
			if len(late) != 0 || cmp.Diff(tc.want, r.Slips) != "" {
				t.Errorf("%s: slips %v, differing %v", verdicts(r), r.Slips, r.Differing)
			}
			if tc.name == "there and back" && r.Verdict != cdda.Slipped {
				t.Errorf("%s", verdicts(r))
			}
		})
	}
}

func TestRepeating(t *testing.T) {
	n := 30 * second
	loop := func(samples int) []byte {
		return bytes.Repeat(music(6, samples), n/samples+1)[:n*cdda.SampleBytes]
	}
	tone := make([]byte, n*cdda.SampleBytes)
	for i := range n {
		v := 8000 * math.Sin(2*math.Pi*float64(i)*1000/second)
		put(tone, i, v, v)
	}
	click := make([]byte, n*cdda.SampleBytes)
	copy(click[17*second*4:], music(8, 100))
	quiet := music(7, n)
	clear(quiet[:len(quiet)*8/10/4*4])
	for _, tc := range []struct {
		name      string
		pcm       []byte
		offset    int
		options   cdda.Options
		ambiguous bool
	}{
		{"a loop of two seconds", loop(2 * second), 777, cdda.Options{}, false},
		{"a loop of a thousand samples, known drive", loop(1000), 777, cdda.Options{Known: true, Offset: 777}, true},
		{"a tone, known drive", tone, 777, cdda.Options{Known: true, Offset: 777}, true},
		{"one click in silence", click, -667, cdda.Options{}, false},
		{"mostly silence", quiet, 102, cdda.Options{}, false},
		{"known, but another", music(9, n), -30, cdda.Options{Known: true, Offset: 667}, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := burn([][]byte{tc.pcm}, 0).read(tc.offset)
			r := compare(t, d, sources(tc.pcm), tc.options)
			if r.Verdict != cdda.Identical || r.Offset != tc.offset || r.Ambiguous != tc.ambiguous {
				t.Errorf("%s at %d, ambiguous %v, differing %v", verdicts(r), r.Offset, r.Ambiguous, r.Differing)
			}
			// One wrong sample in it is found all the same.
			pcm := make([]byte, len(tc.pcm))
			if _, err := d.PCM.ReadAt(pcm, 0); err != nil && err != io.EOF {
				t.Fatal(err)
			}
			pcm[500*cdda.SectorBytes+8] ^= 4
			d.PCM = bytes.NewReader(pcm)
			r = compare(t, d, sources(tc.pcm), tc.options)
			want := []cdda.Run{{LBA: 500, Count: 1, Track: 1, Frame: 500, Samples: 1}}
			if diff := cmp.Diff(want, r.Differing); diff != "" || r.Verdict != cdda.Differs {
				t.Errorf("%s: %s", verdicts(r), diff)
			}
		})
	}
}

func TestSilence(t *testing.T) {
	silent := make([]byte, 10*second*cdda.SampleBytes)
	sound := music(1, 10*second)
	for _, tc := range []struct {
		name         string
		disc, source [][]byte
		want         string
	}{
		{"both", [][]byte{silent}, [][]byte{silent}, "says-nothing: says-nothing"},
		{"the source", [][]byte{sound}, [][]byte{silent}, "other: other"},
		{"the disc", [][]byte{silent}, [][]byte{sound}, "differs: differs"},
		{"one of two", [][]byte{sound, silent}, [][]byte{sound, silent}, "identical: identical identical"},
		{"one of two, damaged", [][]byte{sound, sound}, [][]byte{sound, silent}, "differs: identical other"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := compare(t, burn(tc.disc, 0).read(0), sources(tc.source...), cdda.Options{})
			if got := verdicts(r); len(got) < len(tc.want) || got[:len(tc.want)] != tc.want {
				t.Errorf("%s, not %s", got, tc.want)
			}
		})
	}
}

func TestOrder(t *testing.T) {
	rec := recordings()
	other := music(77, 15*second)
	for _, tc := range []struct {
		name string
		disc [][]byte
		want string
	}{
		{"two swapped", [][]byte{rec[1], rec[0], rec[2]}, "reordered: identical identical identical"},
		{"all turned round", [][]byte{rec[2], rec[0], rec[1]}, "reordered: identical identical identical"},
		{"another in the middle", [][]byte{rec[0], other, rec[2]}, "differs: identical other identical"},
		{"one of them made louder", [][]byte{rec[0], louder(rec[1], 1.8, true), rec[2]}, "differs: identical changed identical"},
		{"all others", [][]byte{other, music(78, 15*second), music(79, 15*second)}, "other: other other other"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := compare(t, burn(tc.disc, cdda.Pause).read(-48), sources(rec...), cdda.Options{})
			if got := verdicts(r); got != tc.want {
				t.Errorf("%s, not %s", got, tc.want)
			}
		})
	}
}

// TestCut is a disc that ends before its sources do.
func TestCut(t *testing.T) {
	rec := recordings()
	d := burn(rec, 0).read(0)
	d.Sectors -= 100
	r := compare(t, d, sources(rec...), cdda.Options{})
	if verdicts(r) != "differs: identical identical differs" || r.Lacking < 99*588 || r.Lacking > 100*588 || r.DifferingAll != 0 {
		t.Errorf("%s, %d samples are lacking", verdicts(r), r.Lacking)
	}
}

type failing struct{ io.ReaderAt }

var errMedium = errors.New("medium error")

func (f failing) ReadAt(p []byte, off int64) (int, error) {
	if off > 1_000_000 {
		return 0, errMedium
	}
	return f.ReaderAt.ReadAt(p, off)
}

func TestErrors(t *testing.T) {
	rec := recordings()
	good := burn(rec, 0)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, tc := range []struct {
		name string
		ctx  context.Context
		edit func(d *cdda.Disc, s []cdda.Source, o *cdda.Options)
		want error // nil: any
	}{
		{"disc", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) { d.PCM = failing{d.PCM} }, errMedium},
		{"source", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) { s[1].PCM = failing{s[1].PCM} }, errMedium},
		{"source that ends early", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) { s[1].Samples++ }, io.ErrUnexpectedEOF},
		{"disc that ends early", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) { d.Sectors++ }, io.ErrUnexpectedEOF},
		{"cancelled", ctx, func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) {}, context.Canceled},
		{"no disc", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) { d.Sectors = 0 }, nil},
		{"tracks out of order", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) {
			d.Tracks = []cdda.Track{{Number: 1, LBA: 9}, {Number: 2, LBA: 3}}
		}, nil},
		{"marks out of order", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) {
			d.Marks = []cdda.Mark{{LBA: 9, Count: 2}, {LBA: 10, Count: 1}}
		}, nil},
		{"offset too far", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) { o.MaxOffset = 1 << 20 }, nil},
		{"odd format", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) {
			s[0].Format = cdda.Format{Rate: 44100, Channels: 2, Bits: 8}
		}, nil},
		{"negative length", t.Context(), func(d *cdda.Disc, s []cdda.Source, o *cdda.Options) { s[0].Samples = -1 }, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d, s, o := good.read(0), sources(rec...), cdda.Options{}
			tc.edit(&d, s, &o)
			r, err := cdda.Compare(tc.ctx, d, s, o)
			if err == nil || tc.want != nil && !errors.Is(err, tc.want) {
				t.Errorf("error %v", err)
			}
			if r.Verdict != "" || r.Sources != nil {
				t.Errorf("a result beside the error: %+v", r)
			}
		})
	}
	if _, err := cdda.Compare(t.Context(), good.read(0), nil, cdda.Options{}); err == nil {
		t.Error("no sources were compared")
	}
}

// endless is sound made of its place, so that no disc need be held in memory.
type endless struct{ shift, size int64 }

func (e endless) ReadAt(p []byte, off int64) (int, error) {
	n := min(int64(len(p)), e.size-off)
	for i := range n / 4 {
		v := uint64(off/4+i+e.shift) * 0x9E3779B97F4A7C15
		v ^= v >> 29
		v *= 0xBF58476D1CE4E5B9
		p[4*i], p[4*i+1], p[4*i+2], p[4*i+3] = byte(v>>32), byte(v>>40), byte(v>>48), byte(v>>56)
	}
	return int(n), nil
}

// TestMemory compares a disc of 74 minutes and counts all that is allocated.
func TestMemory(t *testing.T) {
	const sectors = 74 * 60 * 75
	d := cdda.Disc{PCM: endless{shift: 667, size: sectors * cdda.SectorBytes}, Sectors: sectors, Tracks: []cdda.Track{{Number: 1}}}
	for s := int64(10); s < sectors; s += 200 { // a disc in a bad way
		d.Marks = append(d.Marks, cdda.Mark{LBA: s, Count: 1, State: cdda.Unreadable})
	}
	s := []cdda.Source{{Name: "a", PCM: endless{size: sectors * cdda.SectorBytes}, Samples: sectors * cdda.SectorSamples}}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	r := compare(t, d, s, cdda.Options{})
	runtime.ReadMemStats(&after)
	if r.Verdict != cdda.Unread || r.Offset != 667 || r.UnreadableAll != int64(len(d.Marks)) {
		t.Errorf("%s at %d, %d unreadable", verdicts(r), r.Offset, r.UnreadableAll)
	}
	if n := after.TotalAlloc - before.TotalAlloc; n > 64<<20 {
		t.Errorf("%d bytes were allocated", n)
	}
}
