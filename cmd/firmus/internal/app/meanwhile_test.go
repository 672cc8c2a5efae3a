package app_test

import (
	"context"
	"errors"
	"testing"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// While a person's sign-off reads the file, somebody else settles the finding; or what
// a page showed is no longer so when its form comes back. Nothing is changed then.
func TestASignOffOfWhatChangedMeanwhileIsRefused(t *testing.T) {
	t.Parallel()
	const song = "QV-0107/QV-0107_A_01.wav"
	prepare := func(t *testing.T) (*world, int64) {
		w := newWorld(t, worldConfig)
		w.write("studio/access/"+song, "a song", 50_000)
		w.copy("studio/access/"+song, "vault/access/"+song)
		w.now = w.now.AddDate(0, 1, 0)
		w.intake()
		w.write("studio/access/"+song, "a song, cut again", 51_000)
		r := w.audit(acts.AuditOrder{Stores: []string{"studio"}})["studio"]
		if len(r.Findings) != 1 {
			t.Fatalf("findings: %+v", r.Findings)
		}
		return w, r.Findings[0].ID
	}
	version := func(t *testing.T, w *world) int64 {
		a := w.open()
		defer a.Close()
		var f ledger.File
		if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) (err error) { f, err = x.Files.At("access", song); return err }); err != nil {
			t.Fatal(err)
		}
		return f.Version
	}
	refused := func(t *testing.T, w *world, err error) {
		t.Helper()
		if !errors.Is(err, fixity.ErrChangedMeanwhile) || !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("the stale sign-off: %v", err)
		}
		if n := version(t, w); n != 1 {
			t.Errorf("the file has version %d", n)
		}
	}

	t.Run("settled while the file was read", func(t *testing.T) {
		t.Parallel()
		w, id := prepare(t)
		a := w.open()
		defer a.Close()
		a.Acts.Progress.File = func(fixity.Shard, string, int64) {
			a.Acts.Progress.File = nil
			other := w.open()
			defer other.Close()
			if _, err := other.Deciding.Settle(context.Background(), deciding.SettleOrder{Findings: []int64{id}, Reason: "known"}); err != nil {
				t.Error(err)
			}
		}
		_, err := a.Deciding.SignOff(context.Background(), deciding.SignOffOrder{Findings: []int64{id}, Reason: "cut again"})
		refused(t, w, err)
	})
	t.Run("shown to a person before the vault's copy was found damaged", func(t *testing.T) {
		t.Parallel()
		w, id := prepare(t)
		a := w.open()
		defer a.Close()
		var seen ledger.Seen
		if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) (err error) { seen, err = x.SeeFinding(id); return err }); err != nil {
			t.Fatal(err)
		}
		w.write("vault/access/"+song, "rotten", 50_000)
		w.audit(acts.AuditOrder{Stores: []string{"vault"}, Full: true})
		_, err := a.Deciding.SignOff(context.Background(), deciding.SignOffOrder{Findings: []int64{id}, Reason: "cut again", Saw: map[int64]string{id: seen.Mark()}})
		refused(t, w, err)
		_, err = a.Deciding.Settle(context.Background(), deciding.SettleOrder{Findings: []int64{id}, Reason: "known", Saw: map[int64]string{id: seen.Mark()}})
		refused(t, w, err)
		// As it is now, it may be signed off.
		if _, err = a.Deciding.SignOff(context.Background(), deciding.SignOffOrder{Findings: []int64{id}, Reason: "cut again"}); err != nil {
			t.Error(err)
		}
	})
}
