package acts_test

import (
	"errors"
	"os"
	"slices"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

const (
	master = "QV-0107/QV-0107_A.wav"
	song   = "QV-0107/QV-0107_A_01.wav"
)

// What arrives is taken in once, agreed where another store holds the same, and in its
// manifest; what two stores hold in two versions is disputed.
func TestTakeIn(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/" + master)
		w.put("masters/QV-0200/QV-0200_A.wav", wave("new"), "studio", "vault")
		w.put("masters/QV-0201/QV-0201_A.wav", wave("alone"), "studio")
		w.put("masters/QV-0202/QV-0202_A.wav", wave("one"), "studio")
		w.put("masters/QV-0202/QV-0202_A.wav", wave("two"), "vault")
		w.now = w.now.Add(24 * time.Hour)
		res, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
		if err != nil || res.Taken != 3 || res.Agreed != 1 || res.Disputed != 1 || len(res.Trouble) > 0 {
			t.Fatalf("%+v, %v", res, err)
		}
		if again, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{}); err != nil || again.Taken != 0 {
			t.Errorf("once more: %+v, %v", again, err)
		}
		for _, item := range []string{"QV-0107", "QV-0200", "QV-0201"} {
			if _, err := os.Stat(w.at("studio/masters/" + item + "/manifest-sha256.txt")); err != nil {
				t.Error(err)
			}
		}
		if f := w.file("masters", "QV-0200/QV-0200_A.wav"); f.Version != 1 {
			t.Errorf("version %d", f.Version)
		}
	})
}

// A sign-off makes what lies there the truth, with a reason, and only what a person was
// told of.
func TestSignOff(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("access/"+song, "masters/"+master)
		w.put("access/"+song, wave("cut again"), "studio")
		w.put("masters/"+master, wave("rot"), "studio")
		if got, want := w.audit(fixity.Bypassed, "studio"), []string{"studio altered " + song, "studio altered " + master}; !slices.Equal(slices.Sorted(slices.Values(got)), slices.Sorted(slices.Values(want))) {
			t.Fatalf("findings %q", got)
		}
		id := func(p string) int64 {
			for _, f := range w.open("studio") {
				if f.Path == p {
					return f.ID
				}
			}
			t.Fatalf("no finding about %s", p)
			return 0
		}
		if _, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{id(song)}}); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("without a reason: %v", err)
		}
		if _, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{id(master)}, Reason: "so be it"}); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("a master without the word: %v", err)
		}
		if _, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{id(song), id(master)}, Reason: "both"}); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("both at once: %v", err)
		}
		if v := w.file("access", song).Version; v != 1 {
			t.Errorf("refused with another, and version %d", v)
		}
		done, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{id(song)}, Reason: "cut again"})
		if err != nil || len(done) != 1 || done[0].Path != song {
			t.Fatalf("%+v, %v", done, err)
		}
		if a, m := w.file("access", song).Version, w.file("masters", master).Version; a != 2 || m != 1 {
			t.Errorf("versions %d and %d", a, m)
		}
		if got := w.audit(fixity.Bypassed, "studio"); !slices.Equal(got, []string{"studio altered " + master}) {
			t.Errorf("then: %q", got)
		}
	})
}

// A settled finding stays quiet while nothing changes, and never hides the next change.
func TestSettle(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("access/" + song)
		w.put("access/"+song, wave("another"), "vault")
		if got := w.audit(fixity.Bypassed, "vault"); !slices.Equal(got, []string{"vault altered " + song}) {
			t.Fatalf("findings %q", got)
		}
		order := deciding.SettleOrder{Findings: []int64{w.open("vault")[0].ID}}
		if _, err := w.app.Deciding.Settle(w.Context(), order); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("without a reason: %v", err)
		}
		order.Reason = "it is known"
		if _, err := w.app.Deciding.Settle(w.Context(), order); err != nil {
			t.Fatal(err)
		}
		w.now = w.now.Add(24 * time.Hour)
		if got := w.audit(fixity.Bypassed, "vault"); len(got) > 0 {
			t.Errorf("settled, and told again: %q", got)
		}
		if v := w.file("access", song).Version; v != 1 {
			t.Errorf("settled, and version %d", v)
		}
		w.now = w.now.Add(24 * time.Hour)
		w.put("access/"+song, wave("a third"), "vault")
		if got := w.audit(fixity.Bypassed, "vault"); !slices.Equal(got, []string{"vault altered " + song}) {
			t.Errorf("the next change: %q", got)
		}
	})
}

// A retired file is missed nowhere, and a dry run changes nothing.
func TestRetire(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/"+master, "masters/QV-0108/QV-0108_A.wav")
		if plan, err := w.app.Deciding.Retire(w.Context(), deciding.RetireOrder{Paths: []string{"masters/" + master}, Reason: "given back", DryRun: true}); err != nil || plan.Done || len(plan.Files) != 1 {
			t.Fatalf("dry run: %+v, %v", plan, err)
		}
		if f := w.file("masters", master); !f.Retired.IsZero() {
			t.Errorf("retired by a dry run: %+v", f)
		}
		if _, err := w.app.Deciding.Retire(w.Context(), deciding.RetireOrder{Paths: []string{"masters/" + master}}); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("without a reason: %v", err)
		}
		if _, err := w.app.Deciding.Retire(w.Context(), deciding.RetireOrder{Paths: []string{"masters/" + master}, Reason: "given back"}); err != nil {
			t.Fatal(err)
		}
		for _, s := range []string{"studio", "vault"} {
			if err := os.Remove(w.at(s + "/masters/" + master)); err != nil {
				t.Fatal(err)
			}
		}
		if got := w.audit(fixity.Bypassed); len(got) > 0 {
			t.Errorf("missed: %q", got)
		}
		if err := os.Remove(w.at("vault/masters/QV-0108/QV-0108_A.wav")); err != nil {
			t.Fatal(err)
		}
		if got := w.audit(fixity.Bypassed); !slices.Equal(got, []string{"vault missing QV-0108/QV-0108_A.wav"}) {
			t.Errorf("the other one: %q", got)
		}
	})
}

// A replacement with the same sound takes the place of the old one; with other sound it
// is refused.
func TestReplace(t *testing.T) {
	onEach(t, func(w *world) {
		const better, other = "QV-0107/QV-0107_A_described.wav", "QV-0107/QV-0107_A_other.wav"
		old := testdata.Wave("masters/"+master, 50_000) // as held writes it
		w.held("masters/" + master)
		w.put("masters/"+better, described(old), "studio")
		w.put("masters/"+other, wave("other sound"), "studio")
		w.now = w.now.Add(24 * time.Hour)
		if res, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{}); err != nil || res.Taken != 2 {
			t.Fatalf("%+v, %v", res, err)
		}
		if _, err := w.app.Deciding.Replace(w.Context(), deciding.ReplaceOrder{Pairs: []deciding.Pair{{Old: "masters/" + master, New: "masters/" + other}}}); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("other sound: %v", err)
		}
		if _, err := w.app.Deciding.Replace(w.Context(), deciding.ReplaceOrder{Pairs: []deciding.Pair{{Old: "masters/" + master, New: "masters/" + better}}}); err != nil {
			t.Fatal(err)
		}
		err := w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error { _, err := t.Files.At("masters", better); return err })
		if err != nil {
			t.Errorf("the new one: %v", err)
		}
	})
}
