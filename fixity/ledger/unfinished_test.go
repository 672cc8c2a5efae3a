package ledger_test

import (
	"testing"
	"time"

	"firmus/fixity"
	essence "firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// cutShort is what is known of a recording that lacks its end.
func cutShort() *ledger.Sound {
	return &ledger.Sound{JSON: `{"Format":"wave","Codec":"pcm"}`, Notes: []essence.Note{{Code: essence.DataBeyondEnd, Length: 18}}}
}

func whole() *ledger.Sound { return &ledger.Sound{JSON: `{"Format":"wave","Codec":"pcm"}`} }

// heard gives a file that was taken in a sound, and judges it.
func (w *world) heard(set, p string, s *ledger.Sound) ledger.File {
	w.Helper()
	f := w.take(set, p, "first "+p, true, "studio", "vault")
	w.version(f, "take one of "+p, true, s)
	w.view(func(x *ledger.Tx) (err error) { f, err = x.Files.Get(f.ID); return err })
	return f
}

// version gives a file a new version with a sound.
func (w *world) version(f ledger.File, bytes string, vouched bool, s *ledger.Sound) {
	w.Helper()
	w.tx(func(x *ledger.Tx) error {
		v := bytesOf(bytes)
		v.Sound = s
		_, err := x.Files.NewVersion(f.ID, v, vouched, "")
		return err
	})
}

// unfinished are the findings of this kind about a file, the oldest first.
func (w *world) unfinished(f ledger.File) (out []ledger.Finding) {
	w.Helper()
	w.view(func(x *ledger.Tx) error {
		all, err := x.Findings.Of(f.ID)
		for _, y := range all {
			if y.Kind == fixity.Unfinished {
				out = append(out, y)
			}
		}
		return err
	})
	return out
}

func TestAnUnfinishedTransferIsNeverForgotten(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.heard("masters", "QV-0600/QV-0600_A.wav", cutShort())
		fs := w.unfinished(f)
		if len(fs) != 1 || !fs[0].Open() || fs[0].Store != "studio" || fs[0].Urgency != fixity.AtRisk || fs[0].Version != 2 || len(fs[0].IntactIn) != 0 {
			t.Fatalf("findings %+v", fs)
		}
		is := func(what string, n int, open bool, how fixity.Settled, version int64) {
			t.Helper()
			fs := w.unfinished(f)
			if last := fs[len(fs)-1]; len(fs) != n || last.Open() != open || last.Settled != how || last.Version != version {
				t.Errorf("%s: %d findings, the last %+v", what, len(fs), last)
			}
		}
		// Whatever is judged of its copies, it stays; and both can be open at once.
		w.tx(func(x *ledger.Tx) error {
			copies, err := x.Copies.Of(f.ID)
			for _, c := range copies {
				if c.Store == "studio" {
					was := c
					c.State, c.Wrong = fixity.Altered, bytesOf("rot").BLAKE3
					err = x.Copies.Put(was, c)
				}
			}
			if err != nil {
				return err
			}
			return x.Findings.Rejudge(f.ID, 0, "Ada Wren", "", nil)
		})
		is("a copy rotted", 1, true, "", 2)
		altered := ledger.Finding{}
		w.view(func(x *ledger.Tx) error {
			all, err := x.Findings.Open("studio")
			for _, y := range all {
				if y.Kind == fixity.Kind(fixity.Altered) {
					altered = y
				}
			}
			return err
		})
		if altered.ID == 0 {
			t.Fatal("the rotten copy is no finding beside it")
		}
		// To settle the one is not to settle the other.
		w.tx(func(x *ledger.Tx) error {
			return x.Findings.Settle(fs[0], fixity.ByPerson, "Ada Wren", "the tape ends here")
		})
		w.tx(func(x *ledger.Tx) error { return x.Findings.Rejudge(f.ID, 0, "Ada Wren", "", nil) })
		is("settled", 1, false, fixity.ByPerson, 2)
		if got := w.settledAs(altered.ID); got != "" {
			t.Errorf("the rotten copy's finding ended with it: %s", got)
		}
		// A save that nobody listened to says nothing; another that isn't whole opens it anew.
		w.version(f, "take two", true, nil)
		is("a version that nobody listened to", 1, false, fixity.ByPerson, 2)
		w.version(f, "take three", true, cutShort())
		is("again not whole", 2, true, "", 4)
		w.version(f, "take four", true, cutShort())
		is("and again: its number stays", 2, true, "", 5)
		w.version(f, "take five", true, nil)
		is("nobody listened", 2, true, "", 5)
		w.version(f, "take six", false, whole())
		is("a whole save", 2, false, fixity.Overtaken, 5)
		w.version(f, "take seven", true, cutShort())
		w.version(f, "take eight", true, whole())
		is("a whole version, signed off", 3, false, fixity.SignedOff, 8)
		sound(t, w.l)
	})
}

func TestAStatementNeverCallsAnUnfinishedRecordingIntactAlone(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		says := func(f ledger.File) (id int64) {
			t.Helper()
			w.view(func(x *ledger.Tx) error {
				fd, err := x.Findings.UnfinishedOf(f.ID)
				if err != nil && err != fixity.ErrNotFound {
					return err
				}
				id = fd.ID
				return nil
			})
			return id
		}
		f := w.heard("masters", "QV-0600/A.wav", cutShort())
		first := says(f)
		if first == 0 {
			t.Fatal("nothing says that it is unfinished")
		}
		w.tx(func(x *ledger.Tx) error {
			return x.Findings.Settle(w.unfinished(f)[0], fixity.ByPerson, "Ada Wren", "the tape ends here")
		})
		if says(f) != first {
			t.Error("settled, and no longer said")
		}
		w.version(f, "whole", true, whole())
		if says(f) != 0 {
			t.Error("said of a whole version")
		}
		g := w.heard("masters", "QV-0601/A.wav", cutShort())
		w.tx(func(x *ledger.Tx) error { return x.Files.RetireBy(g, "Ada Wren", "transferred again") })
		w.view(func(x *ledger.Tx) error {
			all, err := x.Findings.Unfinished()
			if len(all) != 0 {
				t.Errorf("of a retired file: %+v", all)
			}
			return err
		})
	})
}

func TestOldNotesAreNeverLeftWithoutAFinding(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		names := []string{"QV-0600/A.wav", "QV-0601/A.wav", "QV-0602/A.wav", "QV-0603/notes.txt", "QV-0604/gone.wav"}
		files := map[string]ledger.File{}
		for i, n := range names {
			s := cutShort()
			switch {
			case i == 2:
				s.Notes[0].Code = essence.Trailing
			case i == 3:
				s = &ledger.Sound{Notes: []essence.Note{{Code: essence.OpaqueFile}}}
			}
			files[n] = w.heard("masters", n, s)
		}
		w.tx(func(x *ledger.Tx) error { return x.Files.RetireBy(files["QV-0604/gone.wav"], "Ada Wren", "not wanted") })
		told := w.verbs()[fixity.FindingOpened]
		// As a ledger from before such findings is, once it was migrated.
		db := d.raw()
		mustExec(t, db, `DELETE FROM finding WHERE kind = 'unfinished'`)
		mustExec(t, db, `INSERT INTO counter (name, value) VALUES ('notes to judge', 1)`)
		w.l.Close()

		// Without the configuration nobody knows what they are: it stays owed.
		w.l = d.open(func(o *ledger.Options) { o.Rules.Sets, o.Rules.Stores = nil, nil })
		if n := w.verbs()[fixity.FindingOpened]; n != told {
			t.Fatalf("%d findings were opened without the rules", n-told)
		}
		w.l.Close()
		for range 2 { // the second opening finds nothing to do
			w.l = d.open()
			var incident int64
			for i, n := range names {
				fs := w.unfinished(files[n])
				if i > 1 {
					if len(fs) != 0 {
						t.Errorf("%s: %+v", n, fs)
					}
					continue
				}
				if len(fs) != 1 || !fs[0].Open() || fs[0].Incident == 0 || incident != 0 && fs[0].Incident != incident {
					t.Fatalf("%s: %+v, incident %d", n, fs, incident)
				}
				incident = fs[0].Incident
			}
			w.l.Close()
		}
		w.l = d.open()
	})
}

func TestAnUnfinishedTransferIsNeverLeftInAStoreThatIsGone(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.heard("masters", "QV-0600/A.wav", cutShort())
		w.l.Close()
		w.l = d.open(func(o *ledger.Options) {
			o.Rules.Stores = append(o.Rules.Stores[:0:0], o.Rules.Stores...)
			o.Rules.Stores[0].Arrivals, o.Rules.Stores[1].Arrivals = false, true
		})
		w.clock = w.clock.Add(time.Hour)
		w.tx(func(x *ledger.Tx) error { return x.Stores.End("studio", "", true, "Ada Wren", "a new drive") })
		fs := w.unfinished(f)
		if len(fs) != 1 || !fs[0].Open() || fs[0].Store != "vault" {
			t.Errorf("findings %+v", fs)
		}
	})
}
