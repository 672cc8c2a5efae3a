package app_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Two masters in different folders that are missed, and put back, are read by the look
// that a watched change orders, not only by the next audit.
func TestMastersThatAreBackNeverWaitForAnAudit(t *testing.T) {
	w := newWorld(t, worldConfig)
	paths := []string{"QV-0107/a.wav", "QV-0108/b.wav"}
	for i, p := range paths {
		w.write("studio/masters/"+p, p, 100_000+i)
	}
	a := w.open()
	defer a.Close()
	if _, err := a.Receiving.Intake(t.Context(), receiving.IntakeOrder{Cache: fixity.Bypassed}); err != nil {
		t.Fatal(err)
	}
	open := func() (n int) {
		t.Helper()
		if err := a.Ledger.View(t.Context(), func(tx *ledger.Tx) error {
			fs, err := tx.Findings.Open("studio")
			n = len(fs)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return n
	}
	look := func() {
		t.Helper()
		w.now = w.now.Add(20 * time.Second)
		if err := a.Ledger.Tx(t.Context(), w.now, func(tx *ledger.Tx) error {
			for _, p := range paths {
				if _, _, err := tx.Copies.Touched("studio", "masters", p, true); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		// What the desk orders for changes all over a set: it lists, and reads what is ahead.
		if _, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Stores: []string{"studio"}, Set: "masters", Under: ".firmus", Cache: fixity.Bypassed}); err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range paths {
		if err := os.Rename(w.path("studio/masters/"+p), w.path("studio/"+filepath.Base(p))); err != nil {
			t.Fatal(err)
		}
	}
	if look(); open() != 2 {
		t.Fatalf("%d findings, want 2", open())
	}
	for _, p := range paths {
		if err := os.Rename(w.path("studio/"+filepath.Base(p)), w.path("studio/masters/"+p)); err != nil {
			t.Fatal(err)
		}
	}
	if look(); open() != 0 {
		t.Errorf("%d findings are open though all is back", open())
	}
}

// An event file that is as it was when it was last read isn't read again at each commit;
// one that isn't is looked into.
func TestEventFilesOfEarlierMonthsAreNeverReadAtEachCommit(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.write("studio/masters/QV-0107/a.wav", "a", 100_000)
	a := w.open()
	defer a.Close()
	intake := func() {
		t.Helper()
		if _, err := a.Receiving.Intake(t.Context(), receiving.IntakeOrder{Cache: fixity.Bypassed}); err != nil {
			t.Fatal(err)
		}
	}
	intake()
	w.now = w.now.AddDate(0, 1, 0)
	w.write("studio/masters/QV-0108/b.wav", "b", 100_000)
	intake()
	old := w.path("state/events/2026-03.jsonl")
	st, err := os.Stat(old)
	if err != nil {
		t.Fatal(err)
	}
	// Nobody does this; it shows whether the file is read.
	w.put("state/events/2026-03.jsonl", bytes.Repeat([]byte("x"), int(st.Size())), st.ModTime())
	aside := func() bool { _, err := os.Stat(w.path("state/events-aside-1")); return err == nil }
	w.write("studio/masters/QV-0109/c.wav", "c", 100_000)
	if intake(); aside() {
		t.Error("the file of an earlier month was read though nothing says that it has changed")
	}
	if err := os.Chtimes(old, w.now, w.now); err != nil {
		t.Fatal(err)
	}
	w.write("studio/masters/QV-0110/d.wav", "d", 100_000)
	if intake(); !aside() {
		t.Error("a file that has changed was not looked into")
	}
}
