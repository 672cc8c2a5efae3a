package ledger_test

import (
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

const (
	masters = "masters"
	access  = "access"
	side    = "QV-0107/QV-0107_A.wav"
)

func inWorld(t *testing.T, test func(w *world)) {
	t.Helper()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		test(w)
		sound(t, w.l)
	})
}

func TestAwaitedBecomesIntact(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", false, "studio")
		w.audit("vault", order{})
		w.isIn(f, "vault", fixity.Awaited)
		w.quiet(f, "vault")
		w.put("vault", masters, side, "one")
		w.audit("vault", order{})
		w.isIn(f, "vault", fixity.Intact)
		if c := w.copyOf(f, "vault"); c.Held != 1 || !c.Read.OK || c.Read.Cache != fixity.Bypassed || !c.Read.At.Equal(w.clock) || !c.Due.After(w.clock) {
			w.Errorf("the copy: %+v", c)
		}
	})
}

func TestAwaitedWithOtherBytesIsDisputedWhateverIsHeldElsewhere(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		first := w.take(masters, side, "one", false, "studio")
		vouched := w.take(masters, "QV-0108/QV-0108_A.wav", "two", true, "studio")
		w.put("vault", masters, side, "other")
		w.put("vault", masters, vouched.Path, "other")
		w.audit("vault", order{})
		w.isIn(first, "vault", fixity.Disputed)
		w.found(first, "vault", fixity.Disputed, fixity.NoneIntact)
		w.isIn(vouched, "vault", fixity.Disputed)
		w.found(vouched, "vault", fixity.Disputed, fixity.AtRisk)
		w.isIn(first, "studio", fixity.Intact)
	})
}

func TestAwaitedAndBehindAreFindingsOnlyAfterThePromise(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", false, "studio")
		g := w.take(access, side, "cut", false, "studio", "vault")
		w.pass(day)
		w.tx(func(x *ledger.Tx) error {
			_, err := x.Files.NewVersion(g.ID, bytesOf("cut again"), true, "studio")
			return err
		})
		w.isIn(g, "vault", fixity.Behind)
		w.pass(2*day + time.Hour)
		w.audit("vault", order{})
		w.found(f, "vault", fixity.Awaited, fixity.AtRisk)
		w.quiet(g, "vault")
		w.pass(day)
		w.audit("vault", order{})
		w.isIn(g, "vault", fixity.Behind)
		// The studio still holds the first version; nobody has the second.
		w.found(g, "vault", fixity.Behind, fixity.NoneIntact)
		w.put("vault", access, side, "cut again")
		n := w.finding(g, "vault").ID
		w.audit("vault", order{})
		w.isIn(g, "vault", fixity.Intact)
		if s := w.settledAs(n); s != fixity.IntactAgain {
			w.Errorf("the finding ended %q", s)
		}
	})
}

// What came too late to be seen in a promise's last listing isn't told as awaited before its
// store is listed again: not by what another store shows, nor by the listing that shows it
// before it is read, nor by one that didn't see everything.
func TestWhatHasComeIsNeverToldAsAwaited(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio")
		g := w.take(access, side, "cut", true, "studio")
		w.audit("vault", order{})
		w.pass(4 * day)
		w.put("vault", masters, side, "one")
		w.put("attic", masters, side, "one")
		w.audit("attic", order{}) // it shows that the file is intact there, and all of it is judged
		w.isIn(f, "attic", fixity.Intact)
		w.quiet(f, "vault")
		w.audit("vault", order{incomplete: access + "/QV-0107"})
		w.isIn(f, "vault", fixity.Intact)
		w.quiet(g, "vault")
		w.view(func(x *ledger.Tx) error {
			fs, err := x.Findings.All()
			for _, f := range fs {
				if f.Store == "vault" {
					w.Errorf("told: %s of %s", f.Kind, f.Path)
				}
			}
			return err
		})
		w.pass(4 * day)
		w.audit("vault", order{})
		w.found(g, "vault", fixity.Awaited, fixity.AtRisk)
	})
}

func TestSavesInTheEditingWindow(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(access, side, "take", true, "studio", "vault")
		w.pass(day)
		w.put("studio", access, side, "take, trimmed")
		w.audit("studio", order{})
		w.isIn(f, "studio", fixity.Editing)
		w.isIn(f, "vault", fixity.Behind)
		w.quiet(f, "studio")
		w.quiet(f, "vault")
		if n := w.verbs()[fixity.Saved]; n != 1 {
			w.Errorf("%d saves", n)
		}
		// A second save begins the window anew.
		w.pass(2 * day)
		w.put("studio", access, side, "take, trimmed twice")
		w.audit("studio", order{})
		w.pass(2 * day)
		w.audit("studio", order{full: true})
		w.isIn(f, "studio", fixity.Editing)
		w.pass(day + time.Hour)
		w.audit("studio", order{})
		w.isIn(f, "studio", fixity.Intact)
		if n := w.verbs()[fixity.Finished]; n != 1 {
			w.Errorf("%d ends of a window", n)
		}
		var versions []ledger.Version
		w.view(func(x *ledger.Tx) (err error) { versions, err = x.Files.Versions(f.ID); return err })
		if len(versions) != 3 || versions[2].BLAKE3 != bytesOf("take, trimmed twice").BLAKE3 {
			w.Errorf("versions: %+v", versions)
		}
		// After it a change is a finding.
		w.put("studio", access, side, "a slip of the hand")
		w.audit("studio", order{})
		w.isIn(f, "studio", fixity.Altered)
	})
}

func TestRotIsNoSave(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(access, side, "take", true, "studio", "vault")
		w.rot("studio", access, side, "tAke")
		w.audit("studio", order{full: true})
		w.isIn(f, "studio", fixity.Altered)
		w.found(f, "studio", fixity.Altered, fixity.AtRisk)
	})
}

func TestAVaultDoesNotSave(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(access, side, "take", true, "studio", "vault")
		w.put("vault", access, side, "take, trimmed")
		w.audit("vault", order{})
		w.isIn(f, "vault", fixity.Altered)
	})
}

func TestMisplacedIsProved(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.move("vault", masters, side, "QV-0107/wrong name.wav")
		w.audit("vault", order{})
		got := w.found(f, "vault", fixity.Misplaced, fixity.Tidy)
		if got.FoundAt != "QV-0107/wrong name.wav" || got.Path != side || !slices.Equal(got.IntactIn, []string{"studio", "vault"}) {
			w.Errorf("finding: %+v", got)
		}
		// It is told once, and ends when the file is back.
		w.audit("vault", order{})
		if again := w.found(f, "vault", fixity.Misplaced, fixity.Tidy); again.ID != got.ID {
			w.Errorf("finding %d became %d", got.ID, again.ID)
		}
		w.move("vault", masters, "QV-0107/wrong name.wav", side)
		w.audit("vault", order{})
		w.isIn(f, "vault", fixity.Intact)
		w.quiet(f, "vault")
		w.view(func(x *ledger.Tx) error {
			open, err := x.Findings.Open("vault")
			if len(open) > 0 {
				w.Errorf("still open: %+v", open)
			}
			return err
		})
	})
}

func TestMisplacedIsRefuted(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.remove("vault", masters, side)
		// Same size and name, other bytes; the time is the same as well.
		w.put("vault", masters, "QV-0999/QV-0107_A.wav", "two")
		w.audit("vault", order{})
		w.found(f, "vault", fixity.Missing, fixity.AtRisk)
		w.view(func(x *ledger.Tx) error {
			open, err := x.Findings.Open("vault")
			if len(open) != 2 || open[1].Subject != fixity.OfStray && open[0].Subject != fixity.OfStray {
				w.Errorf("findings: %+v", open)
			}
			return err
		})
	})
}

func TestUnprovedMisplacedIsNoCopy(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.move("vault", masters, side, "QV-0107/elsewhere.wav")
		w.fails("vault", masters, "QV-0107/elsewhere.wav", fixity.ReadUnreadable)
		w.audit("vault", order{})
		got := w.finding(f, "vault")
		if got.ID == 0 || slices.Contains(got.IntactIn, "vault") {
			w.Errorf("finding: %+v", got)
		}
	})
}

func TestMissingOnlyAfterACompleteListing(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		other := w.take(access, side, "cut", true, "studio", "vault")
		w.remove("vault", masters, side)
		w.remove("vault", access, side)
		a := w.audit("vault", order{incomplete: "masters/QV-0107"})
		w.isIn(f, "vault", fixity.Intact)
		w.quiet(f, "vault")
		w.isIn(other, "vault", fixity.Missing) // its set was listed completely
		if a.Complete {
			w.Error("the audit says that it is complete")
		}
		var before, after time.Time
		listed := func(set string) (at time.Time) {
			w.view(func(x *ledger.Tx) error {
				s, err := x.Stores.Get("vault")
				for _, r := range s.Roots {
					if r.Set == set {
						at = r.ListedAt
					}
				}
				return err
			})
			return at
		}
		if before = listed(masters); !before.IsZero() {
			w.Errorf("masters were listed at %s", before)
		}
		w.audit("vault", order{})
		w.found(f, "vault", fixity.Missing, fixity.AtRisk)
		if after = listed(masters); !after.Equal(w.clock) {
			w.Errorf("masters were listed at %s", after)
		}
		w.put("vault", masters, side, "one")
		w.audit("vault", order{})
		w.isIn(f, "vault", fixity.Intact)
		w.quiet(f, "vault")
	})
}

func TestAnIncompleteListingForgetsNoStray(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		w.put("vault", masters, "QV-0107/notes.txt", "notes")
		w.audit("vault", order{})
		var open []ledger.Finding
		w.view(func(x *ledger.Tx) (err error) { open, err = x.Findings.Open("vault"); return err })
		if len(open) != 1 || open[0].Kind != fixity.Kind(fixity.Unexpected) {
			w.Fatalf("findings: %+v", open)
		}
		w.tx(func(x *ledger.Tx) error { return x.Findings.SignOffStray(open[0], "Ada Wren", "belongs there") })
		w.audit("vault", order{incomplete: "masters/QV-0107"})
		w.audit("vault", order{})
		w.view(func(x *ledger.Tx) (err error) { open, err = x.Findings.Open("vault"); return err })
		if len(open) != 0 {
			w.Errorf("what was left in peace is reported again: %+v", open)
		}
	})
}

func TestAFindingsKindChangesAndItsNumberStays(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.rot("vault", masters, side, "onE")
		w.audit("vault", order{full: true})
		id := w.found(f, "vault", fixity.Altered, fixity.AtRisk).ID
		for _, c := range []struct {
			kind   fixity.State
			happen func()
		}{
			{fixity.Unreadable, func() { w.fails("vault", masters, side, fixity.ReadUnreadable) }},
			{fixity.Unsteady, func() { w.fails("vault", masters, side, fixity.ReadUnsteady) }},
			{fixity.Missing, func() { w.remove("vault", masters, side) }},
			{fixity.Altered, func() { w.put("vault", masters, side, "other") }},
		} {
			w.pass(time.Hour)
			c.happen()
			w.audit("vault", order{})
			got := w.found(f, "vault", c.kind, fixity.AtRisk)
			if got.ID != id {
				w.Errorf("%s: finding %d became %d", c.kind, id, got.ID)
			}
			if !got.Seen.Equal(w.clock) {
				w.Errorf("%s: seen %s, want %s", c.kind, got.Seen, w.clock)
			}
		}
		if n := w.verbs(); n[fixity.FindingOpened] != 1 || n[fixity.FindingChanged] != 4 {
			w.Errorf("turns: %v", n)
		}
		w.put("vault", masters, side, "one")
		w.audit("vault", order{})
		if s := w.settledAs(id); s != fixity.IntactAgain {
			w.Errorf("ended %q", s)
		}
	})
}

func TestSettlingKeepsQuietWhileTheSame(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.rot("vault", masters, side, "onE")
		w.audit("vault", order{full: true})
		first := w.found(f, "vault", fixity.Altered, fixity.AtRisk)
		w.tx(func(x *ledger.Tx) error {
			return x.Findings.Settle(first, fixity.ByPerson, "Ada Wren", "kept as a specimen")
		})
		for range 2 {
			w.pass(day)
			w.audit("vault", order{full: true})
			w.quiet(f, "vault")
			w.isIn(f, "vault", fixity.Altered)
		}
		w.view(func(x *ledger.Tx) error {
			n, err := x.Findings.CountSettled("vault", "", "")
			if n != 1 {
				w.Errorf("%d copies are settled", n)
			}
			return err
		})
		// It is no copy for that.
		w.remove("studio", masters, side)
		w.audit("studio", order{})
		w.found(f, "studio", fixity.Missing, fixity.NoneIntact)
		// Other bytes are another matter.
		w.rot("vault", masters, side, "oNE")
		w.audit("vault", order{full: true})
		second := w.found(f, "vault", fixity.Altered, fixity.NoneIntact)
		if second.ID == first.ID {
			w.Error("a settled finding was opened again")
		}
	})
}

func TestANewlyLostCopyRaisesTheOthers(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.rot("vault", masters, side, "onE")
		w.audit("vault", order{full: true})
		id := w.found(f, "vault", fixity.Altered, fixity.AtRisk).ID
		if n := w.verbs()[fixity.FindingRaised]; n != 0 {
			w.Errorf("%d findings were raised", n)
		}
		w.remove("studio", masters, side)
		w.audit("studio", order{})
		w.found(f, "studio", fixity.Missing, fixity.NoneIntact)
		got := w.found(f, "vault", fixity.Altered, fixity.NoneIntact)
		if got.ID != id || len(got.IntactIn) != 0 || got.Step != "other" {
			w.Errorf("finding: %+v", got)
		}
		if n := w.verbs()[fixity.FindingRaised]; n != 1 {
			w.Errorf("%d findings were raised", n)
		}
		// And back.
		w.put("studio", masters, side, "one")
		w.audit("studio", order{})
		w.found(f, "vault", fixity.Altered, fixity.AtRisk)
	})
}

func TestDamageMakesTheOtherCopiesDueAtOnce(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.pass(time.Hour)
		w.rot("vault", masters, side, "onE")
		w.audit("vault", order{full: true})
		var a ledger.Audit
		w.tx(func(x *ledger.Tx) error {
			any, err := x.Audits.AnyAhead("studio")
			if err != nil || !any {
				w.Errorf("nothing is due ahead in the studio: %v", err)
			}
			var began bool
			a, began, err = x.Audits.BeginFollowUp("studio", []string{masters, access}, fixity.Bypassed, "Ada Wren")
			if !began {
				w.Error("no follow-up")
			}
			return err
		})
		w.rot("studio", masters, side, "One")
		w.phase(a, fixity.PhaseRead, order{})
		w.isIn(f, "studio", fixity.Altered)
		w.found(f, "vault", fixity.Altered, fixity.NoneIntact)
		w.view(func(x *ledger.Tx) error {
			any, err := x.Audits.AnyAhead("studio")
			if any {
				w.Error("it is due ahead again")
			}
			return err
		})
	})
}
