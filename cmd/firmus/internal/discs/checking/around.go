package checking

import (
	"cmp"
	"errors"
	"slices"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/expr"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// around gathers what else is to be said of a disc that was checked: its twins, which
// discs to read next, the control disc, findings.
func (e Desk) around(t *ledger.Tx, c *discs.Check) error {
	if c.Disc.Number == "" && len(c.Files) == 0 {
		return nil
	}
	all, err := t.Discs.All()
	if err != nil {
		return err
	}
	mine, err := t.Discs.FilesOn(c.Disc.ID)
	if err != nil {
		return err
	}
	last := map[int64]*ledger.DiscCheck{}
	for _, d := range all {
		switch k, err := t.Discs.LastCheck(d.ID); {
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
		fs, err := t.Discs.FilesOn(d.ID)
		if err != nil {
			return err
		}
		if !discs.Same(mine, fs) {
			continue
		}
		c.Twins = append(c.Twins, discs.Read{Disc: d, Check: last[d.ID]})
		// The twins' tables of contents say that sectors lie alike; without the same one
		// nothing can be said.
		if k := last[d.ID]; c.Together == "" && k != nil && damaged(c.Row) && damaged(*k) && k.TOC == c.Row.TOC && apart(resultOf(c.Row), resultOf(*k)) {
			c.Together = d.Name()
		}
	}
	c.Next = next(*c, all, last)
	if c.Report.Verdict == fixity.DiscChanged && c.Row.Changed && c.Decision == nil {
		for _, d := range all {
			k := last[d.ID]
			if k != nil && d.ID != c.Disc.ID && k.Verdict == fixity.DiscChanged && k.Changed && k.Levelled && (care.DiscClass{Gain: c.Row.Gain, Within: care.SameGain}).Covers(k.Gain) {
				c.Class = append(c.Class, d)
			}
		}
	}
	if c.Row.Control != 0 {
		k, err := t.Discs.Check(c.Row.Control)
		if err != nil {
			return err
		}
		d, err := t.Discs.Get(k.Disc)
		if err != nil {
			return err
		}
		c.Control = &discs.Read{Disc: d, Check: &k}
	}
	if c.Disc.ID != 0 {
		if c.Findings, err = t.Findings.OnDisc(c.Disc.ID); err != nil {
			return err
		}
	}
	return e.shows(t, c)
}

// damaged says that a check found sectors that are bad.
func damaged(c ledger.DiscCheck) bool {
	return c.Verdict == fixity.DiscAltered || c.Verdict == fixity.DiscUnreadable
}

// apart says that no sector is bad on both of two discs of the same contents, so that
// each has what the other lacks.
func apart(a, b result) bool {
	x := slices.Concat(a.Unreadable, a.Differing)
	y := slices.Concat(b.Unreadable, b.Differing)
	if len(x) == 0 || len(y) == 0 {
		return false
	}
	for _, list := range [][]optical.Range{a.Unreadable, a.Differing, b.Unreadable, b.Differing} {
		if len(list) >= burned.MaxRuns {
			return false // there may be more than those
		}
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
var month = expr.Once(`^[0-9]{4}-[0-9]{2}`)

// sameBatch says that two discs were burned on blanks of one brand in one month.
func sameBatch(a, b ledger.Disc) bool {
	x, y := a.Burned, b.Burned
	if m := month().FindString(x); m != "" {
		x, y = m, month().FindString(y)
	}
	return a.Blank != "" && a.Blank == b.Blank && x != "" && x == y
}

// next are those to read after a bad one: its twins first, then what was burned on
// blanks of the same brand in the same month, those not read for the longest first.
// *Common practice.*
func next(c discs.Check, all []ledger.Disc, last map[int64]*ledger.DiscCheck) []discs.Next {
	if c.Disc.ID == 0 || c.Good() || c.Report.Verdict == fixity.DiscOther || c.Unfinished() {
		return nil
	}
	var out []discs.Next
	var batch []ledger.Disc
	for _, d := range all {
		switch {
		case d.ID == c.Disc.ID:
		case d.Number == c.Disc.Number && d.Part == c.Disc.Part:
			out = append(out, discs.Next{Disc: d, Why: "its twin", Twin: true})
		case c.Report.Verdict != fixity.DiscChanged && c.Report.Verdict != fixity.DiscReordered && sameBatch(d, c.Disc):
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
		out = append(out, discs.Next{Disc: d, Why: "the same brand of blank, burned in the same month"})
	}
	return out
}
