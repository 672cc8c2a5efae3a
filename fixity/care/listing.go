package care

import (
	"time"

	"firmus/fixity"
)

// Shown is that a listing shows a file at the copy's place, and with which size and
// times. A change of them is a reason to read, never a finding.
type Shown struct {
	Size, ModTime, InodeAt int64
	// Basis is what a service that keeps it goes by where it reports nothing; "" of other stores.
	Basis fixity.Basis
	// Many says that the inodes of more than InodesAtOnce files have changed: who changed
	// the owner of all files did not write to them. They are read sooner, not all at once.
	Many bool
}

// InodesAtOnce is how many copies of which nothing but the inode has changed are read in
// the audit that notices it: as many as become altered before that is a mass change.
const InodesAtOnce = IncidentLeast

// News says whether a listing that shows what is known says anything new of it.
func (e Shown) News(k fixity.Known) bool {
	return e.tells(k) || e.InodeAlone(k) || e.Basis != k.Basis
}

func (e Shown) tells(k fixity.Known) bool {
	return e.otherSign(k) || k.State == fixity.Missing || k.State == fixity.Misplaced || k.State == fixity.Awaited
}

// InodeAlone says that nothing but the inode has changed: the bytes may have been replaced,
// and size and time be put back.
func (e Shown) InodeAlone(k fixity.Known) bool { return !e.tells(k) && e.otherInode(k) }

func (e Shown) otherSign(k fixity.Known) bool { return e.Size != k.Size || e.ModTime != k.ModTime }

func (e Shown) otherInode(k fixity.Known) bool {
	return e.InodeAt != 0 && k.InodeAt != 0 && e.InodeAt != k.InodeAt
}

func (e Shown) after(c Copy, g Given) (Copy, Effects) {
	k := fixity.Known{State: c.State, Size: c.Size, ModTime: c.ModTime, InodeAt: c.InodeAt}
	if e.otherSign(k) || e.otherInode(k) {
		// What a service reported was of other bytes, for all that is known. It reports
		// nothing of these, or this would be a ServiceReport.
		c = c.unreported()
	} else if c.Reported.OK && c.Read.At.IsZero() {
		// The service goes on without the checksum that was all there was to know of it. What it
		// said is of then, and holds no longer than the bytes stay the same: that is to be read.
		c = c.dueBy(Now)
	}
	c.Basis = e.Basis
	switch {
	case c.State == fixity.Missing || c.State == fixity.Misplaced:
		c = c.dueBy(AtOnce) // it came back: what is told of it ends with its reading
	case e.tells(k), e.InodeAlone(k) && !e.Many:
		c = c.dueBy(Now)
	case e.InodeAlone(k):
		within := g.Store.ReadWithin
		if within <= 0 {
			within = inodesWithin
		}
		c = c.dueBy(FirstReading(c.File, g.Now, within/10))
	}
	return c, Effects{}
}

// unreported is a copy of which no service reports anything.
func (c Copy) unreported() Copy {
	c.Reported.At, c.Reported.OK, c.Basis = time.Time{}, false, ""
	return c
}

// inodesWithin stands for a promise to read where none was made.
const inodesWithin = 300 * 24 * time.Hour

// Touched is that a program which watches a store, or the service that keeps it, tells of
// something done at the copy's place, or to a folder above it.
type Touched struct {
	Ahead bool // it is to be read ahead of all that is merely due
}

func (e Touched) after(c Copy, g Given) (Copy, Effects) {
	switch {
	case !c.Seen():
	case e.Ahead && c.State != fixity.Missing && c.State != fixity.Misplaced: // of those a listing must tell
		c = c.dueBy(AtOnce)
	default:
		c = c.dueBy(Now)
	}
	return c, Effects{}
}

// PutOff is that a copy could not be read now, for another reason than its medium's. It
// goes behind all that is due: else one that is never given out would keep the others
// from their turn. Where all that is due is read anyway, what comes ahead stays there.
type PutOff struct{}

func (PutOff) after(c Copy, g Given) (Copy, Effects) {
	if (rank(c.Due) > 0 || g.Store.ReadADay > 0) && rank(c.Due) < rank(g.Now) {
		c.Due = g.Now
	}
	return c, Effects{}
}

// NotShown is that a complete listing of a store that proved to be the right one does
// not show the copy, and neither did a second look. An incomplete listing, or a store
// that is away, is no evidence at all.
type NotShown struct{}

func (NotShown) after(c Copy, g Given) (Copy, Effects) {
	if !c.Seen() {
		return c, Effects{} // it was never there: it stays awaited
	}
	before := c.State
	c.State = fixity.Missing
	if c.DueAtOnce() {
		c.Due = Now // there is nothing to be read
	}
	return c, Effects{Judge: JudgeAnew, Facts: true, Others: before != fixity.Missing}
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

func (e Elsewhere) after(c Copy, g Given) (Copy, Effects) {
	c.State = fixity.Misplaced
	switch e.Proof {
	case ByBytes:
		c.Held = g.Current
	case ByReport:
		c.Held = g.Current
		if !c.Reported.OK {
			c.Reported = fixity.Evidence{Strength: fixity.Reported, At: g.Now, OK: true}
			if c.Read.At.IsZero() {
				c.Due = FirstReading(c.File, g.Now, g.Store.ReadWithin)
			}
		}
	}
	return c, Effects{Judge: JudgeAnew, Facts: true}
}

// Proved is that a misplaced copy was read where it lies, and holds the version.
type Proved struct{}

func (Proved) after(c Copy, g Given) (Copy, Effects) {
	if c.State == fixity.Misplaced {
		c.Held, c.Wrong = g.Current, fixity.Digest{}
	}
	return c, Effects{Judge: JudgeAnew, Facts: true}
}

// Refuted is that what was taken for a misplaced copy holds other bytes, or is gone.
type Refuted struct{}

func (Refuted) after(c Copy, g Given) (Copy, Effects) {
	if c.State == fixity.Misplaced {
		c.State = fixity.Missing
		if c.DueAtOnce() {
			c.Due = Now
		}
	}
	return c, Effects{Judge: JudgeAnew, Facts: true}
}

// PlaceChanged is that a copy's own place is another path than was known: the name is
// spelled or filed in another way there, or a rename that was accepted has been
// carried out.
type PlaceChanged struct {
	At            string
	Size, ModTime int64
	Read          bool           // every byte there was read
	Version       int64          // that was read there; 0: another thing
	Report        *ServiceReport // what the service reports of it; nil if none does
	Spelled       bool           // it differs in spelling alone
}

func (e PlaceChanged) after(c Copy, g Given) (Copy, Effects) {
	same := e.Spelled && e.Size == c.Size && e.ModTime == c.ModTime
	c.At = e.At
	switch {
	case e.Read:
		c.Size, c.ModTime, c.InodeAt, c.Due = e.Size, e.ModTime, 0, Now
		if e.Version > 0 {
			c = c.holding(e.Version, g)
		}
	case e.Report != nil:
		c, _ = e.Report.after(c, g)
		c.Size, c.ModTime, c.InodeAt = e.Size, e.ModTime, 0
	case !same || c.State == fixity.Missing || c.State == fixity.Misplaced:
		// A volume or service that spells a name in its own way has not touched the bytes.
		c = c.unreported()
		c.Size, c.ModTime, c.InodeAt, c.Due = e.Size, e.ModTime, 0, Now
	}
	return c, Effects{Judge: JudgeAnew, Facts: true}
}

// holding is a copy at whose place a version's bytes were read.
func (c Copy) holding(version int64, g Given) Copy {
	c.State, c.Held, c.Wrong, c.Sole = fixity.Intact, version, fixity.Digest{}, false
	if version != g.Current {
		c.State = fixity.Behind
	}
	return c
}

// ServiceReport is what a service reports of what lies at the copy's place. It shows what was
// exchanged, not what has rotted: one that agrees never ends what a reading opened.
type ServiceReport struct {
	Version                int64 // that has the reported digest and size; 0: none has
	Size, ModTime, InodeAt int64
	Basis                  fixity.Basis // that says something
}

func (e ServiceReport) after(c Copy, g Given) (Copy, Effects) {
	before := c
	c.Basis = e.Basis
	if e.Version == 0 {
		if c.Reported.OK || c.Reported.At.IsZero() {
			c.Reported = fixity.Evidence{Strength: fixity.Reported, At: g.Now}
		}
		if c.State != fixity.Altered && c.State != fixity.Disputed {
			c = c.dueBy(Now) // who was told of it by a log of changes wants it read ahead of others
		}
		return c, Effects{}
	}
	if !c.Reported.OK || c.Held != e.Version {
		c.Reported = fixity.Evidence{Strength: fixity.Reported, At: g.Now, OK: true}
	}
	switch c.State {
	case fixity.Awaited, fixity.Missing, fixity.Misplaced, fixity.Behind, fixity.Intact:
		c.Held, c.Size, c.ModTime, c.InodeAt, c.State, c.Wrong = e.Version, e.Size, e.ModTime, e.InodeAt, fixity.Intact, fixity.Digest{}
		if e.Version != g.Current || !g.inPlace(c.At) {
			c.State = fixity.Behind
		}
	}
	if !before.Seen() || !before.Reported.OK && before.Read.At.IsZero() {
		c.Due = FirstReading(c.File, g.Now, g.Store.ReadWithin)
	}
	if c.State == before.State {
		return c, Effects{}
	}
	return c, Effects{Judge: JudgeAnew}
}

// TimePassed is that a conclusion is drawn from a listing. A copy that has been awaited or
// behind for longer than its store's promise is judged then; it stays what it is. A time in
// the future was dated by a clock that was wrong, and counts from now.
type TimePassed struct{}

func (TimePassed) after(c Copy, g Given) (Copy, Effects) {
	switch {
	case !Waits(c.State):
	case c.Since.After(g.Now):
		c.Since = g.Now
	case Waited(c.WaitsSince(g.Arrived, g.Now), g.Now, g.Store.ExpectWithin):
		return c, Effects{Judge: JudgeAnew, Facts: true}
	}
	return c, Effects{}
}

// WaitsSince is from when on a store's promise to have what is awaited, or behind, runs.
// arrived is as in Given; a clock that was wrong may have dated it into the future.
func (c Copy) WaitsSince(arrived, now time.Time) time.Time {
	if c.State == fixity.Awaited && arrived.After(c.Since) && !arrived.After(now) {
		return arrived
	}
	return c.Since
}

// Wanted is that another copy of the file was found not intact: this one is to be read
// at once, unless it was since a time. What a clock that was wrong dated into the
// future was not.
type Wanted struct{ Since time.Time }

func (e Wanted) after(c Copy, g Given) (Copy, Effects) {
	if c.Carrier == 0 && c.State != fixity.Missing && c.State != fixity.Misplaced && (c.Read.At.Before(e.Since) || c.Read.At.After(g.Now) || c.Read.Cache == fixity.Allowed) {
		c.Due = AtOnce
	}
	return c, Effects{}
}
