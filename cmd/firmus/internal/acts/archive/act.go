package archive

import (
	"context"
	"fmt"

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
