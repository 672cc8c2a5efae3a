package pages_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/people"
	"firmus/cmd/firmus/testing/browsertest"
	"firmus/fixity"
)

// A student's afternoon in a browser: a stick is received, its copies are read in the second
// store, it may be erased, a cut is finished. Later it is cut anew, and the archivist signs that off.
func TestAnAfternoonInABrowser(t *testing.T) {
	t.Parallel()
	b := browsertest.New(t)
	w := newWorld(t, withSources)
	for name, role := range map[string]fixity.PersonRole{"Theo": fixity.Technician, "Ada Wren": fixity.Reviewer} {
		if err := people.Add(t.Context(), w.app.Ledger, w.now(), name, passphrase, role, "the test"); err != nil {
			t.Fatal(err)
		}
	}
	w.file("stick/REC/one.wav", "one")
	w.file("stick/REC/two.wav", "two")
	folder := filepath.Join(w.dir, "stick", "REC")

	signIn(t, b, w, "Theo")
	b.Click("Work")
	b.Wait("You act as Theo")
	tab(t, b, "receive-folder")
	b.Press(folder)
	tab(t, b, "receive-item")
	b.Press("QV-0200")
	tab(t, b, "receive-sides")
	b.Press("A, B")
	b.Click("Receive")
	b.Wait("masters/QV-0200/QV-0200_A.wav")
	b.Wait("KEEP THE STICK")
	picture(b, "afternoon-received")
	b.Click("Today")
	b.Wait("KEEP THE STICK")

	// Somebody copies them to the vault, as they do each day.
	for _, f := range []string{"QV-0200_A.wav", "QV-0200_B.wav"} {
		data, err := os.ReadFile(filepath.Join(w.dir, "studio/masters/QV-0200", f))
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(w.dir, "vault/masters/QV-0200", f)
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b.Click("Work")
	tab(t, b, "read-store")
	b.Press("vault")
	b.Touch(`//input[@name="full"]`)
	b.Click("Read it")
	b.Wait("No difference was found in vault.")
	b.Click("Work")
	tab(t, b, "recognise-folder")
	b.Press(folder)
	b.Click("Recognise")
	b.Wait("May it be erased? Yes")
	picture(b, "afternoon-recognised")

	const cut = "access/QV-0200/QV-0200_A_01.wav"
	w.put(cut, "cut", "studio", "vault")
	b.Click("Work")
	b.Click("Take in now")
	b.Wait("1 file is taken under care")
	b.Click("Work")
	b.Touch(`//input[@name="file"]`)
	b.Click("They are finished")
	b.Wait("1 file is finished")
	b.Open(w.server.URL + "/print/shift")
	b.Wait("QV-0200")
	b.Open(w.server.URL + "/")
	b.Click("Sign out")

	w.put(cut, "cut anew", "studio")
	saved := hour.Add(30 * time.Minute)
	if err := os.Chtimes(filepath.Join(w.dir, "studio", cut), saved, saved); err != nil {
		t.Fatal(err)
	}
	w.audit()
	fs := w.open()
	if len(fs) != 1 {
		t.Fatalf("%d findings", len(fs))
	}
	signIn(t, b, w, "Ada Wren")
	b.Click("Findings")
	b.Click(cut)
	b.Wait(fmt.Sprintf("Finding %d", fs[0].ID))
	tab(t, b, "reason-signoff")
	b.Press("cut anew without the announcement")
	if browsertest.Eval[bool](b, `document.getElementsByName("edited").length > 0`) {
		b.Touch(`//input[@name="edited"]`)
	}
	b.Click("Sign off the change")
	b.Wait("cut anew without the announcement")
	picture(b, "afternoon-signed-off")
	if f := w.finding(fs[0].ID); f.Settled != fixity.SignedOff || f.SettledBy != "Ada Wren" {
		t.Errorf("it ended as %q by %q", f.Settled, f.SettledBy)
	}
}
