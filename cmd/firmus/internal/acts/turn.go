package acts

import (
	"context"
	"errors"
	"strings"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Turn audits a store that the clock or a drive that has come asks for, and says how it
// ended.
func (e Acts) Turn(ctx context.Context, store string, full bool) schedule.Result {
	r := Audited(e.Audit(ctx, AuditOrder{Stores: []string{store}, Full: full}))
	if cause := context.Cause(ctx); cause != nil {
		return schedule.Result{Outcome: ledger.FiringStopped, Trouble: cause.Error()}
	}
	return r
}

// Ended is how something ended that gave an error, or none.
func Ended(err error) schedule.Result {
	switch {
	case err == nil:
		return schedule.Result{Outcome: ledger.FiringDone}
	case errors.Is(err, fixity.ErrBusy):
		return schedule.Result{Outcome: ledger.FiringBusy, Trouble: err.Error()}
	case errors.Is(err, fixity.ErrAway):
		return schedule.Result{Outcome: ledger.FiringAway, Trouble: err.Error()}
	case errors.Is(err, stores.ErrGivesWay):
		return schedule.Result{Outcome: ledger.FiringStopped, Trouble: stores.ErrGivesWay.Error()}
	}
	return schedule.Result{Outcome: ledger.FiringFailed, Trouble: err.Error()}
}

// Audited is how the audit of one store ended.
func Audited(rs []AuditResult, err error) schedule.Result {
	if err != nil {
		return Ended(err)
	}
	if len(rs) == 0 {
		return schedule.Result{Outcome: ledger.FiringFailed, Trouble: "nothing was audited"}
	}
	switch r := rs[0]; {
	case r.Closed:
		return schedule.Result{Outcome: ledger.FiringDone, Trouble: "its window closed; what is left is due another day"}
	case r.Busy:
		return schedule.Result{Outcome: ledger.FiringBusy, Trouble: strings.Join(r.Trouble, "; ")}
	case len(r.Away) > 0 && !r.Promised:
		return schedule.Result{Outcome: ledger.FiringAway, Trouble: report.Facts(r.Away, nil)}
	case len(r.Trouble) > 0:
		return schedule.Result{Outcome: ledger.FiringUnfinished, Trouble: strings.Join(r.Trouble, "; ")}
	case len(r.Away) > 0:
		return schedule.Result{Outcome: ledger.FiringDone, Trouble: "away, as may be"}
	case r.PutOff > 0:
		return schedule.Result{Outcome: ledger.FiringDone, Trouble: "the day's bytes are read; goes on tomorrow"}
	}
	return schedule.Result{Outcome: ledger.FiringDone}
}
