package acts_test

import (
	"os"
	"testing"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/fixity"
)

// A new drive without a marker lies where the old one was, in a program that has used the old one.
func TestANewDriveBecomesTheStoreInAProgramThatUsedTheOldOne(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/QV-0107/QV-0107_A.wav")
		w.must(os.Rename(w.at("vault"), w.at("scrap")))
		w.must(os.MkdirAll(w.at("vault/access"), 0o755))
		w.put("masters/QV-0107/QV-0107_A.wav", readFile(t, w.at("studio/masters/QV-0107/QV-0107_A.wav")), "vault")
		if _, err := deciding.Of(w.app.Acts.Archive).EndStore(w.Context(), deciding.EndStoreOrder{Store: "vault", Replace: true, Reason: "the old drive failed"}); err != nil {
			t.Fatal(err)
		}
		if got := w.audit(fixity.Bypassed, "vault"); len(got) > 0 {
			t.Errorf("the new drive: %q", got)
		}
	})
}

func readFile(t *testing.T, at string) []byte {
	t.Helper()
	b, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
