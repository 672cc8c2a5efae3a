package schedule_test

import (
	"errors"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// A time of the schedule is had by one of those that take it at once, is taken again only
// after it was not finished, and is ended by nobody else.
func TestATimeIsNeverTakenByTwo(t *testing.T) {
	ledgertest.OnEach(t, func(t *testing.T, p ledgertest.Place) {
		now := time.Date(2026, 3, 2, 1, 0, 0, 0, time.UTC)
		o := p.Options()
		o.Now, o.By = now, "Ada Wren"
		o.Rules = care.Rules{Stores: []care.Store{{Name: "studio", Kind: "disk", Sets: []string{"masters"}, Arrivals: true}}, Sets: []care.Set{{Name: "masters", Role: fixity.Master}}}
		l, err := ledger.Open(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		book := schedule.InLedger{Ledger: l, Job: ledger.FiringAudit, Now: func() time.Time { return now }}
		if _, _, err := book.Last(t.Context(), "studio"); !errors.Is(err, fixity.ErrNotFound) {
			t.Fatalf("before any: %v", err)
		}
		// take has as many take it at once, and gives those that have it.
		take := func(f ledger.Firing, again bool) (won []ledger.Firing) {
			var mu sync.Mutex
			var wg sync.WaitGroup
			for range 4 {
				wg.Go(func() {
					got, ok, err := book.Take(t.Context(), f, again)
					mu.Lock()
					defer mu.Unlock()
					if err != nil {
						t.Error(err)
					}
					if ok {
						won = append(won, got)
					}
				})
			}
			wg.Wait()
			return won
		}
		first := take(ledger.Firing{Store: "studio", Due: now, By: "the daemon"}, false)
		if len(first) != 1 || first[0].Tries != 1 || !first[0].Due.Equal(now) {
			t.Fatalf("taken: %+v", first)
		}
		if err := book.End(t.Context(), first[0], ledger.FiringStopped, "told to stop"); err != nil {
			t.Fatal(err)
		}
		last, done, err := book.Last(t.Context(), "studio")
		if err != nil || !last.Ended.IsZero() || !done.IsZero() || last.Trouble != "told to stop" {
			t.Fatalf("stopped: %+v, %s, %v", last, done, err)
		}
		now = now.Add(time.Minute)
		second := take(last, true)
		if len(second) != 1 || second[0].Tries != 2 {
			t.Fatalf("taken again: %+v", second)
		}
		// What the first try says now counts for nothing.
		if err := book.End(t.Context(), first[0], ledger.FiringFailed, "late"); err != nil {
			t.Error(err)
		}
		if err := book.End(t.Context(), second[0], ledger.FiringDone, ""); err != nil {
			t.Fatal(err)
		}
		last, done, err = book.Last(t.Context(), "studio")
		if err != nil || last.Outcome != ledger.FiringDone || !last.Ended.Equal(now) || !done.Equal(now) {
			t.Errorf("done: %+v, %s, %v", last, done, err)
		}
		if again := take(last, true); len(again) != 0 {
			t.Errorf("what is done was taken again: %+v", again)
		}
		// What has ended is kept for 400 days.
		for _, c := range []struct {
			later time.Duration
			kept  int
		}{{400*24*time.Hour - time.Minute, 2}, {time.Second, 2}} { // the first goes with the third
			now = now.Add(c.later)
			f := take(ledger.Firing{Store: "studio", Due: now, By: "the daemon"}, false)
			if err := book.End(t.Context(), f[0], ledger.FiringDone, ""); err != nil {
				t.Fatal(err)
			}
			var all []ledger.Firing
			if err := l.View(t.Context(), func(x *ledger.Tx) (err error) { all, err = x.Clock.Since(time.Unix(0, 0)); return err }); err != nil {
				t.Fatal(err)
			}
			if len(all) != c.kept {
				t.Errorf("at %s %d are kept, want %d", now, len(all), c.kept)
			}
		}
		if _, _, err := book.Last(t.Context(), "vault"); !errors.Is(err, fixity.ErrNotFound) {
			t.Errorf("another store's: %v", err)
		}
	})
}
