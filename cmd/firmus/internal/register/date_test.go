package register_test

import (
	"testing"

	"firmus/cmd/firmus/internal/register"
)

// Forms of the right column are those of the EDTF specification of 2019, levels 0 and 1
// (from memory): 1984?, 1984~, 2004-06-11%, 201X, 20XX, 2001-21, 1964/2008.
func TestEDTF(t *testing.T) {
	for text, want := range map[string]string{
		"1956": "1956", "1956?": "1956?", "ca. 1956": "1956~", "c. 1963": "1963~", "c1963": "1963~", "ca. 1956?": "1956%", "circa 1956": "1956~", "[1956]": "1956", "[1956?]": "1956?",
		"195-": "195X", "195?": "195X", "1950s": "195X", "19--": "19XX",
		"1974-05": "1974-05", "1974-05-17": "1974-05-17", "17.05.1974": "1974-05-17", "17 May 1974": "1974-05-17", "May 17, 1974": "1974-05-17", "3 Sept 1961": "1961-09-03", "May 1974": "1974-05",
		"summer 1958": "1958-22", "winter 1961": "1961-24", "1956-58": "1956/1958", "1956–1958": "1956/1958",
		"n.d.": "", "": "", "?": "", "5/6/1958": "", "before the war": "", "1974-02-30": "", "31 Feb 1974": "", "1958-56": "", "17 Mai 1974": "", "ca. 1956-58": "", "Marching 1974": "", "1974-13": "",
	} {
		if got := register.EDTF(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	for text, want := range map[string]string{"2026-03-02": "2026-03-02", "2026-03-02T09:10:00": "2026-03-02", "2026-03-02 09:10": "2026-03-02", "2 March 2026": "2026-03-02", "02.03.2026": "2026-03-02", "2026": "", "3/2/2026": "", "yes": "", "ca. 2026-03-02": ""} {
		got := ""
		if d, ok := register.Day(register.Cell{Text: text}); ok {
			got = d.Format("2006-01-02")
		}
		if got != want {
			t.Errorf("the day %q: %q, want %q", text, got, want)
		}
	}
}
