package disk_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/disk"
)

const (
	inPlace  = "QV-0107/a.wav"
	keptHere = ".firmus-kept/7"
	keptAt   = keptHere + "/a.wav.damaged"
)

var written = time.Date(2024, 5, 3, 10, 30, 0, 0, time.UTC)

// puttingBack is of inPlace as it lies there now.
func puttingBack(t *testing.T, d *disk.Dir) fixity.PuttingBack {
	t.Helper()
	p := fixity.PuttingBack{Path: inPlace, Keep: keptHere, As: "damaged", ModTime: written}
	was, err := d.Stat(context.Background(), inPlace)
	if err == nil {
		p.Was = &was
	} else if !errors.Is(err, fixity.ErrVanished) {
		t.Fatal(err)
	}
	return p
}

func readBack(r fixity.Reader) error {
	b, err := io.ReadAll(r)
	if err == nil && string(b) != newText {
		err = fmt.Errorf("read back %q", b)
	}
	return err
}

// The old file is on the medium under its second name before the new one takes its
// place, and the place is never empty.
func TestPutBackOrder(t *testing.T) {
	for _, c := range []struct {
		name, old, want string
		noLinks         bool
	}{
		{"a damaged file", oldText, "create write write write attributes times sync close verify mkdir sync-folder mkdir sync-folder link sync-kept rename sync-folder", false},
		{"where nothing is", "", "mkdir sync-folder create write write write times sync close verify rename sync-folder", false},
		{"a file system without second names", oldText, "create write write write attributes times sync close verify mkdir sync-folder mkdir sync-folder link " +
			"create write times sync close verify rename sync-folder sync-kept rename sync-folder", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := map[string]string{"QV-0108/b.wav": "another"}
			if c.old != "" {
				files[inPlace] = c.old
			}
			d := open(t, disk.Options{}, files)
			p := puttingBack(t, d)
			var steps []string
			d.SetStep(func(op string, do func() error) error {
				steps = append(steps, op)
				if now := content(t, d, inPlace); now != c.old && !(now == newText && (op == "sync-folder" || op == "rename")) {
					t.Errorf("before %s it holds %q", op, now)
				}
				if op == "link" && c.noLinks {
					return errors.ErrUnsupported
				}
				return do()
			})
			kept, err := d.PutBack(context.Background(), p, writeNew, readBack)
			check(t, err)
			if got := strings.Join(steps, " "); got != c.want {
				t.Errorf("steps %s\nwant  %s", got, c.want)
			}
			want := keptAt
			if c.old == "" {
				want = ""
			}
			if got := content(t, d, inPlace); got != newText || kept != want || content(t, d, keptAt) != c.old {
				t.Errorf("it holds %q, kept at %q: %q", got, kept, content(t, d, keptAt))
			}
			fi, err := os.Stat(filepath.Join(d.Root(), inPlace))
			if check(t, err); !fi.ModTime().Equal(written) {
				t.Errorf("its time is %s", fi.ModTime())
			}
		})
	}
}

// Whatever fails at step k, the place holds the old file or the new one, the old one
// isn't lost, nothing is left over but what is kept, and doing it again succeeds.
func TestPutBackFailsAtEachStep(t *testing.T) {
	boom := errors.New("no space left")
	for _, links := range []bool{true, false} {
		for k := 0; ; k++ {
			d := open(t, disk.Options{}, map[string]string{inPlace: oldText})
			n, failed := 0, ""
			step := func(op string, do func() error) error {
				if op == "link" && !links {
					do = func() error { return syscall.ENOTSUP }
				}
				if n++; n-1 == k {
					failed = op
					return boom
				}
				return do()
			}
			d.SetStep(step)
			_, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
			if failed == "" {
				if err != nil || k < 14 {
					t.Errorf("after %d steps: %v", k, err)
				}
				break
			}
			now := content(t, d, inPlace)
			if !errors.Is(err, boom) || now != oldText && !(now == newText && content(t, d, keptAt) == oldText) {
				t.Errorf("%s failed: it holds %q, kept %q, %v", failed, now, content(t, d, keptAt), err)
			}
			d.SetStep(nil)
			kept, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
			if got := content(t, d, inPlace); err != nil || got != newText || content(t, d, kept) != now {
				t.Errorf("%s failed, then again: %q holds %q, kept %q: %q, %v", failed, inPlace, got, kept, content(t, d, kept), err)
			}
			for _, name := range leftovers(t, d) {
				if strings.Contains(name, ".firmus-new-") {
					t.Errorf("%s failed: left %q", failed, name)
				}
			}
		}
	}
}

// A process that is killed at any step leaves the old file or the new one in the place,
// the old one is never lost, and putting it back again ends it.
func TestPutBackCrash(t *testing.T) {
	putBackCrash(t, func() *disk.Dir { return open(t, disk.Options{}, map[string]string{inPlace: oldText}) })
}

func putBackCrash(t *testing.T, fresh func() *disk.Dir) {
	t.Helper()
	seen := map[string]int{}
	crashes(t, "put back", fresh, func(k int, d *disk.Dir) {
		now := content(t, d, inPlace)
		if seen[now]++; now != oldText && !(now == newText && content(t, d, keptAt) == oldText) {
			t.Errorf("stopped at step %d it holds %q, kept %q", k, now, content(t, d, keptAt))
		}
		if paths, err := list(d, "QV-0107"); err != nil || !slices.Equal(paths, []string{inPlace}) {
			t.Errorf("stopped at step %d: listed %q, %v", k, paths, err)
		}
		if now == oldText {
			kept, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
			if err != nil || content(t, d, kept) != oldText || content(t, d, inPlace) != newText {
				t.Errorf("stopped at step %d, then again: kept at %q, %v", k, kept, err)
			}
		}
		if _, err := d.Sweep(context.Background(), nil); err != nil {
			t.Error(err)
		}
		check(t, filepath.WalkDir(d.Root(), func(p string, e os.DirEntry, err error) error {
			if err == nil && strings.HasPrefix(e.Name(), ".firmus-new-") {
				t.Errorf("stopped at step %d: %s is left after a sweep", k, p)
			}
			return err
		}))
	})
	if seen[oldText] < 10 || seen[newText] < 2 {
		t.Errorf("crashes at too few places: %v", seen)
	}
}

// What was written, taken away or put there meanwhile is never replaced.
func TestPutBackOfWhatChanged(t *testing.T) {
	at := func(d *disk.Dir, path string) string { return filepath.Join(d.Root(), filepath.FromSlash(path)) }
	for _, c := range []struct {
		name   string
		there  bool
		change func(t *testing.T, d *disk.Dir)
		holds  string
	}{
		{"written", true, func(t *testing.T, d *disk.Dir) { check(t, os.WriteFile(at(d, inPlace), []byte("someone's"), 0o644)) }, "someone's"},
		{"replaced", true, func(t *testing.T, d *disk.Dir) {
			check(t, os.WriteFile(at(d, "x"), []byte(oldText), 0o644))
			check(t, os.Rename(at(d, "x"), at(d, inPlace)))
		}, oldText},
		{"removed", true, func(t *testing.T, d *disk.Dir) { check(t, os.Remove(at(d, inPlace))) }, ""},
		{"put there", false, func(t *testing.T, d *disk.Dir) {
			check(t, os.WriteFile(at(d, inPlace), []byte("someone's"), 0o644))
		}, "someone's"},
		{"its folder is a link now", true, func(t *testing.T, d *disk.Dir) {
			check(t, os.Rename(at(d, "QV-0107"), at(d, "moved")))
			check(t, os.Symlink(at(d, "moved"), at(d, "QV-0107")))
		}, oldText},
	} {
		for _, when := range []string{"before", "create", "verify", "link", "rename"} {
			if !c.there && when == "link" || when == "rename" && !c.there {
				continue
			}
			t.Run(c.name+" at "+when, func(t *testing.T) {
				d := open(t, disk.Options{}, map[string]string{"QV-0107/b.wav": "another"})
				if c.there {
					check(t, os.WriteFile(at(d, inPlace), []byte(oldText), 0o644))
				}
				p := puttingBack(t, d)
				done := false
				if when == "before" {
					c.change(t, d)
				}
				d.SetStep(func(op string, do func() error) error {
					if op == when && !done {
						done = true
						c.change(t, d)
					}
					return do()
				})
				_, err := d.PutBack(context.Background(), p, writeNew, readBack)
				if strings.Contains(c.name, "link now") && (when == "create" || when == "verify" || when == "rename") {
					// The folder itself was entered before; it may end well there, never elsewhere.
					if got := content(t, d, "moved/a.wav"); err == nil && got != newText || err != nil && got != oldText {
						t.Errorf("%v, and it holds %q", err, got)
					}
					return
				}
				if err == nil || content(t, d, inPlace) != c.holds {
					t.Errorf("%v, and it holds %q", err, content(t, d, inPlace))
				}
			})
		}
	}
}

// Where a volume begins deeper than the first folder there is no second name in either of
// our folders: the old file is copied, and read back.
func TestPutBackOnAVolumeOfItsOwn(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{inPlace: oldText})
	d.SetStep(func(op string, do func() error) error {
		if op == "link" {
			return syscall.EXDEV
		}
		return do()
	})
	kept, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
	if check(t, err); kept != keptAt || content(t, d, keptAt) != oldText || content(t, d, inPlace) != newText {
		t.Errorf("kept at %q: %q; in its place %q", kept, content(t, d, keptAt), content(t, d, inPlace))
	}
}

// A file or a link with the name of our folder stays as it is, and is told.
func TestPutBackWhereOurFolderIsNone(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{inPlace: oldText, ".firmus-kept": "somebody's"})
	_, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
	if !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "move it away") {
		t.Errorf("%v", err)
	}
	if content(t, d, inPlace) != oldText || content(t, d, ".firmus-kept") != "somebody's" {
		t.Error("something was touched")
	}
}

// What is kept is listed, and removed one by one; nothing else is.
func TestKeptFiles(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{inPlace: oldText, ".firmus-kept/3/b.wav.damaged": "b", "QV-0109/.firmus-kept/4/c.wav.damaged": "c"})
	_, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
	check(t, err)
	kept, err := d.KeptFiles(context.Background(), []string{"QV-0109"}, nil)
	check(t, err)
	var paths []string
	for _, k := range kept {
		paths = append(paths, k.Path)
	}
	if want := []string{".firmus-kept/3/b.wav.damaged", keptAt, "QV-0109/.firmus-kept/4/c.wav.damaged"}; !slices.Equal(paths, want) {
		t.Errorf("kept: %q, want %q", paths, want)
	}
	for _, path := range []string{inPlace, ".firmus-kept", ".firmus-kept/7", ".firmus-store.studio", "../" + keptAt, ".firmus-kept/../" + inPlace} {
		if err := d.RemoveKept(context.Background(), path); err == nil {
			t.Errorf("%q was removed", path)
		}
	}
	check(t, d.RemoveKept(context.Background(), keptAt))
	if _, err := os.Stat(filepath.Join(d.Root(), keptHere)); !os.IsNotExist(err) {
		t.Errorf("its empty folder: %v", err)
	}
	if content(t, d, inPlace) != newText || content(t, d, ".firmus-kept/3/b.wav.damaged") != "b" {
		t.Error("something else was removed")
	}
}

// A file is moved in one step, over nothing.
func TestMove(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{inPlace: oldText, "QV-0107/b.wav": "another"})
	e, err := d.Stat(context.Background(), inPlace)
	check(t, err)
	if err := d.Move(context.Background(), e, "QV-0107/b.wav"); !errors.Is(err, fixity.ErrChanged) {
		t.Errorf("onto another file: %v", err)
	}
	other := e
	other.Size++
	if err := d.Move(context.Background(), other, "QV-0109/x/a.wav"); !errors.Is(err, fixity.ErrChanged) {
		t.Errorf("of another file: %v", err)
	}
	if content(t, d, inPlace) != oldText || content(t, d, "QV-0107/b.wav") != "another" {
		t.Fatal("something was replaced")
	}
	check(t, d.Move(context.Background(), e, "QV-0109/x/a.wav"))
	if content(t, d, "QV-0109/x/a.wav") != oldText || content(t, d, inPlace) != "" {
		t.Error("it isn't where it should be")
	}
	if n, err := d.Free(context.Background()); err != nil || n <= 0 {
		t.Errorf("free: %d, %v", n, err)
	}
}
