package report

import (
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// ofRegister says in words what a finding about the register tells: one row's trouble whole,
// of several how many there are and the first.
func ofRegister(f ledger.Finding, when func(time.Time) string) string {
	if len(f.Facts.Seen) == 0 || !f.Facts.Tells(fixity.RowTells, fixity.RowSays) {
		return Told(f, when)
	}
	first := rowSays(f.Facts.Seen[0])
	if f.Count < 2 {
		return first
	}
	return fmt.Sprintf("%s. The first: %s", RowsWith(f.Kind, f.Count), first)
}

// rowKinds are the kinds of trouble in rows, as the rules of the register name them: a row
// has it, rows have it.
var rowKinds = map[fixity.Kind][2]string{
	"absent":   {"row tells of files that are not there", "rows tell of files that are not there"},
	"no-row":   {"reel has files and no row in the register", "reels have files and no row in the register"},
	"number":   {"row has a number that does not fit", "rows have numbers that do not fit"},
	"length":   {"row has a length that does not fit", "rows have lengths that do not fit"},
	"barcode":  {"row has a barcode that does not fit", "rows have barcodes that do not fit"},
	"folder":   {"row names another folder than that of the files", "rows name other folders than those of the files"},
	"double":   {"row is there twice", "rows are there twice"},
	"disc":     {"row disagrees with the list of discs", "rows disagree with the list of discs"},
	"date":     {"row has a date that does not fit", "rows have dates that do not fit"},
	"value":    {"row has a word that nobody has given a meaning", "rows have words that nobody has given a meaning"},
	"error":    {"cell shows an error instead of a value", "cells show errors instead of values"},
	"unsaved":  {"cell holds a formula without its result", "cells hold formulas without their results"},
	"letters":  {"cell holds a character that was lost", "cells hold characters that were lost"},
	"quotes":   {"row has a quotation mark that stands alone", "rows have quotation marks that stand alone"},
	"fields":   {"row has more fields than others", "rows have more fields than others"},
	"repeated": {"row repeats another", "rows repeat others"},
}

// RowsWith counts rows with one kind of trouble: "3 rows have lengths that do not fit".
func RowsWith(kind fixity.Kind, n int64) string {
	words, ok := rowKinds[kind]
	if !ok {
		words = [2]string{"place wants a look (" + string(kind) + ")", "places want a look (" + string(kind) + ")"}
	}
	if n == 1 {
		return "1 " + words[0]
	}
	return fixity.Number(n) + " " + words[1]
}

func rowSays(x fixity.Fact) string {
	var at []string
	if x.Set != "" {
		at = append(at, "sheet "+Show(x.Set))
	}
	if x.Count > 0 {
		at = append(at, fmt.Sprintf("row %d", x.Count))
	}
	if x.Code != "" {
		at = append(at, "column "+Show(x.Code))
	}
	text := said(x)
	if x.Is == fixity.RowTells {
		text = RegisterRow(x.Said)
	}
	text = strings.TrimSuffix(text, ".")
	if len(at) == 0 {
		return text
	}
	return strings.Join(at, ", ") + ": " + text
}

func (w teller) registerFails(x fixity.Fact) string {
	why := strings.TrimSuffix(said(x), ".")
	s := fmt.Sprintf("the register %s can't be read", Show(x.Root))
	switch {
	case len(x.Said) > 1:
		if x.Set != "" {
			s += ", sheet " + Show(x.Set)
		}
		if x.Count > 0 {
			s += fmt.Sprintf(", row %d", x.Count)
		}
		if x.Said[1] != "" {
			s += ", column " + Show(x.Said[1])
		}
		s += ": " + strings.TrimSuffix(x.Said[0], ".")
	case strings.Contains(why, x.Root): // of an earlier version, which kept it all as a sentence
		s = "the register can't be read: " + why
	default:
		s += ": " + why
	}
	if x.Version > 0 {
		return s + fmt.Sprintf(". What Firmus read %s stays in force", w.time(x.Date))
	}
	return s + ". None was read before"
}

func columns(names []string) string {
	shown := make([]string, len(names))
	for i, n := range names {
		shown[i] = `"` + strings.Trim(Show(n), `"`) + `"`
	}
	return fixity.OneOr(int64(len(names)), "column ", "columns ") + fixity.And(shown)
}

func columnTorn(x fixity.Fact) string {
	of := ""
	if x.Of > x.Count {
		of = fmt.Sprintf(" of %s", fixity.Number(x.Of))
	}
	s := fmt.Sprintf("in %s%s the values of %s stand in other rows than before (for instance row %d)", fixity.Count(x.Count, "row"), of, columns(x.Said), x.Before)
	if x.Code == fixity.AllOthers {
		s = fmt.Sprintf("in %s%s %s no longer stand beside the values that they stood beside before (for instance row %d)", fixity.Count(x.Count, "row"), of, columns(x.Said), x.Before)
	}
	return s + ". It looks as if they were sorted without the rest of their rows, or as if a cell was put in or taken out above them"
}

func columnFilled(x fixity.Fact) string {
	if len(x.Said) < 2 {
		return fixity.Means("fact", string(x.Is))
	}
	if x.Said[1] == "" {
		return fmt.Sprintf("rows %d to %d: %s was emptied, where other values stood before", x.Before, x.Of, columns(x.Said[:1]))
	}
	return fmt.Sprintf("rows %d to %d: %s holds %s in all %s, where other values stood before. It looks as if it was filled down by mistake", x.Before, x.Of, columns(x.Said[:1]), Show(cutTo(x.Said[1], 80)), fixity.Number(x.Count))
}

// cutTo is the beginning of a text that may be of any length.
func cutTo(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n]) + "…"
}

// registerSteps say what to do about a finding of the register.
func (m Matter) registerSteps(f ledger.Finding) []Step {
	leave := say("If it is right as it is, settle it and say why: ", settle(f))
	again := Order{Act: ReadRegister}
	switch f.Kind {
	case fixity.NotRead:
		return []Step{say("Open the register in its own program and see whether it is whole. Bring it back from yesterday's copy if it isn't."),
			say("Read it again: ", again, ". Until then, what was read last stays in force.")}
	case fixity.TornColumn, fixity.FilledDown:
		return []Step{say("Look at the changes before anybody types anything else into the register: the page Register shows each row as it was."),
			say("If it was a mistake, undo it in the register's own program, or copy the values back from the page. Then: ", again, "."), leave}
	}
	return []Step{say("Correct the rows in the register's own program. Firmus never writes to it."), say("Read it again: ", again, ". A finding ends once its rows are right."), leave}
}

// RegisterChanges says in a few words how a version of the register differs from the one
// before.
func RegisterChanges(v fixity.RegisterVersion) string {
	if v.N == 1 {
		return "read for the first time"
	}
	var out []string
	for _, x := range []struct {
		n    int64
		word string
	}{{v.Added, "added"}, {v.Deleted, "deleted"}, {v.Changed, "changed"}, {v.Moved, "moved"}} {
		if x.n > 0 {
			out = append(out, fixity.Number(x.n)+" "+x.word)
		}
	}
	if len(out) == 0 {
		return "no row differs; lines or columns do"
	}
	return strings.Join(out, ", ")
}

// RegisterShort says in a few words what a finding about the register tells.
func RegisterShort(f ledger.Finding) string {
	switch f.Kind {
	case fixity.NotRead:
		return "it can't be read"
	case fixity.TornColumn:
		return fmt.Sprintf("in %s values of a column stand in other rows than before", fixity.Count(f.Count, "row"))
	case fixity.FilledDown:
		return fmt.Sprintf("%s in a row took one value", fixity.Count(f.Count, "row"))
	}
	return RowsWith(f.Kind, f.Count)
}

// longestCondition is how much of a row's words of condition a letter has room for.
const longestCondition = 200

// RegisterRows says in which rows of the register a recording stands, and what the person who
// wrote them says of the carrier; clean makes a text fit to be shown.
func RegisterRows(says []fixity.RegisterSays, clean func(string) string) (out []string) {
	once := false
	for _, x := range says {
		s := fmt.Sprintf("register row %d", x.Line)
		if x.Sheet != "" {
			s += " of sheet " + clean(x.Sheet)
		}
		s += "."
		if x.Condition != "" {
			s += ` Condition there: "` + clean(cutTo(x.Condition, longestCondition)) + `".`
		}
		once = once || x.Unplayable
		out = append(out, s)
	}
	if once {
		out = append(out, "This transfer cannot be repeated.")
	}
	return out
}
