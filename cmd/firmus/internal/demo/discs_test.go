package demo_test

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/demo"
	"firmus/fixity/essence"
	"firmus/replicas/optical"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/iso"
	"firmus/replicas/optical/sector"

	"github.com/google/go-cmp/cmp"
)

// burned makes a world with discs.
func burned(t *testing.T) (w demo.World, discs []demo.Disc) {
	t.Helper()
	w = world(t)
	if err := demo.Week(w.Dir, now); err != nil {
		t.Fatal(err)
	}
	// As intake leaves it.
	if err := os.WriteFile(filepath.Join(w.Dir, "studio", "access", demo.Burned, "manifest-sha256.txt"), []byte("list\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	discs, err := demo.Burn(w.Dir, now)
	if err != nil {
		t.Fatal(err)
	}
	return w, discs
}

// onDisc is what the images of the discs show.
type onDisc struct {
	Kind                      optical.Kind
	Unreadable                []optical.Range
	Files, Broken, Lists      int // of a data disc
	Verdict                   cdda.Verdict
	Offset                    int
	Differing                 []cdda.Run
	Tracks, ShortTracks, Lost int64
}

func read(t *testing.T, dir string, d demo.Disc) onDisc {
	t.Helper()
	x, err := optical.OpenImage(t.Context(), filepath.Join(dir, filepath.FromSlash(d.Image)))
	if err != nil {
		t.Fatal(err)
	}
	defer x.Close()
	res, err := x.Check(t.Context(), optical.CheckOptions{Now: time.Now})
	if err != nil || len(x.Contents().Problems) > 0 {
		t.Fatal(err, x.Contents().Problems)
	}
	o := onDisc{Kind: x.Contents().Kind}
	o.Unreadable, _ = res.Map.Ranges(optical.Unreadable)
	if d.Kind == "data" {
		r := x.Data(t.Context())
		m, err := iso.Open(r, r.Size(), 0)
		if err != nil {
			t.Fatal(err)
		}
		tr, err := m.Tree(t.Context(), discfs.RockRidge)
		if err != nil {
			t.Fatal(err)
		}
		for f, err := range tr.Files() {
			if err != nil {
				t.Fatal(err)
			}
			if path.Ext(f.Path) != ".wav" {
				o.Lists++
				continue
			}
			want, err := os.ReadFile(filepath.Join(dir, "studio", filepath.FromSlash(d.Files[0]), path.Base(f.Path)))
			if errors.Is(err, fs.ErrNotExist) {
				want, err = os.ReadFile(filepath.Join(dir, "studio", filepath.FromSlash(d.Files[1]), path.Base(f.Path)))
			}
			if err != nil {
				t.Fatal(err)
			}
			got := make([]byte, f.Size)
			if _, err := tr.Reader(f).ReadAt(got, 0); err != nil || !bytes.Equal(got, want) {
				o.Broken++
			}
			o.Files++ // of sound
		}
		return o
	}
	var sources []cdda.Source
	for _, p := range demo.Dances {
		b, err := os.ReadFile(filepath.Join(dir, "studio", "access", filepath.FromSlash(p)))
		if err != nil {
			t.Fatal(err)
		}
		s, notes, err := essence.Read(bytes.NewReader(b), int64(len(b)))
		if err != nil || len(notes) > 0 || s.Rate != 44100 || s.Channels != 2 || s.Bits != 16 {
			t.Fatalf("%s: %+v, %v, %v", p, s, notes, err)
		}
		at := bytes.Index(b, []byte("data")) + 8
		sources = append(sources, cdda.Source{Name: path.Base(p), PCM: bytes.NewReader(b[at:]), Samples: int64(len(b)-at) / 4})
	}
	in := cdda.Disc{PCM: x.Audio(t.Context()), Sectors: x.Contents().LeadOut}
	for _, tr := range x.Contents().Tracks {
		in.Tracks = append(in.Tracks, cdda.Track{Number: tr.Number, LBA: tr.LBA})
		if o.Tracks++; tr.Sectors < 4*sector.PerSecond { // IEC 60908: 4 s
			o.ShortTracks++
		}
	}
	c, err := cdda.Compare(t.Context(), in, sources, cdda.Options{})
	if err != nil {
		t.Fatal(err)
	}
	o.Verdict, o.Offset, o.Differing, o.Lost = c.Verdict, c.Offset, c.Differing, c.Lacking
	return o
}

func TestBurn(t *testing.T) {
	w, discs := burned(t)
	dir, sounds := w.Dir, 0
	for _, it := range w.Items {
		if it.Number == demo.Burned {
			sounds = it.Masters + it.Access
		}
	}
	want := map[string]onDisc{
		"QD-0001 A": {Kind: optical.Data, Files: sounds, Lists: 1},
		"QD-0001 B": {Kind: optical.Data, Files: sounds, Lists: 1},
		"QD-0002 A": {Kind: optical.Audio, Verdict: cdda.Identical, Offset: 30, Tracks: 3},
		"QD-0002 B": {Kind: optical.Audio, Verdict: cdda.Identical, Offset: -667, Tracks: 3},
	}
	got := map[string]onDisc{}
	for _, d := range discs {
		got[d.Name()] = read(t, dir, d)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("as burned (-want +got):\n%s", diff)
	}
	before := files(t, filepath.Join(dir, "discs"))
	planted, err := demo.PlantDiscs(dir, discs)
	if err != nil {
		t.Fatal(err)
	}
	for p, f := range files(t, filepath.Join(dir, "discs")) {
		if was := before[p]; was.Size != f.Size || !was.Time.Equal(f.Time) {
			t.Errorf("%s has another size or time", p)
		}
	}
	b := want["QD-0001 B"]
	b.Broken = 1
	want["QD-0001 B"] = b
	c := want["QD-0002 B"]
	c.Verdict = cdda.Differs
	want["QD-0002 B"] = c
	for _, d := range discs {
		x := read(t, dir, d)
		switch d.Name() {
		case "QD-0001 B":
			if len(x.Unreadable) != 1 || x.Unreadable[0].Count != 5 {
				t.Errorf("unreadable %v", x.Unreadable)
			}
		case "QD-0002 B":
			if len(x.Differing) != 1 || x.Differing[0].Count != 3 || x.Differing[0].Track != 2 || x.Differing[0].Time() != "00:00:01.65" {
				t.Errorf("differing %+v", x.Differing)
			}
		}
		x.Unreadable, x.Differing = nil, nil
		if diff := cmp.Diff(want[d.Name()], x); diff != "" {
			t.Errorf("%s, damaged (-want +got):\n%s", d.Name(), diff)
		}
	}
	if len(planted) != 2 || len(planted["QD-0001 B"]) != 1 || len(planted["QD-0002 B"]) != 1 {
		t.Errorf("planted %+v", planted)
	}
	after := files(t, filepath.Join(dir, "discs"))
	if _, err := demo.PlantDiscs(dir, discs); !errors.Is(err, demo.ErrNotOurs) {
		t.Errorf("a second time: %v", err)
	}
	if diff := cmp.Diff(after, files(t, filepath.Join(dir, "discs"))); diff != "" {
		t.Errorf("something was touched:\n%s", diff)
	}
}
