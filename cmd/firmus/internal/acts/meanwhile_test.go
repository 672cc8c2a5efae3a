package acts_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// songs are as many access files of one item.
func songs(n int) (out []string) {
	for i := range n {
		out = append(out, fmt.Sprintf("QV-0107/QV-0107_A_%02d.wav", i+1))
	}
	return out
}

// cut takes songs under care and cuts each again in the studio: one finding for each, by
// path, as a person was shown it.
func (w *world) cut(paths []string) (ids map[string]int64, saw map[int64]string) {
	w.Helper()
	var held []string
	for _, p := range paths {
		held = append(held, "access/"+p)
	}
	w.held(held...)
	for _, p := range paths {
		w.put("access/"+p, wave(p+", cut again"), "studio")
	}
	w.audit(fixity.Bypassed, "studio")
	ids, saw = map[string]int64{}, map[int64]string{}
	w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
		fs, err := t.Findings.Open("studio")
		for _, f := range fs {
			seen, err := t.SeeFinding(f.ID)
			if err != nil {
				return err
			}
			ids[f.Path], saw[f.ID] = f.ID, seen.Mark()
		}
		return err
	}))
	if len(ids) != len(paths) {
		w.Fatalf("%d findings about %d files", len(ids), len(paths))
	}
	return ids, saw
}

// atOnce runs all at the same time and waits for them.
func atOnce(do ...func()) {
	var wg sync.WaitGroup
	start := make(chan struct{})
	for _, f := range do {
		wg.Go(func() { <-start; f() })
	}
	close(start)
	wg.Wait()
}

// A sign-off of what a person was shown, and an audit that finds the other copy damaged
// at that moment: whichever comes first, the damage is found, and the sign-off is whole
// or refused. Each second sign-off is in the middle of its reading while the audit is
// done; the others race it.
func TestASignOffBesideAnAuditNeverLosesEither(t *testing.T) {
	onEach(t, func(w *world) {
		paths := songs(8)
		ids, saw := w.cut(paths)
		var signed, refused []string
		for i, p := range paths {
			w.put("access/"+p, append(wave("rot of "+p), 0, 0), "vault")
			var audited, signedOff error
			reading, done := make(chan struct{}), make(chan struct{})
			close(done)
			if i%2 == 1 {
				done = make(chan struct{})
				var held atomic.Bool
				w.app.Acts.Progress.File = func(fixity.Shard, string, int64) {
					if held.CompareAndSwap(false, true) {
						close(reading)
						<-done
					}
				}
			} else {
				w.app.Acts.Progress.File = nil
				close(reading)
			}
			atOnce(func() {
				_, signedOff = w.app.Deciding.SignOff(context.Background(), deciding.SignOffOrder{Findings: []int64{ids[p]}, Reason: "cut again", Saw: saw})
			}, func() {
				<-reading
				_, audited = w.app.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"vault"}, Cache: fixity.Bypassed})
				if i%2 == 1 {
					close(done)
				}
			})
			if audited != nil {
				t.Fatalf("the audit beside a sign-off: %v", audited)
			}
			switch {
			case signedOff == nil:
				signed = append(signed, p)
			case errors.Is(signedOff, fixity.ErrChangedMeanwhile) && errors.Is(signedOff, fixity.ErrRefused), errors.Is(signedOff, fixity.ErrBusy):
				refused = append(refused, p)
			default:
				t.Fatalf("the sign-off: %v", signedOff)
			}
			if i%2 == 1 && signedOff == nil {
				t.Errorf("%s: the audit found the vault's copy damaged first, and the sign-off of what was shown before was taken", p)
			}
			version := map[bool]int64{true: 2, false: 1}[signedOff == nil]
			if v := w.file("access", p).Version; v != version {
				t.Errorf("%s: the sign-off gave %v, and the file has version %d", p, signedOff, v)
			}
			w.sound()
		}
		w.app.Acts.Progress.File = nil
		t.Logf("%d signed off, %d refused", len(signed), len(refused))
		// Nothing is lost: each damage is an open finding, each refused change too.
		found := w.audit(fixity.Bypassed)
		for _, p := range paths {
			if !slices.Contains(found, "vault altered "+p) {
				t.Errorf("the damage of %s was lost: %q", p, found)
			}
			if slices.Contains(refused, p) != slices.Contains(found, "studio altered "+p) {
				t.Errorf("%s: refused %t, and found %q", p, slices.Contains(refused, p), found)
			}
		}
	})
}

// Of two decisions about one finding at the same moment just one is taken.
func TestOfTwoDecisionsAtOnceNeverBothAreTaken(t *testing.T) {
	onEach(t, func(w *world) {
		paths := songs(6)
		ids, saw := w.cut(paths)
		for _, p := range paths {
			var signedOff, settled error
			atOnce(func() {
				_, signedOff = w.app.Deciding.SignOff(context.Background(), deciding.SignOffOrder{Findings: []int64{ids[p]}, Reason: "cut again", Saw: saw})
			}, func() {
				_, settled = w.app.Deciding.Settle(context.Background(), deciding.SettleOrder{Findings: []int64{ids[p]}, Reason: "it is known", Saw: saw})
			})
			if (signedOff == nil) == (settled == nil) {
				t.Errorf("%s: signed off: %v; settled: %v", p, signedOff, settled)
			}
			version := map[bool]int64{true: 2, false: 1}[signedOff == nil]
			if v := w.file("access", p).Version; v != version {
				t.Errorf("%s: signed off: %v, and the file has version %d", p, signedOff, v)
			}
		}
		w.sound()
		for _, f := range w.findings() {
			t.Errorf("still open: %s", f)
		}
	})
}
