package care

import (
	"time"

	"firmus/fixity"
)

// TakenIn is that the file is taken under care and is expected in the copy's store.
// The zero fields are of a store where it was not found: it is awaited there.
type TakenIn struct {
	Found         bool
	Version       int64 // 0: the stores disagreed, and no version has authority
	Digest        fixity.Digest
	Size, ModTime int64
	InodeAt       int64
	At            time.Time
	Cache         fixity.Cache
	Sole          bool // the version is what this reading gave, and nothing else stands behind it
}

func (e TakenIn) after(c Copy, g Given) (Copy, Effects) {
	c.State, c.Size = fixity.Awaited, -1
	if !e.Found {
		return c, Effects{}
	}
	c.State, c.Held, c.Size, c.ModTime, c.InodeAt = fixity.Intact, e.Version, e.Size, e.ModTime, e.InodeAt
	c.Read = fixity.Evidence{Strength: fixity.Read, At: e.At, OK: true, Cache: e.Cache}
	out := Effects{}
	if e.Version == 0 {
		c.State, c.Read.OK, c.Wrong = fixity.Disputed, false, e.Digest
		out = Effects{Judge: JudgeAnew, Facts: true}
	}
	c.Due = NextDue(c, e.At, e.Cache, g.Store)
	if c.Sole = e.Sole && e.Version > 0; c.Sole {
		c = c.dueBy(e.At.Add(secondAfter))
	}
	return c, out
}

// Joined is that the copy's store, or its set there, was added after the file was taken in.
// First contact decides, as at intake.
type Joined struct{}

func (Joined) after(c Copy, g Given) (Copy, Effects) {
	if c.State == "" {
		return c.anew(c.At), Effects{}
	}
	return c, Effects{} // it is known there
}

// Accepted is that a person accepts the bytes that this copy was just read to hold as
// the file's version. The copy must still hold the bytes that the person saw.
type Accepted struct {
	Version       int64
	Digest        fixity.Digest
	Size, ModTime int64
	InodeAt       int64
	At            time.Time
	Cache         fixity.Cache
}

func (e Accepted) after(c Copy, g Given) (Copy, Effects) {
	if c.Wrong != e.Digest || c.Carrier != 0 {
		return c, Effects{Refused: "the file has changed again since it was read"}
	}
	c.State, c.Held, c.Wrong, c.Size, c.ModTime, c.InodeAt, c.Sole = fixity.Intact, e.Version, fixity.Digest{}, e.Size, e.ModTime, e.InodeAt, false
	c.Read = fixity.Evidence{Strength: fixity.Read, At: e.At, OK: true, Cache: e.Cache}
	c.Due = NextDue(c, e.At, e.Cache, g.Store)
	return c, Effects{Judge: JudgeAnew, Others: true}
}

// Versioned is that the file has a new version, which another copy showed.
type Versioned struct {
	Version int64
	Digest  fixity.Digest
	// Same says that the version which this copy holds has just these bytes: somebody went
	// back to it.
	Same bool
	// Outvoted says that nobody decided anything: see Effects.Outvoted.
	Outvoted bool
}

func (e Versioned) after(c Copy, g Given) (Copy, Effects) {
	if c.Carrier != 0 {
		return c, Effects{} // a disc holds what was burned on it, for ever
	}
	c.Sole = false
	switch {
	case !e.Digest.IsZero() && c.Wrong == e.Digest:
		c.State, c.Held, c.Wrong, c.Read.OK = fixity.Intact, e.Version, fixity.Digest{}, true
	case e.Same && (c.State == fixity.Intact || c.State == fixity.Editing || c.State == fixity.Behind && g.inPlace(c.At)):
		c.Held = e.Version
		if c.State == fixity.Behind {
			c.State = fixity.Intact
		}
	case c.State == fixity.Disputed && e.Outvoted:
		return c, Effects{}
	case c.State == fixity.Disputed:
		c.State = fixity.Altered // a person has decided: what it holds is known to be another thing
	case c.State == fixity.Intact || c.State == fixity.Editing:
		c.State = fixity.Behind
	default:
		return c, Effects{}
	}
	return c, Effects{Judge: JudgeAnew}
}

// Kept is that a person decides a dispute for the file's version: what this copy
// holds is known to be another thing.
type Kept struct{}

func (Kept) after(c Copy, g Given) (Copy, Effects) {
	if c.State != fixity.Disputed || c.Carrier != 0 {
		return c, Effects{}
	}
	c.State = fixity.Altered
	return c, Effects{Judge: JudgeAnew}
}

// PlaceAccepted is that a person accepts the place where this copy was found.
type PlaceAccepted struct {
	At            string
	Size, ModTime int64
	Read          bool
	Version       int64 // that was read there; 0: another thing
}

func (e PlaceAccepted) after(c Copy, g Given) (Copy, Effects) {
	if c.State != fixity.Misplaced {
		return c, Effects{Refused: "it isn't misplaced any more"}
	}
	c.At, c.Size, c.ModTime, c.InodeAt, c.Due = e.At, e.Size, e.ModTime, 0, AtOnce
	switch {
	case e.Read && e.Version > 0:
		c = c.holding(e.Version, g)
		// If its turn came while nothing lay in its place, it is read at once: its promise is over.
		if due := NextDue(c, c.Read.At, c.Read.Cache, g.Store); rank(due) > rank(g.Now) {
			c.Due = due
		}
	case !c.Wrong.IsZero():
		c.State = fixity.Altered // it was moved as it was
	case !e.Read && c.Held == g.Current && c.Held > 0:
		c.State = fixity.Intact
	default:
		c.State = fixity.Behind
	}
	return c, Effects{Judge: JudgeAnew}
}

// Renamed is that the file has another path from now on, and that this copy has not
// followed. Given.InPlace is of the new path.
type Renamed struct{ To string }

func (e Renamed) after(c Copy, g Given) (Copy, Effects) {
	switch {
	case !c.Seen() || c.Carrier != 0:
		c.At = e.To // never seen there: it is awaited at the new place; on a disc nothing moves
	case c.State == fixity.Intact && g.InPlace != nil && g.InPlace(c.At):
		// The new name is of another folder only, and this store files by fields.
	case c.State == fixity.Misplaced && !c.Wrong.IsZero():
		c.State = fixity.Altered // what lies elsewhere isn't the version
	case c.State == fixity.Intact || c.State == fixity.Misplaced:
		c.State = fixity.Behind
	}
	return c, Effects{Judge: JudgeAnew}
}

// Displaced is that another file's copy has this copy's place in the store: the file
// was renamed, and this store has not followed. It is awaited at its own path.
type Displaced struct{ To string }

func (e Displaced) after(c Copy, g Given) (Copy, Effects) {
	return c.anew(e.To), Effects{Judge: JudgeAnew}
}

// StoreReplaced is that new folders are the store from now on: all of it is awaited
// there, and counts only when it has been read.
type StoreReplaced struct{ To string }

func (e StoreReplaced) after(c Copy, g Given) (Copy, Effects) {
	return c.anew(e.To), Effects{Judge: JudgeAnew}
}

// anew is a copy of which nothing is known; the promise for it runs from now.
func (c Copy) anew(at string) Copy {
	return Copy{Store: c.Store, Set: c.Set, Carrier: c.Carrier, At: at, File: c.File, State: fixity.Awaited, Size: -1,
		Disc: c.Disc, Burned: c.Burned, Lesser: c.Lesser}
}

// PutBack is that the program put a whole copy's bytes, or the copy itself, at the copy's
// place on a person's order. They are due at once, and only a reading makes it intact.
type PutBack struct {
	At            string
	Size, ModTime int64
}

func (e PutBack) after(c Copy, r Given) (Copy, Effects) {
	c.At, c.Size, c.ModTime, c.InodeAt = e.At, e.Size, e.ModTime, 0
	return c.dueBy(AtOnce), Effects{}
}

// WindowOver is that the file's editing window is over.
type WindowOver struct{}

func (WindowOver) after(c Copy, g Given) (Copy, Effects) {
	if c.State != fixity.Editing {
		return c, Effects{}
	}
	c.State = fixity.Intact
	return c, Effects{Judge: JudgeAnew}
}

// Settled is that a person closes the finding about the copy: it stays what it is, and
// is quiet while its state and bytes stay the same.
type Settled struct{}

func (Settled) after(c Copy, g Given) (Copy, Effects) {
	c.SettledAs = c.Condition()
	return c, Effects{}
}
