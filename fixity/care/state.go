package care

import "firmus/fixity"

// States are all states that a copy can be in.
var States = []fixity.State{fixity.Awaited, fixity.Intact, fixity.Editing, fixity.Behind, fixity.Altered, fixity.Unreadable, fixity.Unsteady,
	fixity.Disputed, fixity.Missing, fixity.Misplaced}

// HoldsVersion says that a copy in this state has the bytes of the version that it was
// shown to hold, where it lies by its file's path or is known to lie instead: it counts as
// a copy of that. One that is behind holds an earlier version, or the newest one under the
// name that its file had before.
func HoldsVersion(s fixity.State) bool {
	// A misplaced copy's bytes are the version's; only its name is not.
	return Whole(s) || s == fixity.Misplaced || s == fixity.Behind
}

// Whole says that a copy in this state is as it should be, in its place.
func Whole(s fixity.State) bool { return s == fixity.Intact || s == fixity.Editing }

// ReadInTurn says that a copy in this state is read when a store's promise to read wants
// it. What is damaged is read in each audit; of what is gone or elsewhere a listing tells.
func ReadInTurn(s fixity.State) bool {
	return s == fixity.Intact || s == fixity.Behind || s == fixity.Editing
}

// Waits says that a copy in this state waits for what its store promised to have by then.
func Waits(s fixity.State) bool { return s == fixity.Awaited || s == fixity.Behind }

// Quiet says that a person settled just what the copy is, or that the finding about its
// disc as a whole tells it: no finding of its own, and not a copy.
func (c Copy) Quiet() bool {
	is := c.Condition()
	return c.SettledAs == is || c.ToldAs == is
}

// IsOf says that a copy was shown to hold a version, whatever became of it since, and is a
// copy of its own in a store that keeps its set.
func (r Rules) IsOf(c Copy, version int64) bool {
	return version > 0 && c.Held == version && c.SameAs == "" && r.Keeps(c.Store, c.Set)
}

// Counts says that a copy is one of a version of its file, of full quality. A reading or
// the service's report showed it to hold that.
func (r Rules) Counts(c Copy, version int64) bool {
	return r.IsOf(c, version) && HoldsVersion(c.State) && !c.Lesser
}
