package app_test

import (
	"errors"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
)

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
			drive, err := drivetest.Start(drivetest.Options{HangUp: true})
			if err != nil {
				t.Fatal(err)
			}
			defer drive.Close()
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			post := &postOffice{}
			post.serve(t, l)
			folder := drive.AddFolder(drivetest.Root, "Quillmere")
			dir := t.TempDir()
			var y *year
			from := 0
			days := func(n int) {
				for day := from; day < from+n; day++ {
					y.until(day, 1, 5)
					y.turns()
					y.until(day, 9, 31)
					y.post2()
					y.until(day, 17, 30)
					y.takeIn()
					y.post2()
				}
				from += n
			}
			synctest.Test(t, func(t *testing.T) {
				y = newYear(t, dir, 1, drive, folder, post, l.Addr().String())
				y.switchOn()
				_, err := y.d.App().Receiving.Intake(t.Context(), receiving.IntakeOrder{})
				y.must(err)
				y.d.Turns()
				y.must(y.d.Post())
				days(15)
				y.switchOff()
			})
			if t.Failed() {
				return
			}
			made := func() (out []time.Time) { // letters
				y.t.Helper()
				y.must(y.d.App().Ledger.View(y.t.Context(), func(x *ledger.Tx) error {
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
			synctest.Test(t, func(t *testing.T) {
				y.t = t
				time.Sleep(time.Until(c.at))
				y.switchOn()
				defer y.switchOff()
				before := len(made())
				for hour := range 3 {
					turned, err := y.d.Turns(), y.d.Post()
					_, err2 := y.d.TakeIn()
					if rests := c.rests > hour; rests != errors.Is(err, fixity.ErrRefused) || rests != errors.Is(err2, fixity.ErrRefused) || rests && turned {
						t.Errorf("hour %d: turned %v; letters: %v; taking in: %v; want rest %v", hour, turned, err, err2, rests)
					}
					time.Sleep(time.Hour)
				}
				if said := y.log.has("nothing is done by the clock"); said != (c.rests > 0) {
					t.Errorf("it says so: %v", said)
				}
				if n := len(made()) - before; n > 1 {
					t.Errorf("%d letters by a clock that was wrong", n)
				}
			})
			synctest.Test(t, func(t *testing.T) {
				y.t = t
				y.until(from, 0, 1)
				y.switchOn()
				defer y.switchOff()
				if err := y.d.Post(); errors.Is(err, fixity.ErrRefused) != c.doubted {
					t.Errorf("the clock is right again: %v", err)
				}
				right := y.date(from)
				days(15)
				weekly := 0
				for _, at := range made() {
					if at.After(right.AddDate(0, 0, 2)) && at.Before(time.Now()) {
						weekly++
					}
				}
				if weekly != 2 {
					t.Errorf("%d letters in the two weeks after it", weekly)
				}
				y.must(y.d.App().Ledger.View(t.Context(), func(x *ledger.Tx) error {
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
				if _, err := y.d.App().Ledger.Verify(t.Context()); err != nil {
					t.Error(err)
				}
			})
		})
	}
}
