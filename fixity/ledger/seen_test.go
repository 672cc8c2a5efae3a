package ledger_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A person decided on what they saw; meanwhile an audit, or another person, changed
// it. The act writes nothing and says what is so.
func TestAnActOnWhatIsNoLongerSoChangesNothing(t *testing.T) {
	t.Parallel()
	read := fixity.Evidence{Strength: fixity.Read, OK: true, Cache: fixity.Bypassed}
	for _, c := range []struct {
		name string
		// prepare gives the act as it was prepared; then what happens meanwhile.
		prepare func(w *world, f ledger.File) (act func(*ledger.Tx) error, meanwhile func())
	}{
		{"an absence, and the file was found again", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			w.remove("studio", masters, side)
			w.audit("studio", order{})
			old := w.finding(f, "studio")
			return func(x *ledger.Tx) error { return x.Findings.SignOffAbsence(old, "Ada Wren", "gone on purpose") }, func() {
				w.put("studio", masters, side, "a")
				w.audit("studio", order{})
			}
		}},
		{"a place, and it was moved back", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			w.move("studio", masters, side, "QV-0107/other.wav")
			w.audit("studio", order{})
			old := w.finding(f, "studio")
			return func(x *ledger.Tx) error { return x.Findings.SignOffPlace(old, 30*day, "Ada Wren", "a better name") }, func() {
				w.move("studio", masters, "QV-0107/other.wav", side)
				w.audit("studio", order{})
			}
		}},
		{"a version, and it was put back", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			w.pass(time.Hour)
			w.put("studio", masters, side, "b")
			w.audit("studio", order{})
			old := w.finding(f, "studio")
			return func(x *ledger.Tx) error {
					_, err := x.Findings.SignOffVersion(old, bytesOf("b"), fixity.Entry{}, read, 30*day, "Ada Wren", "better")
					return err
				}, func() {
					w.put("studio", masters, side, "a")
					w.audit("studio", order{})
				}
		}},
		{"settled, and it became another thing", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			w.remove("vault", masters, side)
			w.audit("vault", order{})
			old := w.finding(f, "vault")
			return func(x *ledger.Tx) error { return x.Findings.Settle(old, fixity.ByPerson, "Ada Wren", "known") }, func() {
				w.put("vault", masters, side, "rotten")
				w.audit("vault", order{})
			}
		}},
		{"retired, and it has a new version", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			return func(x *ledger.Tx) error { return x.Files.RetireBy(f, "Ada Wren", "not wanted") }, func() {
				w.tx(func(x *ledger.Tx) error {
					_, err := x.Files.NewVersion(f.ID, bytesOf("b"), true, "studio")
					return err
				})
			}
		}},
		{"replaced, and the old one was retired", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			g := w.take(masters, "QV-0107/QV-0107_A.flac", "a in flac", true, "studio", "vault")
			return func(x *ledger.Tx) error { return x.Files.Replace(f, g, fixity.Digest{}, "Ada Wren", "migrated") }, func() {
				w.tx(func(x *ledger.Tx) error { return x.Files.RetireBy(f, "Ada Wren", "not wanted") })
			}
		}},
		{"finished, and it was retired", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			return func(x *ledger.Tx) error { return x.Files.Finish(f, "Ada Wren", "done") }, func() {
				w.tx(func(x *ledger.Tx) error { return x.Files.RetireBy(f, "Ada Wren", "not wanted") })
			}
		}},
		{"whatever it is, and a copy elsewhere was lost", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			w.remove("studio", masters, side)
			w.audit("studio", order{})
			id := w.finding(f, "studio").ID
			var seen ledger.Seen
			w.view(func(x *ledger.Tx) (err error) { seen, err = x.SeeFinding(id); return err })
			return func(x *ledger.Tx) error {
					if err := x.Still(seen); err != nil {
						return err
					}
					return x.Findings.SignOffAbsence(seen.Finding, "Ada Wren", "gone on purpose")
				}, func() {
					w.rot("vault", masters, side, "rotten")
					w.audit("vault", order{full: true})
				}
		}},
		{"a store is ended, and another drive was adopted", func(w *world, f ledger.File) (func(*ledger.Tx) error, func()) {
			var s ledger.Store
			w.view(func(x *ledger.Tx) (err error) { s, err = x.Stores.Get("vault"); return err })
			return func(x *ledger.Tx) error {
					if err := x.StillStore(s); err != nil {
						return err
					}
					return x.Stores.End("vault", "", true, "Ada Wren", "old")
				}, func() {
					w.tx(func(x *ledger.Tx) error {
						return x.Stores.Adopt("vault", masters, fixity.Identity{Holdings: "h", Store: "another"}, "Ada Wren", "a new drive")
					})
				}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			inWorld(t, func(w *world) {
				f := w.take(masters, side, "a", true, "studio", "vault")
				act, meanwhile := c.prepare(w, f)
				w.pass(time.Hour)
				meanwhile()
				before := w.everything()
				err := w.l.Tx(w.Context(), w.clock, act)
				if !errors.Is(err, fixity.ErrChangedMeanwhile) || !errors.Is(err, fixity.ErrRefused) {
					w.Errorf("the stale act: %v", err)
				}
				if w.everything() != before {
					w.Error("the stale act changed something")
				}
			})
		})
	}
}

// What a decision doesn't rest on may change: an act isn't refused because an audit
// read the same bytes again.
func TestAnActIsNotRefusedBecauseTheSameWasReadAgain(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "a", true, "studio", "vault")
		w.pass(time.Hour)
		w.put("studio", masters, side, "b")
		w.audit("studio", order{})
		id := w.finding(f, "studio").ID
		var seen ledger.Seen
		w.view(func(x *ledger.Tx) (err error) { seen, err = x.SeeFinding(id); return err })
		w.pass(day)
		w.audit("studio", order{full: true})
		w.audit("vault", order{full: true})
		w.tx(func(x *ledger.Tx) error {
			if err := x.Still(seen); err != nil {
				return fmt.Errorf("the same was read again: %w", err)
			}
			return x.Findings.Settle(seen.Finding, fixity.ByPerson, "Ada Wren", "known")
		})
	})
}
