package archive

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Act runs a person's order in its one write transaction. First everything that the
// order rests on is compared with what is so now. If any of it has changed, nothing
// is written, and the error wraps fixity.ErrChangedMeanwhile.
func (e *Archive) Act(ctx context.Context, seen []ledger.Seen, fn func(*ledger.Tx) error) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, s := range seen {
			if err := t.Still(s); err != nil {
				return err
			}
		}
		return fn(t)
	})
}

// SawAll compares findings with the mark of all that a person was shown at once; "" is no
// mark. One more, one less, or one that is another now, and the person decides anew.
func SawAll(fs []ledger.Finding, mark string) error {
	if mark == "" || mark == ledger.MarkOfAll(fs) {
		return nil
	}
	return fmt.Errorf("other findings are open than were shown, %s now: %w", fixity.Number(int64(len(fs))), fixity.ErrChangedMeanwhile)
}

// SawAs compares what is so with the mark of what a person was shown; "" is no mark.
func SawAs(s ledger.Seen, mark string) error {
	if mark == "" || mark == s.Mark() {
		return nil
	}
	return fmt.Errorf("%s: %w", s, fixity.ErrChangedMeanwhile)
}

// OpenFindings reads findings by number, and those of an incident, with what else is
// so of their subjects. saw are the marks of what a person was shown, sawAll that of the
// incident as a whole.
func (e *Archive) OpenFindings(ctx context.Context, ids []int64, incident int64, saw map[int64]string, sawAll string) ([]ledger.Seen, error) {
	var out []ledger.Seen
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		known := map[int64]bool{}
		add := func(id int64) error {
			if known[id] {
				return nil
			}
			known[id] = true
			s, err := t.SeeFinding(id)
			if err != nil {
				return NoFinding(id, err)
			}
			if err := SawAs(s, saw[id]); err != nil {
				return err
			}
			if !s.Finding.Open() {
				return fmt.Errorf("finding %d is settled already (%s): %w", id, fixity.Means("settled", string(s.Finding.Settled)), fixity.ErrRefused)
			}
			out = append(out, s)
			return nil
		}
		for _, id := range ids {
			if err := add(id); err != nil {
				return err
			}
		}
		if incident == 0 {
			return nil
		}
		all, err := t.Findings.Open("")
		if err != nil {
			return err
		}
		all = slices.DeleteFunc(all, func(f ledger.Finding) bool { return f.Incident != incident })
		if err := SawAll(all, sawAll); err != nil {
			return err
		}
		for _, f := range all {
			if err := add(f.ID); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("no finding of that number or incident is open (%s shows what is): %w", e.Words.To(report.Order{Act: report.ShowFindings}), fixity.ErrRefused)
	}
	return out, err
}

// NoFinding says why a finding could not be read.
func NoFinding(id int64, err error) error {
	if errors.Is(err, fixity.ErrNotFound) {
		return fmt.Errorf("there is no finding %d: %w", id, err)
	}
	return fmt.Errorf("finding %d: %w", id, err)
}

// OwnCopy is the copy that a finding is about, false if it is about none.
func OwnCopy(s ledger.Seen) (ledger.Copy, bool) {
	for _, c := range s.Copies {
		if c.Store == s.Finding.Store && c.Carrier == s.Finding.Carrier {
			return c, true
		}
	}
	return ledger.Copy{}, false
}
