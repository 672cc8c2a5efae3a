package ledger_test

import (
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

func TestFiringIsWonOnce(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		due := begun.Add(time.Hour)
		var won atomic.Int64
		var wg sync.WaitGroup
		for range 8 {
			wg.Go(func() {
				if err := w.l.Tx(t.Context(), due, func(x *ledger.Tx) error {
					_, ok, err := x.Clock.Win(ledger.Firing{Job: ledger.FiringAudit, Store: "studio", Due: due, Missed: 2, By: "Ada Wren"})
					if ok {
						won.Add(1)
					}
					return err
				}); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		if won.Load() != 1 {
			t.Fatalf("won %d times, want once", won.Load())
		}
		var f ledger.Firing
		read := func() {
			w.view(func(x *ledger.Tx) (err error) { f, err = x.Clock.Last(ledger.FiringAudit, "studio"); return err })
		}
		read()
		if f.Missed != 2 || f.Tries != 1 || !f.Due.Equal(due) || !f.Ended.IsZero() {
			t.Fatalf("as it was won: %+v", f)
		}
		// What is busy is tried again, by one of those who try.
		w.tx(func(x *ledger.Tx) error { return x.Clock.End(f, ledger.FiringBusy, "somebody works on it") })
		old := f
		again := func(f ledger.Firing) (taken ledger.Firing, ok bool) {
			w.tx(func(x *ledger.Tx) (err error) { taken, ok, err = x.Clock.TryAgain(f); return err })
			return taken, ok
		}
		f, ok := again(old)
		if _, twice := again(old); !ok || twice {
			t.Error("a second try was not given just once")
		}
		// The first try ends late, while the second runs: it has nothing to say any more.
		w.tx(func(x *ledger.Tx) error { return x.Clock.End(old, ledger.FiringFailed, "late") })
		if read(); f.Outcome == ledger.FiringFailed || !f.Ended.IsZero() {
			t.Errorf("a late loser ended the firing: %+v", f)
		}
		w.tx(func(x *ledger.Tx) error { return x.Clock.End(f, ledger.FiringDone, "") })
		read()
		if f.Tries != 2 || f.Outcome != ledger.FiringDone || f.Ended.IsZero() {
			t.Errorf("as it ended: %+v", f)
		}
		if _, ok := again(f); ok {
			t.Error("what has ended was tried again")
		}
		w.tx(func(x *ledger.Tx) error { return x.Clock.End(old, ledger.FiringBusy, "late") })
		if read(); f.Ended.IsZero() {
			t.Error("a late loser reopened a firing that has ended")
		}
	})
}

func TestFiringsAreForgotten(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		w.view(func(x *ledger.Tx) error {
			if _, err := x.Clock.Last(ledger.FiringAudit, "studio"); !errors.Is(err, fixity.ErrNotFound) {
				t.Errorf("of a schedule that never fired: %v", err)
			}
			return nil
		})
		w.pass(4 * day)
		w.tx(func(x *ledger.Tx) error {
			for i := range 4 {
				f := ledger.Firing{Job: ledger.FiringAudit, Store: "studio", Due: begun.Add(time.Duration(i) * day), By: "Ada Wren"}
				f, _, err := x.Clock.Win(f)
				if err != nil {
					return err
				}
				if i != 1 {
					if err := x.Clock.End(f, ledger.FiringDone, ""); err != nil {
						return err
					}
				}
			}
			return x.Clock.ForgetBefore(begun.Add(100 * day))
		})
		// The newest is what the next is reckoned from; one that has not ended waits.
		w.view(func(x *ledger.Tx) error {
			fs, err := x.Clock.Since(begun)
			if len(fs) != 2 || !fs[0].Due.Equal(begun.Add(day)) || !fs[1].Due.Equal(begun.Add(3*day)) {
				t.Errorf("left: %+v", fs)
			}
			return err
		})
	})
}

func TestPaceForgetsSlowly(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		w.tx(func(x *ledger.Tx) error {
			if err := x.Clock.AddPace("studio", 1000, time.Second); err != nil {
				return err
			}
			return x.Clock.AddPace("studio", 100, time.Second)
		})
		w.view(func(x *ledger.Tx) error {
			p, err := x.Clock.Pace("studio")
			if p.Bytes != 600 || p.Took != 1500*time.Millisecond {
				t.Errorf("pace: %+v", p)
			}
			none, err2 := x.Clock.Pace("vault")
			if none != (ledger.Pace{}) {
				t.Errorf("pace of a store that was never read: %+v", none)
			}
			return errors.Join(err, err2)
		})
		tx := w.l.Tx(t.Context(), begun, func(x *ledger.Tx) error { return x.Clock.AddPace("studio", 0, time.Second) })
		if !errors.Is(tx, fixity.ErrRefused) {
			t.Errorf("no bytes: %v", tx)
		}
	})
}

func TestCoverageAndDeadlines(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		w.take("masters", "QV-0107/a.wav", "take one", true, "studio", "vault")
		w.pass(10 * day)
		w.take("masters", "QV-0108/b.wav", "another take", true, "studio")
		w.view(func(x *ledger.Tx) error {
			c, err := x.Copies.Coverage("studio", w.clock.Add(-5*day))
			if c.Files != 2 || c.Within != 1 || c.NeverRead != 0 || !c.Oldest.Equal(begun) || c.InBytes == 0 || c.InBytes >= c.Bytes {
				t.Errorf("coverage: %+v", c)
			}
			ds, err2 := x.Copies.Deadlines("studio", 30*day)
			if len(ds) != 2 || ds[0].Files != 1 || ds[1].Day.Sub(ds[0].Day) != 10*day || !ds[0].Day.Equal(begun.Add(30*day).Truncate(day)) {
				t.Errorf("deadlines: %+v", ds)
			}
			none, err3 := x.Copies.Deadlines("attic", 30*day)
			if len(none) != 0 {
				t.Errorf("of a store that holds nothing: %+v", none)
			}
			return errors.Join(err, err2, err3)
		})
	})
}

func TestTouched(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		a := w.take("masters", "QV-0107/a.wav", "take one", true, "studio")
		w.take("masters", "QV-0107/b.wav", "take two", true, "studio")
		w.take("masters", "QV-0107-2.wav", "take three", true, "studio")
		touch := func(store, path string, ahead bool) (seen, expected int64) {
			w.tx(func(x *ledger.Tx) (err error) {
				seen, expected, err = x.Copies.Touched(store, "masters", path, ahead)
				return err
			})
			return seen, expected
		}
		due := func() map[string]bool {
			out := map[string]bool{}
			w.view(func(x *ledger.Tx) error {
				cs, err := x.Copies.Of(a.ID)
				for _, c := range cs {
					out[c.Store] = c.Due.Before(w.clock)
				}
				return err
			})
			return out
		}
		if seen, expected := touch("vault", "QV-0107/a.wav", true); seen != 0 || expected != 1 {
			t.Errorf("awaited: %d, %d", seen, expected)
		}
		if due()["studio"] {
			t.Error("due in the studio before anything happened there")
		}
		for _, c := range []struct {
			path string
			want int64
		}{{"QV-0107/a.wav", 1}, {"QV-0107", 2}, {"QV-0107-2.wav", 1}, {"QV-0107/c.wav", 0}, {"QV", 0}} {
			if seen, expected := touch("studio", c.path, false); seen != c.want || expected != c.want {
				t.Errorf("%q: %d of %d copies, want %d", c.path, seen, expected, c.want)
			}
		}
		if !due()["studio"] {
			t.Error("not due after it was touched")
		}
		ahead := func() (yes bool) {
			w.view(func(x *ledger.Tx) (err error) { yes, err = x.Audits.AnyAhead("studio"); return err })
			return yes
		}
		if ahead() {
			t.Error("ahead of others though that wasn't asked for")
		}
		if touch("studio", "QV-0107/a.wav", true); !ahead() {
			t.Error("not ahead of others")
		}
	})
}

func TestOpenCounts(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		w.tx(func(x *ledger.Tx) error {
			for _, s := range []string{"studio", "vault"} {
				if err := x.Findings.Found(fixity.Finding{Subject: fixity.OfStore, Kind: fixity.Away, Urgency: fixity.AtRisk, Store: s, IntactIn: []string{}}, "", 0, "Ada Wren"); err != nil {
					return err
				}
			}
			return x.Findings.Clear("vault", "", fixity.OfStore, fixity.Away, "", fixity.IntactAgain, "Ada Wren")
		})
		w.view(func(x *ledger.Tx) error {
			cs, err := x.Findings.OpenCounts()
			if len(cs) != 1 || cs[0] != (ledger.OpenCount{Store: "studio", Kind: fixity.Away, Urgency: fixity.AtRisk, N: 1}) {
				t.Errorf("open: %+v", cs)
			}
			return err
		})
	})
}
