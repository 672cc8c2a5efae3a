package report

import (
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Visit is the time that a visiting store came, and what has become of reading it.
type Visit struct {
	Store   string   `json:"store"`
	Came    *Instant `json:"came"`
	Read    *Instant `json:"read"` // when it had been read whole, and could go back; null until then
	Whole   bool     `json:"read_whole"`
	Ended   bool     `json:"ended"`
	Trouble string   `json:"trouble,omitempty"` // why it was not read whole
}

// VisitOf is a firing's visit.
func VisitOf(f ledger.Firing) Visit {
	v := Visit{Store: f.Store, Came: InstantOf(f.Due), Ended: !f.Ended.IsZero(), Whole: f.Outcome == ledger.FiringDone && !f.Ended.IsZero()}
	if v.Whole {
		v.Read = InstantOf(f.Ended)
	} else if v.Ended {
		v.Trouble = f.Outcome + ": " + f.Trouble
	}
	return v
}

// LastVisit is a store's newest visit that a daemon has noticed; nil if there was none.
func LastVisit(t *ledger.Tx, store string) (*Visit, error) {
	f, err := t.Clock.Last(ledger.FiringVisit, store)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	v := VisitOf(f)
	return &v, nil
}

// Words says what a person who waits for the drive wants to know.
func (v Visit) Words(zone *time.Location) string {
	at := func(i *Instant) string { return i.Time.In(zone).Format("2 Jan 2006 15:04 MST") }
	switch {
	case v.Whole:
		return fmt.Sprintf("came %s; read whole by %s, it may go back", at(v.Came), v.Read.Time.In(zone).Format("2 Jan 15:04"))
	case v.Ended:
		return fmt.Sprintf("came %s, and was NOT READ WHOLE: leave it connected, or connect it again (%s)", at(v.Came), v.Trouble)
	}
	return fmt.Sprintf("came %s; not read whole yet: leave it connected", at(v.Came))
}
