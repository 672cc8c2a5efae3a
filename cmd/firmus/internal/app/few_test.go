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

	// A store's turn comes once a week: what was copied there in time isn't called lacking
	// before, whatever turns others have meanwhile.
	w = newWorld(t, worldConfig)
	w.write("studio/masters/QV-0106/QV-0106_A.wav", "long there", 100_000)
	w.copy("studio/masters/QV-0106/QV-0106_A.wav", "vault/masters/QV-0106/QV-0106_A.wav")
	w.write("studio/masters/QV-0107/QV-0107_A.wav", "a", 100_000)
	w.write("studio/masters/QV-0108/QV-0108_A.wav", "b", 100_000)
	w.intake()
	w.audit(acts.AuditOrder{})
	w.now = w.now.Add(2 * 24 * time.Hour)
	w.copy("studio/masters/QV-0107/QV-0107_A.wav", "vault/masters/QV-0107/QV-0107_A.wav")
	w.copy("studio/masters/QV-0108/QV-0108_A.wav", "vault/masters/QV-0108/QV-0108_A.wav")
	w.now = w.now.Add(3 * 24 * time.Hour)
	if r := w.audit(acts.AuditOrder{Stores: []string{"studio"}})["studio"]; len(r.Findings) != 0 {
		t.Errorf("before the vault's turn: %v", kinds(r))
	}
	w.remove("vault/masters/QV-0107/QV-0107_A.wav")
	w.remove("vault/masters/QV-0108/QV-0108_A.wav")
	w.now = w.now.Add(4 * 24 * time.Hour)
	if r := w.audit(acts.AuditOrder{Stores: []string{"studio"}})["studio"]; len(r.Findings) != 1 || r.Findings[0].Kind != "few" {
		t.Errorf("nine days without a turn of the vault: %v", kinds(r))
	}
}
