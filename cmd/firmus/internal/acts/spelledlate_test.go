package acts_test

import (
	"os"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

// A copy is behind in a folder whose name has small letters. The new version comes with the folder's
// own name: nothing is missing, and nothing unexpected.
func TestANewVersionMayComeUnderAnotherSpelling(t *testing.T) {
	onEach(t, func(w *world) {
		w.put("access/QV-0107/cut.wav", testdata.Wave("one", 50_000), "studio")
		w.put("access/qv-0107/cut.wav", testdata.Wave("one", 50_000), "vault")
		w.now = w.now.Add(24 * time.Hour)
		_, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{Cache: fixity.Bypassed})
		w.must(err)
		w.audit(fixity.Bypassed)
		w.now = w.now.Add(time.Hour)
		w.put("access/QV-0107/cut.wav", testdata.Wave("two", 49_000), "studio")
		w.audit(fixity.Bypassed)
		w.now = w.now.Add(time.Hour)
		w.must(os.RemoveAll(w.at("vault/access/qv-0107")))
		w.put("access/QV-0107/cut.wav", testdata.Wave("two", 49_000), "vault")
		w.audit(fixity.Bypassed)
		var fs []ledger.Finding
		w.must(w.app.Ledger.View(w.Context(), func(x *ledger.Tx) (err error) { fs, err = x.Findings.All(); return err }))
		if f := w.file("access", "QV-0107/cut.wav"); f.Version != 2 || len(fs) > 0 {
			t.Errorf("version %d, found: %+v", f.Version, fs)
		}
	})
}

// A copy comes late, into a folder whose name has small letters there. The listing that shows it
// comes after the promise was over: it isn't awaited any more.
func TestACopyThatCameUnderAnotherSpellingIsNotAwaited(t *testing.T) {
	onEach(t, func(w *world) {
		w.put("masters/QV-0107/QV-0107_A.wav", wave("one"), "studio")
		w.now = w.now.Add(24 * time.Hour)
		_, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{Cache: fixity.Bypassed})
		w.must(err)
		w.now = w.now.AddDate(0, 0, 5)
		w.put("masters/qv-0107/QV-0107_A.wav", wave("one"), "vault")
		w.audit(fixity.Bypassed, "vault")
		var fs []ledger.Finding
		w.must(w.app.Ledger.View(w.Context(), func(x *ledger.Tx) (err error) { fs, err = x.Findings.All(); return err }))
		if len(fs) > 0 {
			t.Errorf("found: %+v", fs)
		}
	})
}
