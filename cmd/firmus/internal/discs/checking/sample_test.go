package checking_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Nothing is drawn twice before all were drawn once; a month's list stays what it is; what is
// bad brings its twin, then what was burned with it, and those stay out of the estimate.
func TestTheMonthsDiscs(t *testing.T) {
	s := newShelf(t)
	read := func(d ledger.Disc, v fixity.DiscVerdict) {
		t.Helper()
		s.clock = s.clock.Add(time.Minute)
		if err := s.env.Ledger.Tx(t.Context(), s.clock, func(t *ledger.Tx) error {
			_, err := t.Discs.RecordCheck(d, ledger.DiscCheck{Disc: d.ID, Began: s.clock, Ended: s.clock, By: "Ada Wren", Verdict: v, Result: "{}"}, nil, "", nil)
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	month := func() {
		s.clock = time.Date(s.clock.UTC().Year(), s.clock.UTC().Month()+1, 3, 9, 0, 0, 0, time.UTC)
	}
	draw := func(count int) checking.Sample {
		t.Helper()
		x, err := s.env.Draw(t.Context(), count)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	names := func(x checking.Sample, why checking.Why) (out []string) {
		for _, p := range x.Discs {
			if p.Why == why {
				out = append(out, p.Disc.Name())
			}
		}
		return out
	}
	if x := draw(0); x.All != 0 || len(x.Discs) != 0 {
		t.Errorf("of an empty shelf: %+v", x)
	}
	s.file("masters", "QV-0100/a.wav", 1)
	all := map[string]ledger.Disc{}
	for i := range 25 {
		d := s.add(registering.Order{Number: fmt.Sprintf("QD-00%02d", i), Kind: ledger.DataDisc, Blank: "Verbia", Burned: fmt.Sprintf("2019-%02d", 1+i%5), Files: []string{"masters/QV-0100"}})
		all[d.Name()] = d
	}
	for _, twin := range []string{"A", "B"} { // one side
		d := s.add(registering.Order{Number: "QD-0050", Twin: twin, Kind: ledger.DataDisc, Blank: "Verbia", Burned: "2019-01", Files: []string{"masters/QV-0100"}})
		all[d.Name()] = d
	}
	s.add(registering.Order{Number: "QD-0099", Kind: ledger.DataDisc, Control: true, Files: []string{"masters/QV-0100"}})

	if _, x, err := s.env.PullMonth(t.Context()); err != nil || len(x.Discs) != 0 {
		t.Errorf("to look draws nothing: %v, %v", names(x, checking.Drawn), err)
	}
	var drawn []string
	before := func(n string) bool { // it, or its twin
		return slices.ContainsFunc(drawn, func(o string) bool { return all[o].Number == all[n].Number })
	}
	for i, want := range []int{10, 10, 6} {
		x := draw(0)
		got := names(x, checking.Drawn)
		if i == 2 { // the rest of the round, and four of the next one
			if len(got) != 10 || x.Round != 2 {
				t.Fatalf("round %d, %d discs", x.Round, len(got))
			}
			fresh := slices.DeleteFunc(slices.Clone(got), before)
			if len(fresh) != want {
				t.Errorf("%d of the last month weren't drawn before, want %d", len(fresh), want)
			}
			break
		}
		if len(got) != want || x.All != 27 || x.Sides != 26 || x.Count != 10 {
			t.Fatalf("%d drawn of %d discs, %d sides", len(got), x.All, x.Sides)
		}
		if again := names(draw(0), checking.Drawn); !slices.Equal(got, again) {
			t.Errorf("asked again: %q, then %q", got, again)
		}
		for _, n := range got {
			if before(n) || n == "QD-0099" {
				t.Errorf("%s was drawn", n)
			}
		}
		drawn = append(drawn, got...)
		month()
	}

	// A whole shelf: all of it is drawn, and read.
	month()
	x := draw(26)
	got := names(x, checking.Drawn)
	if len(got) < 26 {
		t.Fatalf("all sides are asked for, %d are drawn", len(got))
	}
	bad := all["QD-0050 A"]
	twin := all["QD-0050 B"]
	if slices.Contains(got, twin.Name()) {
		bad, twin = twin, bad
	}
	read(bad, fixity.DiscUnreadable)
	x = draw(26)
	if got := names(x, checking.Twin); !slices.Equal(got, []string{twin.Name()}) {
		t.Errorf("the twin of a bad disc: %q", got)
	}
	if got := names(x, checking.Batch); len(got) != 0 {
		t.Errorf("before its twin was read: %q", got)
	}
	read(twin, fixity.DiscIntact)
	x = draw(26)
	batch := names(x, checking.Batch)
	for _, n := range batch {
		if all[n].Burned != "2019-01" {
			t.Errorf("%s was burned %s", n, all[n].Burned)
		}
	}
	// Those of the batch that are drawn anyway stand on the list as that.
	if n := len(batch) + len(slices.DeleteFunc(names(x, checking.Drawn), func(n string) bool { return all[n].Burned != "2019-01" })); n < 5 {
		t.Errorf("%d of the batch are on the list", n)
	}
	if x.Bad > 1 || x.Read > 1 || x.Read > 0 && (x.Low < 1 || x.High > x.Sides) {
		t.Errorf("%d bad of %d, %d to %d of %d: the twin that was not drawn doesn't count", x.Bad, x.Read, x.Low, x.High, x.Sides)
	}
}
