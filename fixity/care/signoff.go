package care

import (
	"firmus/fixity"
)

// Meant says what a person means by signing off a change, a closed set.
type Meant string

// What a sign-off may mean.
const (
	MeantPlain       Meant = ""               // the change is right
	MeantMaster      Meant = "master"         // the same, of a master
	MeantLost        Meant = "lost-otherwise" // nothing better can be had
	MeantNewTransfer Meant = "new-transfer"   // a better transfer, made on purpose
	MeantDescription Meant = "description"    // the description was changed; the sound is the same
	MeantEdited      Meant = "edited"         // an access file was edited on purpose, though it looks like damage
	MeantKeep        Meant = "keep-current"   // of a dispute: the present version is the right one
)

// Another is another copy of a file whose change is to be signed off.
type Another struct {
	State  fixity.State
	Holds  bool // it was shown to hold the version, in full quality
	Disc   bool // what was burned on it is the version, in full quality or not
	Looked bool // it was looked at since the change was found
}

// Asked is what must be known of a sign-off of a change: a file whose bytes are of no
// known version.
type Asked struct {
	Meant    Meant
	Kind     fixity.State // Altered or Disputed
	Role     fixity.Role
	Arrivals bool // it lies where new files appear
	// Decided says that a version has authority beyond having come first: a person, a list
	// or a second store stands behind it.
	Decided   bool
	Version   bool // there is a version
	Mergeable bool // the damaged copies together hold every block of the version
	// Unfinished says that the version isn't a whole recording: a whole one that begins
	// with the same blocks is what it waits for, and no damage.
	Unfinished bool
	// Damaged says that a changed access file looks like damage and not like an edit: the
	// copies that are intact would be out of date by it.
	Damaged bool
	Others  []Another
	// Same says that another file under care has the version's bytes, and is intact.
	Same bool

	// OfOther says that another file under care has the bytes that lie there, or had them.
	OfOther bool
	// Double says that this other file has, or had, the bytes of this one's version, too: the
	// two were the same before.
	Double bool
	// Exchanged says that the other file's copy in the same store has the bytes of this one.
	Exchanged bool

	// What was read of the change itself.
	Loss      Loss // against the version; where there is none, what is lacking in it
	Whole     bool // a sound file that is whole by its headers
	Blocks    int  // 64 KiB blocks of it
	Shared    int  // of them the version has the same at the same place
	SameSound bool // its samples are the version's, decoded
}

// Objection says why a change can't be signed off as it was asked, a closed set.
type Objection string

// Objections, in the order in which they are looked for.
const (
	NoObjection   Objection = ""
	NotHere       Objection = "not-here"       // a change is accepted where new files appear
	NoDispute     Objection = "no-dispute"     // there is no dispute in which a version could be kept
	SoundDiffers  Objection = "sound-differs"  // or its samples can't be told
	BytesOfOther  Objection = "bytes-of-other" // they are those of another file under care
	NotWhole      Objection = "not-whole"      // a new transfer must be whole by its headers
	TooAlike      Objection = "too-alike"      // it shares half its blocks with a whole version, or more: damage, not a transfer
	NeedsAWord    Objection = "needs-a-word"   // a master is frozen, and so is a decided version elsewhere: what is meant must be said
	StillHeld     Objection = "held"           // copies hold the version
	HeldByDiscs   Objection = "on-disc"        // discs hold it
	HeldAsOther   Objection = "other-file"     // another file under care has its bytes, and is intact
	CanBeMerged   Objection = "mergeable"      // the damaged copies together hold every block
	NotLookedAt   Objection = "not-looked-at"  // copies could not be looked at since
	NotReadWell   Objection = "not-read-well"  // another drive or cable may read them
	LostSomething Objection = "lost"           // the change lost something that the version has
	LooksDamaged  Objection = "damaged"        // that it was edited must be said
)

// Objected is an objection with the copies that it is about, by their place in Others.
type Objected struct {
	Why    Objection
	Copies []int
}

// MaySignOff says whether a change may become the version. Rot must not become the
// truth by a signature: while anything better is known to be had, a person's word for
// a master isn't enough. The two acts that are no loss are told by the bytes.
//
// --lost-otherwise overrules what the program can't know (a copy that can't be looked
// at or read well, a file that isn't whole), and never what it knows to be better.
func MaySignOff(a Asked) Objected {
	switch {
	case a.Meant == MeantKeep && a.Kind != fixity.Disputed:
		return Objected{Why: NoDispute}
	case a.Meant == MeantKeep:
		return Objected{}
	case a.Kind == fixity.Altered && !a.Arrivals:
		return Objected{Why: NotHere}
	case a.Meant == MeantDescription && !a.SameSound:
		return Objected{Why: SoundDiffers}
	case a.another():
		return Objected{Why: BytesOfOther}
	case a.Meant == MeantNewTransfer && !a.Whole:
		return Objected{Why: NotWhole}
	case a.Meant == MeantNewTransfer && !a.Unfinished && 2*a.Shared >= a.Blocks:
		return Objected{Why: TooAlike}
	case a.Meant == MeantDescription || a.Meant == MeantNewTransfer:
		return Objected{}
	}
	// A choice between versions of which neither has authority is what a dispute waits for.
	choice := a.Kind == fixity.Disputed && !a.Decided
	bound := !choice && (a.Role == fixity.Master || a.Kind == fixity.Disputed)
	if bound && (a.Meant == MeantPlain || a.Meant == MeantEdited) {
		return Objected{Why: NeedsAWord, Copies: a.which(func(x Another) bool { return x.Holds })}
	}
	if bound || a.Meant == MeantLost || len(a.Loss.Lacks) > 0 {
		if o := a.better(); o.Why != NoObjection {
			return o
		}
	}
	if a.Meant == MeantLost {
		return Objected{}
	}
	if bound {
		if o := a.unknown(); o.Why != NoObjection {
			return o
		}
	}
	if len(a.Loss.Lacks) > 0 {
		return Objected{Why: LostSomething, Copies: a.which(func(x Another) bool { return x.State == fixity.Disputed })}
	}
	if a.Damaged && !bound && a.Kind == fixity.Altered && a.Meant != MeantEdited {
		return Objected{Why: LooksDamaged, Copies: a.which(func(x Another) bool { return x.Holds })}
	}
	return Objected{}
}

// another says that the change makes another recording of the file: no word is for that. What
// was the same as the other file before may be so again. A description was shown to be of the
// same sound. Access files may be exchanged on purpose: nothing is lost by it.
func (a Asked) another() bool {
	return a.OfOther && !a.Double && a.Meant != MeantDescription && !(a.Exchanged && a.Role == fixity.Access)
}

// Unread is the question before the change was read: what the bytes may still say for
// it is taken as said, and what it lost is named before that it looks like damage.
func (a Asked) Unread() Asked {
	a.Whole, a.SameSound, a.Blocks, a.Shared, a.Loss, a.Damaged = true, true, 1, 0, Loss{}, false
	return a
}

// better says what is known to be better than the change.
func (a Asked) better() Objected {
	if !a.Version {
		return Objected{}
	}
	if at := a.which(func(x Another) bool { return x.Holds }); len(at) > 0 {
		return Objected{StillHeld, at}
	}
	if at := a.which(func(x Another) bool { return x.Disc }); len(at) > 0 {
		return Objected{HeldByDiscs, at}
	}
	if a.Same {
		return Objected{Why: HeldAsOther}
	}
	if a.Mergeable {
		return Objected{CanBeMerged, a.which(func(x Another) bool { return x.State == fixity.Altered })}
	}
	return Objected{}
}

// unknown says what may be better, as long as nobody has looked.
func (a Asked) unknown() Objected {
	if at := a.which(func(x Another) bool { return !x.Looked }); len(at) > 0 {
		return Objected{NotLookedAt, at}
	}
	if at := a.which(func(x Another) bool { return x.State == fixity.Unreadable || x.State == fixity.Unsteady }); len(at) > 0 {
		return Objected{NotReadWell, at}
	}
	return Objected{}
}

func (a Asked) which(is func(Another) bool) []int {
	var out []int
	for i, x := range a.Others {
		if is(x) {
			out = append(out, i)
		}
	}
	return out
}
