package register_test

import (
	"regexp"
	"testing"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/register"
)

var dates = regexp.MustCompile(`^[0-9X]{4}(-[0-9]{2}(-[0-9]{2})?)?[?~%]?(/[0-9X]{4}(-[0-9]{2}(-[0-9]{2})?)?)?$`)

// FuzzTexts: what somebody typed into a cell is a length, a day or a date, or it is none;
// a length is of this world, and a date is written as ISO 8601-2 has it.
func FuzzTexts(f *testing.F) {
	for _, s := range []string{"31:52", "1:03:07", "31'52\"", "ca. 1958", "1958-06-05", "5.6.1958", "1950s?", "12 June 1958", "31 min", "0.0221", "-5", "QV-0107", "1/2", "½ h"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c := register.Cell{Kind: register.TextCell, Text: s}
		l, trouble := register.ReadLength(c)
		for _, r := range l.Readings {
			if trouble != register.Understood || r.Length < 0 || r.Tolerance < 0 || r.Length.Hours() > 1e6 {
				t.Errorf("%q is as long as %s within %s (%v)", s, r.Length, r.Tolerance, trouble)
			}
		}
		if day, ok := register.Day(c); ok && (day.Year() < 1 || day.Year() > 9999) {
			t.Errorf("%q is %s", s, day)
		}
		if d := register.EDTF(s); d != "" && !dates.MatchString(d) {
			t.Errorf("%q is %q", s, d)
		}
	})
}

// FuzzStored: a row as it is kept is read back, or refused.
func FuzzStored(f *testing.F) {
	f.Add(row(7, "item", "QV-0107", "Shelf", "3").Stored())
	f.Add(`{"sheet":"Reels","hidden":true,"cells":{"item":{"column":"A","text":"QV"}},"rest":[{"Column":"AZ","Text":"=1"}]}`)
	f.Fuzz(func(t *testing.T, s string) {
		r, err := register.FromStored(s, 7)
		if err != nil {
			return
		}
		again, err := register.FromStored(r.Stored(), 7)
		if err != nil || again.Stored() != r.Stored() {
			t.Errorf("%q comes back as %q: %v", r.Stored(), again.Stored(), err)
		}
		if !utf8.ValidString(r.Tabbed()) {
			t.Errorf("%q as it is pasted", r.Tabbed())
		}
	})
}
