package iso_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/iso"
	"firmus/replicas/testing/discfstest"
	"firmus/testdata"
)

// image reads an image that a program made.
func image(t testing.TB, path string) *bytes.Reader {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.NewReader(b)
}

// tree opens an image of one session and reads a view of it.
func tree(t testing.TB, r io.ReaderAt, size, session int64, v discfs.View) (*iso.Image, *discfs.Tree) {
	t.Helper()
	m, err := iso.Open(r, size, session)
	if err != nil {
		t.Fatal(err)
	}
	tr, err := m.Tree(context.Background(), v)
	if err != nil {
		t.Fatal(err)
	}
	return m, tr
}

func keep(s string) string { return s }

func merge(trees ...map[string]int) map[string]int {
	all := map[string]int{}
	for _, m := range trees {
		for k, v := range m {
			all[k] = v
		}
	}
	return all
}

func TestRockRidge(t *testing.T) {
	for _, tc := range []struct {
		name, recipe string
	}{
		{"xorriso", "x-rock"},
		{"xorriso with Joliet", "x-both"},
		{"deep directories relocated", "rock"},
		{"deep directories in place", "rock-deep"},
		{"the extended architecture", "rock-xa"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			files := merge(discfstest.Burned(), discfstest.Odd())
			if tc.recipe == "rock" {
				delete(files, "rr_moved/inside.txt") // it can't have one of its own then
			}
			dir := discfstest.Write(t, files)
			if err := os.Symlink("QV-0107/"+strings.Repeat("x/", 100)+"target", filepath.Join(dir, "link")); err != nil {
				t.Fatal(err)
			}
			if err := os.Link(filepath.Join(dir, "readme.txt"), filepath.Join(dir, "hard link")); err != nil {
				t.Fatal(err)
			}
			r := image(t, discfstest.Image(t, tc.recipe, dir))
			m, tr := tree(t, r, r.Size(), 0, discfs.RockRidge)
			if m.Label(discfs.RockRidge) != testdata.Label {
				t.Errorf("label %q", m.Label(discfs.RockRidge))
			}
			if m.Created().Year() < 2025 || m.Blocks()*discfs.SectorSize > r.Size() {
				t.Errorf("created %v, %d blocks of %d bytes", m.Created(), m.Blocks(), r.Size())
			}
			discfstest.Same(t, tr, r, dir, keep)
		})
	}
}

func TestJoliet(t *testing.T) {
	for _, tc := range []struct {
		name, recipe string
	}{
		{"xorriso without Rock Ridge", "x-joliet-long"},
		{"genisoimage", "joliet-long"},
		{"genisoimage, level 1", "joliet-1"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			files := merge(discfstest.Burned(), map[string]int{
				"Ünïcode/é composed.txt":                        6,
				"Ünïcode/e\u0301 combined.txt":                  7,
				"日本語/歌.txt":                                     8,
				"lower and UPPER.Txt":                           9,
				"a name of less than sixty-four characters.txt": 10,
				"semi;1": 11,
			})
			dir := discfstest.Write(t, files)
			r := image(t, discfstest.Image(t, tc.recipe, dir))
			m, tr := tree(t, r, r.Size(), 0, discfs.Joliet)
			if got := fmt.Sprint(m.Views()); got != "[joliet iso9660]" {
				t.Errorf("views %s", got)
			}
			if m.Label(discfs.Joliet) != testdata.Label {
				t.Errorf("label %q", m.Label(discfs.Joliet))
			}
			// Joliet allows no ";" in a name: both writers put "_" there.
			discfstest.Same(t, tr, r, dir, func(s string) string { return strings.ReplaceAll(s, ";", "_") })
		})
	}
}

func TestPlain(t *testing.T) {
	for _, recipe := range []string{"x-plain", "plain"} {
		t.Run(recipe, func(t *testing.T) {
			dir := discfstest.Write(t, map[string]int{"QV_0107/SIDE_A.WAV": 5000, "QV_0107/NOTES": 100, "README.TXT": 1})
			r := image(t, discfstest.Image(t, recipe, dir))
			m, tr := tree(t, r, r.Size(), 0, discfs.Plain)
			if got := fmt.Sprint(m.Views()); got != "[iso9660]" {
				t.Errorf("views %s", got)
			}
			discfstest.Same(t, tr, r, dir, keep)
			if _, err := m.Tree(t.Context(), discfs.Joliet); err == nil {
				t.Error("a view that isn't there was given")
			}
		})
	}
}

// TestReported holds the extents against what another reader says of the image.
func TestReported(t *testing.T) {
	discfstest.Programs(t, "xorriso")
	out := discfstest.Image(t, "both", discfstest.Write(t, discfstest.Burned()))
	r := image(t, out)
	_, tr := tree(t, r, r.Size(), 0, discfs.RockRidge)
	report := discfstest.Run(t, "xorriso", "-indev", out, "-find", "/", "-type", "f", "-exec", "report_lba")
	// File data lba:  0 , 1234 , 5 , 9000 , '/QV-0107/notes.txt'
	line := regexp.MustCompile(`(?m)^File data lba: +(\d+) , +(\d+) , +(\d+) , +(\d+) , '/(.*)'$`)
	n := 0
	for _, f := range line.FindAllStringSubmatch(report, -1) {
		got, ok := tr.Find(f[5])
		lba, _ := strconv.ParseInt(f[2], 10, 64)
		blocks, _ := strconv.ParseInt(f[3], 10, 64)
		size, _ := strconv.ParseInt(f[4], 10, 64)
		if size == 0 {
			continue
		}
		n++
		if !ok || len(got.Extents) != 1 || got.Extents[0].LBA != lba || got.Extents[0].Blocks() != blocks || got.Size != size {
			t.Errorf("%q: %+v, xorriso says %d blocks at %d, %d bytes", f[5], got, blocks, lba, size)
		}
	}
	if n < 600 {
		t.Fatalf("only %d files were compared", n)
	}
}

// TestSessions burns a second session that adds a file and changes one.
func TestSessions(t *testing.T) {
	first := discfstest.Write(t, map[string]int{"kept.txt": 5000, "changed.txt": 3000})
	one, two := discfstest.Image(t, "rock", first), filepath.Join(t.TempDir(), "2.iso")
	b, err := os.ReadFile(one)
	if err != nil {
		t.Fatal(err)
	}
	const start = 12_000 // behind the gap of 11,400 sectors that follows a first session
	second := discfstest.Write(t, map[string]int{"changed.txt": 4000, "added.txt": 6000})
	discfstest.Run(t, "genisoimage", "-quiet", "-R", "-C", fmt.Sprintf("0,%d", start), "-M", one, "-o", two,
		"-graft-points", "added.txt="+filepath.Join(second, "added.txt"), "changed.txt="+filepath.Join(second, "changed.txt"))
	c, err := os.ReadFile(two)
	if err != nil {
		t.Fatal(err)
	}
	disc := make([]byte, start*discfs.SectorSize+len(c))
	copy(disc, b)
	copy(disc[start*discfs.SectorSize:], c)
	r := bytes.NewReader(disc)

	_, tr := tree(t, r, r.Size(), 0, discfs.RockRidge)
	discfstest.Same(t, tr, r, first, keep)
	_, tr = tree(t, r, r.Size(), start, discfs.RockRidge)
	for name, want := range map[string]int{"added.txt": 6000, "changed.txt": 4000, "kept.txt": 5000} {
		f, ok := tr.Find(name)
		if !ok || f.Size != int64(want) {
			t.Errorf("%s: %v, %+v", name, ok, f)
			continue
		}
		got, err := io.ReadAll(tr.Reader(f))
		if err != nil || !bytes.Equal(got, discfstest.Content(name, want)) {
			t.Errorf("%s: other bytes, %v", name, err)
		}
		if second := f.Extents[0].LBA >= start; second == (name == "kept.txt") {
			t.Errorf("%s lies at %d", name, f.Extents[0].LBA)
		}
	}
	if kind, _ := tr.Attribute(start + 16); kind != discfs.OfStructure {
		t.Errorf("the second session's descriptor is %s", kind)
	}
}

// sparse keeps the blocks that aren't all zeros of what is written to it.
type sparse struct {
	blocks map[int64][]byte
	size   int64
	rest   []byte
}

const sparseBlock = 64 << 10

func (s *sparse) Write(p []byte) (int, error) {
	s.rest = append(s.rest, p...)
	for len(s.rest) >= sparseBlock {
		s.keep(s.rest[:sparseBlock])
		s.rest = s.rest[sparseBlock:]
	}
	return len(p), nil
}

func (s *sparse) keep(b []byte) {
	if bytes.Count(b, []byte{0}) != len(b) {
		s.blocks[s.size/sparseBlock] = bytes.Clone(b)
	}
	s.size += int64(len(b))
}

func (s *sparse) ReadAt(p []byte, off int64) (int, error) {
	clear(p)
	for n := 0; n < len(p); {
		in := int((off + int64(n)) % sparseBlock)
		k := min(len(p)-n, sparseBlock-in)
		if b := s.blocks[(off+int64(n))/sparseBlock]; in < len(b) {
			copy(p[n:n+k], b[in:])
		}
		n += k
	}
	return len(p), nil
}

// TestLarge makes a file of more than 4 GiB, which is in several extents. That
// takes half a minute, so it is made only where all parts are wanted.
func TestLarge(t *testing.T) {
	if os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		t.Skip("half a minute; FIRMUS_ALL_PARTS isn't 1")
	}
	discfstest.Programs(t, "xorriso")
	dir := t.TempDir()
	const size = 4<<30 + 123_456
	f, err := os.Create(filepath.Join(dir, "long.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	marks := map[int64]string{0: "start", 4<<30 - 2048: "near", 4 << 30: "behind", size - 3: "end"}
	for at, s := range marks {
		if _, err := f.WriteAt([]byte(s), at); err != nil {
			t.Fatal(err)
		}
	}
	img := &sparse{blocks: map[int64][]byte{}}
	program, args := testdata.Recipe("x-large")
	cmd := exec.CommandContext(t.Context(), program, append(args, "-o", "-", dir)...)
	cmd.Stdout = img
	if err := cmd.Run(); err != nil {
		t.Fatal(err)
	}
	img.keep(img.rest)
	for _, v := range []discfs.View{discfs.RockRidge, discfs.Joliet} {
		_, tr := tree(t, img, img.size, 0, v)
		got, ok := tr.Find("long.wav")
		if !ok || got.Size != size || len(got.Extents) < 2 {
			t.Fatalf("%s: %+v", v, got)
		}
		for at, s := range marks {
			b := make([]byte, len(s))
			if _, err := tr.Reader(got).ReadAt(b, at); err != nil || string(b) != s {
				t.Errorf("%s at %d: %q, %v", v, at, b, err)
			}
		}
	}
}

// TestBridge reads the ISO side of a disc that has a UDF side as well.
func TestBridge(t *testing.T) {
	dir := discfstest.Write(t, discfstest.Burned())
	r := image(t, discfstest.Image(t, "bridge", dir))
	m, tr := tree(t, r, r.Size(), 0, discfs.RockRidge)
	if got := fmt.Sprint(m.Views()); got != "[rock-ridge joliet iso9660]" {
		t.Errorf("views %s", got)
	}
	discfstest.Same(t, tr, r, dir, keep)
}

// TestDamaged reads images with bad sectors: what doesn't hang on them is told, the
// rest is said to be incomplete.
func TestDamaged(t *testing.T) {
	r := image(t, discfstest.Image(t, "both", discfstest.Write(t, discfstest.Burned())))
	_, tr := tree(t, r, r.Size(), 0, discfs.RockRidge)
	many := int64(-1)
	for s := range r.Size() / discfs.SectorSize {
		if kind, places := tr.Attribute(s); kind == discfs.OfStructure && len(places) > 0 && places[0].Path == "many" {
			many = s + 1 // its first sector holds "." and ".."; the Joliet ones come behind
			break
		}
	}
	wav, _ := tr.Find("QV-0107/QV-0107_A.wav")
	count := func(tr *discfs.Tree) (n int, last error) {
		for _, err := range tr.Files() {
			if err != nil {
				return n, err
			}
			n++
		}
		return n, nil
	}
	all, err := count(tr)
	if err != nil {
		t.Fatal(err)
	}

	t.Run("directory", func(t *testing.T) {
		bad := discfstest.Bad{R: r, Sectors: map[int64]bool{many: true}}
		_, tr := tree(t, bad, r.Size(), 0, discfs.RockRidge)
		n, err := count(tr)
		if !isAll(err, fixity.ErrIncomplete, fixity.ErrUnreadable, discfstest.ErrBad) {
			t.Errorf("error %v", err)
		}
		if n >= all || n < all-30 {
			t.Errorf("%d of %d files were seen", n, all)
		}
	})
	t.Run("file", func(t *testing.T) {
		at := wav.Extents[0].LBA + 7
		bad := discfstest.Bad{R: r, Sectors: map[int64]bool{at: true}}
		_, tr := tree(t, bad, r.Size(), 0, discfs.RockRidge)
		if n, err := count(tr); n != all || err != nil {
			t.Errorf("%d of %d files, %v", n, all, err)
		}
		got, err := io.ReadAll(tr.Reader(wav))
		if len(got) != 7*discfs.SectorSize || !isAll(err, fixity.ErrUnreadable) {
			t.Errorf("%d bytes, then %v", len(got), err)
		}
		if kind, places := tr.Attribute(at); kind != discfs.OfFile || len(places) != 1 ||
			places[0] != (discfs.Place{Path: wav.Path, Offset: 7 * discfs.SectorSize}) {
			t.Errorf("sector %d is of %s %v", at, kind, places)
		}
	})
	t.Run("descriptor", func(t *testing.T) {
		bad := discfstest.Bad{R: r, Sectors: map[int64]bool{16: true, 17: true, 18: true}}
		if _, err := iso.Open(bad, r.Size(), 0); !isAll(err, discfstest.ErrBad) {
			t.Errorf("error %v", err)
		}
	})
	t.Run("primary descriptor", func(t *testing.T) {
		dir := discfstest.Write(t, map[string]int{"QV-0107/QV-0107_A.wav": 5000, "QV-0107/notes/side one.txt": 10})
		r := image(t, discfstest.Image(t, "both", dir))
		bad := discfstest.Bad{R: r, Sectors: map[int64]bool{16: true}}
		m, tr := tree(t, bad, r.Size(), 0, discfs.Joliet)
		if got := fmt.Sprint(m.Views()); got != "[joliet]" || m.Label(discfs.Joliet) != testdata.Label || m.Blocks()*discfs.SectorSize > r.Size() {
			t.Errorf("views %s, label %q, %d blocks", got, m.Label(discfs.Joliet), m.Blocks())
		}
		discfstest.Same(t, tr, r, dir, keep)
		if kind, _ := tr.Attribute(16); kind != discfs.OfStructure {
			t.Errorf("the descriptor is of %s", kind)
		}
	})
	t.Run("cut short", func(t *testing.T) {
		size := (wav.Extents[0].LBA + 3) * discfs.SectorSize
		_, tr := tree(t, r, size, 0, discfs.RockRidge)
		got, err := io.ReadAll(tr.Reader(wav))
		if len(got) != 3*discfs.SectorSize || !isAll(err, fixity.ErrUnreadable) {
			t.Errorf("%d bytes, then %v", len(got), err)
		}
	})
}
