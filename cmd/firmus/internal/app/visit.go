package app

import (
	"context"
	"errors"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A visit is one and the same while the store is away no longer than sameVisit, and,
// for a daemon that finds it there when it starts, for a day.
const (
	sameVisit  = time.Hour
	visitAgain = 10 * time.Minute // after a try that found the store busy
)

// visits are the visiting stores that are there.
type visits struct {
	mu   sync.Mutex
	here map[string]bool
}

func (v *visits) set(store string, here bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.here == nil {
		v.here = map[string]bool{}
	}
	v.here[store] = here
}

func (v *visits) is(store string) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.here[store]
}

// visit reads a visiting store whole, and says when it may go back.
func (s *session) visit(store string, first bool) {
	book := schedule.InLedger{Ledger: s.a.Ledger, Job: ledger.FiringVisit, Now: time.Now}
	for s.ctx.Err() == nil {
		again, err := s.visitOnce(book, store, first)
		if err != nil {
			s.log.Error("a visit could not be noted in the ledger; tried again", "store", store, "error", err)
		} else if !again {
			return
		}
		select {
		case <-s.ctx.Done():
		case <-time.After(visitAgain):
		}
	}
}

func (s *session) visitOnce(book schedule.InLedger, store string, first bool) (again bool, err error) {
	f, _, err := book.Last(s.ctx, store)
	known := err == nil
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return true, err
	}
	now := time.Now()
	same := sameVisit
	if first {
		same = 24 * time.Hour
	}
	retry := known && f.Ended.IsZero()
	if known && !retry && now.Sub(f.Ended).Abs() < same {
		s.log.Info("a visiting store is there, and was read", "store", store, "ended", f.Ended)
		return false, nil
	}
	if !retry {
		f = ledger.Firing{Store: store, Due: now.Truncate(time.Second), By: s.d.o.By}
	}
	f, won, err := book.Take(s.ctx, f, retry)
	if err != nil || !won {
		return err != nil, err
	}
	s.log.Info("a visiting store has come, and is read whole", "store", store)
	began := time.Now()
	r := s.runner.Order(s.ctx, store, false, func(ctx context.Context) schedule.Result { return s.audit(ctx, store, true, s.gate(false)) })
	keep, cancel := context.WithTimeout(context.WithoutCancel(s.ctx), 5*time.Second)
	defer cancel()
	err = book.End(keep, f, r.Outcome, r.Trouble)
	s.metrics.AuditEnded(store, r.Outcome, time.Since(began))
	s.survey.again(store)
	switch r.Outcome {
	case ledger.FiringDone:
		s.log.Info("read; may go back", "store", store, "took", time.Since(began).Round(time.Second))
	case ledger.FiringBusy, ledger.FiringStopped:
		return true, err
	default:
		s.log.Warn("a visiting store was not read whole: leave it connected", "store", store, "outcome", r.Outcome, "trouble", r.Trouble)
	}
	return err != nil, err
}
