package burn_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/iso"
	"firmus/replicas/optical/sector"
	"firmus/replicas/testing/discfstest"
)

var made = time.Date(1998, time.March, 4, 5, 6, 7, 890_000_000, time.UTC)

// names is a folder of names that are hard to record: each of the standard's limits,
// and twins in one view that aren't in another.
func names() map[string]int {
	files := discfstest.Burned()
	for i, n := range []string{
		"Grüner Quill.wav", "Gru\u0308ner Quill.wav", "Gr\xfcner Quill.wav", "verse\nand refrain.wav", " to be cut /QV-0106_A_01.wav ",
		"take #2 (70% speed)?*.wav", "semi;1", "back\\slash", ".hidden", "two.dots..", "no extension", "emoji 🎙.txt", "日本語/歌.txt",
		strings.Repeat("a", 255), strings.Repeat("a", 254) + "b", strings.Repeat("long ", 49) + ".wav",
		strings.Repeat("f", 100) + "1/x.txt", strings.Repeat("f", 100) + "2/x.txt", "1/2/3/4/5/6/7/deep.txt", "lower.txt", "LOWER.TXT",
	} {
		files[n] = 1000*i + i // the first is empty
	}
	// More than a sector of long names, whose continuation areas fill more than one.
	for i := range 40 {
		files[fmt.Sprintf("long/%03d %s", i, strings.Repeat("x", 200))] = i
	}
	return files
}

// burned makes a volume of a folder's files.
func burned(t testing.TB, files map[string]int) (image []byte, dir string) {
	t.Helper()
	v := burn.Volume{Label: "QD_0001", Made: made}
	for name, size := range files {
		v.Files = append(v.Files, burn.File{Path: name, Bytes: discfstest.Content(name, size), Time: discfstest.When})
	}
	b, err := burn.Data(v)
	if err != nil {
		t.Fatal(err)
	}
	return b, discfstest.Write(t, files)
}

func tree(t testing.TB, b []byte, v discfs.View) (*iso.Image, *discfs.Tree) {
	t.Helper()
	m, err := iso.Open(bytes.NewReader(b), int64(len(b)), 0)
	if err != nil {
		t.Fatal(err)
	}
	tr, err := m.Tree(t.Context(), v)
	if err != nil {
		t.Fatal(err)
	}
	return m, tr
}

func TestRockRidge(t *testing.T) {
	b, dir := burned(t, names())
	m, tr := tree(t, b, discfs.RockRidge)
	discfstest.Same(t, tr, bytes.NewReader(b), dir, func(s string) string { return s })
	if !m.Created().Equal(made) || m.Label(discfs.RockRidge) != "QD_0001" || m.Label(discfs.Joliet) != "QD_0001" || m.Blocks()*2048 != int64(len(b)) {
		t.Errorf("created %v, %q, %q, %d blocks of %d bytes", m.Created(), m.Label(discfs.RockRidge), m.Label(discfs.Joliet), m.Blocks(), len(b))
	}
}

// Every view shows as many files, with the same bytes.
func TestViews(t *testing.T) {
	files := names()
	b, _ := burned(t, files)
	m, _ := tree(t, b, discfs.Plain)
	if got := len(m.Views()); got != 3 {
		t.Fatalf("views %q", m.Views())
	}
	for _, v := range m.Views() {
		_, tr := tree(t, b, v)
		sizes := map[int64]int{}
		n := 0
		for f, err := range tr.Files() {
			if err != nil {
				t.Fatal(v, err)
			}
			n++
			sizes[f.Size]++
			if most := map[discfs.View]int{discfs.RockRidge: 255, discfs.Joliet: 64, discfs.Plain: 31}[v]; v != discfs.RockRidge && len([]rune(filepath.Base(f.Path))) > most {
				t.Errorf("%s: name of %q", v, f.Path)
			}
		}
		for _, size := range files {
			sizes[int64(size)]--
		}
		for size, over := range sizes {
			if over != 0 {
				t.Errorf("%s: %d files of %d bytes too many", v, over, size)
			}
		}
		if n != len(files) {
			t.Errorf("%s: %d files of %d", v, n, len(files))
		}
	}
	_, tr := tree(t, b, discfs.Joliet)
	for _, name := range []string{"Grüner Quill.wav", "Gru\u0308ner Quill.wav", "Gr_ner Quill.wav", "日本語/歌.txt", "take #2 (70% speed)__.wav"} {
		if _, ok := tr.Find(name); !ok {
			t.Errorf("Joliet shows no %q", name)
		}
	}
}

// No sector is two things at once, and all are something.
func TestSectors(t *testing.T) {
	b, _ := burned(t, names())
	_, tr := tree(t, b, discfs.RockRidge)
	kinds := map[discfs.Kind]int{}
	for lba := range int64(len(b) / 2048) {
		kind, places := tr.Attribute(lba)
		kinds[kind]++
		if kind == discfs.OfFile && len(places) != 1 {
			t.Errorf("sector %d is part of %v", lba, places)
		}
		if kind == discfs.OfNothing && lba >= 16 {
			t.Errorf("sector %d is part of nothing", lba)
		}
	}
	if kinds[discfs.OfFile] == 0 || kinds[discfs.OfStructure] == 0 {
		t.Errorf("%v", kinds)
	}
}

// Another program reads the same of it, and finds nothing to say.
func TestOtherReaders(t *testing.T) {
	files := map[string]int{}
	for n, size := range names() {
		if !strings.ContainsAny(n, "\n\\") && !strings.Contains(n, "\xfc") { // which programs show in ways of their own
			files[n] = size
		}
	}
	b, dir := burned(t, files)
	path := filepath.Join(t.TempDir(), "x.iso")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	t.Run("xorriso", func(t *testing.T) {
		discfstest.Programs(t, "xorriso")
		for _, joliet := range []string{"off", "on"} {
			out := t.TempDir()
			args := []string{"-osirrox", "on", "-abort_on", "WARNING", "-indev", path}
			if joliet == "on" {
				args = append([]string{"-read_fs", "norock"}, args...)
			}
			discfstest.Run(t, "xorriso", append(args, "-extract", "/", filepath.Join(out, "all"))...)
			n := 0
			for name := range files {
				want, err := os.ReadFile(filepath.Join(dir, name))
				if err != nil {
					t.Fatal(err)
				}
				if joliet == "on" && (len(name) > 60 || strings.ContainsAny(name, ";?*🎙") || strings.HasSuffix(name, ".")) {
					continue // it bears another name there
				}
				got, err := os.ReadFile(filepath.Join(out, "all", name))
				if err != nil || !bytes.Equal(got, want) {
					t.Errorf("joliet %s: %q: %v", joliet, name, err)
				}
				n++
			}
			if n < 600 {
				t.Errorf("%d files compared", n)
			}
		}
	})
	t.Run("isoinfo", func(t *testing.T) {
		discfstest.Programs(t, "isoinfo")
		out := discfstest.Run(t, "isoinfo", "-d", "-i", path)
		for _, want := range []string{"Volume id: QD_0001", "Joliet with UCS level 3 found", "Rock Ridge signatures version 1 found", fmt.Sprintf("Volume size is: %d", len(b)/2048)} {
			if !strings.Contains(out, want) {
				t.Errorf("isoinfo -d doesn't say %q:\n%s", want, out)
			}
		}
		// The path table leads to every folder, from the root at its place down.
		for _, want := range []string{"7:    1 ", "MANY", "_TO_BE_CUT_", "\n  17:   16 "} {
			if out := discfstest.Run(t, "isoinfo", "-p", "-i", path); !strings.Contains(out, want) {
				t.Errorf("the path table has no %q:\n%s", want, out)
			}
		}
	})
}

func TestRefuses(t *testing.T) {
	for name, v := range map[string]burn.Volume{
		"no label":          {},
		"label":             {Label: "Quillmere"},
		"long label":        {Label: "QUILLMERE_QUILLMERE"},
		"twice":             {Label: "Q", Files: []burn.File{{Path: "a"}, {Path: "a"}}},
		"file and folder":   {Label: "Q", Files: []burn.File{{Path: "a"}, {Path: "a/b"}}},
		"no name":           {Label: "Q", Files: []burn.File{{Path: "a//b"}}},
		"out of the folder": {Label: "Q", Files: []burn.File{{Path: "../b"}}},
		"NUL":               {Label: "Q", Files: []burn.File{{Path: "a\x00b"}}},
		"long name":         {Label: "Q", Files: []burn.File{{Path: strings.Repeat("x", 256)}}},
		"deep":              {Label: "Q", Files: []burn.File{{Path: "2/3/4/5/6/7/8/9/x"}}},
	} {
		if b, err := burn.Data(v); !errors.Is(err, burn.ErrTree) || b != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func put(t *testing.T, name string, b []byte) string {
	t.Helper()
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

func check(t *testing.T, path string) (*optical.Disc, optical.Counts) {
	t.Helper()
	d, err := optical.OpenImage(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	if len(d.Contents().Problems) > 0 {
		t.Error(d.Contents().Problems)
	}
	r, err := d.Check(t.Context(), optical.CheckOptions{Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	return d, r.Map.Counts()
}

// A byte that turns in raw sectors makes its sector unreadable, as on a disc.
func TestRaw(t *testing.T) {
	b, _ := burned(t, map[string]int{"QV-0105/QV-0105_A.wav": 100_000})
	dir := t.TempDir()
	raw := burn.Raw(b)
	sheet := put(t, filepath.Join(dir, "QD-0001_B.cue"), []byte(burn.RawSheet("QD-0001_B.bin")))
	put(t, filepath.Join(dir, "QD-0001_B.bin"), raw)
	d, n := check(t, sheet)
	got := make([]byte, len(b))
	if _, err := d.Data(t.Context()).ReadAt(got, 0); err != nil || !bytes.Equal(got, b) || n.AtOnce != int64(len(b)/2048) || d.Contents().Label != "QD_0001" {
		t.Errorf("%v, %+v, %+v", err, n, d.Contents())
	}
	raw[40*sector.Raw+1000] ^= 1
	put(t, filepath.Join(dir, "QD-0001_B.bin"), raw)
	if d, n = check(t, sheet); n.Unreadable != 1 || n.AtOnce != n.Sectors-1 {
		t.Errorf("%+v", n)
	}
	if _, err := d.Data(t.Context()).ReadAt(got, 0); !errors.Is(err, fixity.ErrUnreadable) {
		t.Error(err)
	}
}

func TestSound(t *testing.T) {
	const second = 4 * 44100
	one, two := discfstest.Content("one", 4*second+400), discfstest.Content("two", 5*second)
	tracks := []burn.Track{{Title: "The Ringers' Round", Performer: "The Lower Quill Ringers", PCM: one}, {Title: "Two", PCM: two}}
	whole := bytes.Clone(one)
	whole = append(whole, make([]byte, 301*sector.Raw-len(one))...)
	whole = append(whole, two...)
	for name, tc := range map[string]struct {
		shift int
		want  []byte
	}{
		"none":  {0, whole},
		"early": {30, append(bytes.Clone(whole[120:]), make([]byte, 120)...)},
		"late":  {-667, append(make([]byte, 4*667), whole[:len(whole)-4*667]...)},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			pcm, sheet := burn.Sound("QD-0002_A.bin", "QV-0123", "", tracks, tc.shift)
			put(t, filepath.Join(dir, "QD-0002_A.bin"), pcm)
			d, n := check(t, put(t, filepath.Join(dir, "QD-0002_A.cue"), []byte(sheet)))
			c := d.Contents()
			if c.Kind != optical.Audio || n.AtOnce != 301+375 || len(c.Tracks) != 2 || c.Tracks[1].LBA != 301 || c.LeadOut != 676 {
				t.Errorf("%+v, %+v", c, n)
			}
			if len(c.Text) != 1 || c.Text[0].Disc.Title != "QV-0123" || c.Text[0].Tracks[0].Title != tracks[0].Title {
				t.Errorf("%+v", c.Text)
			}
			got := make([]byte, len(whole))
			if _, err := d.Audio(t.Context()).ReadAt(got, 0); err != nil || !bytes.Equal(got, tc.want) {
				t.Errorf("other samples, %v", err)
			}
			if bytes.Equal(one[:400], make([]byte, 400)) {
				t.Error("silence proves nothing")
			}
		})
	}
}
