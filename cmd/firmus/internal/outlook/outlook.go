// Package outlook says how the promises about stores are kept, and foresees whether they
// will be: their schedules, and that every byte is read in time.
package outlook

import (
	"context"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity/ledger"
)

// Outlook is how a store's promise to be read is kept, and will be.
type Outlook struct {
	ledger.Coverage
	Forecast schedule.Forecast
	Pace     ledger.Pace
	At       time.Time
}

// Of finds out how a store's promise is kept, and foresees whether it will be.
func Of(ctx context.Context, l *ledger.Ledger, st config.Store, now time.Time) (Outlook, error) {
	within := time.Duration(st.ReadWithin)
	o := Outlook{At: now}
	var deadlines []ledger.Deadline
	var firings []ledger.Firing
	err := l.View(ctx, func(t *ledger.Tx) (err error) {
		if o.Coverage, err = t.Copies.Coverage(st.Name, now.Add(-within)); err != nil {
			return err
		}
		if o.Pace, err = t.Clock.Pace(st.Name); err != nil {
			return err
		}
		if within > 0 {
			if deadlines, err = t.Copies.Deadlines(st.Name, within); err != nil {
				return err
			}
		}
		firings, err = t.Clock.Since(now.Add(-kept))
		return err
	})
	if err != nil || within <= 0 {
		return o, err
	}
	var needs []schedule.Need
	for _, d := range deadlines {
		needs = append(needs, schedule.Need{Day: d.Day, Bytes: max(d.Bytes, 1)})
	}
	m := schedule.Means{Visiting: st.Visiting, ADay: int64(st.ReadADay), Daily: time.Duration(float64(schedule.Window(st.Window).Length()) * share(firings, st.Name))}
	if o.Pace.Took > 0 {
		m.Rate = float64(o.Pace.Bytes) / o.Pace.Took.Seconds()
	}
	if st.Rate > 0 {
		m.Rate = min(m.Rate, float64(st.Rate))
	}
	o.Forecast = schedule.Foresee(now, needs, m)
	return o, nil
}

// kept is for how long back nights that were kept are counted.
const kept = 14 * 24 * time.Hour

// share is which part of the schedule's times was kept lately, all if none came.
func share(fs []ledger.Firing, store string) float64 {
	var came, done int64
	for _, f := range fs {
		if f.Job != ledger.FiringAudit || f.Store != store || f.Outcome == ledger.FiringBegun {
			continue
		}
		came += 1 + f.Missed
		if f.Outcome == ledger.FiringDone || f.Ended.IsZero() {
			done++
		}
	}
	if came == 0 {
		return 1
	}
	return float64(done) / float64(came)
}
