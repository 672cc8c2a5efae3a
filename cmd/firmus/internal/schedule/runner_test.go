package schedule_test

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// book keeps firings in memory.
type book struct {
	mu   sync.Mutex
	fs   map[string][]ledger.Firing
	now  func() time.Time
	fail error
}

func newBook(now func() time.Time) *book { return &book{fs: map[string][]ledger.Firing{}, now: now} }

func (b *book) Last(_ context.Context, store string) (ledger.Firing, time.Time, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return ledger.Firing{}, time.Time{}, b.fail
	}
	fs := b.fs[store]
	if len(fs) == 0 {
		return ledger.Firing{}, time.Time{}, fixity.ErrNotFound
	}
	var done time.Time
	for _, f := range fs {
		if f.Outcome == ledger.FiringDone {
			done = f.Ended
		}
	}
	return fs[len(fs)-1], done, nil
}

func (b *book) Take(_ context.Context, f ledger.Firing, again bool) (ledger.Firing, bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	fs := b.fs[f.Store]
	i := slices.IndexFunc(fs, func(x ledger.Firing) bool { return x.Due.Equal(f.Due) })
	if again {
		if i < 0 || !fs[i].Ended.IsZero() || fs[i].Tries != f.Tries {
			return f, false, nil
		}
		fs[i].Tries, fs[i].Tried, fs[i].Outcome = fs[i].Tries+1, b.now(), ""
		return fs[i], true, nil
	}
	if i >= 0 {
		return f, false, nil
	}
	f.Tries, f.Tried = 1, b.now()
	b.fs[f.Store] = append(fs, f)
	return f, true, nil
}

func (b *book) End(_ context.Context, f ledger.Firing, outcome, trouble string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, x := range b.fs[f.Store] {
		if x.Due.Equal(f.Due) && x.Tries == f.Tries && x.Ended.IsZero() {
			x.Outcome, x.Trouble = outcome, trouble
			if outcome != ledger.FiringBusy && outcome != ledger.FiringStopped {
				x.Ended = b.now()
			}
			b.fs[f.Store][i] = x
		}
	}
	return nil
}

// count are the firings of a store with an outcome.
func (b *book) count(store, outcome string) (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.fs[store] {
		if f.Outcome == outcome {
			n++
		}
	}
	return n
}

func runner(b *book, jobs ...schedule.Job) *schedule.Runner {
	return &schedule.Runner{Book: b, Jobs: jobs, Now: time.Now, Log: slog.New(slog.DiscardHandler), By: "the test"}
}

func job(p schedule.Plan, store string, run func(context.Context) schedule.Result) schedule.Job {
	return schedule.Job{Store: store, Plan: p, Run: func(ctx context.Context, _ ledger.Firing) schedule.Result { return run(ctx) }}
}

var done = schedule.Result{Outcome: ledger.FiringDone}

// Four weeks of a computer that is on all the time: each night once, for each store,
// and never two at once on one drive.
func TestFourWeeks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		run := func(context.Context) schedule.Result { time.Sleep(2 * time.Hour); return done }
		b := newBook(time.Now)
		r := runner(b, job(p, "studio", run), job(p, "mirror", run), job(p, "vault", run))
		ctx, cancel := context.WithCancel(t.Context())
		go r.Run(ctx)
		time.Sleep(28*24*time.Hour + 6*time.Hour)
		synctest.Wait()
		for _, s := range r.States() {
			if s.Trouble != "" || s.Running || time.Until(s.Next) > 24*time.Hour || time.Since(s.LastOK) > 24*time.Hour {
				t.Errorf("%+v", s)
			}
		}
		if err := r.Alive(); err != nil {
			t.Error(err)
		}
		cancel()
		synctest.Wait()
		for _, s := range []string{"studio", "mirror", "vault"} {
			if n := b.count(s, ledger.FiringDone); n != 29 && n != 28 {
				t.Errorf("%s was audited %d times in four weeks", s, n)
			}
		}
	})
}

// Four weeks of a computer that is on from nine to five on weekdays: each working
// day's missed night is made up once, in an idle hour.
func TestFourWeeksSwitchedOffAtFive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		b := newBook(time.Now)
		perDay := map[string]int{}
		missed := int64(0)
		busyUntil := time.Time{}
		j := schedule.Job{Store: "studio", Plan: p, Run: func(_ context.Context, f ledger.Firing) schedule.Result {
			if time.Now().Before(busyUntil) {
				t.Errorf("%s: made up while people worked", time.Now())
			}
			perDay[time.Now().Format(time.DateOnly)]++
			missed += f.Missed
			time.Sleep(20 * time.Minute)
			return done
		}}
		first := time.Now().Truncate(24*time.Hour).AddDate(0, 0, 1)
		days := 0
		for day := range 28 {
			morning := first.AddDate(0, 0, day).Add(9 * time.Hour)
			time.Sleep(time.Until(morning))
			if wd := morning.Weekday(); wd == time.Saturday || wd == time.Sunday {
				continue
			}
			days++
			busyUntil = morning.Add(2 * time.Hour) // people work till eleven
			r := runner(b, j)
			r.Quiet = func() time.Duration { return max(time.Since(busyUntil.Add(-time.Nanosecond)), 0) }
			ctx, cancel := context.WithCancel(t.Context())
			go r.Run(ctx)
			time.Sleep(8 * time.Hour)
			cancel()
			synctest.Wait()
		}
		// On the first day the schedule begins.
		if len(perDay) != days-1 {
			t.Errorf("made up on %d of %d days: %v", len(perDay), days-1, perDay)
		}
		for d, n := range perDay {
			if n != 1 {
				t.Errorf("%s: %d runs", d, n)
			}
		}
		if missed != 8 { // both nights of each week-end, of the three or four in between
			if missed < 6 || missed > 8 {
				t.Errorf("%d nights were made up besides", missed)
			}
		}
	})
}

// Of two daemons on one ledger one runs each time.
func TestTwoDaemons(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		b := newBook(time.Now)
		var mu sync.Mutex
		runs := 0
		run := func(context.Context) schedule.Result {
			mu.Lock()
			runs++
			mu.Unlock()
			time.Sleep(5 * time.Second)
			return done
		}
		ctx, cancel := context.WithCancel(t.Context())
		for range 2 {
			go runner(b, job(p, "studio", run)).Run(ctx)
		}
		time.Sleep(10*24*time.Hour + 12*time.Hour)
		cancel()
		synctest.Wait()
		if runs != b.count("studio", ledger.FiringDone) || runs < 10 || runs > 11 {
			t.Errorf("%d runs, %d done", runs, b.count("studio", ledger.FiringDone))
		}
	})
}

// A store that hangs stops neither the others nor the end.
func TestHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		b := newBook(time.Now)
		freed := make(chan struct{})
		r := runner(b, job(p, "stuck", func(context.Context) schedule.Result { <-freed; return done }),
			job(p, "vault", func(context.Context) schedule.Result { return done }))
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { r.Run(ctx); close(ended) }()
		time.Sleep(7 * 24 * time.Hour)
		if n := b.count("vault", ledger.FiringDone); n < 7 {
			t.Errorf("the other store was audited %d times in a week", n)
		}
		stop := time.Now()
		cancel()
		<-ended
		if took := time.Since(stop); took > 10*time.Second {
			t.Errorf("stopped after %s", took)
		}
		close(freed)
		synctest.Wait()
	})
}

// What is busy is tried again; what fails waits for its next time.
func TestBusyThenDone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook(time.Now)
		tries := 0
		r := runner(b, job(plan(t, "0 1 * * *"), "studio", func(context.Context) schedule.Result {
			if tries++; tries < 4 {
				return schedule.Result{Outcome: ledger.FiringBusy, Trouble: "somebody works on it"}
			}
			return done
		}))
		ctx, cancel := context.WithCancel(t.Context())
		go r.Run(ctx)
		start := time.Now()
		time.Sleep(25 * time.Hour)
		cancel()
		synctest.Wait()
		if f := b.fs["studio"][1]; f.Tries != 4 || f.Outcome != ledger.FiringDone || f.Ended.Sub(f.Due) > time.Hour {
			t.Errorf("since %s: %+v", start, f)
		}
	})
}

// A full or unreadable ledger is told, and tried again each minute.
func TestLedgerFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook(time.Now)
		var said strings.Builder
		r := runner(b, job(plan(t, "0 1 * * *"), "studio", func(context.Context) schedule.Result { return done }))
		r.Log = slog.New(slog.NewTextHandler(&said, nil))
		ctx, cancel := context.WithCancel(t.Context())
		go r.Run(ctx)
		time.Sleep(time.Hour)
		b.mu.Lock()
		b.fail = errors.New("no room left to write")
		b.mu.Unlock()
		time.Sleep(48 * time.Hour)
		synctest.Wait()
		if s := r.States(); s[0].Trouble != "no room left to write" {
			t.Errorf("%+v", s)
		}
		if err := r.Alive(); err != nil {
			t.Errorf("a loop that tries each minute counts as dead: %v", err)
		}
		b.mu.Lock()
		b.fail = nil
		b.mu.Unlock()
		time.Sleep(24 * time.Hour)
		cancel()
		synctest.Wait()
		if s := r.States(); s[0].Trouble != "" {
			t.Errorf("%+v", s)
		}
		if n := strings.Count(said.String(), "no room left"); n != 1 {
			t.Errorf("said %d times", n)
		}
		if b.count("studio", ledger.FiringDone) == 0 {
			t.Error("nothing was done after the ledger came back")
		}
	})
}
