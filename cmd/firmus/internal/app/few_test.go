package app_test

import (
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
)

// TestFew: a file with one copy only, for longer than the rule allows, is one
// finding about the store, and ends when the second copy has been read. A copy that
// a program keeps in step with another doesn't count.
func TestFew(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, more string
		found      bool
	}{
		{"a vault of its own", "", false},
		{"a vault that follows the studio", "follows = \"studio\"\n[rule]\ncopies = 2\n[store.safe]\nkind = \"disk\"\nown_drive = true\nsets = { masters = \"safe\" }\nvisiting = true\nexpect_within = \"90d\"\n", true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t, worldConfig+tc.more)
			w.write("studio/masters/QV-0107/QV-0107_A.wav", "a", 100_000)
			w.intake()
			if r := w.audit(acts.AuditOrder{})["studio"]; len(r.Findings) != 0 {
				t.Fatalf("on the first day: %v", kinds(r))
			}
			w.now = w.now.Add(2 * 24 * time.Hour)
			w.copy("studio/masters/QV-0107/QV-0107_A.wav", "vault/masters/QV-0107/QV-0107_A.wav")
			w.now = w.now.Add(2 * 24 * time.Hour)
			r := w.audit(acts.AuditOrder{})["studio"]
			if got := len(r.Findings) == 1 && r.Findings[0].Kind == "few" && r.Findings[0].Count == 1; got != tc.found {
				t.Errorf("on the fifth day: %v", kinds(r))
			}
		})
	}
	w := newWorld(t, worldConfig)
	w.write("studio/masters/QV-0107/QV-0107_A.wav", "a", 100_000)
	w.intake()
	w.now = w.now.Add(4 * 24 * time.Hour)
	if r := w.audit(acts.AuditOrder{})["studio"]; len(r.Findings) != 1 || r.Findings[0].Kind != "few" {
		t.Fatalf("four days with one copy: %v", kinds(r))
	}
	w.copy("studio/masters/QV-0107/QV-0107_A.wav", "vault/masters/QV-0107/QV-0107_A.wav")
	if r := w.audit(acts.AuditOrder{})["studio"]; len(r.Findings) != 0 {
		t.Errorf("with the second copy read: %v", kinds(r))
	}
}
