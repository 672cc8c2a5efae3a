package ledger_test

import (
	"fmt"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Files that are taken in together are what they are one by one, whatever number they are:
// rows, tallies and the record's statements.
func TestManyFilesAtOnce(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		n := 0
		for _, k := range []int{1, 3, 4, 21, 83} {
			var paths []string
			w.tx(func(x *ledger.Tx) error {
				var news []ledger.NewFile
				for range k {
					n++
					p := fmt.Sprintf("QV-%04d/%d é.wav", n%3, n)
					v := bytesOf(fmt.Sprint(n))
					v.Sound = &ledger.Sound{JSON: `{"rate":96000}`, Samples: v.BLAKE3}
					paths, news = append(paths, p), append(news, ledger.NewFile{Set: masters, Path: p, Changed: w.clock, Vouched: n%2 == 0, Version: v})
				}
				files, err := x.Files.AddAll("Ada Wren", news)
				if err != nil {
					return err
				}
				var copies []ledger.Copy
				for i, f := range files {
					if f.ID != int64(n-k+i+1) || f.Path != paths[i] {
						t.Errorf("file %d of %d is number %d, %q", i, k, f.ID, f.Path)
					}
					copies = append(copies, ledger.Copy{Store: "studio", Set: masters, At: f.Path, File: f.ID, Held: 1, State: fixity.Intact, Size: news[i].Version.Size})
				}
				x.Event(ledger.Event{Verb: fixity.TakenIn, By: "Ada Wren", Store: "studio", Set: masters})
				return x.Copies.PutNew(copies)
			})
		}
		w.view(func(x *ledger.Tx) error {
			for i := 1; i <= n; i++ {
				f, err := x.Files.Get(int64(i))
				if err != nil {
					return err
				}
				v, err := x.Files.Version(f.ID, 1)
				if err != nil {
					return err
				}
				s, err := x.Files.Sound(f.ID, 1)
				if err != nil {
					return err
				}
				if want := bytesOf(fmt.Sprint(i)); v.BLAKE3 != want.BLAKE3 || v.SHA256 != want.SHA256 || s.Samples != want.BLAKE3 || f.Vouched != (i%2 == 0) {
					t.Errorf("file %d: %+v, %+v, %+v", i, f, v, s)
				}
				if c, err := x.Copies.At("studio", masters, f.Path); err != nil || c.File != f.ID || !c.Since.Equal(w.clock) {
					t.Errorf("its copy: %+v, %v", c, err)
				}
			}
			kept, err := x.Copies.Tallies()
			if err != nil {
				return err
			}
			if len(kept) != 1 || kept[0].Files != int64(n) {
				t.Errorf("tallies: %+v", kept)
			}
			return x.Miscounted()
		})
		if _, err := w.l.Verify(t.Context()); err != nil {
			t.Errorf("verify: %v", err)
		}
		raw := d.raw()
		if _, err := raw.Exec(`UPDATE instance SET file = 999 WHERE file = 57`); err != nil {
			t.Fatal(err)
		}
		if _, err := w.l.Verify(t.Context()); err == nil || !strings.Contains(err.Error(), "instance") {
			t.Errorf("an edited row among many: %v", err)
		}
	})
}

// Of the paths asked for, those are forgotten and given that wait for nobody's word.
func TestStraysAreTakenTogether(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		var paths []string
		for i := range 70 {
			p := fmt.Sprintf("QV-%04d/%02d.wav", i%3, i)
			w.put("attic", masters, p, fmt.Sprint(i))
			paths = append(paths, p)
		}
		w.audit("attic", order{})
		w.tx(func(x *ledger.Tx) error {
			if err := x.Strays.LeaveInPeace("attic", masters, paths[5]); err != nil {
				return err
			}
			known, err := x.Strays.Known("attic", masters, append(paths, "QV-0001/none.wav"))
			if len(known) != len(paths) {
				t.Errorf("%d are known of %d", len(known), len(paths))
			}
			if err != nil {
				return err
			}
			taken, err := x.Strays.Take("attic", masters, append(paths[1:], "QV-0001/none.wav"))
			if len(taken) != len(paths)-2 || taken[paths[0]] || taken[paths[5]] || !taken[paths[69]] {
				t.Errorf("taken: %v", taken)
			}
			return err
		})
		w.view(func(x *ledger.Tx) error {
			left, err := x.Strays.Known("attic", masters, paths)
			if len(left) != 2 || !left[paths[0]] || !left[paths[5]] {
				t.Errorf("left: %v", left)
			}
			return err
		})
	})
}
