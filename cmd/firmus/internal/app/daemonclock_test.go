package app_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
)

// clockWorld is an archive whose computer's clock goes wrong.
type clockWorld struct {
	*year
	from int // the day that comes next
}

// newClockWorld has two weeks pass.
func newClockWorld(t *testing.T) *clockWorld {
	drive, err := drivetest.Start(drivetest.Options{HangUp: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { drive.Close() })
	post, mail := openPost(t)
	folder := drive.AddFolder(drivetest.Root, "Quillmere")
	dir := t.TempDir()
	w := &clockWorld{}
	synctest.Test(t, func(t *testing.T) {
		w.year = newYear(t, dir, 1, drive, folder, post, mail)
		w.switchOn()
		_, err := w.d.App().Receiving.Intake(t.Context(), receiving.IntakeOrder{})
		w.must(err)
		w.d.Turns()
		w.must(w.d.Post())
		w.days(15)
		w.switchOff()
	})
	if t.Failed() {
		t.FailNow()
	}
	return w
}

func (w *clockWorld) days(n int) {
	for day := w.from; day < w.from+n; day++ {
		w.until(day, 1, 5)
		w.turns()
		w.until(day, 9, 31)
		w.post2()
		w.until(day, 17, 30)
		w.takeIn()
		w.post2()
	}
	w.from += n
}

// made is when the letters of the outbox were.
func (w *clockWorld) made() (out []time.Time) {
	w.t.Helper()
	w.must(w.d.App().Ledger.View(w.t.Context(), func(x *ledger.Tx) error {
		ds, err := x.Post.Deliveries(0)
		var last int64
		for _, d := range ds {
			if d.Letter.ID != last {
				last, out = d.Letter.ID, append(out, d.Letter.Made)
			}
		}
		return err
	}))
	return out
}

// alarms are the subjects of the letters that went past the outbox, each once for all who got it.
func (w *clockWorld) alarms() (out []string) {
	w.post.mu.Lock()
	defer w.post.mu.Unlock()
	for _, l := range w.post.letters {
		for line := range strings.Lines(l) {
			if s, ok := strings.CutPrefix(line, "Subject: "); ok && strings.Contains(l, "<firmus.alarm-") {
				out = append(out, strings.TrimSpace(s))
			}
		}
	}
	return slices.Compact(out)
}

// asBefore has two weeks pass with a clock that is right, and looks that nothing is left of the
// wrong one.
func (w *clockWorld) asBefore() {
	t := w.t
	right := w.date(w.from)
	w.days(15)
	weekly := 0
	for _, at := range w.made() {
		if at.After(right.AddDate(0, 0, 2)) && at.Before(time.Now()) {
			weekly++
		}
	}
	if weekly != 2 {
		t.Errorf("%d letters in the two weeks after it", weekly)
	}
	w.must(w.d.App().Ledger.View(t.Context(), func(x *ledger.Tx) error {
		fs, err := x.Findings.All()
		if len(fs) > 0 {
			t.Errorf("findings: %+v", fs)
		}
		if err != nil {
			return err
		}
		all, err := x.Clock.Since(right)
		done := map[string]int{}
		for _, f := range all {
			if f.Job == ledger.FiringAudit && f.Due.Before(time.Now()) {
				done[f.Store+" "+f.Outcome]++
			} else if f.Job == ledger.FiringAudit {
				t.Errorf("a turn of the future: %+v", f)
			}
		}
		if done["studio done"] < 4 || done["vault done"] < 2 || done["cloud done"] < 2 {
			t.Errorf("turns in the two weeks after it: %v", done)
		}
		return err
	}))
	if _, err := w.d.App().Ledger.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestDaemonClock has the clock of the only computer be wrong for some hours, as after a battery
// has died. Each stretch of time is a bubble of its own: the next one may begin earlier.
func TestDaemonClock(t *testing.T) {
	if testing.Short() {
		t.Skip("weeks of an archive take some seconds")
	}
	for _, c := range []struct {
		name    string
		at      time.Time
		rests   int  // for so many hours nothing is done by the clock that is wrong
		doubted bool // and the right one is doubted for an hour after it
	}{
		{"a year ahead", time.Date(2032, 1, 21, 0, 1, 0, 0, time.Local), 0, true},
		{"a week behind", time.Date(2031, 1, 14, 0, 1, 0, 0, time.Local), 1, false},
		{"as if it were new", time.Date(2000, 1, 1, 1, 0, 0, 0, time.Local), 3, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newClockWorld(t)
			synctest.Test(t, func(t *testing.T) {
				w.t = t
				time.Sleep(time.Until(c.at))
				w.switchOn()
				defer w.switchOff()
				before := len(w.made())
				for hour := range 3 {
					turned, err := w.d.Turns(), w.d.Post()
					_, err2 := w.d.TakeIn()
					if rests := c.rests > hour; rests != errors.Is(err, fixity.ErrRefused) || rests != errors.Is(err2, fixity.ErrRefused) || rests && turned {
						t.Errorf("hour %d: turned %v; letters: %v; taking in: %v; want rest %v", hour, turned, err, err2, rests)
					}
					time.Sleep(time.Hour)
				}
				if said := w.log.has("nothing is done by the clock"); said != (c.rests > 0) {
					t.Errorf("it says so: %v", said)
				}
				if n := len(w.made()) - before; n > 1 {
					t.Errorf("%d letters by a clock that was wrong", n)
				}
			})
			synctest.Test(t, func(t *testing.T) {
				w.t = t
				w.until(w.from, 0, 1)
				w.switchOn()
				defer w.switchOff()
				if err := w.d.Post(); errors.Is(err, fixity.ErrRefused) != c.doubted {
					t.Errorf("the clock is right again: %v", err)
				}
				w.asBefore()
			})
		})
	}
}

// TestDaemonClockJumps has the clock jump while the daemon runs, there and back. What is done by
// the clock rests while it is earlier than the record, people are told so and when it is over, and
// two weeks later nothing is left of it.
func TestDaemonClockJumps(t *testing.T) {
	if testing.Short() {
		t.Skip("weeks of an archive take some seconds")
	}
	const year = 365 * 24 * time.Hour
	for _, c := range []struct {
		name  string
		jumps []time.Duration // by how much it is ahead, for three hours each
		told  []string        // in letters past the outbox
	}{
		{"a year ahead", []time.Duration{year, 0}, []string{"rests", "goes by the clock again"}},
		{"a year back", []time.Duration{-year, 0}, []string{"rests", "goes by the clock again"}},
		{"ahead, back and ahead again", []time.Duration{year, -year, year, 0}, []string{"rests", "goes by the clock again", "rests", "goes by the clock again"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newClockWorld(t)
			synctest.Test(t, func(t *testing.T) {
				w.t = t
				w.until(w.from, 0, 1)
				w.switchOn()
				defer w.switchOff()
				before := len(w.made())
				for _, w.ahead = range c.jumps {
					for range 3 * 6 {
						w.d.Turns()
						if err := w.d.Post(); err != nil && !errors.Is(err, fixity.ErrRefused) {
							t.Error(err)
						}
						if _, err := w.d.TakeIn(); err != nil && !errors.Is(err, fixity.ErrRefused) {
							t.Error(err)
						}
						time.Sleep(10 * time.Minute)
					}
				}
				if n := len(w.made()) - before; n > 2 {
					t.Errorf("%d letters by a clock that was wrong", n)
				}
				told := w.alarms()
				ok := len(told) == len(c.told)
				for i := range min(len(told), len(c.told)) {
					ok = ok && strings.Contains(told[i], c.told[i])
				}
				if !ok {
					t.Errorf("told %q, want %q", told, c.told)
				}
				w.from++
				w.asBefore()
			})
		})
	}
}
