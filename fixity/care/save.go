package care

import (
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/essence/sound"
)

// Change is what a file was and what it is now: a save of an access file inside its
// editing window, or a version and the one after it.
type Change struct {
	Was, Now Transfer
	// WasHeard and Heard say that somebody listened to the bytes. Where nobody did, only
	// the sizes are known.
	WasHeard, Heard bool
}

// Bounds of a recording that became shorter: an edit cuts a breath off, damage a side.
// Both must be passed. *A choice of this project.*
const (
	ShorterShare = 0.1 // of the recording before
	ShorterBy    = time.Minute
)

// Loss is what a change lost, the zero Loss if nothing is known to be lost.
type Loss struct {
	Lacks    []Lack        // what is lacking now and was not before
	Was, Now time.Duration // of a recording that became much shorter; 0 if it didn't
}

// None says that nothing is known to be lost.
func (l Loss) None() bool { return len(l.Lacks) == 0 && l.Was == 0 }

// Facts are what is lost, as findings tell it.
func (l Loss) Facts() []fixity.Fact {
	out := LackFacts(l.Lacks)
	if l.Was > 0 {
		out = append(out, fixity.Fact{Is: fixity.Shorter, For: l.Now, Was: l.Was})
	}
	return out
}

// Lost says what a change lost. A save that lost something is a finding and not a
// version; a version that lost something is never copied over the one before it
// without a look.
func Lost(c Change) Loss {
	if c.Now.Size == 0 && c.Was.Size > 0 {
		return Loss{Lacks: []Lack{{Flaw: FlawEmpty}}}
	}
	if !c.Heard {
		return Loss{}
	}
	var out Loss
	before := Unfinished(c.Was)
	for _, l := range lacksOf(c) {
		had := c.WasHeard && slices.ContainsFunc(before, func(b Lack) bool { return b.Flaw == l.Flaw && b.Code == l.Code })
		if !had {
			out.Lacks = append(out.Lacks, l)
		}
	}
	was, now := c.Was.Sound.Duration, c.Now.Sound.Duration
	if !c.WasHeard {
		was = time.Duration(float64(now) * float64(c.Was.Size) / float64(c.Now.Size))
	}
	if now > 0 && was-now > ShorterBy && float64(was-now) > ShorterShare*float64(was) {
		out.Was, out.Now = was, now
	}
	return out
}

// Stump says that bytes of no known version can be no version of the file: they are the
// version's beginning and no more, or with zeros behind it, as a copy or an upload that
// broke off leaves them; or they aren't whole and the version is. damaged are the stretches
// that differ.
func Stump(c Change, a fixity.Anatomy, damaged []fixity.Range) bool {
	switch a {
	case fixity.CutShort:
		if whole := c.Heard && c.Now.Sound.Format != sound.Opaque && len(Unfinished(c.Now)) == 0; !whole {
			return true
		}
		// It may be the version that has something hung on its end.
	case fixity.Zeroed:
		if len(damaged) == 1 && damaged[0].Offset > 0 && damaged[0].Offset+damaged[0].Length >= c.Was.Size {
			return true
		}
	}
	return c.WasHeard && len(Unfinished(c.Was)) == 0 && len(Lost(c).Lacks) > 0
}

// lacksOf are the lacks of what a file is now. Whatever its name says: bytes that held
// sound before should hold sound, and zeros alone are no file's contents.
func lacksOf(c Change) []Lack {
	out := Unfinished(c.Now)
	if len(out) > 0 || c.Now.Sound.Format != sound.Opaque {
		return out
	}
	switch {
	case slices.ContainsFunc(c.Now.Notes, func(n sound.Note) bool { return n.Code == sound.Blank }):
		return []Lack{{Flaw: FlawNoHeader, Code: sound.Blank}}
	case c.Was.Sound.Format != sound.Opaque:
		return []Lack{{Flaw: FlawNoHeader}}
	}
	return nil
}
