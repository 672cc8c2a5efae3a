package calendar_test

import (
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/letters/calendar"
)

// RFC 5545, 3.1: no line is longer than 75 octets, and no character is cut.
func TestFolded(t *testing.T) {
	for _, s := range []string{"", "short", strings.Repeat("x", 75), strings.Repeat("x", 76), strings.Repeat("ö", 200), strings.Repeat("x", 74) + "…"} {
		got := calendar.Folded(s)
		if !strings.HasSuffix(got, "\r\n") || strings.ReplaceAll(strings.TrimSuffix(got, "\r\n"), "\r\n ", "") != s {
			t.Errorf("%q folded is %q", s, got)
		}
		for _, line := range strings.Split(strings.TrimSuffix(got, "\r\n"), "\r\n") {
			if len(line) > 75 || !strings.Contains(line, strings.ToValidUTF8(line, "")) || strings.ToValidUTF8(line, "") != line {
				t.Errorf("%q has the line %q", s, line)
			}
		}
	}
}
