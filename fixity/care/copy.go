package care

import (
	"time"

	"firmus/fixity"
)

// Copy is one file in one store, or on one disc.
type Copy struct {
	Store, Set string
	Carrier    int64  // the disc; 0 for other kinds of store
	At         string // where it lies, or should lie if it was never seen
	File       int64
	Held       int64 // version last shown to be there; 0: none ever
	State      fixity.State
	Since      time.Time // when it came into this state
	Size       int64     // bytes, as at its last reading; -1: never seen there
	ModTime    int64     // nanoseconds since 1970 UTC, likewise
	InodeAt    int64     // when its inode had changed last, likewise; 0 if that isn't known
	Read       fixity.Evidence
	Reported   fixity.Evidence // the last report that said something
	Basis      fixity.Basis    // by what its service reports it now, by the newest listing; "" of what no service keeps
	Due        time.Time
	Wrong      fixity.Digest // BLAKE3 of what it holds, if of no known version
	SettledAs  string        // the condition that a person settled
	ToldAs     string        // the condition that the finding about its disc as a whole tells
	Sole       bool          // the file's version is what one reading of this copy gave

	// SameAs is the store whose copy is this very file under a second name; "" if it is
	// a copy of its own. Two names of one file are one copy, so this one counts for nothing.
	SameAs string

	// Of a disc, for whoever reads.
	Disc   string // as people call it
	Burned int64  // the version that was burned: it is held against that for ever
	Lesser bool   // an audio disc: it holds samples, not the file, so Held is 0
}

// Condition is what a person settles: a state together with the bytes seen.
func (c Copy) Condition() string { return string(c.State) + ":" + c.Wrong.Sum }

// ReportedNow says that what Reported says is what the service still says.
func (c Copy) ReportedNow() bool { return !c.Reported.At.IsZero() && c.Basis.Says() }

// ReportedBy is by what a service reports a copy that holds a version, as it is counted; "" of what no
// service keeps.
func (c Copy) ReportedBy() fixity.Basis {
	switch {
	case !HoldsVersion(c.State): // of what is damaged, gone or elsewhere its finding tells
		return ""
	case c.Basis != "" && c.Basis.Says() && !c.Reported.OK:
		return fixity.ByOther
	}
	return c.Basis
}

// Seen says that the copy was there once.
func (c Copy) Seen() bool { return c.Size >= 0 }

// Lies says that it was last seen at its place.
func (c Copy) Lies() bool {
	return c.Seen() && c.State != fixity.Missing && c.State != fixity.Misplaced
}

// Given is what After must know besides the copy and the evidence.
type Given struct {
	Now     time.Time
	Store   Store       // that the copy lies in
	Role    fixity.Role // of its set
	Current int64       // the file's version; 0 while none has authority
	Newest  int64       // the highest number of a version of the file; only a save needs it
	// Editing says that the file is an access file inside its editing window.
	Editing bool
	// Vouched says that a provided checksum or a person stands behind the file's version.
	Vouched bool
	// Sole says that the file's version is what one reading of one copy gave, and that nothing
	// else stands behind it: see Sole. Only other bytes need it.
	Sole bool
	// Arrived is, while the copy's store joins and is being filled, when a file last arrived
	// there; zero otherwise. The store's promise runs from then.
	Arrived time.Time
	// InPlace says that a path is where the file should lie in this store, however it is
	// spelled or filed there; nil takes every path for it.
	InPlace func(at string) bool
}

func (g Given) inPlace(at string) bool { return g.InPlace == nil || g.InPlace(at) }

// Judging says whether the findings about a file are to be judged anew.
type Judging int

// What evidence leaves to be judged.
const (
	NoJudging Judging = iota
	IfOpen            // only if a finding about the file is open anywhere
	JudgeAnew
)

// Effects are what follows from evidence besides the copy itself.
type Effects struct {
	Judge Judging
	// Facts says that what this evidence showed takes the place of what the finding told
	// so far. Else that stays: the same wrong bytes were read again.
	Facts bool
	// Others makes the file's other copies due at once.
	Others bool
	// Saved makes the bytes that were read the file's next version, number Newest+1.
	Saved bool
	// Outvoted makes them that, too: the two readings that gave them outvote the only one
	// that the file's version was made of.
	Outvoted bool
	// Refused says why the evidence changes nothing: an act that rests on what is no
	// longer so.
	Refused string
}

// Evidence is one thing that was seen or ordered. The set is closed: the types of
// this package.
type Evidence interface {
	after(c Copy, g Given) (Copy, Effects)
}

// After is what a copy is after a piece of evidence, and what follows from that. The
// copy keeps its place in the state since when it has been in it; what a person
// settled holds only while the copy is in just that condition.
func After(c Copy, e Evidence, g Given) (Copy, Effects) {
	after, effects := e.after(c, g)
	if after.State != c.State || after.Since.IsZero() {
		after.Since = g.Now
	}
	if after.SettledAs != after.Condition() {
		after.SettledAs = ""
	}
	if after.ToldAs != after.Condition() {
		after.ToldAs = ""
	}
	return after, effects
}
