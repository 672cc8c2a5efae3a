package app_test

import (
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity/ledger"

	"github.com/google/go-cmp/cmp"
)

// TestOwners: whose the files in the cloud are is counted by account, those of the
// folder's own told from others; what lies in the bin is nobody's copy.
func TestOwners(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t)
	var ids []string
	for _, item := range []string{"QV-0107", "QV-0108", "QV-0109", "QV-0110"} {
		ids = append(ids, c.server.AddFile(c.server.AddFolder(c.masters, item), item+"_A.wav", bytesOf(item, 90_000)))
		c.write("studio/masters/"+item+"/"+item+"_A.wav", item, 90_000)
		c.copy("studio/masters/"+item+"/"+item+"_A.wav", "vault/masters/"+item+"/"+item+"_A.wav")
	}
	c.server.Give(ids[0], "e.tansy@mail.example")
	c.server.Give(ids[1], "e.tansy@mail.example")
	c.now = c.now.Add(time.Hour)
	c.intake()
	want := func(what string, want ...ledger.OwnerCount) {
		t.Helper()
		c.audit(acts.AuditOrder{})
		a := c.open()
		defer a.Close()
		var got []ledger.OwnerCount
		if err := a.Ledger.View(t.Context(), func(tx *ledger.Tx) (err error) { got, err = tx.Services.Owners(); return err }); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", what, d)
		}
		c.now = c.now.Add(24 * time.Hour)
	}
	own := ledger.OwnerCount{Store: "cloud", Owner: "archivist@quillmere.example", Files: 2, Own: true}
	hers := ledger.OwnerCount{Store: "cloud", Owner: "e.tansy@mail.example", Files: 2}
	want("at first", own, hers)
	c.server.Bin(ids[0], true)
	hers.Files = 1
	want("one in the bin", own, hers)
	c.server.Give(ids[1], own.Owner)
	own.Files = 3
	want("the other one given to the archive", own)
}
