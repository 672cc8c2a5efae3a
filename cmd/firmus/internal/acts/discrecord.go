package acts

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// concluded records a check and gathers what a person should know of it.
func (e *Env) concluded(ctx context.Context, o DiscCheckOrder, began time.Time, src *sources, c CheckedDisc) (CheckedDisc, error) {
	r := &c.Report
	c.Bring = nil
	if r.Verdict == fixity.DiscNotCompared {
		c.Bring = src.Bring
		for _, f := range c.Files {
			if f.State == "" && f.Store == "" && len(src.Bring) == 0 && c.Disc.Kind == ledger.AudioDisc {
				r.Problems = append(r.Problems, fmt.Sprintf("no store is known to hold version %d of %s/%s in a form that it can be compared with", f.Version, f.Set, ledger.DisplayPath(f.Path)))
			}
		}
	}
	ended := e.Now()
	err := e.Ledger.Tx(ctx, ended, func(t *ledger.Tx) error {
		if err := e.noteShelf(t); err != nil {
			return err
		}
		if c.Disc.ID != 0 {
			var err error
			if c.Before, err = t.DiscChecks(c.Disc.ID); err != nil {
				return err
			}
		}
		rec := ledger.DiscCheck{TOC: c.About.ID, Began: began, Ended: ended, By: e.By, Drive: c.About.Drive, Speed: r.Speed, Written: o.Written, Verdict: r.Verdict,
			Sectors: r.Sectors, AtOnce: r.AtOnce, Retried: r.Retried, Doubtful: r.Doubtful, Unreadable: r.Unreadable, Map: r.Map, Looked: o.Looked}
		if r.Sound != nil && r.Sound.Levelled {
			rec.Levelled, rec.Changed, rec.Gain = true, r.Sound.Changed && r.Sound.OneLevel, r.Sound.GainDB
		}
		if len(c.Proved) > 0 {
			rec.Proved = names(c.Proved)
		} else if c.Disc.Number != "" && provesDisc(r.Verdict) {
			rec.Proved = c.Disc.Number
		}
		if err := e.decided(t, rec, &c); err != nil {
			return err
		}
		res, held := e.heldFiles(t, &c, began, ended)
		text, err := json.Marshal(res)
		if err != nil {
			return err
		}
		rec.Result = string(text)
		own, detail := discOwn(c)
		if c.Check, err = t.RecordCheck(c.Disc, rec, held, own, detail); err != nil {
			return err
		}
		if c.Disc.ID != 0 && len(r.Baseline) > 0 && len(c.Disc.Baseline) == 0 && (len(c.Files) == 0 || asItIs(r.Verdict)) {
			if err := t.KeepBaseline(c.Disc.ID, r.Baseline); err != nil {
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

// provesDisc says that a verdict shows the disc to be the one that it was held against.
func provesDisc(v fixity.DiscVerdict) bool {
	switch v {
	case fixity.DiscIntact, fixity.DiscUnreadable, fixity.DiscAltered, fixity.DiscUnsteady, fixity.DiscReordered, fixity.DiscChanged, fixity.DiscAlike, fixity.DiscMissing:
		return true
	}
	return false
}

// decided finds the decision that covers what was changed on the way.
func (e *Env) decided(t *ledger.Tx, rec ledger.DiscCheck, c *CheckedDisc) error {
	all, err := t.DiscDecisions()
	for _, d := range all {
		if d.Covers(rec) {
			c.Decision = &d
			return err
		}
	}
	return err
}
