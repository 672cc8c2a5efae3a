package care_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Rot doesn't become the truth by a signature.
func TestMaySignOff(t *testing.T) {
	holds := care.Another{State: fixity.Intact, Holds: true, Looked: true}
	lacks := care.Loss{Lacks: []care.Lack{{Flaw: care.FlawEmpty}}}
	at := func(why care.Objection, copies ...int) care.Objected {
		return care.Objected{Why: why, Copies: copies}
	}
	in := func(s fixity.State, looked bool) care.Another { return care.Another{State: s, Looked: looked} }
	others := func(x ...care.Another) []care.Another { return x }
	change := func(m care.Meant, edit func(*care.Asked)) care.Asked {
		a := care.Asked{Meant: m, Kind: fixity.Altered, Role: fixity.Master, Arrivals: true, Decided: true, Version: true, Whole: true, Blocks: 100, Shared: 98}
		if edit != nil {
			edit(&a)
		}
		return a
	}
	for _, c := range []struct {
		name string
		a    care.Asked
		want care.Objected
	}{
		{"a master without a word", change(care.MeantPlain, nil), at(care.NeedsAWord)},
		{"a master that the vault holds", change(care.MeantMaster, func(a *care.Asked) { a.Others = others(holds) }), at(care.StillHeld, 0)},
		{"a master that an away store holds", change(care.MeantLost, func(a *care.Asked) {
			a.Others = others(in(fixity.Altered, true), care.Another{State: fixity.Intact, Holds: true})
		}), at(care.StillHeld, 1)},
		{"a master that is misplaced elsewhere", change(care.MeantMaster, func(a *care.Asked) {
			a.Others = others(care.Another{State: fixity.Misplaced, Holds: true, Looked: true})
		}), at(care.StillHeld, 0)},
		{"a master that was burned on a disc", change(care.MeantMaster, func(a *care.Asked) {
			a.Others = others(in(fixity.Missing, true), care.Another{State: fixity.Awaited, Disc: true, Looked: true})
		}), at(care.HeldByDiscs, 1)},
		{"another file that has the bytes overrules it, too", change(care.MeantLost, func(a *care.Asked) { a.Same, a.Mergeable = true, true }), at(care.HeldAsOther)},
		{"a better transfer, though another file has the earlier one's bytes", change(care.MeantNewTransfer, func(a *care.Asked) { a.Same, a.Shared = true, 1 }), at(care.NoObjection)},
		{"a disc overrules even that nothing else is left", change(care.MeantLost, func(a *care.Asked) {
			a.Others = others(care.Another{State: fixity.Intact, Disc: true, Looked: true})
		}), at(care.HeldByDiscs, 0)},
		{"a master that can be merged", change(care.MeantMaster, func(a *care.Asked) { a.Mergeable, a.Others = true, others(in(fixity.Altered, true)) }), at(care.CanBeMerged, 0)},
		{"lost, but it can be merged", change(care.MeantLost, func(a *care.Asked) { a.Mergeable, a.Others = true, others(in(fixity.Altered, true)) }), at(care.CanBeMerged, 0)},
		{"a copy that could not be looked at", change(care.MeantMaster, func(a *care.Asked) { a.Others = others(in(fixity.Missing, true), in(fixity.Awaited, false)) }), at(care.NotLookedAt, 1)},
		{"it can't be looked at ever", change(care.MeantLost, func(a *care.Asked) { a.Others = others(in(fixity.Awaited, false)) }), at(care.NoObjection)},
		{"a copy that can't be read", change(care.MeantMaster, func(a *care.Asked) { a.Others = others(in(fixity.Unreadable, true)) }), at(care.NotReadWell, 0)},
		{"a copy that is read now so, now so", change(care.MeantMaster, func(a *care.Asked) { a.Others = others(in(fixity.Unsteady, true)) }), at(care.NotReadWell, 0)},
		{"no drive reads it", change(care.MeantLost, func(a *care.Asked) { a.Others = others(in(fixity.Unreadable, true)) }), at(care.NoObjection)},
		{"a master of which nothing better is left", change(care.MeantMaster, func(a *care.Asked) { a.Others = others(in(fixity.Missing, true), in(fixity.Altered, true)) }), at(care.NoObjection)},
		{"a master that lost something", change(care.MeantMaster, func(a *care.Asked) { a.Loss = lacks }), at(care.LostSomething)},
		{"it lost something, and nothing better is left", change(care.MeantLost, func(a *care.Asked) { a.Loss = lacks }), at(care.NoObjection)},
		{"in the vault", change(care.MeantLost, func(a *care.Asked) { a.Arrivals = false }), at(care.NotHere)},

		{"a new transfer", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.Others = 49, others(holds) }), at(care.NoObjection)},
		{"a new transfer that shares half", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared = 50 }), at(care.TooAlike)},
		{"a whole recording in the place of one that was cut short", change(care.MeantNewTransfer, func(a *care.Asked) { a.Unfinished, a.Others = true, others(holds) }), at(care.NoObjection)},
		{"one that isn't whole either", change(care.MeantNewTransfer, func(a *care.Asked) { a.Unfinished, a.Whole = true, false }), at(care.NotWhole)},
		{"a new transfer that isn't whole", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.Whole = 0, false }), at(care.NotWhole)},
		{"a new transfer without a block", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.Blocks = 0, 0 }), at(care.TooAlike)},
		{"a new transfer in the vault", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.Arrivals = 0, false }), at(care.NotHere)},

		{"a new transfer that is another file", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.OfOther = 0, true }), at(care.BytesOfOther)},
		{"the same, of a file that wasn't whole", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.OfOther, a.Unfinished = 0, true, true }), at(care.BytesOfOther)},
		{"a master that is another file", change(care.MeantMaster, func(a *care.Asked) { a.OfOther = true }), at(care.BytesOfOther)},
		{"nothing better is left than another file", change(care.MeantLost, func(a *care.Asked) { a.OfOther = true }), at(care.BytesOfOther)},
		{"an access file that is another one", change(care.MeantPlain, func(a *care.Asked) { a.Role, a.OfOther = fixity.Access, true }), at(care.BytesOfOther)},
		{"the same, and it is said to be edited", change(care.MeantEdited, func(a *care.Asked) { a.Role, a.OfOther, a.Damaged = fixity.Access, true, true }), at(care.BytesOfOther)},
		{"a dispute for another file", change(care.MeantPlain, func(a *care.Asked) { a.Kind, a.Decided, a.OfOther = fixity.Disputed, false, true }), at(care.BytesOfOther)},
		{"a dispute against another file", change(care.MeantKeep, func(a *care.Asked) { a.Kind, a.OfOther = fixity.Disputed, true }), at(care.NoObjection)},
		{"another file in the vault", change(care.MeantMaster, func(a *care.Asked) { a.Arrivals, a.OfOther = false, true }), at(care.NotHere)},
		{"a new transfer of two that were the same before", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.OfOther, a.Double = 0, true, true }), at(care.NoObjection)},
		{"access files that were exchanged", change(care.MeantPlain, func(a *care.Asked) { a.Role, a.OfOther, a.Exchanged = fixity.Access, true, true }), at(care.NoObjection)},
		{"masters that were exchanged", change(care.MeantNewTransfer, func(a *care.Asked) { a.Shared, a.OfOther, a.Exchanged = 0, true, true }), at(care.BytesOfOther)},
		{"a description that makes it the same as another file", change(care.MeantDescription, func(a *care.Asked) { a.SameSound, a.OfOther = true, true }), at(care.NoObjection)},

		{"a description", change(care.MeantDescription, func(a *care.Asked) { a.SameSound, a.Others = true, others(holds) }), at(care.NoObjection)},
		{"a description with other sound", change(care.MeantDescription, nil), at(care.SoundDiffers)},

		{"an access file", change(care.MeantPlain, func(a *care.Asked) { a.Role, a.Others = fixity.Access, others(holds) }), at(care.NoObjection)},
		{"an access file, shorter on purpose", change(care.MeantPlain, func(a *care.Asked) { a.Role, a.Others, a.Loss.Was = fixity.Access, others(holds), 1 }), at(care.NoObjection)},
		{"an access file that was emptied", change(care.MeantPlain, func(a *care.Asked) { a.Role, a.Others, a.Loss = fixity.Access, others(holds), lacks }), at(care.StillHeld, 0)},
		{"an access file that was emptied everywhere", change(care.MeantPlain, func(a *care.Asked) { a.Role, a.Loss = fixity.Access, lacks }), at(care.LostSomething)},
		{"an access file that looks damaged", change(care.MeantPlain, func(a *care.Asked) { a.Role, a.Damaged, a.Others = fixity.Access, true, others(holds) }), at(care.LooksDamaged, 0)},
		{"the same, called a master", change(care.MeantMaster, func(a *care.Asked) { a.Role, a.Damaged = fixity.Access, true }), at(care.LooksDamaged)},
		{"the same, and it is said to be edited", change(care.MeantEdited, func(a *care.Asked) { a.Role, a.Damaged, a.Others = fixity.Access, true, others(holds) }), at(care.NoObjection)},
		{"edited, and emptied", change(care.MeantEdited, func(a *care.Asked) { a.Role, a.Damaged, a.Others, a.Loss = fixity.Access, true, others(holds), lacks }), at(care.StillHeld, 0)},
		{"edited is no word for a master", change(care.MeantEdited, nil), at(care.NeedsAWord)},
		{"an access file, lost otherwise", change(care.MeantLost, func(a *care.Asked) { a.Role, a.Loss = fixity.Access, lacks }), at(care.NoObjection)},

		{"a dispute at intake", change(care.MeantPlain, func(a *care.Asked) {
			a.Kind, a.Decided, a.Version, a.Others = fixity.Disputed, false, false, others(in(fixity.Disputed, true))
		}), at(care.NoObjection)},
		{"a dispute at first contact", change(care.MeantPlain, func(a *care.Asked) {
			a.Kind, a.Decided, a.Arrivals, a.Others = fixity.Disputed, false, false, others(holds)
		}), at(care.NoObjection)},
		{"a dispute, and the chosen one isn't whole", change(care.MeantPlain, func(a *care.Asked) {
			a.Kind, a.Decided, a.Version, a.Loss, a.Others = fixity.Disputed, false, false, lacks, others(in(fixity.Disputed, true))
		}), at(care.LostSomething, 0)},
		{"a dispute against a vouched version", change(care.MeantPlain, func(a *care.Asked) {
			a.Kind, a.Arrivals, a.Others = fixity.Disputed, false, others(holds)
		}), at(care.NeedsAWord, 0)},
		{"a dispute against a vouched version of an access file", change(care.MeantPlain, func(a *care.Asked) {
			a.Role, a.Kind, a.Arrivals, a.Others = fixity.Access, fixity.Disputed, false, others(holds)
		}), at(care.NeedsAWord, 0)},
		{"a dispute against a vouched version, with a word", change(care.MeantMaster, func(a *care.Asked) {
			a.Kind, a.Arrivals, a.Others = fixity.Disputed, false, others(holds)
		}), at(care.StillHeld, 0)},
		{"a new transfer that came with a store", change(care.MeantNewTransfer, func(a *care.Asked) {
			a.Kind, a.Arrivals, a.Shared, a.Others = fixity.Disputed, false, 1, others(holds)
		}), at(care.NoObjection)},
		{"a dispute that is decided for what is there", change(care.MeantKeep, func(a *care.Asked) { a.Kind = fixity.Disputed }), at(care.NoObjection)},
		{"no dispute", change(care.MeantKeep, nil), at(care.NoDispute)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, care.MaySignOff(c.a)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
