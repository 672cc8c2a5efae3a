package ledger_test

import (
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// What can't be transferred again is one step more urgent, comes first in lists, and is read
// first; once the register says so no more, neither is so.
func TestWhatCannotBeTransferredAgainComesFirst(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		other := w.take(masters, "QV-0106/QV-0106_A.wav", "o", true, "studio", "vault")
		f := w.take(masters, side, "a", true, "studio", "vault")
		w.move("vault", masters, "QV-0106/QV-0106_A.wav", "QV-0106/other.wav")
		w.move("vault", masters, side, "QV-0107/other.wav")
		w.audit("vault", order{})
		w.found(other, "vault", fixity.Misplaced, fixity.Tidy)
		w.found(f, "vault", fixity.Misplaced, fixity.Tidy)
		says := func(cannot bool) {
			w.tx(func(x *ledger.Tx) error {
				return x.Register.PutSays([]fixity.RegisterSays{{Item: "QV-0107", Side: "A", Unplayable: cannot, Text: "{}"}, {Item: "QV-0106", Text: "{}"}}, "Ada Wren")
			})
		}
		first := func(u fixity.Urgency) (items []string) {
			w.view(func(x *ledger.Tx) error {
				fs, err := x.Findings.Page(u, 0, 1)
				for len(fs) > 0 && err == nil {
					items = append(items, fs[0].Path[:7])
					fs, err = x.Findings.Page(u, fs[0].ID, 1)
				}
				return err
			})
			return items
		}
		says(true)
		w.found(other, "vault", fixity.Misplaced, fixity.Tidy)
		if fd := w.found(f, "vault", fixity.Misplaced, fixity.AtRisk); !fd.Once {
			t.Error("the finding doesn't know that its item can't be transferred again")
		}
		// Judged anew, it stays so.
		w.audit("vault", order{})
		w.found(f, "vault", fixity.Misplaced, fixity.AtRisk)
		// In its urgency it comes before others, on every page of one.
		w.rot("studio", masters, side, "b")
		w.rot("studio", masters, "QV-0106/QV-0106_A.wav", "b")
		a := w.audit("studio", order{full: true})
		w.found(other, "studio", fixity.Altered, fixity.AtRisk)
		if got := first(fixity.AtRisk); len(got) != 3 || got[0] != "QV-0107" || got[1] != "QV-0107" || got[2] != "QV-0106" {
			t.Errorf("the list begins with %q", got)
		}
		w.view(func(x *ledger.Tx) error {
			jobs, err := x.Audits.OpenShards(a.ID, fixity.PhaseDone)
			if len(jobs) < 2 || jobs[0].Shard < jobs[len(jobs)-1].Shard {
				t.Errorf("folders in the order %v", jobs)
			}
			return err
		})
		says(false)
		if fd := w.found(f, "vault", fixity.Misplaced, fixity.Tidy); fd.Once {
			t.Error("it stays so once the register says it no more")
		}
	})
}
