package deciding

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/levels"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// mostStated is how many bytes a statement may have.
const mostStated = 4000

// StateLevel keeps what a person states of a point of the preservation levels, since a day
// (YYYY-MM-DD; "": today), and gives its number.
func (e Acts) StateLevel(ctx context.Context, point, day, words string) (id int64, err error) {
	p, ok := levels.Find(point)
	if !ok {
		var codes []string
		for _, p := range levels.Points {
			codes = append(codes, p.Code)
		}
		return 0, fmt.Errorf("no point of the preservation levels is called %q%s: \"firmus report levels\" lists them: %w", point, spelling.Ask(point, codes), fixity.ErrNotFound)
	}
	if p.Computed() && !p.Stated() && !p.MayBeStated() {
		return 0, fmt.Errorf("%s is shown by figures of the ledger alone: a statement doesn't count: %w", point, fixity.ErrRefused)
	}
	words = strings.TrimSpace(words)
	switch {
	case words == "":
		return 0, fmt.Errorf("say in words what is so: %w", fixity.ErrRefused)
	case len(words) > mostStated || !utf8.ValidString(words):
		return 0, fmt.Errorf("a statement has at most %d bytes of UTF-8: %w", mostStated, fixity.ErrRefused)
	case strings.TrimSpace(e.By) == "":
		return 0, fmt.Errorf("a statement needs the name of who makes it: %w", fixity.ErrRefused)
	}
	today := e.Now().Local().Format(time.DateOnly)
	if day == "" {
		day = today
	}
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return 0, fmt.Errorf("%q is no day such as 2026-03-01: %w", day, fixity.ErrRefused)
	}
	if day > today {
		return 0, fmt.Errorf("%s has not come yet: state what is so, not what is planned: %w", day, fixity.ErrRefused)
	}
	err = e.Act(ctx, nil, func(t *ledger.Tx) (err error) {
		id, err = t.Levels.State(ledger.LevelStatement{Point: point, Day: day, Words: words, By: e.By})
		return err
	})
	return id, err
}

// WithdrawLevel ends a statement, with a reason. It stays on record.
func (e Acts) WithdrawLevel(ctx context.Context, id int64, reason string) error {
	reason = strings.TrimSpace(reason)
	if reason == "" || len(reason) > mostStated {
		return fmt.Errorf("say why it is withdrawn, in at most %d bytes: %w", mostStated, fixity.ErrRefused)
	}
	return e.Act(ctx, nil, func(t *ledger.Tx) error { return t.Levels.Withdraw(id, e.By, reason) })
}
