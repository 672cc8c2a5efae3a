package app

import (
	"sync"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/outlook"
	"firmus/fixity/ledger"
)

// survey is what takes too long to be found out at each scrape. It is found out
// after each audit and now and then.
type survey struct {
	mu       sync.Mutex
	stores   map[string]outlook.Outlook
	due      map[string]bool
	kick     chan struct{}
	readOnly bool
	warned   map[string]time.Time
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

func (v *survey) of(store string) (outlook.Outlook, bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	o, ok := v.stores[store]
	return o, ok
}

func (v *survey) run(s *parts) {
	every := tryEvery
	if s.d.o.Beat > 0 {
		every = s.d.o.Beat
	}
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
		wait := every
		if v.unwritable() { // /readyz says so, and is to say soon that it is over
			wait = min(every, hereEvery)
		}
		select {
		case <-s.ctx.Done():
		case <-v.wake():
		case <-time.After(wait):
		}
	}
}

func (v *survey) look(s *parts, st config.Store) {
	o, err := outlook.Of(s.ctx, s.a.Ledger, st, s.now())
	if err != nil {
		if s.ctx.Err() == nil {
			s.log.Warn("how a promise is kept could not be found out", "store", st.Name, "error", err)
		}
		return
	}
	v.mu.Lock()
	if v.stores == nil {
		v.stores, v.warned = map[string]outlook.Outlook{}, map[string]time.Time{}
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
func (v *survey) tryToWrite(s *parts) {
	err := s.a.Ledger.Tx(s.ctx, s.now(), func(*ledger.Tx) error { return nil })
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
