package schedule_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity/ledger"
)

func TestStepAtItsBounds(t *testing.T) {
	at := func(day, h, m int) time.Time { return time.Date(2026, 3, day, h, m, 0, 0, time.UTC) }
	done := func(day, h, m int) ledger.Firing {
		return ledger.Firing{Due: at(day, h, m), Tried: at(day, h, m), Ended: at(day, h, m), Outcome: ledger.FiringDone}
	}
	closed := func(text string) schedule.Plan {
		p := plan(t, text)
		p.Closed = schedule.Days([][2]string{{"2026-03-09", "2026-03-12"}})
		return p
	}
	nightly := plan(t, "0 1 * * *")
	for _, c := range []struct {
		name string
		p    schedule.Plan
		m    schedule.Moment
		want schedule.Step
	}{
		{"the next is an hour away", nightly, schedule.Moment{Now: at(12, 0, 0), Up: at(11, 23, 0), Quiet: time.Hour, Last: done(10, 1, 0)}, schedule.Step{Do: schedule.Run, Due: at(11, 1, 0)}},
		{"quiet for just so long", nightly, schedule.Moment{Now: at(11, 9, 30), Up: at(11, 9, 0), Quiet: schedule.Idle, Last: done(10, 1, 0)}, schedule.Step{Do: schedule.Run, Due: at(11, 1, 0)}},
		{"an open day's before closed ones is made up", closed("0 20 * * *"), schedule.Moment{Now: at(13, 9, 30), Up: at(13, 9, 0), Quiet: time.Hour, Last: done(7, 20, 0)},
			schedule.Step{Do: schedule.Run, Due: at(8, 20, 0)}},
		{"and those before it", closed("0 20 * * *"), schedule.Moment{Now: at(13, 9, 30), Up: at(13, 9, 0), Quiet: time.Hour, Last: done(6, 20, 0)},
			schedule.Step{Do: schedule.Run, Due: at(8, 20, 0), Missed: 1}},
		{"not on a closed day", closed("0 20 * * *"), schedule.Moment{Now: at(12, 9, 30), Up: at(12, 9, 0), Quiet: time.Hour, Last: done(7, 20, 0)},
			schedule.Step{Until: at(12, 20, 0), Why: "what was missed on a closed day is not made up"}},
		{"a closed day's that isn't missed yet", closed("50 23 * * *"), schedule.Moment{Now: at(13, 0, 5), Up: at(1, 9, 0), Last: done(7, 23, 50)},
			schedule.Step{Do: schedule.Run, Due: at(12, 23, 50), Missed: 1}},
		{"at the last moment", closed("45 23 * * *"), schedule.Moment{Now: at(13, 0, 0), Up: at(1, 9, 0), Last: done(7, 23, 45)},
			schedule.Step{Do: schedule.Run, Due: at(12, 23, 45), Missed: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, c.p.Step(c.m)); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

func TestUnkeptAtItsBounds(t *testing.T) {
	at := func(day, h, m int) time.Time { return time.Date(2026, 3, day, h, m, 0, 0, time.UTC) }
	f := func(day int, tried time.Time, outcome, trouble string) ledger.Firing {
		return ledger.Firing{Job: ledger.FiringAudit, Store: "studio", Due: at(day, 1, 0), Tried: tried, Ended: tried, Outcome: outcome, Tries: 1, Trouble: trouble}
	}
	begun := f(9, at(9, 1, 0), ledger.FiringDone, "")
	p := plan(t, "0 1 * * *")
	days := func(us []schedule.Unkept) (out string) {
		for _, u := range us {
			out += fmt.Sprint(u.At.Day(), " ")
		}
		return out
	}
	if got := days(p.Unkept("studio", []ledger.Firing{begun}, at(10, 1, 0), at(12, 1, 0))); got != "10 11 " {
		t.Errorf("from a time up to another, that one left out: %s", got)
	}
	p.Closed = schedule.Days([][2]string{{"2026-03-10", "2026-03-10"}})
	if got := days(p.Unkept("studio", []ledger.Firing{begun}, at(10, 0, 0), at(12, 12, 0))); got != "11 12 " {
		t.Errorf("behind a closed day: %s", got)
	}
	for late, want := range map[time.Duration]string{2 * schedule.Punctual: "", 2*schedule.Punctual + 1: "11 "} {
		if got := days(p.Unkept("studio", []ledger.Firing{begun, f(11, at(11, 1, 0).Add(late), ledger.FiringDone, "")}, at(11, 0, 0), at(12, 0, 0))); got != want {
			t.Errorf("kept %s late: %q", late, got)
		}
	}
	for n, want := range map[int]string{146: strings.Repeat("ä", 146), 147: strings.Repeat("ä", 146) + "…"} {
		us := p.Unkept("studio", []ledger.Firing{begun, f(11, at(11, 1, 0), ledger.FiringFailed, strings.Repeat("ä", n))}, at(11, 0, 0), at(12, 0, 0))
		if len(us) != 1 || us[0].Why != "not finished: "+want {
			t.Errorf("%d characters: %+v", n, us)
		}
	}
}

func TestClosedDaysAreDaysWhereTheArchiveIs(t *testing.T) {
	zone := time.FixedZone("QVT", 13*3600)
	times, err := schedule.Parse("0 11 * * *", zone)
	if err != nil {
		t.Fatal(err)
	}
	p := plan(t, "0 1 * * *")
	p.Times, p.Closed = times, schedule.Days([][2]string{{"2026-03-10", "2026-03-10"}})
	begun := ledger.Firing{Job: ledger.FiringAudit, Store: "studio", Due: time.Date(2026, 3, 9, 11, 0, 0, 0, zone), Outcome: ledger.FiringDone, Tries: 1}
	begun.Tried, begun.Ended = begun.Due, begun.Due
	us := p.Unkept("studio", []ledger.Firing{begun}, begun.Due.Add(time.Hour), begun.Due.Add(60*time.Hour))
	if len(us) != 1 || us[0].At.In(zone).Day() != 11 {
		t.Errorf("not kept: %+v", us)
	}
}

func TestWindowAtItsBounds(t *testing.T) {
	at := func(h, m, s int) time.Time { return time.Date(2026, 3, 10, h, m, s, 0, time.UTC) }
	day := schedule.Window{From: 9*time.Hour + 30*time.Minute + 30*time.Second, To: 17*time.Hour + 30*time.Minute}
	for when, open := range map[time.Time]bool{at(9, 0, 0): false, at(9, 30, 29): false, at(9, 30, 30): true, at(9, 31, 0): true, at(17, 29, 59): true, at(17, 30, 0): false, at(17, 30, 1): false} {
		if day.Open(when) != open {
			t.Errorf("%s: open %t", when, !open)
		}
	}
	if got := (schedule.Window{From: 22*time.Hour + 30*time.Minute, To: 6 * time.Hour}).Opens(at(12, 0, 0)); !got.Equal(at(22, 30, 0)) {
		t.Errorf("it opens at %s", got)
	}
	shut := schedule.Window{From: 9 * time.Hour, To: 9 * time.Hour}
	if shut.Open(at(10, 0, 0)) || shut.Open(at(9, 0, 0)) {
		t.Error("a window without a length is open")
	}
	if got := shut.Opens(at(10, 0, 0)); !got.Equal(at(10, 0, 0).Add(24 * time.Hour)) {
		t.Errorf("it is asked again at %s", got)
	}
}

func TestUpcoming(t *testing.T) {
	x := plan(t, "0 1 * * *").Times
	now := time.Date(2026, 3, 10, 9, 0, 0, 0, time.UTC)
	for _, n := range []int{0, 1, 3} {
		got := x.Upcoming(now, n)
		if len(got) != n || n > 0 && !got[n-1].Equal(now.AddDate(0, 0, n).Add(-8*time.Hour)) {
			t.Errorf("%d: %v", n, got)
		}
	}
	if got := (schedule.Times{}).Upcoming(now, 3); len(got) != 0 {
		t.Errorf("of no schedule: %v", got)
	}
}

func TestForeseeLooksPastNothing(t *testing.T) {
	now := time.Date(2026, 3, 10, 15, 0, 0, 0, time.UTC)
	day := func(n int) time.Time { return now.Truncate(24*time.Hour).AddDate(0, 0, n) }
	m := schedule.Means{Rate: 1000, Daily: time.Hour}
	for name, c := range map[string]struct {
		needs []schedule.Need
		want  schedule.Forecast
	}{
		"a day without needs":  {[]schedule.Need{{Day: day(1)}, {Day: day(2), Bytes: 8_000_000}}, schedule.Forecast{Broken: day(2), Short: 800_000, Known: true}},
		"to the byte":          {[]schedule.Need{{Day: day(2), Bytes: 7_200_000}}, schedule.Forecast{Known: true}},
		"today there is none":  {[]schedule.Need{{Day: day(0), Bytes: 10}}, schedule.Forecast{Broken: day(0), Short: 10, Known: true}},
		"a past day's nothing": {[]schedule.Need{{Day: day(-1)}}, schedule.Forecast{Known: true}},
	} {
		if diff := cmp.Diff(c.want, schedule.Foresee(now, c.needs, m)); diff != "" {
			t.Errorf("%s, -want +got:\n%s", name, diff)
		}
	}
}

// watched is a book that says what it is asked for, and may refuse or hang.
type watched struct {
	*book
	mu     sync.Mutex
	takes  error
	lost   bool // somebody else is always first
	hangs  chan struct{}
	ended  []string
	within time.Duration // that an End had
}

func (b *watched) set(change func()) { b.mu.Lock(); defer b.mu.Unlock(); change() }

func (b *watched) Last(ctx context.Context, store string) (ledger.Firing, time.Time, error) {
	b.mu.Lock()
	hangs := b.hangs
	b.mu.Unlock()
	if hangs != nil {
		<-hangs
	}
	return b.book.Last(ctx, store)
}

func (b *watched) Take(ctx context.Context, f ledger.Firing, again bool) (ledger.Firing, bool, error) {
	b.mu.Lock()
	err, lost := b.takes, b.lost
	b.mu.Unlock()
	if err != nil || lost {
		return f, false, err
	}
	return b.book.Take(ctx, f, again)
}

func (b *watched) End(ctx context.Context, f ledger.Firing, outcome, trouble string) error {
	b.set(func() {
		b.ended = append(b.ended, outcome)
		if until, ok := ctx.Deadline(); ok {
			b.within = time.Until(until)
		}
	})
	return b.book.End(ctx, f, outcome, trouble)
}

// lines are what a log said.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) { l.mu.Lock(); defer l.mu.Unlock(); return l.b.Write(p) }
func (l *lines) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.b.String(), text)
}

// begun is a book in which the schedule of a store has begun long ago.
func begun(store string) *watched {
	b := &watched{book: newBook(time.Now)}
	at := time.Now().Add(-time.Hour)
	b.fs[store] = []ledger.Firing{{Store: store, Due: at, Tried: at, Ended: at, Outcome: ledger.FiringBegun, Tries: 1}}
	return b
}

func watchedRunner(b *watched, jobs ...schedule.Job) (*schedule.Runner, *lines) {
	said := &lines{}
	return &schedule.Runner{Book: b, Jobs: jobs, Now: time.Now, Log: slog.New(slog.NewTextHandler(said, nil)), By: "the test"}, said
}

// A store whose schedule can't be followed keeps no other from its turn, and nobody waits
// for it.
func TestABadScheduleKeepsNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		ran := 0
		bad := job(p, "bad", func(context.Context) schedule.Result { t.Error("it ran"); return done })
		bad.Bad = errors.New("never comes")
		b := begun("vault")
		r, _ := watchedRunner(b, bad, job(p, "vault", func(context.Context) schedule.Result { ran++; return done }))
		if got := r.Wants(t.Context()); len(got) != 0 {
			t.Errorf("wanted at midnight: %v", got)
		}
		if r.Turn(t.Context(), "vault"); ran != 0 || r.Alive() == nil {
			t.Errorf("before it has begun it ran %d times", ran)
		}
		ctx, cancel := context.WithCancel(t.Context())
		go r.Run(ctx)
		time.Sleep(3 * time.Hour)
		if err := r.Alive(); err != nil || ran != 1 {
			t.Errorf("%v, %d runs", err, ran)
		}
		if s := r.States(); len(s) != 2 || s[0].Trouble != "never comes" || s[1].Trouble != "" {
			t.Errorf("%+v", s)
		}
		r.Turn(t.Context(), "bad")
		r.Turn(t.Context(), "none")
		cancel()
		synctest.Wait()
	})
}

// Alive tells of a loop that hasn't come round for five minutes, and of none that works.
func TestAlive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		b := begun("vault")
		b.hangs = make(chan struct{}) // it never comes round
		r, _ := watchedRunner(b, job(p, "vault", func(context.Context) schedule.Result { time.Sleep(time.Hour); return done }))
		ctx, cancel := context.WithCancel(t.Context())
		go r.Run(ctx)
		synctest.Wait()
		time.Sleep(5 * time.Minute)
		if err := r.Alive(); err != nil {
			t.Errorf("after five minutes: %v", err)
		}
		time.Sleep(time.Second)
		if r.Alive() == nil {
			t.Error("it never came round")
		}
		b.set(func() { close(b.hangs); b.hangs = nil })
		synctest.Wait()
		time.Sleep(30 * time.Second) // it has come round half a minute ago, and hangs from the next time on
		b.set(func() { b.hangs = make(chan struct{}) })
		time.Sleep(4*time.Minute + 30*time.Second)
		if err := r.Alive(); err != nil {
			t.Errorf("it came round five minutes ago: %v", err)
		}
		time.Sleep(time.Second)
		if r.Alive() == nil {
			t.Error("it hasn't come round for more than five minutes")
		}
		b.set(func() { close(b.hangs); b.hangs = nil })
		time.Sleep(time.Hour + 30*time.Minute) // past one o'clock
		if s := r.States()[0]; !s.Running || s.Next.IsZero() || r.Alive() != nil {
			t.Errorf("it works: %+v, %v", s, r.Alive())
		}
		cancel()
		time.Sleep(2 * time.Hour)
		synctest.Wait()
	})
}

// Where turns are given by somebody else, nothing is begun without one, and of two at once
// one does it.
func TestTurnsThatAreGiven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		b := begun("vault")
		ran := 0
		bad := job(p, "bad", func(context.Context) schedule.Result { t.Error("it ran"); return done })
		bad.Bad = errors.New("never comes")
		r, _ := watchedRunner(b, bad, job(p, "studio", func(context.Context) schedule.Result { t.Error("it ran"); return done }),
			job(p, "vault", func(context.Context) schedule.Result { ran++; time.Sleep(time.Minute); return done }))
		b.fs["studio"] = append([]ledger.Firing(nil), b.fs["vault"]...)
		b.fs["studio"][0].Store = "studio"
		r.Asked = true
		r.Turn(t.Context(), "vault") // it hasn't begun
		ctx, cancel := context.WithCancel(t.Context())
		go r.Run(ctx)
		time.Sleep(61 * time.Minute)
		if got := r.Wants(ctx); ran != 0 || fmt.Sprint(got) != "[studio vault]" {
			t.Errorf("%d runs, wanted: %v", ran, got)
		}
		go r.Turn(ctx, "vault")
		synctest.Wait()
		began := time.Now()
		r.Turn(ctx, "vault") // somebody is at it
		if time.Since(began) > 0 || ran != 1 {
			t.Errorf("after %s: %d runs", time.Since(began), ran)
		}
		time.Sleep(2 * time.Minute)
		if got := r.Wants(ctx); fmt.Sprint(got) != "[studio]" {
			t.Errorf("wanted after that: %v", got)
		}
		time.Sleep(24 * time.Hour)
		r.Turn(ctx, "vault")
		if ran != 2 {
			t.Errorf("the day after: %d runs", ran)
		}
		b.set(func() { b.fail = errors.New("no ledger") })
		if got := r.Wants(ctx); len(got) != 0 {
			t.Errorf("wanted without a ledger: %v", got)
		}
		b.set(func() { b.fail = nil; b.fs["studio"] = nil })
		if got := r.Wants(ctx); fmt.Sprint(got) != "[studio]" {
			t.Errorf("wanted where it never began: %v", got)
		}
		cancel()
		synctest.Wait()
	})
}

// What a runner says, and when it is tried next.
func TestWhatARunnerSays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := plan(t, "0 1 * * *")
		b := begun("vault")
		var outcome atomic.Value
		outcome.Store(ledger.FiringDone)
		var quiet atomic.Int64
		quiet.Store(int64(time.Minute))
		r, said := watchedRunner(b, job(p, "vault", func(context.Context) schedule.Result { return schedule.Result{Outcome: outcome.Load().(string)} }))
		r.Quiet = func() time.Duration { return time.Duration(quiet.Load()) }
		time.Sleep(9 * time.Hour) // one o'clock passes
		ctx, cancel := context.WithCancel(t.Context())
		go r.Run(ctx)
		time.Sleep(5 * time.Minute)
		up := time.Now().Add(-5 * time.Minute)
		if s := r.States()[0]; !s.Next.Equal(up.Add(schedule.Settled)) || s.Waits == "" {
			t.Errorf("it was just switched on: %+v", s)
		}
		if n := said.count("an audit waits"); n != 1 {
			t.Errorf("that it waits is said %d times", n)
		}
		time.Sleep(30 * time.Minute)
		if n := said.count("an audit waits"); n != 2 || b.count("vault", ledger.FiringDone) != 0 {
			t.Errorf("people work: said %d times that it waits", n)
		}
		quiet.Store(int64(schedule.Idle))
		time.Sleep(20 * time.Minute)
		if s := r.States()[0]; b.count("vault", ledger.FiringDone) != 1 || s.Waits != "" || !s.Next.Equal(up.Truncate(24*time.Hour).Add(25*time.Hour)) {
			t.Errorf("it was made up: %+v", s)
		}
		if said.count("level=WARN") != 0 || said.count("an audit waits") != 2 || b.within != 5*time.Second {
			t.Errorf("%d warnings; it may end within %s", said.count("level=WARN"), b.within)
		}
		if said.count("is followed again") != 0 {
			t.Error("the schedule is said to be followed again, and always was")
		}
		outcome.Store(ledger.FiringAway)
		time.Sleep(24 * time.Hour)
		if n := said.count("level=WARN msg=\"audit ended\""); n != 1 {
			t.Errorf("that it was away is told %d times", n)
		}
		b.set(func() { b.takes = errors.New("no room") })
		time.Sleep(24 * time.Hour)
		if n := said.count("can't be followed just now"); n != 1 || r.States()[0].Trouble != "no room" {
			t.Errorf("that the schedule can't be followed is told %d times", n)
		}
		b.set(func() { b.takes = nil })
		time.Sleep(2 * time.Minute)
		if n := said.count("is followed again"); n != 1 || r.States()[0].Trouble != "" {
			t.Errorf("that it is followed again is told %d times", n)
		}
		cancel()
		synctest.Wait()
	})
}

// A time that somebody else has, or that can't be taken, is begun and ended by nobody here.
func TestWhatIsNotTakenIsNotEnded(t *testing.T) {
	for name, first := range map[string]bool{"its beginning": true, "a run": false} {
		for _, err := range []error{nil, errors.New("no room")} {
			synctest.Test(t, func(t *testing.T) {
				b := begun("vault")
				if first {
					b.fs["vault"] = nil
				}
				b.takes, b.lost = err, true
				r, _ := watchedRunner(b, job(plan(t, "0 1 * * *"), "vault", func(context.Context) schedule.Result { t.Errorf("%s: it ran", name); return done }))
				ctx, cancel := context.WithCancel(t.Context())
				go r.Run(ctx)
				time.Sleep(70 * time.Minute)
				if s := r.States()[0]; (s.Trouble != "") != (err != nil) {
					t.Errorf("%s, %v: %+v", name, err, s)
				}
				cancel()
				synctest.Wait()
				if len(b.ended) != 0 {
					t.Errorf("%s, %v: ended as %v", name, err, b.ended)
				}
			})
		}
	}
}

// Who stops waits seven seconds for what hangs.
func TestStopsWithin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begun("vault")
		freed := make(chan struct{})
		r, _ := watchedRunner(b, job(plan(t, "0 1 * * *"), "vault", func(context.Context) schedule.Result { <-freed; return done }))
		ctx, cancel := context.WithCancel(t.Context())
		wait := r.Begin(ctx)
		if err := r.Alive(); err != nil {
			t.Errorf("begun: %v", err)
		}
		time.Sleep(2 * time.Hour)
		cancel()
		stop := time.Now()
		if wait(); time.Since(stop) != 7*time.Second {
			t.Errorf("stopped after %s", time.Since(stop))
		}
		close(freed)
		synctest.Wait()
	})
}
