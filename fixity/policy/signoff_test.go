package policy_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/policy"
)

// Rot doesn't become the truth by a signature.
func TestMaySignOff(t *testing.T) {
	holds := policy.Another{State: fixity.Intact, Holds: true, Looked: true}
	lacks := policy.Loss{Lacks: []policy.Lack{{Flaw: policy.FlawEmpty}}}
	at := func(why policy.Objection, copies ...int) policy.Objected {
		return policy.Objected{Why: why, Copies: copies}
	}
	in := func(s fixity.State, looked bool) policy.Another { return policy.Another{State: s, Looked: looked} }
	others := func(x ...policy.Another) []policy.Another { return x }
	change := func(m policy.Meant, edit func(*policy.Asked)) policy.Asked {
		a := policy.Asked{Meant: m, Kind: fixity.Altered, Role: fixity.Master, Arrivals: true, Decided: true, Version: true, Whole: true, Blocks: 100, Shared: 98}
		if edit != nil {
			edit(&a)
		}
		return a
	}
	for _, c := range []struct {
		name string
		a    policy.Asked
		want policy.Objected
	}{
		{"a master without a word", change(policy.MeantPlain, nil), at(policy.NeedsAWord)},
		{"a master that the vault holds", change(policy.MeantMaster, func(a *policy.Asked) { a.Others = others(holds) }), at(policy.StillHeld, 0)},
		{"a master that an away store holds", change(policy.MeantLost, func(a *policy.Asked) {
			a.Others = others(in(fixity.Altered, true), policy.Another{State: fixity.Intact, Holds: true})
		}), at(policy.StillHeld, 1)},
		{"a master that is misplaced elsewhere", change(policy.MeantMaster, func(a *policy.Asked) {
			a.Others = others(policy.Another{State: fixity.Misplaced, Holds: true, Looked: true})
		}), at(policy.StillHeld, 0)},
		{"a master that was burned on a disc", change(policy.MeantMaster, func(a *policy.Asked) {
			a.Others = others(in(fixity.Missing, true), policy.Another{State: fixity.Awaited, Disc: true, Looked: true})
		}), at(policy.OnDisc, 1)},
		{"a disc overrules even that nothing else is left", change(policy.MeantLost, func(a *policy.Asked) {
			a.Others = others(policy.Another{State: fixity.Intact, Disc: true, Looked: true})
		}), at(policy.OnDisc, 0)},
		{"a master that can be merged", change(policy.MeantMaster, func(a *policy.Asked) { a.Mergeable, a.Others = true, others(in(fixity.Altered, true)) }), at(policy.CanBeMerged, 0)},
		{"lost, but it can be merged", change(policy.MeantLost, func(a *policy.Asked) { a.Mergeable, a.Others = true, others(in(fixity.Altered, true)) }), at(policy.CanBeMerged, 0)},
		{"a copy that could not be looked at", change(policy.MeantMaster, func(a *policy.Asked) { a.Others = others(in(fixity.Missing, true), in(fixity.Awaited, false)) }), at(policy.NotLookedAt, 1)},
		{"it can't be looked at ever", change(policy.MeantLost, func(a *policy.Asked) { a.Others = others(in(fixity.Awaited, false)) }), at(policy.NoObjection)},
		{"a copy that can't be read", change(policy.MeantMaster, func(a *policy.Asked) { a.Others = others(in(fixity.Unreadable, true)) }), at(policy.NotReadWell, 0)},
		{"a copy that is read now so, now so", change(policy.MeantMaster, func(a *policy.Asked) { a.Others = others(in(fixity.Unsteady, true)) }), at(policy.NotReadWell, 0)},
		{"no drive reads it", change(policy.MeantLost, func(a *policy.Asked) { a.Others = others(in(fixity.Unreadable, true)) }), at(policy.NoObjection)},
		{"a master of which nothing better is left", change(policy.MeantMaster, func(a *policy.Asked) { a.Others = others(in(fixity.Missing, true), in(fixity.Altered, true)) }), at(policy.NoObjection)},
		{"a master that lost something", change(policy.MeantMaster, func(a *policy.Asked) { a.Loss = lacks }), at(policy.LostSomething)},
		{"it lost something, and nothing better is left", change(policy.MeantLost, func(a *policy.Asked) { a.Loss = lacks }), at(policy.NoObjection)},
		{"in the vault", change(policy.MeantLost, func(a *policy.Asked) { a.Arrivals = false }), at(policy.NotHere)},

		{"a new transfer", change(policy.MeantNewTransfer, func(a *policy.Asked) { a.Shared, a.Others = 49, others(holds) }), at(policy.NoObjection)},
		{"a new transfer that shares half", change(policy.MeantNewTransfer, func(a *policy.Asked) { a.Shared = 50 }), at(policy.TooAlike)},
		{"a whole recording in the place of one that was cut short", change(policy.MeantNewTransfer, func(a *policy.Asked) { a.Unfinished, a.Others = true, others(holds) }), at(policy.NoObjection)},
		{"one that isn't whole either", change(policy.MeantNewTransfer, func(a *policy.Asked) { a.Unfinished, a.Whole = true, false }), at(policy.NotWhole)},
		{"a new transfer that isn't whole", change(policy.MeantNewTransfer, func(a *policy.Asked) { a.Shared, a.Whole = 0, false }), at(policy.NotWhole)},
		{"a new transfer without a block", change(policy.MeantNewTransfer, func(a *policy.Asked) { a.Shared, a.Blocks = 0, 0 }), at(policy.TooAlike)},
		{"a new transfer in the vault", change(policy.MeantNewTransfer, func(a *policy.Asked) { a.Shared, a.Arrivals = 0, false }), at(policy.NotHere)},

		{"a description", change(policy.MeantDescription, func(a *policy.Asked) { a.SameSound, a.Others = true, others(holds) }), at(policy.NoObjection)},
		{"a description with other sound", change(policy.MeantDescription, nil), at(policy.SoundDiffers)},

		{"an access file", change(policy.MeantPlain, func(a *policy.Asked) { a.Role, a.Others = fixity.Access, others(holds) }), at(policy.NoObjection)},
		{"an access file, shorter on purpose", change(policy.MeantPlain, func(a *policy.Asked) { a.Role, a.Others, a.Loss.Was = fixity.Access, others(holds), 1 }), at(policy.NoObjection)},
		{"an access file that was emptied", change(policy.MeantPlain, func(a *policy.Asked) { a.Role, a.Others, a.Loss = fixity.Access, others(holds), lacks }), at(policy.StillHeld, 0)},
		{"an access file that was emptied everywhere", change(policy.MeantPlain, func(a *policy.Asked) { a.Role, a.Loss = fixity.Access, lacks }), at(policy.LostSomething)},
		{"an access file, lost otherwise", change(policy.MeantLost, func(a *policy.Asked) { a.Role, a.Loss = fixity.Access, lacks }), at(policy.NoObjection)},

		{"a dispute at intake", change(policy.MeantPlain, func(a *policy.Asked) {
			a.Kind, a.Decided, a.Version, a.Others = fixity.Disputed, false, false, others(in(fixity.Disputed, true))
		}), at(policy.NoObjection)},
		{"a dispute at first contact", change(policy.MeantPlain, func(a *policy.Asked) {
			a.Kind, a.Decided, a.Arrivals, a.Others = fixity.Disputed, false, false, others(holds)
		}), at(policy.NoObjection)},
		{"a dispute, and the chosen one isn't whole", change(policy.MeantPlain, func(a *policy.Asked) {
			a.Kind, a.Decided, a.Version, a.Loss, a.Others = fixity.Disputed, false, false, lacks, others(in(fixity.Disputed, true))
		}), at(policy.LostSomething, 0)},
		{"a dispute against a vouched version", change(policy.MeantPlain, func(a *policy.Asked) {
			a.Kind, a.Arrivals, a.Others = fixity.Disputed, false, others(holds)
		}), at(policy.NeedsAWord, 0)},
		{"a dispute against a vouched version of an access file", change(policy.MeantPlain, func(a *policy.Asked) {
			a.Role, a.Kind, a.Arrivals, a.Others = fixity.Access, fixity.Disputed, false, others(holds)
		}), at(policy.NeedsAWord, 0)},
		{"a dispute against a vouched version, with a word", change(policy.MeantMaster, func(a *policy.Asked) {
			a.Kind, a.Arrivals, a.Others = fixity.Disputed, false, others(holds)
		}), at(policy.StillHeld, 0)},
		{"a new transfer that came with a store", change(policy.MeantNewTransfer, func(a *policy.Asked) {
			a.Kind, a.Arrivals, a.Shared, a.Others = fixity.Disputed, false, 1, others(holds)
		}), at(policy.NoObjection)},
		{"a dispute that is decided for what is there", change(policy.MeantKeep, func(a *policy.Asked) { a.Kind = fixity.Disputed }), at(policy.NoObjection)},
		{"no dispute", change(policy.MeantKeep, nil), at(policy.NoDispute)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, policy.MaySignOff(c.a)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
