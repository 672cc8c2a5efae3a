package app

import (
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity/ledger"
)

// visitAgain is how long after a try that found a visiting store busy comes the next.
const visitAgain = 10 * time.Minute

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

// visit has a visiting store read whole, and says when it may go back.
func (s *parts) visit(store string, first bool) {
	for s.ctx.Err() == nil {
		began := time.Now()
		v, err := acts.Of(s.acts(false, false)).Visit(s.ctx, store, first, func() { s.log.Info("a visiting store has come, and is read whole", "store", store) })
		if v.Read {
			s.metrics.AuditEnded(store, v.Outcome, time.Since(began))
			s.survey.again(store)
		}
		// Also if it was read by a daemon that ended before it came to that.
		if err == nil && (v.Read && v.Outcome == ledger.FiringDone || !v.Before.IsZero()) {
			s.drill(s.ctx, store, false)
		}
		switch {
		case err != nil:
			s.log.Error("a visit could not be noted in the ledger; tried again", "store", store, "error", err)
		case !v.Before.IsZero():
			s.log.Info("a visiting store is there, and was read", "store", store, "ended", v.Before)
		case v.Read && v.Outcome == ledger.FiringDone:
			s.log.Info("read; may go back", "store", store, "took", time.Since(began).Round(time.Second))
		case v.Read && !v.Again:
			s.log.Warn("a visiting store was not read whole: leave it connected", "store", store, "outcome", v.Outcome, "trouble", v.Trouble)
		}
		if err == nil && !v.Again {
			return
		}
		s.pause(visitAgain)
	}
}
