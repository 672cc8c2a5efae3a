package app

import (
	"context"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity/ledger"
)

// survey is what takes too long to be found out at each scrape. It is found out
// after each audit and now and then.
type survey struct {
	mu       sync.Mutex
	stores   map[string]Outlook
	due      map[string]bool
	kick     chan struct{}
	readOnly bool
	warned   map[string]time.Time
}

// Outlook is how a store's promise to be read is kept, and will be.
type Outlook struct {
	ledger.Coverage
	Forecast schedule.Forecast
	Pace     ledger.Pace
	At       time.Time
}

const (
	surveyEvery = 6 * time.Hour
	tryEvery    = time.Minute // how often it is tried whether the ledger can be written to
)

func (v *survey) wake() chan struct{} {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.kick == nil {
		v.kick = make(chan struct{}, 1)
	}
	return v.kick
}

// again asks for a store to be looked at anew.
func (v *survey) again(store string) {
	v.mu.Lock()
	if v.due == nil {
		v.due = map[string]bool{}
	}
	v.due[store] = true
	v.mu.Unlock()
	v.now()
}

// now has what is due looked at, and the ledger tried, at once.
func (v *survey) now() {
	select {
	case v.wake() <- struct{}{}:
	default:
	}
}

func (v *survey) unwritable() bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.readOnly
}

func (v *survey) of(store string) (Outlook, bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	o, ok := v.stores[store]
	return o, ok
}

func (v *survey) run(s *session) {
	for s.ctx.Err() == nil {
		for _, st := range s.a.Config.Stores {
			v.mu.Lock()
			due := v.due[st.Name] || time.Since(v.stores[st.Name].At) > surveyEvery
			delete(v.due, st.Name)
			v.mu.Unlock()
			if due && st.Kind != config.Optical {
				v.look(s, st)
			}
		}
		v.tryToWrite(s)
		select {
		case <-s.ctx.Done():
		case <-v.wake():
		case <-time.After(tryEvery):
		}
	}
}

func (v *survey) look(s *session, st config.Store) {
	o, err := s.a.Outlook(s.ctx, st, time.Now())
	if err != nil {
		if s.ctx.Err() == nil {
			s.log.Warn("how a promise is kept could not be found out", "store", st.Name, "error", err)
		}
		return
	}
	v.mu.Lock()
	if v.stores == nil {
		v.stores, v.warned = map[string]Outlook{}, map[string]time.Time{}
	}
	v.stores[st.Name] = o
	broken := o.Forecast.Broken
	say := !broken.IsZero() && !st.Visiting && time.Since(v.warned[st.Name]) > 20*time.Hour
	if say {
		v.warned[st.Name] = time.Now()
	}
	v.mu.Unlock()
	if say {
		s.log.Warn("a promise to read will be broken if nothing changes", "store", st.Name, "on", broken.Format(time.DateOnly), "short_bytes", o.Forecast.Short)
	}
}

// tryToWrite takes the ledger's lock for writing and lets it go: nothing is written.
func (v *survey) tryToWrite(s *session) {
	err := s.a.Ledger.Tx(s.ctx, time.Now(), func(*ledger.Tx) error { return nil })
	if s.ctx.Err() != nil {
		return
	}
	v.mu.Lock()
	was := v.readOnly
	v.readOnly = err != nil
	v.mu.Unlock()
	switch {
	case err != nil && !was:
		s.log.Error("the ledger can't be written to", "error", err)
	case err == nil && was:
		s.log.Info("the ledger can be written to again")
	}
}

// Outlook finds out how a store's promise is kept, and foresees whether it will be.
func (a *App) Outlook(ctx context.Context, st config.Store, now time.Time) (Outlook, error) {
	within := time.Duration(st.ReadWithin)
	o := Outlook{At: now}
	var deadlines []ledger.Deadline
	var firings []ledger.Firing
	err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if o.Coverage, err = t.Coverage(st.Name, now.Add(-within)); err != nil {
			return err
		}
		if o.Pace, err = t.Pace(st.Name); err != nil {
			return err
		}
		if within > 0 {
			if deadlines, err = t.Deadlines(st.Name, within); err != nil {
				return err
			}
		}
		firings, err = t.Firings(now.Add(-kept))
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
