package outlook

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Check is one thing that the daemon needs, or foresees.
type Check struct {
	What  string
	OK    bool
	Unset bool // the configuration doesn't ask for it
	// Unknown: it can't be looked at now.
	Unknown bool
	Detail  string
}

// shownTimes is how many of a schedule's next times are shown.
const shownTimes = 5

// Schedules says when each store's turn comes next. It needs no ledger.
func Schedules(cfg *config.Config, now time.Time) []Check {
	var out []Check
	for _, st := range cfg.Stores {
		if st.Schedule == "" {
			continue
		}
		c := Check{What: "store " + st.Name + ", schedule"}
		times, err := schedule.Parse(st.Schedule, time.Local)
		if err != nil {
			c.Detail = err.Error()
			out = append(out, c)
			continue
		}
		w := schedule.Window(st.Window)
		var next []string
		for _, at := range times.Upcoming(now, shownTimes) {
			text := at.Format("Mon 2 Jan 15:04 MST")
			if opens := w.Opens(at); !opens.Equal(at) {
				text += " (waits for its window until " + opens.Format("15:04") + ")"
			}
			next = append(next, text)
		}
		c.OK, c.Detail = true, "next: "+strings.Join(next, ", ")
		out = append(out, c)
	}
	return out
}

// lately is how long ago a scheduled audit may have been done last.
const lately = 3 * 24 * time.Hour

// Checks says how the schedules were kept, and whether promises to read will be.
func Checks(ctx context.Context, l *ledger.Ledger, cfg *config.Config, now time.Time) ([]Check, error) {
	var out []Check
	for _, st := range cfg.Stores {
		if st.Schedule == "" {
			continue
		}
		last, done, err := schedule.InLedger{Ledger: l, Job: ledger.FiringAudit, Now: func() time.Time { return now }}.Last(ctx, st.Name)
		switch {
		case errors.Is(err, fixity.ErrNotFound):
		case err != nil:
			return out, err
		default:
			out = append(out, keptCheck(st, last, done, now))
		}
		if st.Visiting {
			var v *report.Visit
			if err := l.View(ctx, func(t *ledger.Tx) (err error) { v, err = report.LastVisit(t, st.Name); return err }); err != nil {
				return out, err
			}
			if v != nil {
				out = append(out, Check{What: "store " + st.Name + ", last visit", OK: v.Whole || !v.Ended, Detail: v.Words(time.Local)})
			}
		}
		o, err := Of(ctx, l, st, now)
		if err != nil {
			return out, err
		}
		if st.ReadWithin > 0 && o.Files > 0 {
			out = append(out, promiseCheck(st, o, now))
		}
	}
	return out, nil
}

func keptCheck(st config.Store, last ledger.Firing, done, now time.Time) Check {
	c := Check{What: "store " + st.Name + ", scheduled audits"}
	stamp := func(t time.Time) string { return t.Local().Format("Mon 2 Jan 15:04") }
	switch {
	case last.Outcome == ledger.FiringBegun && now.Sub(last.Due) > lately && came(st, last.Due, now):
		c.Detail = "none was done since the schedule began, " + stamp(last.Due) + ": is the computer on then, and does \"firmus serve\" run?"
		if st.Window != (config.Window{}) {
			w, _ := st.Window.MarshalText()
			c.Detail = fmt.Sprintf("none was done since the schedule began, %s: is the computer on while its window, %s, is open?", stamp(last.Due), w)
		}
	case last.Outcome == ledger.FiringBegun:
		c.OK, c.Detail = true, "the schedule begins; none was due yet"
	case last.Outcome == ledger.FiringDone && now.Sub(done) < lately:
		c.OK, c.Detail = true, "last done "+stamp(done)
	case last.Outcome == "" && last.Ended.IsZero():
		c.OK, c.Detail = true, "one goes on, or was cut off and will be taken up"
	case last.Outcome == ledger.FiringBusy || last.Outcome == ledger.FiringStopped:
		c.OK, c.Detail = true, "will be tried again: "+last.Trouble
	case last.Outcome == ledger.FiringDone:
		c.Detail = "last done " + stamp(done) + ": does \"firmus serve\" run?"
	default:
		c.Detail = fmt.Sprintf("%s, %s: %s", stamp(last.Tried), last.Outcome, last.Trouble)
	}
	return c
}

// came says that a time of a store's schedule has come since a moment.
func came(st config.Store, since, now time.Time) bool {
	times, err := schedule.Parse(st.Schedule, time.Local)
	if err != nil {
		return false
	}
	next := times.Next(since)
	return !next.IsZero() && next.Before(now)
}

// soon is how long before the last day a visit is asked for.
const soon = 21 * 24 * time.Hour

// Foreseen says in a sentence that a store's promise to be read is broken or will be; "" if
// it is kept, or if nobody needs to hurry: the letter's table says by when a visit is
// expected.
func (o Outlook) Foreseen(st config.Store, now time.Time) string {
	broken := o.Forecast.Broken
	day := broken.Format("Mon 2 January")
	switch {
	case broken.IsZero() || st.Visiting && broken.Sub(now) > soon:
		return ""
	case broken.Before(now):
		return fmt.Sprintf("%s: the promise to read everything is broken since %s", st.Name, day)
	case st.Visiting:
		return fmt.Sprintf("%s must come by %s for what was promised to be read", st.Name, day)
	}
	return fmt.Sprintf("%s: what was promised to be read will not have been by %s if nothing changes", st.Name, day)
}

func promiseCheck(st config.Store, o Outlook, now time.Time) Check {
	c := Check{What: "store " + st.Name + ", every byte read within " + st.ReadWithin.String(), OK: true}
	f := o.Forecast
	day := f.Broken.Format("Mon 2 Jan 2006")
	switch {
	case f.Broken.IsZero() && !f.Known:
		c.Detail = "kept; how fast it is read isn't known yet, so nothing is foreseen"
	case f.Broken.IsZero():
		c.Detail = "kept, and will be"
	case f.Broken.Before(now.Truncate(24 * time.Hour)):
		c.OK, c.Detail = false, "broken since "+day
	case st.Visiting:
		c.Detail = "kept; it must come by " + day
	default:
		c.OK, c.Detail = false, fmt.Sprintf("will be broken on %s if nothing changes: %s can't be read by then", day, report.Size(max(f.Short, 1_000_000)))
		if st.ReadADay > 0 {
			c.Detail += fmt.Sprintf(" (its read_a_day is %s)", report.Size(max(int64(st.ReadADay), 1_000_000)))
		}
	}
	return c
}
