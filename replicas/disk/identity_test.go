package disk_test

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"

	"github.com/google/go-cmp/cmp"
)

var masters = fixity.Identity{Holdings: "0193-holdings", Store: "0193-shelf", Set: "masters"}

const marker = ".firmus-store.shelf"

func shelf(t *testing.T, files map[string]string) *disk.Dir {
	return open(t, disk.Options{Store: "shelf", Marker: true}, files)
}

func TestAdopt(t *testing.T) {
	ctx := context.Background()
	d := shelf(t, nil)
	check(t, d.Adopt(ctx, masters))
	text, err := os.ReadFile(filepath.Join(d.Root(), marker))
	check(t, err)
	for _, words := range []string{"Do not delete it", "do not copy it"} {
		if !strings.Contains(string(text), words) {
			t.Errorf("the marker doesn't say %q:\n%s", words, text)
		}
	}
	want := masters
	want.Empty, want.Writable = true, true
	got, err := d.Identify(ctx)
	check(t, err)
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	// The same again changes nothing; anything else is refused, and taken over when told.
	before, err := os.Stat(filepath.Join(d.Root(), marker))
	check(t, err)
	check(t, d.Adopt(ctx, masters))
	after, err := os.Stat(filepath.Join(d.Root(), marker))
	check(t, err)
	if !os.SameFile(before, after) {
		t.Error("the same marker was written again")
	}
	for _, other := range []fixity.Identity{
		{Holdings: "0194-other", Store: masters.Store, Set: masters.Set},
		{Holdings: masters.Holdings, Store: "0194-other", Set: masters.Set},
		{Holdings: masters.Holdings, Store: masters.Store, Set: "access"},
	} {
		if err := d.Adopt(ctx, other); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("%+v: %v, want refused", other, err)
		}
		if now, _ := os.ReadFile(filepath.Join(d.Root(), marker)); string(now) != string(text) {
			t.Fatal("a refused adoption changed the marker")
		}
	}
	check(t, d.TakeOver(ctx, fixity.Identity{Holdings: "0194-other", Store: "x", Set: "y"}))
	if got, err = d.Identify(ctx); err != nil || got.Holdings != "0194-other" {
		t.Errorf("taken over: %+v, %v", got, err)
	}
}

func TestAdoptWhatCannotBeWritten(t *testing.T) {
	ctx := context.Background()
	d := shelf(t, nil)
	for _, id := range []fixity.Identity{{}, {Holdings: "a\nb", Store: "s", Set: "m"}, {Holdings: "a", Store: " s", Set: "m"}, {Holdings: "a", Store: "s", Set: "m\x00"}} {
		if err := d.Adopt(ctx, id); err == nil {
			t.Errorf("%+v was written", id)
		}
	}
	none := open(t, disk.Options{}, nil)
	if err := none.Adopt(ctx, masters); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("a store without markers: %v, want refused", err)
	}
	for _, r := range []string{d.Root(), none.Root()} {
		if names, _ := os.ReadDir(r); len(names) > 0 {
			t.Errorf("%s holds %v", r, names)
		}
	}
}

// TestMarkersOfOthers: a marker that a mirror brought along does no harm, and
// without Options.Marker none is read.
func TestMarkersOfOthers(t *testing.T) {
	text := string(disk.MarkerText(masters))
	for name, d := range map[string]*disk.Dir{
		"another store's": shelf(t, map[string]string{".firmus-store.nas": text}),
		"no markers":      open(t, disk.Options{Store: "shelf"}, map[string]string{marker: text}),
	} {
		got, err := d.Identify(context.Background())
		if err != nil || got.Marked() || !got.Empty {
			t.Errorf("%s: %+v, %v, want no mark and empty", name, got, err)
		}
	}
}

func TestMarkersPeopleTouched(t *testing.T) {
	text := string(disk.MarkerText(masters))
	for name, touched := range map[string]string{
		"as written":      text,
		"CR LF":           strings.ReplaceAll(text, "\n", "\r\n"),
		"byte order mark": "\ufeffholdings: 0193-holdings\nstore: 0193-shelf\nset: masters",
		"blanks":          "  holdings :0193-holdings \t\n\n store: 0193-shelf\nset:   masters  \n\n",
		"further lines":   text + "remark: the blue one\nhello\n",
	} {
		got, err := disk.ParseMarker([]byte(touched))
		if err != nil || got != masters {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	for name, damaged := range map[string]string{
		"empty":        "",
		"cut short":    text[:strings.Index(text, "store: ")],
		"no set":       strings.Replace(text, "set: masters", "set:", 1),
		"twice":        text + "store: 0194-other\n",
		"zeros":        text[:len(text)-9] + strings.Repeat("\x00", 9),
		"all zeros":    strings.Repeat("\x00", 300),
		"much too big": text + strings.Repeat("\n", 70_000),
	} {
		d := shelf(t, map[string]string{marker: damaged})
		_, err := d.Identify(context.Background())
		if !errors.Is(err, fixity.ErrAway) || !strings.Contains(err.Error(), filepath.Join(d.Root(), marker)) || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%s: %v, want away, with the marker's path", name, err)
		}
		if err := d.Adopt(context.Background(), masters); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("%s: adopted: %v, want refused", name, err)
		}
		check(t, d.TakeOver(context.Background(), masters))
		if got, err := d.Identify(context.Background()); err != nil || got.Store != masters.Store {
			t.Errorf("%s: taken over: %+v, %v", name, got, err)
		}
	}
}

func TestEmpty(t *testing.T) {
	litter := func(path string, _ bool) bool { return path == ".DS_Store" || path == "System Volume Information" }
	for _, c := range []struct {
		name  string
		files map[string]string
		want  bool
	}{
		{"nothing", nil, true},
		{"litter and ours", map[string]string{".DS_Store": "", "System Volume Information/x": "", "lost+found/#12": "", ".firmus-ledger/x": "", marker: string(disk.MarkerText(masters))}, true},
		{"a file", map[string]string{".DS_Store": "", "a.wav": ""}, false},
		{"a folder", map[string]string{"QV-0107/.DS_Store": ""}, false},
		{"a file of that name", map[string]string{"lost+found": ""}, false},
	} {
		d := open(t, disk.Options{Store: "shelf", Marker: true, LeaveOut: litter}, c.files)
		if got, err := d.Identify(context.Background()); err != nil || got.Empty != c.want {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
	}
}

func TestRootThatIsNoFolder(t *testing.T) {
	root := filepath.Join(t.TempDir(), "root")
	put(t, root, "a file")
	d, err := disk.Open(root, disk.Options{})
	check(t, err)
	if _, err := d.Identify(context.Background()); !errors.Is(err, fixity.ErrAway) {
		t.Errorf("%v, want away", err)
	}
}

func TestOptionsThatCannotWork(t *testing.T) {
	for name, open := range map[string]func() (*disk.Dir, error){
		"no root":         func() (*disk.Dir, error) { return disk.Open("", disk.Options{}) },
		"no store's name": func() (*disk.Dir, error) { return disk.Open("x", disk.Options{Marker: true}) },
		"a path for one":  func() (*disk.Dir, error) { return disk.Open("x", disk.Options{Marker: true, Store: "a/b"}) },
		"unknown":         func() (*disk.Dir, error) { return disk.Open("x", disk.Options{Cache: fixity.Unknown}) },
	} {
		if d, err := open(); err == nil || d != nil {
			t.Errorf("%s: %v, %v", name, d, err)
		}
	}
}

func TestReadFile(t *testing.T) {
	ctx := context.Background()
	d := open(t, disk.Options{}, map[string]string{"QV-0107/list.txt": "12345"})
	if b, err := d.ReadFile(ctx, "QV-0107/list.txt", 5); err != nil || string(b) != "12345" {
		t.Errorf("%q, %v", b, err)
	}
	if b, err := d.ReadFile(ctx, "QV-0107/list.txt", 4); err == nil {
		t.Errorf("%q of 5 bytes, at most 4 wanted", b)
	}
	if _, err := d.ReadFile(ctx, "QV-0107/none.txt", 4); !errors.Is(err, fixity.ErrVanished) {
		t.Errorf("%v, want vanished", err)
	}
	if _, err := d.ReadFile(ctx, "../x", 4); !errors.Is(err, fs.ErrInvalid) {
		t.Errorf("%v, want invalid", err)
	}
}

// FuzzMarker: whatever lies in a marker's place, it is understood whole or not at
// all, and what was understood is written and understood the same.
func FuzzMarker(f *testing.F) {
	f.Add(disk.MarkerText(masters))
	f.Add([]byte("\ufeffholdings: a\r\nstore : b\r\nset:c: d\r\n"))
	f.Add([]byte("holdings: a\nholdings: b\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		id, err := disk.ParseMarker(text)
		if err != nil {
			if id != (fixity.Identity{}) {
				t.Errorf("%+v with %v", id, err)
			}
			return
		}
		again, err := disk.ParseMarker(disk.MarkerText(id))
		if err != nil || again != id {
			t.Errorf("%+v, written and read: %+v, %v", id, again, err)
		}
	})
}
