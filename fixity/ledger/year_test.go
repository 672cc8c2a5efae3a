package ledger_test

import (
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// What the record has of readings is what was read, store by store, and those that a cache may
// have answered or a medium refused are none.
func TestReadsSince(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		var want []ledger.ReadOf
		read := func(store string, f ledger.File) {
			want = append(want, ledger.ReadOf{Store: store, File: f.ID, At: w.clock.UnixNano()})
		}
		f := w.take("masters", "QV-0107/a.wav", "one", true, "studio", "vault")
		g := w.take("masters", "QV-0107/b.wav", "two", true, "studio")
		w.pass(40 * day)
		w.fails("studio", "masters", g.Path, fixity.ReadUnreadable)
		w.audit("studio", order{full: true})
		read("studio", f)
		w.pass(40 * day)
		since := w.clock
		w.cache = fixity.Allowed
		w.audit("vault", order{full: true})
		w.cache = fixity.Bypassed
		w.pass(day)
		w.audit("vault", order{full: true})
		read("vault", f)
		w.tx(func(x *ledger.Tx) error { return x.Files.RetireBy(g, "Ada Wren", "a double") })
		got := func(since time.Time) (out []ledger.ReadOf) {
			w.view(func(x *ledger.Tx) error {
				unsure, err := x.Audits.ReadsSince(since, func(r ledger.ReadOf) {
					if !slices.Contains(out, r) { // the newest of each copy comes twice
						out = append(out, r)
					}
				})
				if unsure {
					t.Error("where files were read isn't known")
				}
				return err
			})
			return out
		}
		if all := got(time.Time{}); !slices.Equal(all, want) {
			t.Errorf("read %v, want %v", all, want)
		}
		if late := got(since); !slices.Equal(late, want[1:]) {
			t.Errorf("read lately %v, want %v", late, want[1:])
		}
		lives := map[string]ledger.Life{}
		w.view(func(x *ledger.Tx) error {
			return x.Files.Lives(func(l ledger.Life) error { lives[l.Item+l.Set] = l; return nil })
		})
		if len(lives) != 1 {
			t.Errorf("%v", lives)
		}
		var verbs []fixity.Verb
		w.view(func(x *ledger.Tx) error {
			return x.Log.Between(since.Add(day), w.clock.Add(1), []fixity.Verb{fixity.Retired, fixity.TakenIn}, func(e ledger.Event) error { verbs = append(verbs, e.Verb); return nil })
		})
		if !slices.Equal(verbs, []fixity.Verb{fixity.Retired}) {
			t.Errorf("events %v", verbs)
		}
		open := 0
		w.view(func(x *ledger.Tx) error {
			return x.Findings.Spans(func(opened, settled time.Time) {
				if settled.IsZero() {
					open++
				} else if settled.Before(opened) {
					t.Errorf("ended %v before %v", settled, opened)
				}
			})
		})
		if open != 0 {
			t.Errorf("%d findings are open", open)
		}
	})
}
