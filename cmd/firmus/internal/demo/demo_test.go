package demo_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/demo"
	"firmus/fixity"
	"firmus/fixity/care"

	"github.com/google/go-cmp/cmp"
)

var now = time.Date(2031, 5, 6, 7, 8, 9, 10, time.UTC)

func world(t *testing.T) demo.World {
	t.Helper()
	w, err := demo.Make(filepath.Join(t.TempDir(), "quillmere"), now)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// file is what lies at a path: enough to see any change.
type file struct {
	Sum  string
	Size int64
	Time time.Time
}

// files are all below dir, by their slash-separated paths. It fails if there are none.
func files(t *testing.T, dir string) map[string]file {
	t.Helper()
	all := map[string]file{}
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		fi, err := e.Info()
		if err != nil {
			return err
		}
		b, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		sum := sha256.Sum256(b)
		all[filepath.ToSlash(rel)] = file{hex.EncodeToString(sum[:]), int64(len(b)), fi.ModTime().UTC()}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) == 0 {
		t.Fatalf("nothing lies in %s", dir)
	}
	return all
}

func TestMakeTwice(t *testing.T) {
	a, err := demo.Make(t.TempDir(), now)
	if err != nil {
		t.Fatal(err)
	}
	later := now.Add(1000 * time.Hour)
	b, err := demo.Make(t.TempDir(), later)
	if err != nil {
		t.Fatal(err)
	}
	one, two := files(t, a.Dir), files(t, b.Dir)
	for p, f := range two {
		f.Time = f.Time.Add(now.Sub(later))
		two[p] = f
	}
	if diff := cmp.Diff(one, two); diff != "" {
		t.Errorf("two worlds (-one +two):\n%s", diff)
	}
	a.Dir, b.Dir = "", ""
	if diff := cmp.Diff(a, b); diff != "" {
		t.Errorf("what is said of them (-one +two):\n%s", diff)
	}
}

// The bytes are the same on every machine and in every release: these digests were
// taken once, on linux/amd64.
func TestMakeGolden(t *testing.T) {
	all := files(t, world(t).Dir)
	for p, want := range map[string]string{
		"studio/masters/QV-0107/QV-0107_A.wav":   "e0eb047857a2f6cbe58667f3efccb1f392a98f80946fddbefc5ecacfa20cbdce",
		"studio/masters/QV-0112/QV-0112_B.wav":   "7545e077189b2535226ac50daf4d3c9ce6a8f87cf43b003c796890f94fb36d18",
		"studio/masters/QV-0104/QV-0104_A.wav":   "9b18da5514eddaf9b0563c247bf878fc4929d6a8eaefc00887321cdaf1ab6cb7",
		"studio/access/QV-0107/QV-0107_A_01.wav": "dc257d077b0499c9ff7e6ef0446e03b39491afed36d46162d7d1667ee42af9fd",
	} {
		if all[p].Sum != want {
			t.Errorf("%s: got %s, want %s", p, all[p].Sum, want)
		}
	}
}

func TestMakeWorld(t *testing.T) {
	w := world(t)
	all := files(t, w.Dir)
	var inStudio, litter int
	var bytes int64
	items, masters, access := map[string]bool{}, 0, 0
	sums, sizes := map[string]string{}, map[int64]string{}
	leaveOut, err := care.NewLeaveOut(nil)
	if err != nil {
		t.Fatal(err)
	}
	for p, f := range all {
		rest, ok := strings.CutPrefix(p, "studio/")
		if !ok {
			continue
		}
		set, path, _ := strings.Cut(rest, "/")
		if leaveOut.Match(path, false) {
			litter++
			if _, there := all["vault/"+rest]; there {
				t.Errorf("litter %q lies in the vault too", rest)
			}
			continue
		}
		inStudio++
		bytes += f.Size
		item, _, _ := strings.Cut(path, "/")
		items[item] = true
		if set == "masters" {
			masters++
		} else {
			access++
		}
		if diff := cmp.Diff(f, all["vault/"+rest]); diff != "" {
			t.Errorf("the vault's copy of %q (-studio +vault):\n%s", rest, diff)
		}
		if other := sums[f.Sum]; other != "" {
			t.Errorf("%q and %q hold the same bytes", other, rest)
		}
		if other := sizes[f.Size]; other != "" {
			t.Errorf("%q and %q have the same size, so a moved one could be taken for the other", other, rest)
		}
		sums[f.Sum], sizes[f.Size] = rest, rest
		age := now.Sub(f.Time)
		if editing := rest == "access/QV-0114/QV-0114_B_01.wav"; age <= 0 || age > 200*24*time.Hour || (age < 3*24*time.Hour) != editing {
			t.Errorf("%q is %v old", rest, age)
		}
	}
	if want := 2*inStudio + litter + 2; len(all) != want { // and the configuration and the register
		t.Errorf("there are %d files, want %d", len(all), want)
	}
	var said demo.World
	for _, it := range w.Items {
		if !items[it.Number] || it.Title == "" || it.Performer == "" || it.Place == "" || it.Masters == 0 {
			t.Errorf("item %+v", it)
		}
		said.Masters, said.Files = said.Masters+it.Masters, said.Files+it.Masters+it.Access
	}
	got := []any{len(w.Items), w.Files, w.Masters, w.Bytes, w.Litter, said.Masters, said.Files}
	want := []any{len(items), inStudio, masters, bytes, litter, masters, inStudio}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("World (-want +got):\n%s", diff)
	}
	if len(items) < 12 || inStudio+len(w.Refused) < 45 || litter < 3 || access < 20 {
		t.Errorf("a poor world: %d items, %d files, %d pieces of litter, %d access files", len(items), inStudio, litter, access)
	}
	if total := 2 * bytes; total < 20e6 || total > 42e6 {
		t.Errorf("%d bytes in all", total)
	}
}

// Names that a program may stumble over are there wherever the file system has them.
func TestMakeAwkwardNames(t *testing.T) {
	w := world(t)
	if runtime.GOOS == "linux" && len(w.Refused) > 0 {
		t.Skipf("the file system of the temporary folder refuses %q", w.Refused)
	}
	var all strings.Builder
	longest := 0
	for p := range files(t, filepath.Join(w.Dir, "vault")) {
		all.WriteString(p + "\x00")
		longest = max(longest, len(filepath.Base(p)))
	}
	for _, r := range w.Refused {
		all.WriteString(r + "\x00")
		longest = max(longest, len(r)-len("access/QV-0000/"))
	}
	for _, c := range []struct{ name, part string }{
		{"blank before a file's name", "/ QV"},
		{"blank after a file's name", ".wav \x00"},
		{"blanks around a folder's name", "/ to be cut /"},
		{"per cent", "%"},
		{"number sign", "#"},
		{"apostrophe", "'"},
		{"umlaut in NFC", "\u00fc"},
		{"umlaut in NFD", "u\u0308"},
		{"line feed", "\n"},
		{"not UTF-8", "\xfc"},
	} {
		if !strings.Contains(all.String(), c.part) {
			t.Errorf("%s: no name with %q", c.name, c.part)
		}
	}
	if longest < 200 || longest > 255 {
		t.Errorf("the longest name has %d bytes", longest)
	}
}

func TestMakeRefuses(t *testing.T) {
	dir := t.TempDir()
	mine := filepath.Join(dir, "mine.txt")
	if err := os.WriteFile(mine, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	before := files(t, dir)
	if _, err := demo.Make(dir, now); !errors.Is(err, demo.ErrNotEmpty) {
		t.Errorf("in a folder that isn't empty: %v", err)
	}
	if _, err := demo.Make(mine, now); err == nil || errors.Is(err, demo.ErrNotEmpty) {
		t.Errorf("in the place of a file: %v", err)
	}
	if diff := cmp.Diff(before, files(t, dir)); diff != "" {
		t.Errorf("something was touched:\n%s", diff)
	}
}

func TestConfiguration(t *testing.T) {
	w := world(t)
	c, err := config.Load(filepath.Join(w.Dir, "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Name != "Quillmere Valley Song Survey" || c.State != filepath.Join(w.Dir, "state") {
		t.Errorf("name %q, state %q", c.Name, c.State)
	}
	wantSets := []config.Set{
		{Name: "masters", Role: fixity.Master, Pattern: `^(?P<item>[^/]+)/.*QV-\d{4}_(?P<side>[AB])`},
		{Name: "access", Role: fixity.Access, Editing: 3 * config.Day, Pattern: `^(?P<item>[^/]+)/.*QV-\d{4}_(?P<side>[AB])(?:_(?P<track>\d{2}))?`},
	}
	if diff := cmp.Diff(wantSets, c.Sets); diff != "" {
		t.Errorf("sets (-want +got):\n%s", diff)
	}
	if g := c.Register; g == nil || g.File != filepath.Join(w.Dir, demo.Register) || len(g.Columns) != 13 || len(g.Playable) != 3 {
		t.Errorf("the register: %+v", g)
	}
	if len(c.Stores) < 2 {
		t.Fatalf("%d stores", len(c.Stores))
	}
	if s, ok := c.Store("discs"); !ok || s.Kind != config.Optical || s.Place == "" {
		t.Errorf("the discs: %+v, %v", s, ok)
	}
	for i, name := range []string{"studio", "vault"} {
		s := c.Stores[i]
		if s.Name != name || s.Kind != config.Disk || s.Place == "" || s.Arrivals != (name == "studio") || s.ReadWithin != 30*config.Day {
			t.Errorf("store %+v", s)
		}
		for _, r := range s.Sets {
			if r.Path != filepath.Join(w.Dir, name, r.Set) {
				t.Errorf("store %s has set %s in %q", name, r.Set, r.Path)
			}
			if fi, err := os.Stat(r.Path); err != nil || !fi.IsDir() {
				t.Errorf("no folder %q: %v", r.Path, err)
			}
		}
	}
	if _, err := os.Stat(c.State); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("there is a state folder: %v", err)
	}
}
