package app_test

import (
	"fmt"
	"os"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A cloud folder that is added after a year holds what it holds: its files are held against
// the reports at once and read in their turn, and nothing of them is unexpected.
func TestACloudThatIsAddedLaterIsNeverUnexpected(t *testing.T) {
	c := newCloudWorld(t)
	later, err := os.ReadFile(c.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(c.path("firmus.toml"), []byte(worldConfig), 0o644); err != nil {
		t.Fatal(err)
	}
	folder := c.server.AddFolder(c.masters, "QV-0300")
	for _, p := range []string{"QV-0300/A.wav", "QV-0300/B.wav", "QV-0300/C.wav"} {
		c.write("studio/masters/"+p, p, 60_000)
		c.copy("studio/masters/"+p, "vault/masters/"+p)
	}
	c.now = c.now.Add(time.Hour)
	c.intake()
	c.audit(acts.AuditOrder{})
	c.now = c.now.AddDate(1, 0, 0)

	c.server.AddFile(folder, "A.wav", bytesOf("QV-0300/A.wav", 60_000))
	c.server.AddFile(folder, "B.wav", bytesOf("another", 60_000))
	c.server.AddFile(folder, "D.wav", bytesOf("nobody's", 60_000))
	if err := os.WriteFile(c.path("firmus.toml"), later, 0o644); err != nil {
		t.Fatal(err)
	}
	r := c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]
	if got := fmt.Sprint(kinds(r)); got != "[unexpected QV-0300/D.wav disputed QV-0300/B.wav]" {
		t.Errorf("findings: %v", got)
	}
	if r.States[fixity.Intact] != 1 || r.States[fixity.Awaited] != 1 || r.States[fixity.Disputed] != 1 {
		t.Errorf("states: %v", r.States)
	}
	for _, x := range c.allCloud() {
		if x.State == fixity.Intact && (!x.Reported.OK || !x.Read.At.IsZero()) {
			t.Errorf("%s: reported %v, read %v", x.At, x.Reported, x.Read)
		}
	}

	// While files come it is quiet; once none has come for as long as was promised, what
	// lacks is a finding.
	filling := func() (out []ledger.Filling) {
		t.Helper()
		a := c.open()
		defer a.Close()
		if err := a.Ledger.View(t.Context(), func(t *ledger.Tx) (err error) { out, err = t.Stores.Filling(); return err }); err != nil {
			t.Fatal(err)
		}
		return out
	}
	if f := filling(); len(f) != 1 || f[0].There != 2 || f[0].All != 3 {
		t.Errorf("being filled: %+v", f)
	}
	c.now = c.now.AddDate(0, 0, 40)
	r = c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]
	if got := fmt.Sprint(kinds(r)); got != "[unexpected QV-0300/D.wav disputed QV-0300/B.wav awaited QV-0300/C.wav]" {
		t.Errorf("after its promise: %v", got)
	}
	if f := filling(); len(f) != 0 {
		t.Errorf("still being filled: %+v", f)
	}
}
