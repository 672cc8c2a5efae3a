package cdda_test

import (
	"fmt"
	"io"
	"testing"

	"firmus/replicas/optical/cdda"
)

// counted counts the sectors that are read, each once.
type counted struct {
	r    io.ReaderAt
	read map[int64]bool
}

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	for s := off / cdda.SectorBytes; s*cdda.SectorBytes < off+int64(len(p)); s++ {
		c.read[s] = true
	}
	return c.r.ReadAt(p, off)
}

func TestLook(t *testing.T) {
	rec := recorded()
	other := [][]byte{music(11, 20*second+17), music(12, 15*second+400), music(13, 12*second+1)}
	silence := [][]byte{make([]byte, len(rec[0])), make([]byte, len(rec[1])), make([]byte, len(rec[2]))}
	for _, tc := range []struct {
		name          string
		disc          [][]byte
		gap           int
		offset        int
		sources       [][]byte
		sure, against bool
	}{
		{"the disc", rec, 0, 0, rec, true, false},
		{"at an offset", rec, 0, 30, rec, true, false},
		{"before it", rec, 0, -30, rec, true, false},
		{"far", rec, 0, 667, rec, true, false},
		{"farther", rec, 0, -1164, rec, true, false},
		{"with pauses", rec, 150, 667, rec, true, false},
		{"another disc", other, 0, 30, rec, false, true},
		{"tracks in another order", [][]byte{rec[2], rec[0], rec[1]}, 0, 0, rec, false, true},
		{"silent sources", rec, 0, 0, silence, false, false},
		{"a silent disc", silence, 0, 0, rec, false, true},
		{"all is silent", silence, 0, 0, silence, false, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := burn(tc.disc, tc.gap).read(tc.offset)
			c := &counted{d.PCM, map[int64]bool{}}
			d.PCM = c
			places := []int64{d.Sectors / 6, d.Sectors / 2, d.Sectors * 5 / 6}
			g, err := cdda.Look(t.Context(), d, sources(tc.sources...), places)
			if err != nil {
				t.Fatal(err)
			}
			if g.Sure() != tc.sure || g.Against() != tc.against {
				t.Errorf("%+v: sure %t, against %t", g, g.Sure(), g.Against())
			}
			if n := len(c.read); n > len(places)*cdda.GlanceSectors {
				t.Errorf("%d sectors read", n)
			}
		})
	}
}

// Sources of another format can't be found, and say nothing against the disc.
func TestLookOtherFormat(t *testing.T) {
	rec := recorded()
	d := burn(rec, 0).read(0)
	s := sources(rec...)
	for i := range s {
		s[i].Format = cdda.Format{Rate: 48_000, Channels: 2, Bits: 16}
	}
	g, err := cdda.Look(t.Context(), d, s, []int64{500, 1800, 3000})
	if err != nil || g.Sure() || g.Against() {
		t.Errorf("%+v, %v", g, err)
	}
}

func TestLookBaseline(t *testing.T) {
	disc := burn(recorded(), 0)
	b := baseline(t, disc.read(100))
	for _, tc := range []struct {
		name          string
		disc          burned
		offset        int
		sure, against bool
	}{
		{"the disc", disc, 100, true, false},
		{"in another drive", disc, -500, true, false},
		{"another", burn([][]byte{music(11, 47*second)}, 0), 100, false, true},
		{"silence", burn([][]byte{make([]byte, 47*second*cdda.SampleBytes)}, 0), 100, false, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := tc.disc.read(tc.offset)
			c := &counted{d.PCM, map[int64]bool{}}
			d.PCM = c
			places := []int64{d.Sectors / 6, d.Sectors / 2, d.Sectors * 5 / 6}
			g, err := cdda.LookBaseline(t.Context(), d, b, places)
			if err != nil {
				t.Fatal(err)
			}
			if g.Sure() != tc.sure || g.Against() != tc.against {
				t.Errorf("%+v: sure %t, against %t", g, g.Sure(), g.Against())
			}
			if n := len(c.read); n > len(places)*cdda.GlanceSectors {
				t.Errorf("%d sectors read", n)
			}
		})
	}
}

func ExampleGlance() {
	fmt.Println(cdda.Glance{Asked: 3, Heard: 3}.Sure(), cdda.Glance{Asked: 3}.Against(), cdda.Glance{Asked: 1}.Against())
	// Output: true true false
}
