// Package discfstest makes trees of files to be burned, runs the programs that
// make images of them, breaks images, and holds what is read of an image against
// the tree. It is for tests only.
package discfstest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
	"firmus/testdata"
)

// Programs skips a test where a program isn't installed, and fails it instead when
// FIRMUS_ALL_PARTS is 1.
func Programs(t testing.TB, names ...string) {
	t.Helper()
	for _, name := range names {
		if _, err := exec.LookPath(name); err != nil {
			if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
				t.Fatalf("%s is not installed", name)
			}
			t.Skipf("%s is not installed", name)
		}
	}
}

// Have says that a program is installed, for seeds that not every machine can make.
func Have(name string) bool {
	_, err := exec.LookPath(name)
	return err == nil
}

// Run runs a program that must succeed and gives what it wrote to standard output.
func Run(t testing.TB, name string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8")
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, errs.String())
	}
	return out.String()
}

// Image makes an image of a folder by a recipe of testdata's README.md. It skips the test
// where the recipe's program isn't installed: see Programs.
func Image(t testing.TB, recipe, dir string) string {
	t.Helper()
	program, args := testdata.Recipe(recipe)
	Programs(t, program)
	out := filepath.Join(t.TempDir(), "disc.iso")
	Run(t, program, append(args, "-o", out, dir)...)
	return out
}

// Content is the bytes of a made-up file: no two of them hold the same sector.
func Content(name string, size int) []byte {
	b := make([]byte, size)
	for i := 0; i < size; i += 64 {
		copy(b[i:], fmt.Sprintf("%-56.56s%08x", name, i))
	}
	return b
}

// When is the time of modification of all made-up files.
var When = time.Date(1974, time.June, 9, 14, 30, 2, 0, time.UTC)

// Burned is a tree of ordinary files, as an archive burns them.
func Burned() map[string]int {
	files := map[string]int{
		"QV-0107/QV-0107_A.wav": 300_000,
		"QV-0107/QV-0107_B.wav": 2048,
		"QV-0107/notes.txt":     2047,
		"QV-0108/QV-0108_A.wav": 2049,
		"QV-0108/empty.txt":     0,
		"readme.txt":            1,
		"a-b.txt":               10, // sorts before a/b.txt as bytes, behind it in a walk
		"a/b.txt":               11,
		"a.txt":                 12,
	}
	for i := range 600 {
		files[fmt.Sprintf("many/take %03d.txt", i)] = 20 + i
	}
	return files
}

// Odd is what names may be on a Unix file system.
func Odd() map[string]int {
	files := map[string]int{
		".hidden":                      5,
		"Ünïcode/é composed.txt":       6, // NFC
		"Ünïcode/e\u0301 combined.txt": 7, // NFD
		"日本語/歌.txt":                    8,
		"emoji 🎙.txt":                  9,
		"semi;1":                       10,
		"semi;1;2":                     11,
		"back\\slash":                  12,
		"question?*":                   13,
		"trailing blank ":              14,
		"two.dots..":                   15,
		"latin\xe9":                    16,
		strings.Repeat("long ", 50):    17,
		strings.Repeat("ł", 120):       18,
		"rr_moved/inside.txt":          19,
	}
	deep := ""
	for i := range 14 {
		deep += fmt.Sprintf("level %02d/", i)
		files[deep+"file.txt"] = 3000 + i
	}
	return files
}

// Write makes the files of a tree below a new folder.
func Write(t testing.TB, files map[string]int) string {
	t.Helper()
	contents := map[string][]byte{}
	for name, size := range files {
		contents[name] = Content(name, size)
	}
	return WriteContents(t, contents)
}

// WriteContents makes files with these bytes below a new folder.
func WriteContents(t testing.TB, files map[string][]byte) string {
	t.Helper()
	dir := t.TempDir()
	for name, b := range files {
		p := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(p, When, When); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// Same holds a tree against the folder that was burned: the same names, kinds,
// sizes, times and bytes, and each file's bytes where its extents say. rename
// gives the name in the tree of one in the folder.
func Same(t testing.TB, tree *discfs.Tree, image io.ReaderAt, dir string, rename func(string) string) {
	t.Helper()
	want := map[string]fs.FileInfo{}
	from := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		name := rename(filepath.ToSlash(rel))
		want[name], from[name] = info, p
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(want) == 0 {
		t.Fatal("nothing was burned")
	}
	last, n := "", 0
	for f, err := range tree.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n > 1 && f.Path <= last {
			t.Errorf("%q comes behind %q", f.Path, last)
		}
		last = f.Path
		info, ok := want[f.Path]
		if !ok {
			t.Errorf("%q was not burned", f.Path)
			continue
		}
		delete(want, f.Path)
		if d := f.ModTime.Sub(info.ModTime()); d <= -time.Second || d >= time.Second {
			t.Errorf("%q is of %v, not %v", f.Path, f.ModTime, info.ModTime())
		}
		if info.Mode()&fs.ModeSymlink != 0 {
			if f.Type != fixity.Link {
				t.Errorf("%q is no link", f.Path)
			}
			continue
		}
		b, err := os.ReadFile(from[f.Path])
		if err != nil {
			t.Fatal(err)
		}
		same(t, tree, image, f, b)
	}
	for name := range want {
		t.Errorf("%q is not in the tree", name)
	}
}

func same(t testing.TB, tree *discfs.Tree, image io.ReaderAt, f discfs.File, want []byte) {
	t.Helper()
	if f.Type != fixity.File || f.Size != int64(len(want)) {
		t.Errorf("%q is of type %d and %d bytes, not a file of %d", f.Path, f.Type, f.Size, len(want))
		return
	}
	got, err := io.ReadAll(tree.Reader(f))
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("%q: %d bytes and %v, not the %d burned ones", f.Path, len(got), err, len(want))
		return
	}
	at := int64(0)
	for _, e := range f.Extents {
		b := make([]byte, e.Bytes)
		if e.LBA != discfs.Hole {
			if _, err := image.ReadAt(b, e.LBA*discfs.SectorSize+e.Skip); err != nil {
				t.Fatal(err)
			}
			kind, places := tree.Attribute(e.LBA + e.Blocks() - 1)
			found := false
			for _, p := range places {
				found = found || p.Path == f.Path && p.Offset == at-e.Skip+(e.Blocks()-1)*discfs.SectorSize
			}
			if kind != discfs.OfFile || !found {
				t.Errorf("sector %d of %q is of %s %v", e.LBA+e.Blocks()-1, f.Path, kind, places)
			}
		}
		if !bytes.Equal(b, want[at:at+e.Bytes]) {
			t.Errorf("%q: other bytes in extent %+v", f.Path, e)
		}
		at += e.Bytes
	}
}

// ErrBad is what Bad gives for its sectors.
var ErrBad = errors.New("medium error")

// Bad is a disc with sectors that can't be read.
type Bad struct {
	R       io.ReaderAt
	Sectors map[int64]bool
}

// ReadAt reads up to the first bad sector.
func (d Bad) ReadAt(p []byte, off int64) (int, error) {
	for s := off / discfs.SectorSize; s*discfs.SectorSize < off+int64(len(p)); s++ {
		if d.Sectors[s] {
			good := max(s*discfs.SectorSize-off, 0)
			n, err := d.R.ReadAt(p[:good], off)
			if err == nil {
				err = fmt.Errorf("sector %d: %w: %w", s, ErrBad, fixity.ErrUnreadable)
			}
			return n, err
		}
	}
	return d.R.ReadAt(p, off)
}

// Use does with a tree what a caller may do, within bounds: it lists, reads a
// little of each file and asks for the owner of some sectors. A hostile image must
// let it end.
func Use(tree *discfs.Tree, size int64) {
	n := 0
	b := make([]byte, 4096)
	for f, err := range tree.Files() {
		if n++; err != nil || n > 200 {
			break
		}
		r := tree.Reader(f)
		_, _ = r.ReadAt(b, 0)
		_, _ = r.ReadAt(b, f.Size/2)
		_, _ = r.ReadAt(b, f.Size-1)
	}
	for s := int64(-1); s < min(size/discfs.SectorSize+2, 400); s++ {
		tree.Attribute(s)
	}
}
