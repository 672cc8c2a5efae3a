package app_test

import (
	"context"
	"os"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// An audit that ends between finding a copy altered and comparing it with an intact one says
// what kind of damage it is all the same. The next audit compares.
func TestAnAuditThatEndsBeforeItComparesSaysTheAnatomy(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig)
	f := "masters/QV-0107/QV-0107_A.wav"
	w.write("studio/"+f, f, 300_000)
	w.copy("studio/"+f, "vault/"+f)
	w.intake()
	b, err := os.ReadFile(w.path("studio/" + f))
	if err != nil {
		t.Fatal(err)
	}
	b[100_000] ^= 1
	w.put("studio/"+f, b, w.now)
	w.now = w.now.Add(24 * time.Hour)
	finding := func() (out ledger.Finding) {
		a := w.open()
		defer a.Close()
		if err := a.Ledger.View(context.Background(), func(t *ledger.Tx) (err error) { out, err = t.Findings.Get(1); return err }); err != nil {
			t.Fatal(err)
		}
		return out
	}

	a := w.open()
	ctx, end := context.WithCancel(context.Background())
	a.Acts.Progress.File = func(s fixity.Shard, _ string, _ int64) {
		if s.Store == "vault" { // the copy in the studio was found altered; the other is read at once
			end()
		}
	}
	if _, err := a.Acts.Audit(ctx, acts.AuditOrder{Stores: []string{"studio"}, Full: true, Cache: fixity.Bypassed}); err == nil {
		t.Error("it came to its end")
	}
	a.Close()
	if got := finding(); got.Anatomy != fixity.Flipped || got.Facts.Tells(fixity.Compared) {
		t.Errorf("after that: %q, %+v", got.Anatomy, got.Facts)
	}

	w.now = w.now.Add(time.Hour)
	w.audit(acts.AuditOrder{Stores: []string{"studio"}})
	got := finding()
	if got.Anatomy != fixity.Flipped || !got.Facts.Tells(fixity.Compared) || len(got.Ranges) != 1 || got.Ranges[0] != (fixity.Range{Offset: 100_000, Length: 1}) {
		t.Errorf("after the next audit: %q %v, %+v", got.Anatomy, got.Ranges, got.Facts)
	}
}
