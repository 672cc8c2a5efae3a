package repair_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/repair"
)

var day = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func in(store string, s fixity.State, change ...func(*care.Copy)) care.Copy {
	c := care.Copy{Store: store, Set: "masters", At: "QV-0107/a.wav", File: 7, Held: 2, State: s, Size: 1000, ModTime: 1,
		Read: fixity.Evidence{Strength: fixity.Read, At: day, OK: s == fixity.Intact}}
	for _, f := range change {
		f(&c)
	}
	return c
}

func readOn(t time.Time) func(*care.Copy) { return func(c *care.Copy) { c.Read.At = t } }
func reportedOnly(t time.Time) func(*care.Copy) {
	return func(c *care.Copy) {
		c.Read, c.Reported = fixity.Evidence{}, fixity.Evidence{Strength: fixity.Reported, At: t, OK: true}
	}
}
func holds(n int64) func(*care.Copy)   { return func(c *care.Copy) { c.Held = n } }
func other(c *care.Copy)               { c.File, c.At, c.Held = 8, "QV-0107/b.wav", 5 }
func lesser(c *care.Copy)              { c.Lesser = true }
func onDisc(c *care.Copy)              { c.Carrier = 3 }
func settled(c *care.Copy)             { c.SettledAs = c.Condition() }
func nameOf(s string) func(*care.Copy) { return func(c *care.Copy) { c.SameAs = s } }

var rules = care.Rules{Stores: []care.Store{
	{Name: "studio", Kind: "disk", Arrivals: true, Sets: []string{"masters"}},
	{Name: "vault", Kind: "disk", OwnDrive: true, Sets: []string{"masters"}},
	{Name: "attic", Kind: "disk", OwnDrive: true, Sets: []string{"masters"}},
	{Name: "mirror", Kind: "disk", Follows: "studio", Sets: []string{"masters"}},
	{Name: "copy", Kind: "disk", Follows: "mirror", Sets: []string{"masters"}},
	{Name: "cloud", Kind: "cloud", Sets: []string{"masters"}},
	{Name: "discs", Kind: "optical", Sets: []string{"masters"}},
}}

// The table of what is put right, how, and from where.
func TestFor(t *testing.T) {
	intact := fixity.Intact
	only := func(store string) func(string) bool { return func(s string) bool { return s == store } }
	for _, c := range []struct {
		name    string
		own     care.Copy
		others  []care.Copy
		change  func(*repair.Case)
		way     repair.Way
		refused repair.Refusal
		donors  string
		merge   int
		inStep  int
	}{
		{name: "altered", own: in("studio", fixity.Altered), others: []care.Copy{in("vault", intact)}, way: repair.Replace, donors: "vault", merge: 2, inStep: 3},
		{name: "unreadable", own: in("vault", fixity.Unreadable), others: []care.Copy{in("attic", intact)}, way: repair.Replace, donors: "attic", merge: 2},
		{name: "missing", own: in("vault", fixity.Missing), others: []care.Copy{in("attic", intact)}, way: repair.Add, donors: "attic"},
		{name: "awaited", own: in("vault", fixity.Awaited), others: []care.Copy{in("attic", intact)}, way: repair.Add, donors: "attic"},
		{name: "behind", own: in("vault", fixity.Behind, holds(1)), others: []care.Copy{in("attic", intact)}, way: repair.Replace, donors: "attic"},
		{name: "renamed elsewhere", own: in("vault", fixity.Behind), others: []care.Copy{in("attic", intact)}, way: repair.MoveBack},
		{name: "misplaced", own: in("vault", fixity.Misplaced), way: repair.MoveBack},
		{name: "intact", own: in("vault", intact), refused: repair.NotWrong},
		{name: "being edited", own: in("vault", fixity.Editing), refused: repair.NotWrong},
		{name: "disputed", own: in("vault", fixity.Disputed), others: []care.Copy{in("attic", intact)}, refused: repair.Disputed},
		{name: "unsteady", own: in("vault", fixity.Unsteady), others: []care.Copy{in("attic", intact)}, refused: repair.Unsteady},
		{name: "no version", own: in("vault", fixity.Altered), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Current = 0 }, refused: repair.NoVersion},
		{name: "in a cloud", own: in("cloud", fixity.Altered), others: []care.Copy{in("attic", intact)}, refused: repair.ReadOnly},
		{name: "in a cloud, to upload", own: in("cloud", fixity.Altered), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Upload = true }, way: repair.Upload, donors: "attic"},
		{name: "in a cloud, and no other is whole", own: in("cloud", fixity.Missing), change: func(c *repair.Case) { c.Upload = true }, refused: repair.NoDonor},
		{name: "elsewhere in a cloud", own: in("cloud", fixity.Misplaced), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Upload = true }, refused: repair.MovedThere},
		{name: "on a disc", own: in("discs", fixity.Altered, onDisc), others: []care.Copy{in("attic", intact)}, refused: repair.OnDisc},
		{name: "a second name", own: in("vault", fixity.Altered, nameOf("studio")), others: []care.Copy{in("attic", intact)}, refused: repair.SecondName},
		{name: "its drive fails", own: in("vault", fixity.Unreadable), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Failing = only("vault") }, refused: repair.FailingDrive},
		{name: "the donor's drive fails", own: in("vault", fixity.Altered), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Failing = only("attic") }, way: repair.Replace, donors: "attic", merge: 2},
		{name: "an incident on the donor's side", own: in("vault", fixity.Missing), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Incident = only("attic") }, refused: repair.OpenIncident},
		{name: "an incident there, and a person names it for all of a store", own: in("vault", fixity.Missing), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Incident, c.From = only("attic"), "attic" }, refused: repair.OpenIncident},
		{name: "an incident there, and a person names it for this file", own: in("vault", fixity.Missing), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.Incident, c.From, c.One = only("attic"), "attic", true }, way: repair.Add, donors: "attic"},
		{name: "none is whole", own: in("vault", fixity.Missing), others: []care.Copy{in("attic", fixity.Altered), in("studio", fixity.Missing)}, refused: repair.NoDonor},
		{name: "two are damaged", own: in("vault", fixity.Altered), others: []care.Copy{in("attic", fixity.Unreadable)}, way: repair.Replace, merge: 2},
		{name: "lesser, settled, earlier, on a disc, a second name", own: in("vault", fixity.Missing),
			others: []care.Copy{in("attic", intact, lesser), in("studio", intact, settled), in("cloud", intact, holds(1)), in("discs", intact, onDisc), in("mirror", intact, nameOf("vault"))}, refused: repair.NoDonor},
		{name: "read before reported, fresh before stale", own: in("vault", fixity.Missing),
			others: []care.Copy{in("cloud", intact, reportedOnly(day)), in("attic", intact, readOn(day.AddDate(0, -2, 0))), in("studio", intact, readOn(day.AddDate(0, -1, 0)))}, way: repair.Add, donors: "studio attic cloud", merge: 3},
		{name: "never one that follows", own: in("studio", fixity.Altered), others: []care.Copy{in("mirror", intact), in("copy", intact)}, refused: repair.DonorFollows},
		{name: "one that is followed", own: in("mirror", fixity.Altered), others: []care.Copy{in("studio", intact), in("copy", intact)}, way: repair.Replace, donors: "studio", merge: 2, inStep: 3},
		{name: "from a named one", own: in("vault", fixity.Altered), others: []care.Copy{in("attic", intact), in("studio", intact, readOn(day.AddDate(0, -1, 0)))}, change: func(c *repair.Case) { c.From = "studio" }, way: repair.Replace, donors: "studio"},
		{name: "from one that has none", own: in("vault", fixity.Altered), others: []care.Copy{in("attic", intact)}, change: func(c *repair.Case) { c.From = "studio" }, refused: repair.UnknownDonor},
		{name: "from one that isn't whole", own: in("vault", fixity.Altered), others: []care.Copy{in("attic", intact), in("studio", fixity.Altered)}, change: func(c *repair.Case) { c.From = "studio" }, refused: repair.DonorNotWhole},
		{name: "from one that follows", own: in("studio", fixity.Altered), others: []care.Copy{in("attic", intact), in("mirror", intact)}, change: func(c *repair.Case) { c.From = "mirror" }, refused: repair.DonorFollows},
		{name: "taken out of the configuration", own: in("vault", fixity.Missing), others: []care.Copy{in("shed", intact)}, refused: repair.NoDonor},
	} {
		x := repair.Case{Copy: c.own, Copies: append([]care.Copy{c.own}, c.others...), Current: 2, Rules: rules}
		if c.change != nil {
			c.change(&x)
		}
		p := repair.For(x)
		var donors []string
		for _, d := range p.Donors {
			donors = append(donors, d.Store)
		}
		want := []string(nil)
		if c.donors != "" {
			want = strings.Fields(c.donors)
		}
		if p.Way != c.way || p.Refused != c.refused || !slices.Equal(donors, want) || len(p.Merge) != c.merge || len(p.InStep) != c.inStep {
			t.Errorf("%s: %q %q from %q, %d to merge, %d in step; want %q %q from %q, %d, %d", c.name, p.Way, p.Refused, donors, len(p.Merge), len(p.InStep), c.way, c.refused, want, c.merge, c.inStep)
		}
	}
}

// The bytes of a misplaced copy are taken from where it lies, if that is known.
func TestAMisplacedDonor(t *testing.T) {
	own, other := in("vault", fixity.Missing), in("attic", fixity.Misplaced, readOn(day))
	c := repair.Case{Copy: own, Copies: []care.Copy{own, other}, Current: 2, Rules: rules}
	if p := repair.For(c); p.Refused == "" {
		t.Errorf("from a place that isn't known: %+v", p)
	}
	c.Found = map[string]string{"attic": "elsewhere/a.wav"}
	if p := repair.For(c); len(p.Donors) != 1 || p.Donors[0].At != "elsewhere/a.wav" {
		t.Errorf("%+v", p)
	}
}

// Copies of other files with the same bytes come after all of the file's own, and may lie in
// the very store that is put right; else they are held to the same rules.
func TestDonorsOfOtherFiles(t *testing.T) {
	intact := fixity.Intact
	for _, c := range []struct {
		name         string
		others, same []care.Copy
		change       func(*repair.Case)
		refused      repair.Refusal
		donors       string // STORE:FILE
	}{
		{name: "none of its own", same: []care.Copy{in("attic", intact, other)}, donors: "attic:8"},
		{name: "its own come first, however old", others: []care.Copy{in("attic", intact, readOn(day.AddDate(-1, 0, 0)))}, same: []care.Copy{in("attic", intact, other)}, donors: "attic:7 attic:8"},
		{name: "in the same store", same: []care.Copy{in("vault", intact, other)}, donors: "vault:8"},
		{name: "of them the best first", same: []care.Copy{in("cloud", intact, other, reportedOnly(day)), in("vault", intact, other)}, donors: "vault:8 cloud:8"},
		{name: "that is lesser, settled, on a disc, of a store that is gone", same: []care.Copy{in("attic", intact, other, lesser), in("attic", intact, other, settled), in("discs", intact, other, onDisc), in("shed", intact, other)}, refused: repair.DonorNotWhole},
		{name: "that is damaged", same: []care.Copy{in("attic", fixity.Altered, other)}, refused: repair.DonorNotWhole},
		{name: "in a named store", same: []care.Copy{in("attic", intact, other), in("vault", intact, other)}, change: func(c *repair.Case) { c.From = "vault" }, donors: "vault:8"},
		{name: "where an incident is open", same: []care.Copy{in("attic", intact, other)}, change: func(c *repair.Case) { c.Incident = func(s string) bool { return s == "attic" } }, refused: repair.OpenIncident},
	} {
		own := in("vault", fixity.Missing)
		x := repair.Case{Copy: own, Copies: append([]care.Copy{own}, c.others...), Same: c.same, Current: 2, Rules: rules}
		if c.change != nil {
			c.change(&x)
		}
		p := repair.For(x)
		var donors []string
		for _, d := range p.Donors {
			donors = append(donors, fmt.Sprintf("%s:%d", d.Store, d.File))
		}
		if p.Refused != c.refused || strings.Join(donors, " ") != c.donors {
			t.Errorf("%s: %q from %q, want %q from %q", c.name, p.Refused, donors, c.refused, c.donors)
		}
	}
	own := in("studio", fixity.Altered)
	if p := repair.For(repair.Case{Copy: own, Copies: []care.Copy{own}, Same: []care.Copy{in("mirror", intact, other)}, Current: 2, Rules: rules}); p.Refused != repair.DonorFollows {
		t.Errorf("from a store that follows: %+v", p)
	}
}
