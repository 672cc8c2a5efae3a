package report_test

import (
	"testing"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Why the register can't be read is told by typed facts; what an earlier version kept as a
// sentence is told as it was.
func TestWhyTheRegisterCannotBeRead(t *testing.T) {
	t.Parallel()
	read := time.Date(2026, 3, 2, 1, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		fact fixity.Fact
		want string
	}{
		{fixity.Fact{Root: "register.xlsx", Code: "columns", Set: "Reels", Count: 1, Said: []string{"row 1 names the columns, but not \"Side\".", "Side"}, Version: 3, Date: read},
			`the register register.xlsx can't be read, sheet Reels, row 1, column Side: row 1 names the columns, but not "Side". What Firmus read 2 Mar stays in force`},
		{fixity.Fact{Root: "register.csv", Code: "damaged", Said: []string{"its checksum is wrong", ""}}, "the register register.csv can't be read: its checksum is wrong. None was read before"},
		{fixity.Fact{Root: "register.csv", Code: "damaged", Said: []string{"register.csv, row 7: its checksum is wrong."}}, "the register can't be read: register.csv, row 7: its checksum is wrong. None was read before"},
		{fixity.Fact{Root: "/q/register.csv", Code: "damaged", Said: []string{"its checksum is wrong"}}, "the register /q/register.csv can't be read: its checksum is wrong. None was read before"},
	} {
		c.fact.Is = fixity.RegisterFails
		f := ledger.Finding{Finding: fixity.Finding{Subject: fixity.OfRegister, Kind: fixity.NotRead, Facts: fixity.Facts{Seen: []fixity.Fact{c.fact}}}}
		if got := report.Told(f, func(at time.Time) string { return at.Format("2 Jan") }); got != c.want {
			t.Errorf("%s\nwant %s", got, c.want)
		}
	}
}
