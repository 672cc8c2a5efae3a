package care

import (
	"time"

	"firmus/fixity"
)

// Reading is one reading of every byte at the copy's place. One that found no known
// version was read twice past the cache, alike.
type Reading struct {
	Outcome       fixity.Outcome
	Version       int64         // that it holds, for ReadIntact and ReadEarlier
	Digest        fixity.Digest // BLAKE3 of what it holds, for ReadDiffers
	Size, ModTime int64         // of the file as it was read
	InodeAt       int64
	Cache         fixity.Cache
	At            time.Time
	// Lost says of a save that it lost something that the version has: it isn't whole, is
	// silent, or is much shorter.
	Lost bool
	// Stump says of bytes of no known version that they can be no version of the file: see
	// care.Stump.
	Stump bool
	// Again says of ReadEarlier that these are the bytes of a first reading that later ones
	// outvoted, and that nobody has decided since: see Effects.Outvoted. No cable gives the same
	// wrong bytes of two files, so somebody has a file that holds them.
	Again bool
}

// IsSave says that a reading of other bytes than the version's shows a save inside the
// editing window: somebody works on the file, where it is worked on, and its size or time
// says so. Who goes back to an earlier version saves as well, unless that takes the place of
// one that was signed off: it may be the last copy of it, and programs put old files back, too.
func (e Reading) IsSave(c Copy, g Given) bool {
	other := e.Outcome == fixity.ReadDiffers || e.Outcome == fixity.ReadEarlier && !g.Vouched
	return other && g.Role == fixity.Access && g.Store.Arrivals && g.Editing && (e.Size != c.Size || e.ModTime != c.ModTime)
}

func (e Reading) after(c Copy, g Given) (Copy, Effects) {
	before := c
	if e.Cache == fixity.Allowed && e.Outcome == fixity.ReadIntact && c.State.Damaged() && e.Size == c.Size && e.ModTime == c.ModTime {
		// The page cache may still hold what the drive has lost: only a reading of the
		// drive ends what a reading of the drive has shown.
		return c, Effects{}
	}
	saved, outvoted := e.IsSave(c, g) && !e.Lost, e.outvotes(c, g)
	c.Sole = c.Sole && !e.settlesSole(c)
	c.State, c.Wrong = e.state(before, g), fixity.Digest{}
	switch e.Outcome {
	case fixity.ReadIntact, fixity.ReadEarlier:
		switch c.State {
		case fixity.Disputed:
			c.Held, c.Wrong = 0, e.Digest
		case fixity.Unsteady: // what it holds is in doubt
		default:
			c.Held = e.Version
		}
	case fixity.ReadDiffers:
		c.Wrong = e.Digest
	}
	if e.Outcome != fixity.ReadUnreadable {
		c.Size, c.ModTime, c.InodeAt = e.Size, e.ModTime, e.InodeAt
	} else if c.Size < 0 {
		c.Size = e.Size
	}
	ok := e.Outcome == fixity.ReadIntact || e.Outcome == fixity.ReadEarlier && !e.Again
	if saved {
		c.State, c.Held, c.Wrong, ok = fixity.Editing, g.Newest+1, fixity.Digest{}, true
	}
	if outvoted {
		// Its readings disagree, which a cable, a port or memory does: the next one shows
		// whether they go on doing so.
		c.State, c.Held, c.Wrong, ok = fixity.Unsteady, g.Newest+1, fixity.Digest{}, false
	}
	// A read that the page cache may have answered is no evidence about the drive while
	// there is better; damage it shows is damage all the same.
	if e.Cache != fixity.Allowed || !ok || c.Read.At.IsZero() || c.Read.Cache == fixity.Allowed {
		c.Read = fixity.Evidence{Strength: fixity.Read, At: e.At, OK: ok, Cache: e.Cache}
		c.Due = NextDue(c, e.At, e.Cache, g.Store)
	}
	out := Effects{Judge: JudgeAnew, Facts: true, Saved: saved, Outvoted: outvoted}
	if before.State == c.State && c.State == fixity.Intact {
		out.Judge = IfOpen
	}
	if before.State == c.State && before.Wrong == c.Wrong && !c.Wrong.IsZero() {
		out.Facts = false
	}
	out.Others = c.State.Damaged() && before.State != c.State
	return c, out
}

// outvotes says that two readings that agree show other bytes than the one that the file's
// version was made of, though nothing shows that anybody has written to the file since: that
// reading was wrong, or these are. One wrong reading is not damage, and one reading alone is
// no version either.
func (e Reading) outvotes(c Copy, g Given) bool {
	return e.Outcome == fixity.ReadDiffers && g.Sole && c.outvotable(e.Size, e.ModTime, e.InodeAt, e.At)
}

// outvotable says that a copy's only reading would be outvoted by two others of a file of
// this sign. It isn't where that reading may have come from memory: then it is what was
// written, and the drive holds something else. Nor is it after long: drives lose bytes, too,
// and rot is never the truth.
func (c Copy) outvotable(size, modTime, inodeAt int64, at time.Time) bool {
	ofDrive := c.Read.Cache == fixity.Bypassed || c.Read.Cache == fixity.Dropped
	return c.Sole && ofDrive && at.Sub(c.Read.At) <= secondWithin && size == c.Size && modTime == c.ModTime && (inodeAt == c.InodeAt || inodeAt == 0 || c.InodeAt == 0)
}

// settlesSole says that a reading ends a copy's being the only one that was read once: it was
// read again, or its file was written to.
func (e Reading) settlesSole(c Copy) bool {
	switch e.Outcome {
	case fixity.ReadIntact:
		return e.Cache != fixity.Allowed // or the very bytes that were read first may have answered
	case fixity.ReadUnreadable:
		return false
	case fixity.ReadUnsteady:
		return !c.outvotable(e.Size, e.ModTime, e.InodeAt, e.At)
	}
	return true
}

// state is what the bytes that were read make of the copy, a save aside.
func (e Reading) state(c Copy, g Given) fixity.State {
	switch e.Outcome {
	case fixity.ReadIntact:
		switch {
		case !g.inPlace(c.At):
			return fixity.Behind // the right bytes under the name that was the right one once
		case c.State == fixity.Editing && g.Editing:
			return fixity.Editing
		}
		return fixity.Intact
	case fixity.ReadEarlier:
		switch {
		case !e.Again:
			return fixity.Behind
		case c.Held > e.Version && e.Size == c.Size && e.ModTime == c.ModTime && e.InodeAt == c.InodeAt:
			return fixity.Unsteady // nobody wrote to it: its readings go on disagreeing
		}
		return fixity.Disputed // the first reading was right, then, or this file came from one that it was made of
	case fixity.ReadUnsteady:
		return fixity.Unsteady
	case fixity.ReadUnreadable:
		return fixity.Unreadable
	}
	if c.Held == 0 && c.State != fixity.Altered && !e.Stump {
		// First contact: the store may have kept what others lost. Altered it is only if a
		// person has decided so, or if the bytes can be no version.
		return fixity.Disputed
	}
	return fixity.Altered
}

// OnDisc is what a check of a disc showed of one file that was burned on it.
type OnDisc struct {
	State    fixity.State // Intact, Altered, Unreadable, Unsteady or Missing
	Digest   fixity.Digest
	Size     int64 // of the version that was burned
	At       time.Time
	Cache    fixity.Cache
	Samples  bool // an audio disc: samples were compared, not the file
	Same     bool // it is in just the state that the check before showed
	Settled  bool // a person's decision covers it
	Told     bool // the finding about the disc as a whole tells it
	ReadNext time.Duration
	// Holds is another version than was to be burned, which is all there instead; 0: none.
	Holds int64
}

func (e OnDisc) after(c Copy, g Given) (Copy, Effects) {
	ok := e.State == fixity.Intact
	c.State, c.Wrong = e.State, e.Digest
	c.Read = fixity.Evidence{Strength: fixity.Read, At: e.At, OK: ok, Cache: e.Cache}
	if e.State != fixity.Missing && c.Size < 0 {
		c.Size = e.Size
	}
	switch {
	case e.Holds != 0:
		c.Held, c.Wrong = e.Holds, fixity.Digest{}
	case ok && !e.Samples:
		c.Held = c.Burned
	case c.Burned != 0 && c.Held != c.Burned:
		c.Held = 0 // what it held instead
	}
	store := g.Store
	store.ReadWithin = e.ReadNext
	c.Due = NextDue(c, e.At, e.Cache, store)
	switch {
	case e.Settled:
		c.SettledAs = c.Condition()
	case !e.Same:
		c.SettledAs = ""
	}
	if c.ToldAs = ""; e.Told {
		c.ToldAs = c.Condition()
	}
	return c, Effects{Judge: JudgeAnew, Facts: true}
}
