package main

import (
	"context"
	"fmt"
	"slices"

	"firmus/cmd/firmus/internal/demo"
	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// register reads the survey's own log and shows what follows from it.
func (d *demonstration) register(ctx context.Context) error {
	c, a := d.c, d.app
	r, err := a.Register().Read(ctx)
	if err != nil {
		return err
	}
	c.step("The survey's own register, a spreadsheet, is read and held against the files. Firmus\n   never writes to it")
	d.must(r.Failed == nil, "the register can't be read: %v", r.Failed)
	c.tell("%s: %s match files, %s to be transferred.\n", fixity.Count(r.Reading.Rows, "row"), fixity.Number(r.Reading.Matched), fixity.Counted(r.Reading.Waiting, "row", "waits", "wait"))
	length := false
	for _, p := range r.Problems {
		length = length || p.Kind == "length" && p.Item == demo.Mistyped
		at := ""
		if p.Row > 0 { // a file that no row is about has none
			at = fmt.Sprintf("row %d, %s: ", p.Row, report.Show(p.Column))
		}
		c.tell("  %s%s\n", at, report.RegisterRow(p.Tells))
	}
	d.must(length, "a length that was mistyped wasn't noticed")
	s, err := statements.MakeReels(ctx, a.Ledger, a.Config.Name, a.Acts.Rules, reels.Filter{}, a.Acts.Now())
	if err != nil {
		return err
	}
	has := func(item string, next reels.Next) bool {
		return slices.ContainsFunc(s.Rows, func(x statements.ReelsRow) bool { return x.Item == item && x.Next == next })
	}
	d.must(has(demo.Waiting, reels.Transfer), "%s isn't to be transferred", demo.Waiting)
	d.must(len(s.Rows) > 0 && s.Rows[0].Item == demo.Once && s.Rows[0].Register.CannotRepeat, "%s, which can't be transferred again, doesn't come first", demo.Once)
	c.tell("First in every list, and read first: %s, which the register says can't be transferred\nagain. All reels: firmus report reels\n", demo.Once)
	return a.Ledger.View(ctx, func(t *ledger.Tx) error {
		v, err := t.Register.Version(0)
		d.must(err == nil && v.N == 1, "the register has version %d, %v", v.N, err)
		return nil
	})
}
