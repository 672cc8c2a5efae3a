package acts

import (
	"cmp"
	"errors"
	"regexp"
	"slices"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// around gathers what else is to be said of a disc that was checked: its twins, which
// discs to read next, the control disc, findings.
func (e *Env) around(t *ledger.Tx, c *CheckedDisc) error {
	if c.Disc.Number == "" {
		return nil
	}
	all, err := t.Discs()
	if err != nil {
		return err
	}
	mine, err := t.DiscFiles(c.Disc.ID)
	if err != nil {
		return err
	}
	last := map[int64]*ledger.DiscCheck{}
	for _, d := range all {
		switch k, err := t.LastDiscCheck(d.ID); {
		case err == nil:
			last[d.ID] = &k
		case !errors.Is(err, fixity.ErrNotFound):
			return err
		}
	}
	for _, d := range all {
		if d.ID == c.Disc.ID || d.Number != c.Disc.Number || d.Kind != c.Disc.Kind || c.Disc.ID == 0 {
			continue
		}
		fs, err := t.DiscFiles(d.ID)
		if err != nil {
			return err
		}
		if !slices.EqualFunc(mine, fs, func(a, b ledger.DiscFile) bool { return a.File == b.File && a.Version == b.Version }) {
			continue
		}
		c.Twins = append(c.Twins, CheckedTwin{d, last[d.ID]})
		// The twins' tables of contents say that sectors lie alike; without the same one
		// nothing can be said.
		if k := last[d.ID]; c.Together == "" && k != nil && damagedDisc(c.Check) && damagedDisc(*k) && k.TOC == c.Check.TOC && apart(resultOf(c.Check), resultOf(*k)) {
			c.Together = d.Name()
		}
	}
	c.Next = nextDiscs(*c, all, last)
	if c.Check.Verdict == fixity.DiscChanged && c.Check.Changed && c.Decision == nil {
		for _, d := range all {
			k := last[d.ID]
			if k != nil && d.ID != c.Disc.ID && k.Verdict == fixity.DiscChanged && k.Changed && k.Levelled && (policy.DiscClass{Gain: c.Check.Gain, Within: policy.SameGain}).Covers(k.Gain) {
				c.Class = append(c.Class, d)
			}
		}
	}
	if c.Check.Control != 0 {
		k, err := t.DiscCheck(c.Check.Control)
		if err != nil {
			return err
		}
		d, err := t.Disc(k.Disc)
		if err != nil {
			return err
		}
		c.Control = &ControlRead{d, k}
	}
	if c.Disc.ID != 0 {
		c.Findings, err = t.FindingsOnDisc(c.Disc.ID)
	}
	return err
}

// damagedDisc says that a check found sectors that are bad.
func damagedDisc(c ledger.DiscCheck) bool {
	return c.Verdict == fixity.DiscAltered || c.Verdict == fixity.DiscUnreadable
}

// apart says that no sector is bad on both of two discs of the same contents, so that
// each has what the other lacks.
func apart(a, b checkResult) bool {
	x := slices.Concat(a.Unreadable, a.Differing)
	y := slices.Concat(b.Unreadable, b.Differing)
	if len(x) == 0 || len(y) == 0 {
		return false
	}
	for _, p := range x {
		for _, q := range y {
			if p.LBA < q.LBA+q.Count && q.LBA < p.LBA+p.Count {
				return false
			}
		}
	}
	return true
}

// month is the beginning of a date as it is typed most often.
var month = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}`)

// sameBatch says that two discs were burned on blanks of one brand in one month.
func sameBatch(a, b ledger.Disc) bool {
	x, y := a.Burned, b.Burned
	if m := month.FindString(x); m != "" {
		x, y = m, month.FindString(y)
	}
	return a.Blank != "" && a.Blank == b.Blank && x != "" && x == y
}

// isTwin is why a twin is read next.
const isTwin = "its twin"

// nextDiscs are those to read after a bad one: its twins first, then what was burned on
// blanks of the same brand in the same month, those not read for the longest first.
// *Common practice.*
func nextDiscs(c CheckedDisc, all []ledger.Disc, last map[int64]*ledger.DiscCheck) []NextDisc {
	if c.Disc.ID == 0 || c.Good() || c.Check.Verdict == fixity.DiscOther || c.Unfinished() {
		return nil
	}
	var out []NextDisc
	var batch []ledger.Disc
	for _, d := range all {
		switch {
		case d.ID == c.Disc.ID:
		case d.Number == c.Disc.Number && d.Part == c.Disc.Part:
			out = append(out, NextDisc{d, isTwin})
		case c.Check.Verdict != fixity.DiscChanged && c.Check.Verdict != fixity.DiscReordered && sameBatch(d, c.Disc):
			batch = append(batch, d)
		}
	}
	read := func(d ledger.Disc) int64 {
		if k := last[d.ID]; k != nil {
			return k.Ended.UnixNano()
		}
		return 0
	}
	slices.SortStableFunc(batch, func(a, b ledger.Disc) int { return cmp.Compare(read(a), read(b)) })
	for _, d := range batch {
		out = append(out, NextDisc{d, "the same brand of blank, burned in the same month"})
	}
	return out
}
