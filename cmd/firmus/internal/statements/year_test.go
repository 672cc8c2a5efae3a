package statements_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
)

func (w *world) year(n int, at time.Time) statements.Year {
	w.Helper()
	y, err := statements.MakeYear(w.Context(), w.l, archive, w.rules, n, at)
	if err != nil {
		w.Fatal(err)
	}
	return y
}

// Each month says what was done in it, and no month says what can't be known.
func TestYear(t *testing.T) {
	t.Parallel()
	w := aFewMonths(t)
	y := w.year(2026, made)
	w.golden("year", y)
	share := func(month time.Month, store int) string {
		c := y.Months[month-1].Coverage[store]
		if c == nil {
			return "not known"
		}
		return strings.Repeat("#", int(c.Within)) + strings.Repeat(".", int(c.Files-c.Within))
	}
	// Three files from 10 February on, read in both stores. The studio is read on 20 March, so at
	// April's end only what came then was read within 30 days. The fourth comes into the vault
	// with its audit of 4 April.
	for month, want := range map[time.Month][2]string{
		time.January:  {"not known", "not known"},
		time.February: {"###", "###"},
		time.March:    {"###", "###"},
		time.April:    {"#...", "####"},
		time.May:      {"####", "####"},
	} {
		if got := [2]string{share(month, 0), share(month, 1)}; got != want {
			t.Errorf("%s: %v, want %v", month, got, want)
		}
	}
	if m := y.Months[3]; m.Taken != 1 || m.Files != 4 || m.Unknown != 1 || m.Seconds != 3*1912 || m.DiscChecks != 1 || m.Verdicts["intact"] != 1 {
		t.Errorf("April: %+v", m)
	}
	if m := y.Months[4]; m.AtRisk != 1 || m.Open != 1 || m.Drills != 1 || m.Proved != 3 || m.Read == 0 {
		t.Errorf("May: %+v", m)
	}
	var text strings.Builder
	if err := w.year(2025, made).Text(&text); err != nil || !strings.Contains(text.String(), "Nothing is known of this year: the record begins 9 Feb 2026") {
		t.Errorf("%v: %s", err, text.String())
	}
	if _, err := statements.MakeYear(t.Context(), w.l, archive, w.rules, 2027, made); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("a year to come: %v", err)
	}
}
