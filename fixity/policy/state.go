package policy

import (
	"time"

	"firmus/fixity"
)

// Reading is what must be known to say what a reading of one copy means.
type Reading struct {
	Outcome     fixity.Outcome
	Role        fixity.Role
	Arrivals    bool // the copy lies where the set's new files appear
	Editing     bool // an access file inside its editing window
	SignChanged bool // its size or time differ from those of the last reading
	EverIntact  bool // this store has been shown to hold a version of this file
	Vouched     bool // the version has an authority besides having come first
	Lost        bool // what was read lost something that the version has: see Lost
}

// IsSave says that a reading of other bytes shows a save inside the editing window:
// somebody works on the file, where it is worked on, and its size or time says so.
func (r Reading) IsSave() bool {
	return r.Outcome == fixity.ReadDiffers && r.Role == fixity.Access && r.Arrivals && r.Editing && r.SignChanged
}

// StateAfter is the state that a reading gives, and whether the bytes read become
// a version by themselves (a save inside the editing window that lost nothing).
func StateAfter(r Reading) (s fixity.State, saved bool) {
	switch r.Outcome {
	case fixity.ReadIntact:
		return fixity.Intact, false
	case fixity.ReadEarlier:
		return fixity.Behind, false
	case fixity.ReadUnsteady:
		return fixity.Unsteady, false
	case fixity.ReadUnreadable:
		return fixity.Unreadable, false
	}
	switch {
	case r.IsSave() && !r.Lost:
		return fixity.Editing, true
	case !r.EverIntact && !r.Vouched:
		// First contact: nothing says which of the two is right.
		return fixity.Disputed, false
	}
	return fixity.Altered, false
}

// InWindow says that an access file whose last change was seen at changed is
// inside its editing window at now. A change in the future (the clock was wrong)
// counts as now.
func InWindow(set Set, finished bool, changed, now time.Time) bool {
	return set.Role == fixity.Access && !finished && now.Sub(changed) < set.Editing
}
