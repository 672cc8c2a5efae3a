package checking

import (
	"context"
	"encoding/json"
	"fmt"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// concluded records a check and gathers what a person should know of it.
func (e Desk) concluded(ctx context.Context, src *sources, c discs.Check) (discs.Check, error) {
	r := &c.Report
	if r.Verdict == fixity.DiscNotCompared {
		c.Bring = src.Bring
		for _, f := range c.Files {
			if f.State == "" && f.Store == "" && len(src.Bring) == 0 && c.Disc.Kind == ledger.AudioDisc {
				r.Problems = append(r.Problems, fmt.Errorf("no store is known to hold version %d of %s/%s in a form that it can be compared with", f.Version, f.Set, ledger.DisplayPath(f.Path)))
			}
		}
	}
	var baseline []byte
	var err error
	if r.Baseline != nil && c.Disc.ID != 0 && len(c.Disc.Baseline) == 0 && (len(c.Files) == 0 || asItIs(r.Verdict)) {
		if baseline, err = r.Baseline.MarshalBinary(); err != nil {
			return c, err
		}
	}
	rec := &c.Row
	if rec.Map, err = packed(r.Check.Map); err != nil {
		return c, err
	}
	k := c.Counts()
	rec.Ended, rec.Verdict = e.Now(), r.Verdict
	rec.Sectors, rec.AtOnce, rec.Retried, rec.Doubtful, rec.Unreadable = k.Sectors, k.AtOnce, k.Retried, k.Doubtful, k.Unreadable
	if gain, one, levelled := c.Level(); levelled {
		rec.Levelled, rec.Changed, rec.Gain = true, one, gain
	}
	if len(c.Proved) > 0 {
		rec.Proved = discs.Names(c.Proved)
	} else if c.Disc.Number != "" && r.Verdict.Proves() {
		rec.Proved = c.Disc.Number
	}
	err = e.Ledger.Tx(ctx, rec.Ended, func(t *ledger.Tx) error {
		if err := e.NoteShelf(t); err != nil {
			return err
		}
		if c.Disc.ID != 0 {
			if c.Before, err = t.Discs.Checks(c.Disc.ID); err != nil {
				return err
			}
		}
		if rec.Two, err = t.Discs.TwoPeople(c.Disc.ID); err != nil {
			return err
		}
		if err := decided(t, &c); err != nil {
			return err
		}
		res, held, err := e.heldFiles(t, &c)
		if err != nil {
			return err
		}
		text, err := json.Marshal(res)
		if err != nil {
			return err
		}
		rec.Result = string(text)
		own, detail := ownState(c)
		if *rec, err = t.Discs.RecordCheck(c.Disc, *rec, held, own, detail); err != nil {
			return err
		}
		if len(baseline) > 0 {
			if err := t.Discs.KeepBaseline(c.Disc.ID, baseline); err != nil {
				return err
			}
		}
		return e.around(t, &c)
	})
	return c, err
}

// asItIs says that later readings of a disc are held against its own first one, too: it
// is the recording, and its samples aren't the file's.
func asItIs(v fixity.DiscVerdict) bool { return v == fixity.DiscChanged || v == fixity.DiscAlike }

// decided finds the decision that covers what was changed on the way.
func decided(t *ledger.Tx, c *discs.Check) error {
	all, err := t.Discs.Decisions()
	for _, d := range all {
		if d.Covers(c.Row) {
			c.Decision = &d
			return err
		}
	}
	return err
}
