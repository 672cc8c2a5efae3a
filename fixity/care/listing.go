package care

import (
	"time"

	"firmus/fixity"
)

// Shown is that a listing shows a file at the copy's place.
type Shown struct {
	Changed bool // its size or time aren't those of the last reading
}

func (e Shown) after(c Copy, r Rules) (Copy, Effects) {
	if e.Changed || c.State == fixity.Missing || c.State == fixity.Misplaced || c.State == fixity.Awaited {
		c = c.sooner()
	}
	return c, Effects{}
}

// NotShown is that a complete listing of a store that proved to be the right one does
// not show the copy, and neither did a second look. An incomplete listing, or a store
// that is away, is no evidence at all.
type NotShown struct{}

func (NotShown) after(c Copy, r Rules) (Copy, Effects) {
	if !c.Seen() {
		return c, Effects{} // it was never there: it stays awaited
	}
	before := c.State
	c.State = fixity.Missing
	return c, Effects{Judge: Judge, Facts: true, Others: before != fixity.Missing}
}

// Proof is how it is known that what lies elsewhere is the copy.
type Proof int

// Proofs, the weakest first.
const (
	BySign   Proof = iota // by size, time and name; the next reading proves or refutes it
	ByReport              // the service reports the version's digest
	ByBytes               // every byte of it was read
)

// Elsewhere is that a complete listing doesn't show the copy at its place, and that
// its bytes were found at another one.
type Elsewhere struct{ Proof Proof }

func (e Elsewhere) after(c Copy, r Rules) (Copy, Effects) {
	c.State = fixity.Misplaced
	switch e.Proof {
	case ByBytes:
		c.Held = r.Current
	case ByReport:
		c.Held = r.Current
		if !c.Reported.OK {
			c.Reported = fixity.Evidence{Strength: fixity.Reported, At: r.Now, OK: true}
			if c.Read.At.IsZero() {
				c.Due = FirstReading(c.File, r.Now, r.Store.ReadWithin)
			}
		}
	}
	return c, Effects{Judge: Judge, Facts: true}
}

// Proved is that a misplaced copy was read where it lies, and holds the version.
type Proved struct{}

func (Proved) after(c Copy, r Rules) (Copy, Effects) {
	if c.State == fixity.Misplaced {
		c.Held, c.Wrong = r.Current, fixity.Digest{}
	}
	return c, Effects{Judge: Judge, Facts: true}
}

// Refuted is that what was taken for a misplaced copy holds other bytes, or is gone.
type Refuted struct{}

func (Refuted) after(c Copy, r Rules) (Copy, Effects) {
	if c.State == fixity.Misplaced {
		c.State = fixity.Missing
	}
	return c, Effects{Judge: Judge, Facts: true}
}

// Place is that a copy's own place is another path than was known: the name is
// spelled or filed in another way there, or a rename that was accepted has been
// carried out.
type Place struct {
	At            string
	Size, ModTime int64
	Read          bool    // every byte there was read
	Version       int64   // that was read there; 0: another thing
	Report        *Report // what the service reports of it; nil if none does
	Spelled       bool    // it differs in spelling alone
}

func (e Place) after(c Copy, r Rules) (Copy, Effects) {
	same := e.Spelled && e.Size == c.Size && e.ModTime == c.ModTime
	c.At = e.At
	switch {
	case e.Read:
		c.Size, c.ModTime, c.Due = e.Size, e.ModTime, Now
		if e.Version > 0 {
			c = c.holding(e.Version, r)
		}
	case e.Report != nil:
		c, _ = e.Report.after(c, r)
		c.Size, c.ModTime = e.Size, e.ModTime
	case !same || c.State == fixity.Missing || c.State == fixity.Misplaced:
		// A volume or service that spells a name in its own way has not touched the bytes.
		c.Size, c.ModTime, c.Due = e.Size, e.ModTime, Now
	}
	return c, Effects{Judge: Judge, Facts: true}
}

// holding is a copy at whose place a version's bytes were read.
func (c Copy) holding(version int64, r Rules) Copy {
	c.State, c.Held, c.Wrong = fixity.Intact, version, fixity.Digest{}
	if version != r.Current {
		c.State = fixity.Behind
	}
	return c
}

// Report is what a service reports of what lies at the copy's place. It shows what was
// exchanged, not what has rotted: one that agrees never ends what a reading opened.
type Report struct {
	Version       int64 // that has the reported digest and size; 0: none has
	Size, ModTime int64
}

func (e Report) after(c Copy, r Rules) (Copy, Effects) {
	before := c
	if e.Version == 0 {
		if c.Reported.OK || c.Reported.At.IsZero() {
			c.Reported = fixity.Evidence{Strength: fixity.Reported, At: r.Now}
		}
		if c.State != fixity.Altered && c.State != fixity.Disputed {
			c = c.sooner() // who was told of it by a log of changes wants it read ahead of others
		}
		return c, Effects{}
	}
	if !c.Reported.OK || c.Held != e.Version {
		c.Reported = fixity.Evidence{Strength: fixity.Reported, At: r.Now, OK: true}
	}
	switch c.State {
	case fixity.Awaited, fixity.Missing, fixity.Misplaced, fixity.Behind, fixity.Intact:
		c.Held, c.Size, c.ModTime, c.State, c.Wrong = e.Version, e.Size, e.ModTime, fixity.Intact, fixity.Digest{}
		if e.Version != r.Current || !r.inPlace(c.At) {
			c.State = fixity.Behind
		}
	}
	if !before.Seen() || !before.Reported.OK && before.Read.At.IsZero() {
		c.Due = FirstReading(c.File, r.Now, r.Store.ReadWithin)
	}
	if c.State == before.State {
		return c, Effects{}
	}
	return c, Effects{Judge: Judge}
}

// PromiseOver is that a copy has been awaited or behind for longer than its store's
// promise: findings are judged, the copy stays what it is. A time in the future was
// dated by a clock that was wrong, and counts from now.
type PromiseOver struct{}

func (PromiseOver) after(c Copy, r Rules) (Copy, Effects) {
	if c.Since.After(r.Now) {
		c.Since = r.Now
		return c, Effects{}
	}
	return c, Effects{Judge: Judge, Facts: true}
}

// Wanted is that another copy of the file was found not intact: this one is to be read
// at once, unless it was since a time. What a clock that was wrong dated into the
// future was not.
type Wanted struct{ Since time.Time }

func (e Wanted) after(c Copy, r Rules) (Copy, Effects) {
	if c.Carrier == 0 && (c.Read.At.Before(e.Since) || c.Read.At.After(r.Now) || c.Read.Cache == fixity.Allowed) {
		c.Due = AtOnce
	}
	return c, Effects{}
}
