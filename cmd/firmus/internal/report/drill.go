package report

import (
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// StoreDrill is when files were last brought back from a store as a proof.
type StoreDrill struct {
	Store  string        `json:"store"`
	Last   *ledger.Drill `json:"last"`           // null: there was none
	Within int64         `json:"within_seconds"` // that it is promised in; 0: it isn't
	Late   bool          `json:"late"`           // the promise is broken
}

// Words say it of a store.
func (d StoreDrill) Words(zone *time.Location) string {
	s := "no file was brought back from it as a proof yet"
	if d.Last != nil {
		s = fmt.Sprintf("%s, on %s", DrillWords(*d.Last), d.Last.At.In(zone).Format("2 Jan 2006"))
	}
	if d.Late {
		s += fmt.Sprintf(". LATE: promised every %s. Run: firmus recover --drill", Days(time.Duration(d.Within)*time.Second))
	}
	return s
}

// DrillWords say what a drill came to.
func DrillWords(d ledger.Drill) string {
	return fmt.Sprintf("%d of %s brought back and proved (%s in %s)", d.Proved, fixity.Count(d.Files, "file"), Size(d.Bytes), max(d.Took.Round(time.Second), time.Second))
}

// DrillsOf are those of the stores from which files were brought back, or should be.
func DrillsOf(t *ledger.Tx, rules care.Rules, now time.Time) ([]StoreDrill, error) {
	out := []StoreDrill{}
	for _, s := range rules.Stores {
		d, err := DrillOf(t, s.Name, s.DrillWithin, now)
		if err != nil {
			return nil, err
		}
		if d.Last != nil || d.Within > 0 {
			out = append(out, d)
		}
	}
	return out, nil
}

// DrillOf is that of a store. A promise counts from when the store was first expected.
func DrillOf(t *ledger.Tx, store string, within time.Duration, now time.Time) (StoreDrill, error) {
	x := StoreDrill{Store: store, Within: int64(within / time.Second)}
	known, err := t.Stores.Get(store)
	if errors.Is(err, fixity.ErrNotFound) {
		return x, nil
	}
	if err != nil {
		return x, err
	}
	since := known.First
	switch d, err := t.Copies.LastDrill(store); {
	case err == nil:
		x.Last, since = &d, d.At
	case !errors.Is(err, fixity.ErrNotFound):
		return x, err
	}
	x.Late = within > 0 && now.Sub(since) > within
	return x, nil
}
