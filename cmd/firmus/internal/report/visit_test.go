package report_test

import (
	"testing"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/ledger"
)

func TestVisitWords(t *testing.T) {
	came := time.Date(2031, 3, 6, 10, 3, 0, 0, time.UTC)
	for _, tc := range []struct {
		name string
		f    ledger.Firing
		want string
	}{
		{"read whole", ledger.Firing{Due: came, Ended: came.Add(18 * time.Minute), Outcome: ledger.FiringDone}, "came 6 Mar 2031 10:03 UTC; read whole by 6 Mar 10:21, it may go back"},
		{"going on", ledger.Firing{Due: came}, "came 6 Mar 2031 10:03 UTC; not read whole yet: leave it connected"},
		{"another try waits", ledger.Firing{Due: came, Outcome: ledger.FiringBusy, Trouble: "x"}, "came 6 Mar 2031 10:03 UTC; not read whole yet: leave it connected"},
		{"pulled out", ledger.Firing{Due: came, Ended: came.Add(time.Minute), Outcome: ledger.FiringAway, Trouble: "no such folder"}, "came 6 Mar 2031 10:03 UTC, and was NOT READ WHOLE: leave it connected, or connect it again (away: no such folder)"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := report.VisitOf(tc.f).Words(time.UTC); got != tc.want {
				t.Errorf("%s\nwant %s", got, tc.want)
			}
		})
	}
}
