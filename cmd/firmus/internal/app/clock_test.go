package app_test

import (
	"context"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
)

// TestClockWrong: a clock a year ahead or behind loses nothing, says so, and what
// is due by a wrong time is read.
func TestClockWrong(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		by   time.Duration
	}{
		{"a year forward", 365 * 24 * time.Hour},
		{"a year back", -365 * 24 * time.Hour},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t, worldConfig)
			w.write("studio/masters/QV-0107/QV-0107_A.wav", "a", 100_000)
			w.copy("studio/masters/QV-0107/QV-0107_A.wav", "vault/masters/QV-0107/QV-0107_A.wav")
			w.now = w.now.Add(24 * time.Hour)
			w.intake()
			w.audit(acts.AuditOrder{})
			right := w.now

			w.now = right.Add(tc.by)
			a := w.open()
			odd, err := a.Acts.CheckClock(context.Background())
			a.Close()
			if err != nil {
				t.Fatal(err)
			}
			if (odd != "") != (tc.by < 0) {
				t.Errorf("said %q with the clock %s", odd, tc.name)
			}
			for store, r := range w.audit(acts.AuditOrder{}) {
				if r.States["intact"] != 1 || len(r.Findings) != 0 {
					t.Errorf("%s with the clock %s: %v, findings %v", store, tc.name, r.States, kinds(r))
				}
			}
			// Rot, and the clock right again: due times of the wrong year don't hide it.
			w.put("vault/masters/QV-0107/QV-0107_A.wav", make([]byte, 100_000), right.Add(-24*time.Hour))
			w.now = right.Add(40 * 24 * time.Hour)
			if got := kinds(w.audit(acts.AuditOrder{})["vault"]); len(got) != 1 || got[0] != "altered QV-0107/QV-0107_A.wav" {
				t.Errorf("after the clock was %s: %v", tc.name, got)
			}
		})
	}
}

// TestVisitingStore is late only after what it promised.
func TestVisitingStore(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig+`
[store.safe]
kind = "disk"
own_drive = true
visiting = true
sets = { masters = "safe" }
expect_within = "20d"
`)
	w.write("studio/masters/QV-0107/QV-0107_A.wav", "a", 100_000)
	w.copy("studio/masters/QV-0107/QV-0107_A.wav", "vault/masters/QV-0107/QV-0107_A.wav")
	w.copy("studio/masters/QV-0107/QV-0107_A.wav", "safe/QV-0107/QV-0107_A.wav")
	w.now = w.now.Add(24 * time.Hour)
	w.intake()
	if r := w.audit(acts.AuditOrder{})["safe"]; r.Exit() != 0 || !r.Adopted {
		t.Fatalf("there: exit %d, adopted %v", r.Exit(), r.Adopted)
	}
	w.move("safe", "in-the-safe")
	w.now = w.now.Add(19 * 24 * time.Hour)
	if r := w.audit(acts.AuditOrder{Stores: []string{"safe"}})["safe"]; r.Exit() != 0 || len(r.Findings) != 0 {
		t.Errorf("within its promise: exit %d, %v", r.Exit(), kinds(r))
	}
	w.now = w.now.Add(2 * 24 * time.Hour)
	if r := w.audit(acts.AuditOrder{Stores: []string{"safe"}})["safe"]; r.Exit() != 3 || len(kinds(r)) != 1 || kinds(r)[0] != "away " {
		t.Errorf("beyond its promise: exit %d, %v", r.Exit(), kinds(r))
	}
	w.move("in-the-safe", "safe")
	if r := w.audit(acts.AuditOrder{Stores: []string{"safe"}})["safe"]; r.Exit() != 0 || len(r.Findings) != 0 {
		t.Errorf("back: exit %d, %v", r.Exit(), kinds(r))
	}
}
