package app_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
)

// subjectsNow fills the outbox and gives all subjects.
func (w *world) subjectsNow() []string {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	l, err := a.Letters(nil)
	if err != nil {
		w.t.Fatal(err)
	}
	if _, err := l.Fill(w.t.Context()); err != nil {
		w.t.Fatal(err)
	}
	var out []string
	if err := a.Ledger.View(w.t.Context(), func(t *ledger.Tx) error {
		ds, err := t.Post.Deliveries(0)
		for _, d := range ds {
			out = append(out, d.Letter.Subject)
		}
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
	return out
}

// A dead credential is told at once, and not as a drive that somebody unplugged.
func TestLetterOfDeadCredential(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t)
	f, err := os.OpenFile(c.path("firmus.toml"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprint(f, "[mail]\nserver = \"127.0.0.1:1\"\nfrom = \"firmus@quillmere.example\"\nto = [\"archivist@quillmere.example\"]\ntls = \"none\"\n")
	f.Close()
	c.server.AddFile(c.server.AddFolder(c.masters, "QV-0107"), "QV-0107_A.wav", bytesOf("QV-0107", 150_000))
	c.write("studio/masters/QV-0107/QV-0107_A.wav", "QV-0107", 150_000)
	c.copy("studio/masters/QV-0107/QV-0107_A.wav", "vault/masters/QV-0107/QV-0107_A.wav")
	c.now = c.now.Add(time.Hour)
	c.intake()
	c.audit(acts.AuditOrder{})
	if got := c.subjectsNow(); len(got) != 0 {
		t.Fatalf("told before: %q", got)
	}
	c.server.Inject(drivetest.Fault{Count: -1, Status: 401, Reason: "authError", Message: "Invalid Credentials", Location: "Authorization"})
	c.now = c.now.Add(24 * time.Hour)
	a := c.open()
	if _, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Stores: []string{"cloud"}}); err != nil {
		t.Error(err)
	}
	a.Close()
	got := c.subjectsNow()
	if len(got) != 1 || !strings.HasPrefix(got[0], "AT RISK - the sign-in to the cloud folder doesn't work any more [") {
		t.Errorf("told %q", got)
	}
}
