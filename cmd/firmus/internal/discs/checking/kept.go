package checking

import (
	"bytes"
	"compress/flate"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// Kept is a check as the ledger keeps it, so that its sheet can be shown and printed again.
// What isn't kept stays blank: where in its track a sector of sound lies, levels, and what
// was to be done then. fixity.ErrNotFound: the disc has no such check.
func (e Desk) Kept(ctx context.Context, d ledger.Disc, id int64) (c discs.Check, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if c.Row, err = t.Discs.Check(id); err != nil {
			return err
		}
		if c.Row.Disc != d.ID || d.ID == 0 {
			return fmt.Errorf("check %d is none of disc %s: %w", id, d.Name(), fixity.ErrNotFound)
		}
		c.Disc = d
		if c.Before, err = t.Discs.Checks(d.ID); err != nil {
			return err
		}
		c.Before = slices.DeleteFunc(c.Before, func(b ledger.DiscCheck) bool { return b.ID >= id })
		if c.Row.Control != 0 {
			k, err := t.Discs.Check(c.Row.Control)
			if err != nil {
				return err
			}
			by, err := t.Discs.Get(k.Disc)
			if err != nil {
				return err
			}
			c.Control = &discs.Read{Disc: by, Check: &k}
		}
		if err := found(&c); err != nil {
			return err
		}
		if err := e.keptFiles(t, &c); err != nil {
			return err
		}
		if err := decided(t, &c); err != nil {
			return err
		}
		return e.shows(t, &c)
	})
	return c, err
}

// found is what a check found out about the disc itself, from what is kept of it.
func found(c *discs.Check) error {
	res := resultOf(c.Row)
	c.About = optical.Contents{Kind: optical.Kind(c.Disc.Kind), Medium: res.Medium}
	r := &c.Report
	r.Verdict, r.Check.Speed = c.Row.Verdict, c.Row.Speed
	r.Structure, r.Free = res.Structure, res.Free
	for _, p := range res.Problems {
		r.Problems = append(r.Problems, errors.New(p))
	}
	var doubt []optical.Range
	if len(c.Row.Map) > 0 {
		m, err := optical.ReadMap(io.LimitReader(flate.NewReader(bytes.NewReader(c.Row.Map)), maxMap))
		if err != nil {
			return fmt.Errorf("the map of check %d of disc %s: %w", c.Row.ID, c.Disc.Name(), err)
		}
		r.Check.Map, c.About.LeadOut = m, m.Sectors()
		if c.Disc.Kind == ledger.DataDisc {
			c.About.Tracks = []optical.Track{{Number: 1, Data: true, Sectors: m.Sectors()}}
		}
		doubt, _ = m.Ranges(optical.Doubtful)
	}
	for _, x := range res.Unreadable {
		in := slices.ContainsFunc(doubt, func(d optical.Range) bool { return d.LBA <= x.LBA && x.LBA+x.Count <= d.LBA+d.Count })
		r.Unreadable, r.UnreadableAll = append(r.Unreadable, burned.Sectors{LBA: x.LBA, Count: x.Count, Doubtful: in}), r.UnreadableAll+x.Count
	}
	for _, x := range res.Differing {
		r.Differing, r.DifferingAll = append(r.Differing, burned.Sectors{LBA: x.LBA, Count: x.Count}), r.DifferingAll+x.Count
	}
	if max(len(r.Unreadable), len(r.Differing)) >= burned.MaxRuns {
		r.Problems = append(r.Problems, errors.New("there may be more places than these: a check keeps a part of the list"))
	}
	return nil
}

// keptFiles are those that were burned, each with what the check showed of it.
func (e Desk) keptFiles(t *ledger.Tx, c *discs.Check) error {
	on, err := t.Discs.FilesOn(c.Disc.ID)
	if err != nil {
		return err
	}
	bad := map[int64]fileResult{}
	for _, f := range resultOf(c.Row).Files {
		bad[f.File] = f
	}
	for _, x := range on {
		f, err := t.Files.Get(x.File)
		if err != nil {
			return err
		}
		h := discs.File{ID: x.File, Set: f.Set, Path: f.Path, Version: x.Version, Retired: !f.Retired.IsZero(), Held: burned.Held{Name: x.Name, LBA: -1}}
		if b, ok := bad[x.File]; ok {
			h.State, h.Ranges, h.More, h.Why, h.Holds = b.State, b.Ranges, b.More, b.Why, b.Holds
		} else if c.Row.Verdict.Proves() {
			h.State = fixity.Intact
		}
		c.Files = append(c.Files, h)
	}
	return nil
}
