package care

import (
	"time"

	"firmus/fixity"
)

// A new file that lies in one store only is read once when it is taken in, and its version is
// what that reading gave. Over a loose cable, or with bad memory, that is garbage, and nothing
// shows it yet. So the version is held for no more than that until something else stands
// behind it (Sole): the copy is read again soon; two later readings that agree outvote the
// first (Reading); and another store's copy is in no dispute with it before (Judge).

// secondAfter is how long after its only reading a copy is due again: what is taken in on one
// day is read again in the night, and not in the same minute over the same cable.
// *A choice of this project.*
const secondAfter = 6 * time.Hour

// secondWithin is how long another store's other bytes wait for the second reading of the one
// that the version was made of. Its store may be away for longer; then the two are in dispute,
// and no later reading outvotes the first.
// *A choice of this project.*
const secondWithin = 7 * 24 * time.Hour

// Sole says that a file's version is what one reading of one of its copies gave, and that
// nothing else stands behind it: no list of checksums, no person (vouched), no other store.
func Sole(r Rules, version int64, vouched bool, copies []Copy) bool {
	c := Case{Version: version, Vouched: vouched}
	for _, x := range copies {
		c.Holdings = append(c.Holdings, Holding{Copy: x})
	}
	return c.sole(r)
}

func (c Case) sole(r Rules) bool {
	for _, h := range c.Holdings {
		if h.Sole {
			return !c.vouched(r)
		}
	}
	return false
}

// Outvoted is that two readings of what may be a misplaced copy agree on other bytes than the
// only one that the file's version was made of. They are the file's version from now on, unless
// the file was written to since: see Effects.Outvoted.
type Outvoted struct {
	Size, ModTime int64
	At            time.Time
}

func (e Outvoted) after(c Copy, g Given) (Copy, Effects) {
	if c.State != fixity.Misplaced || !g.Sole || !c.outvotable(e.Size, e.ModTime, 0, e.At) {
		return c, Effects{}
	}
	c.Held, c.Wrong, c.Sole = g.Newest+1, fixity.Digest{}, false
	return c, Effects{Judge: JudgeAnew, Facts: true, Outvoted: true}
}
