package ledger

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// CommitReports holds what a service reports of its files against their versions.
// Only what differs from what is known is written: for the rest, the time of the
// set's last complete listing is the time of the report.
//
// A report shows what was exchanged, not what has rotted: one that agrees never
// ends a finding that a reading opened, and one that doesn't makes the file due, so
// that a reading says what it is.
func (r Record) CommitReports(ctx context.Context, s fixity.Shard, reports []fixity.Report) error {
	type change struct {
		was, now Copy
	}
	var changes []change
	if err := r.l.View(ctx, func(t *Tx) error {
		for _, x := range reports {
			was, now, err := t.reported(s, x, r.now())
			if err != nil {
				return fmt.Errorf("%q in %s: %w", x.Path, s.Store, err)
			}
			if was != now {
				changes = append(changes, change{was, now})
			}
		}
		return nil
	}); err != nil || len(changes) == 0 {
		return err
	}
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		for _, c := range changes {
			now, err := t.CopyAt(c.was.Store, c.was.Set, c.was.At)
			if err != nil || now != c.was {
				if err == nil || errors.Is(err, fixity.ErrNotFound) {
					continue // it has changed meanwhile; the next listing tells
				}
				return err
			}
			if err := t.PutCopy(c.was, c.now); err != nil {
				return err
			}
			if c.was.State == c.now.State {
				continue
			}
			if err := t.Rejudge(c.now.File, s.Audit, r.by, "", nil); err != nil {
				return err
			}
		}
		return nil
	})
}

// reported is a copy before and after a report of it; equal if nothing is new.
func (t *Tx) reported(s fixity.Shard, x fixity.Report, now time.Time) (was, c Copy, err error) {
	was, err = t.CopyAt(s.Store, s.Set, x.Path)
	if errors.Is(err, fixity.ErrNotFound) {
		return Copy{}, Copy{}, nil // an act has dealt with it meanwhile
	}
	if err != nil {
		return Copy{}, Copy{}, err
	}
	f, err := t.File(was.File)
	if err != nil {
		return was, was, err
	}
	c, err = t.withReport(was, f, x, now)
	return was, c, err
}

// withReport is a copy of a file after a service's report of what lies there.
func (t *Tx) withReport(was Copy, f File, x fixity.Report, now time.Time) (Copy, error) {
	n, err := t.versionReported(f.ID, x)
	if err != nil {
		return was, err
	}
	rules := t.careRules(f, was.Store)
	rules.Now = now.UTC()
	c, _ := care.After(was, care.Report{Version: n, Size: x.Size, ModTime: x.ModTime}, rules)
	return c, nil
}

// versionReported is the version of a file that has the reported digest, the newest
// first; 0 if none has.
func (t *Tx) versionReported(file int64, x fixity.Report) (int64, error) {
	vs, err := t.Versions(file)
	if err != nil {
		return 0, err
	}
	for i := len(vs) - 1; i >= 0; i-- {
		for _, d := range []fixity.Digest{vs[i].SHA256, vs[i].MD5, vs[i].BLAKE3} {
			if d == x.Digest && vs[i].Size == x.Size {
				return vs[i].N, nil
			}
		}
	}
	return 0, nil
}

// Distrust says that an audit's listing of a set did not show everything after all:
// nothing of it may be called missing, and nothing be forgotten.
func (t *Tx) Distrust(audit int64, set, why string) error {
	_, err := t.exec(`UPDATE shard SET complete = 0, trouble = CASE WHEN top = $4 THEN $3 ELSE trouble END WHERE audit = $1 AND set_name = $2`, audit, set, why, []byte{})
	return err
}

// Retell changes what a finding tells of how it was seen; not what it is.
func (t *Tx) Retell(f Finding) error { return t.putFinding(f) }
