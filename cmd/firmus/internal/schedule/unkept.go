package schedule

import (
	"time"

	"firmus/fixity/ledger"
)

// Unkept is a time of a schedule at which nothing was done.
type Unkept struct {
	At     time.Time
	MadeUp time.Time // when a later run was done; zero if none was
	Why    string
}

// Unkept are the times of a store from one moment up to another that were not kept,
// by the firings that were taken since well before. Times before the schedule was
// begun, and those on closed days, are not expected. A run that is going on, or was
// taken up and done, keeps its time.
func (p Plan) Unkept(store string, fs []ledger.Firing, from, to time.Time) []Unkept {
	var mine []ledger.Firing
	for _, f := range fs {
		if f.Job == ledger.FiringAudit && f.Store == store {
			mine = append(mine, f)
		}
	}
	times, _ := p.Times.Between(from.Add(-time.Nanosecond), to.Add(-time.Nanosecond), mostTimes)
	var out []Unkept
	for _, at := range times {
		if p.closed(at) {
			continue
		}
		if u, expected := unkept(mine, at); expected {
			out = append(out, u)
		}
	}
	return out
}

// unkept says whether a time was expected to be kept, and wasn't. fs are in order.
func unkept(fs []ledger.Firing, at time.Time) (u Unkept, yes bool) {
	u = Unkept{At: at, Why: "not running then"}
	for _, f := range fs {
		switch {
		case f.Due.Before(at):
			yes = true // the schedule had begun
		case f.Due.Equal(at) && (f.Ended.IsZero() || f.Outcome == ledger.FiringDone && (f.Missed == 0 && f.Tried.Sub(at) <= 2*Punctual || f.Tries > 1)):
			return u, false
		case f.Outcome == ledger.FiringBegun:
			return u, yes
		case f.Outcome == ledger.FiringDone:
			u.MadeUp = f.Ended
			return u, true
		case f.Due.Equal(at):
			u.Why, yes = why(f), true
		}
	}
	return u, yes
}

// mostWhy is how much of what a run said is repeated.
const mostWhy = 160

// why says in words what became of a run that kept no time. Of a store that was away
// the finding says the rest.
func why(f ledger.Firing) string {
	switch f.Outcome {
	case ledger.FiringAway:
		return "it was away"
	case ledger.FiringBusy:
		return "somebody else worked on it"
	case ledger.FiringStopped:
		return "it was stopped"
	}
	said := []rune("not finished: " + f.Trouble)
	if len(said) > mostWhy {
		said = append(said[:mostWhy], '…')
	}
	return string(said)
}
