package ledger_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/essence"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/record"
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

// What was inserted is stated and counted from what was given; also where the same transaction
// goes on to change it, where SQL has a value of its own, and where a statement fails.
func TestWhatIsInsertedAndChangedIsStatedAsItIs(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		other := bytesOf("another version")
		for name, change := range map[string]func(x *ledger.Tx, f ledger.File, c ledger.Copy) error{
			"nothing": func(*ledger.Tx, ledger.File, ledger.Copy) error { return nil },
			"renamed": func(x *ledger.Tx, f ledger.File, _ ledger.Copy) error {
				return x.Files.SetPath(f.ID, "QV-0300/ren\"amed.wav")
			},
			"finished": func(x *ledger.Tx, f ledger.File, _ ledger.Copy) error { return x.Files.SetFinished(f.ID) },
			"retired":  func(x *ledger.Tx, f ledger.File, _ ledger.Copy) error { return x.Files.Retire(f.ID) },
			"new version": func(x *ledger.Tx, f ledger.File, _ ledger.Copy) error {
				_, err := x.Files.AddVersion(f.ID, other, true)
				return err
			},
			"blocks": func(x *ledger.Tx, f ledger.File, _ ledger.Copy) error {
				return x.Exec(`UPDATE block SET sums = $2 WHERE file = $1`, f.ID, []byte{1, 2, 3, 4})
			},
			"no blocks": func(x *ledger.Tx, f ledger.File, _ ledger.Copy) error {
				return x.Exec(`DELETE FROM block WHERE file = $1`, f.ID)
			},
			"copy": func(x *ledger.Tx, _ ledger.File, c ledger.Copy) error {
				now := c
				now.State, now.Size = fixity.Missing, 0
				return x.Copies.Put(c, now)
			},
			"moved copy": func(x *ledger.Tx, _ ledger.File, c ledger.Copy) error {
				now := c
				now.At = "QV-0300/elsewhere.wav"
				return x.Copies.Put(c, now)
			},
			"second copy": func(x *ledger.Tx, _ ledger.File, c ledger.Copy) error {
				c.Store = "vault"
				return x.Copies.Put(ledger.Copy{}, c)
			},
			"a note in SQL": func(x *ledger.Tx, f ledger.File, _ ledger.Copy) error {
				return x.Exec(`INSERT INTO note (file, n, seq, code, at, length, since, until, count) VALUES ($1, 1, 7, $2, 44, 100, 5, 6, 3)`, f.ID, "clipped")
			},
			"gone and back": func(x *ledger.Tx, f ledger.File, c ledger.Copy) error {
				if err := x.Exec(`DELETE FROM note WHERE file = $1`, f.ID); err != nil {
					return err
				}
				return x.Exec(`INSERT INTO note (file, n, seq, code, at, length, since, until, count) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, f.ID, int64(1), 0, "odd é", 1, 2, 3, 4, 5)
			},
		} {
			p := "QV-0300/" + name + " é.wav"
			w.tx(func(x *ledger.Tx) error {
				v := bytesOf(name)
				v.Blocks = []uint32{7, 8}
				v.Sound = &ledger.Sound{JSON: `{"rate":96000}`, Samples: v.BLAKE3, Duration: time.Minute, Notes: []essence.Note{{Code: "clipped", At: 44, Count: 2}}}
				files, err := x.Files.AddAll("Ada Wren", []ledger.NewFile{{Set: masters, Path: p, Changed: w.clock, Vouched: true, Version: v}})
				if err != nil {
					return err
				}
				c := ledger.Copy{Store: "studio", Set: masters, At: p, File: files[0].ID, Held: 1, State: fixity.Intact, Size: v.Size,
					Read: fixity.Evidence{Strength: fixity.Read, At: w.clock, OK: true, Cache: fixity.Bypassed}}
				if err := x.Copies.PutNew([]ledger.Copy{c}); err != nil {
					return err
				}
				if c, err = x.Copies.At("studio", masters, p); err != nil {
					return err
				}
				x.Event(ledger.Event{Verb: fixity.TakenIn, By: "Ada Wren", Store: "studio", Set: masters})
				return change(x, files[0], c)
			})
			w.view(func(x *ledger.Tx) error { return x.Miscounted() })
			if _, err := w.l.Verify(t.Context()); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
	})
}

// What a listing shows twice under one name is as it was shown last, and what is known of its
// bytes stays only where it is as it was each time.
func TestAStrayThatIsShownTwiceIsAsItWasShownLast(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		for i := range 130 {
			w.put("attic", masters, fmt.Sprintf("QV-0300/%03d.wav", i), "a")
		}
		a := w.audit("attic", order{})
		w.tx(func(x *ledger.Tx) error {
			for _, p := range []string{"QV-0300/000.wav", "QV-0300/001.wav"} {
				if err := x.Strays.LeaveInPeace("attic", masters, p); err != nil {
					return err
				}
			}
			entry := func(p string, size int64) fixity.Entry {
				return fixity.Entry{Path: "QV-0300/" + p, Size: size, ModTime: w.clock}
			}
			return x.Strays.Put(a.Store, masters, entry("000.wav", 9), entry("001.wav", bytesOf("a").Size), entry("000.wav", bytesOf("a").Size), entry("129.wav", 5), entry("129.wav", 6))
		})
		w.view(func(x *ledger.Tx) error {
			for p, want := range map[string]ledger.Stray{"000.wav": {Size: bytesOf("a").Size}, "001.wav": {Size: bytesOf("a").Size, Peace: true}, "129.wav": {Size: 6}, "128.wav": {Size: bytesOf("a").Size}} {
				s, err := x.Strays.At("attic", masters, "QV-0300/"+p)
				if err != nil || s.Size != want.Size || s.Peace != want.Peace {
					t.Errorf("%s: %+v, %v", p, s, err)
				}
			}
			return nil
		})
	})
}

// Of a column that an insert leaves out the record knows whether it begins as nothing.
func TestColumnsThatBeginAsSomething(t *testing.T) {
	d := onSQLite(t)
	w := newWorld(t, d)
	db := d.raw()
	if err := w.l.Close(); err != nil {
		t.Fatal(err)
	}
	var got []string
	for name := range schema(t, d, db) {
		if _, ok := notVouched[name]; ok || slices.Contains([]string{"event", "reading", "stated"}, name) {
			continue // or what is never stated
		}
		for _, c := range column(t, db, `SELECT name FROM pragma_table_info('`+name+`') WHERE coalesce(dflt_value, '0') NOT IN ('0', '''''')`) {
			if _, ok := notVouched[name+"."+c]; !ok {
				got = append(got, name+"."+c)
			}
		}
	}
	slices.Sort(got)
	if want := slices.Sorted(slices.Values(record.Begun)); !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
