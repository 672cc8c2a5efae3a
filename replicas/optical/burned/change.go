package burned

import "firmus/fixity"

// Change is what became of the level of a disc's sound on the way to it.
type Change struct {
	GainDB   float64 // how much louder the disc is
	SpreadDB float64 // between its softest and loudest places
	Inverted bool    // it has the sound upside down
	// Levelled says that every sector of every file that is changed is the file's, but for
	// one level and dither, and that none lacks. OneLevel: it is the same for all of them.
	Levelled, OneLevel bool
}

// Change says what became of the level of a disc that is changed; levels no further apart
// than within, in dB, are one. false: the disc isn't changed, or its gain isn't known.
func (r Result) Change(within float64) (c Change, known bool) {
	if r.Sound == nil || r.Verdict != fixity.DiscChanged {
		return c, false
	}
	low, high := 0.0, 0.0
	c.Levelled = r.UnreadableAll == 0 && r.DifferingAll == 0
	for _, f := range r.Files {
		l := f.Likeness
		if f.Cause != CauseChanged {
			c.Levelled = c.Levelled && f.State == fixity.Intact && !f.Weaker
			continue
		}
		c.Levelled = c.Levelled && l.Even && l.Lacking == 0
		if l.Alike > 0 && !known {
			known, low, high = true, l.LowDB, l.HighDB
			c.GainDB, c.SpreadDB, c.Inverted = l.GainDB, l.SpreadDB, l.Inverted
		}
		low, high = min(low, l.LowDB), max(high, l.HighDB)
	}
	c.OneLevel = high-low <= within
	return c, known
}
