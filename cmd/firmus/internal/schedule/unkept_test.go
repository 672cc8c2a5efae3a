package schedule_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity/ledger"
)

func TestUnkept(t *testing.T) {
	at := func(day, h, m int) time.Time { return time.Date(2026, 3, day, h, m, 0, 0, time.UTC) }
	f := func(day int, tried, ended time.Time, outcome string, tries int64) ledger.Firing {
		return ledger.Firing{Job: ledger.FiringAudit, Store: "studio", Due: at(day, 1, 0), Tried: tried, Ended: ended, Outcome: outcome, Tries: tries, Trouble: "why"}
	}
	begun := ledger.Firing{Job: ledger.FiringAudit, Store: "studio", Due: at(9, 17, 0), Tried: at(9, 17, 0), Ended: at(9, 17, 0), Outcome: ledger.FiringBegun}
	kept := f(10, at(10, 1, 0), at(10, 2, 0), ledger.FiringDone, 1)
	nightly := plan(t, "0 1 * * *")
	closed := nightly
	closed.Closed = schedule.Days([][2]string{{"2026-03-11", "2026-03-11"}})
	for _, c := range []struct {
		name string
		p    schedule.Plan
		fs   []ledger.Firing
		want []schedule.Unkept
	}{
		{"not begun yet", nightly, nil, nil},
		{"begun after the first, all kept", nightly, []ledger.Firing{begun, kept, f(11, at(11, 1, 0), at(11, 1, 20), ledger.FiringDone, 1), f(12, at(12, 1, 0), at(12, 1, 20), ledger.FiringDone, 1)}, nil},
		{"switched off, made up at noon", nightly, []ledger.Firing{begun, kept, f(11, at(11, 11, 20), at(11, 12, 0), ledger.FiringDone, 1), f(12, at(12, 1, 0), at(12, 1, 20), ledger.FiringDone, 1)},
			[]schedule.Unkept{{at(11, 1, 0), at(11, 12, 0), "not running then"}}},
		{"two nights in one run", nightly, []ledger.Firing{begun, kept, f(12, at(12, 11, 20), at(12, 12, 0), ledger.FiringDone, 1)},
			[]schedule.Unkept{{at(11, 1, 0), at(12, 12, 0), "not running then"}, {at(12, 1, 0), at(12, 12, 0), "not running then"}}},
		{"switched off to the end", nightly, []ledger.Firing{begun, kept},
			[]schedule.Unkept{{at(11, 1, 0), time.Time{}, "not running then"}, {at(12, 1, 0), time.Time{}, "not running then"}}},
		{"failed, and done the night after", nightly, []ledger.Firing{begun, kept, f(11, at(11, 1, 0), at(11, 1, 1), ledger.FiringFailed, 1), f(12, at(12, 1, 0), at(12, 2, 0), ledger.FiringDone, 1)},
			[]schedule.Unkept{{at(11, 1, 0), at(12, 2, 0), "not finished: why"}}},
		{"killed and taken up", nightly, []ledger.Firing{begun, kept, f(11, at(11, 9, 0), at(11, 10, 0), ledger.FiringDone, 2), f(12, at(12, 1, 0), time.Time{}, "", 1)}, nil},
		{"a closed day", closed, []ledger.Firing{begun, kept, f(12, at(12, 1, 0), at(12, 2, 0), ledger.FiringDone, 1)}, nil},
		{"another store's", nightly, []ledger.Firing{{Job: ledger.FiringAudit, Store: "vault", Due: at(9, 1, 0), Ended: at(9, 2, 0), Outcome: ledger.FiringDone}}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, c.p.Unkept("studio", c.fs, at(9, 0, 0), at(13, 0, 0))); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}
