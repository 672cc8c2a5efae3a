package cloud_test

import (
	"context"
	"testing"

	"firmus/fixity"
	"firmus/replicas/testing/drivetest"
)

// TestEndlessPagesNeverHoldAnAuditUp: pages that always name another one, each by
// another token, end in a listing that isn't complete.
func TestEndlessPagesNeverHoldAnAuditUp(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		for _, method := range []string{listCall, "drive.changes.list"} {
			a, f, _ := small(t, shared)
			a.Inject(drivetest.Fault{Method: method, Count: -1, Endless: true})
			_, err := paths(t, f)
			is(t, err, fixity.ErrIncomplete)
			if n := a.Count(""); n > 500 {
				t.Errorf("%s: %d calls", method, n)
			}
			a.Heal()
			if got, err := paths(t, f); err != nil || len(got) != 3 {
				t.Errorf("%s: afterwards %v, %v", method, got, err)
			}
		}
		a, _, _ := small(t, shared)
		w, err := a.Store.Changes(context.Background(), "")
		check(t, err)
		a.Inject(drivetest.Fault{Method: "drive.changes.list", Count: -1, Endless: true})
		if _, err := a.Store.Changes(context.Background(), w.Token); err == nil {
			t.Error("a log without an end was followed to its end")
		}
	})
}
