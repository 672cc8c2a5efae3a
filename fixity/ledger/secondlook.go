package ledger

import (
	"context"
	"database/sql"
	"errors"
	"slices"

	"firmus/fixity"
)

// SecondLook is what a second listing finds of something that the first doesn't show.
type SecondLook struct {
	Said  string // by the service, in words: that it lies in the bin, and until when
	There bool   // it is shown at its place after all
	// Entry is what lies at its place if it is There, else where it was moved to in the
	// set; the zero Entry if that isn't shown.
	Entry fixity.Entry
}

// GonePaths are what an audit's listing of a set doesn't show: files under care, each
// with what the service calls it if that is known, and strays.
func (t *Tx) GonePaths(a Audit, set string) ([]ServiceItem, error) {
	var out []ServiceItem
	err := t.rows(`SELECT d.at, coalesce(s.id, '') FROM difference d
		LEFT JOIN service_item s ON s.store = $3 AND s.set_name = d.set_name AND s.at = d.at AND d.file <> 0
		WHERE d.audit = $1 AND d.set_name = $2 ORDER BY d.at`, []any{a.ID, set, a.Store}, func(r *sql.Rows) error {
		var at []byte
		var x ServiceItem
		err := r.Scan(&at, &x.ID)
		x.Path = string(at)
		out = append(out, x)
		return err
	})
	return out, err
}

// SecondLook puts into an audit's listing of a set what a second look found: what is
// there after all is no longer gone, and is held against its version by what the service
// reports, or becomes due. What was moved meanwhile is a stray at its new place, for the
// pairing to find. Of the rest it keeps what the service says.
//
// Reports are written first. After a crash the whole is done again, and ends the same.
func (r Record) SecondLook(ctx context.Context, a Audit, set string, found map[string]SecondLook) error {
	var reports []fixity.Report
	for path, x := range found {
		if x.There && !x.Entry.Reported.IsZero() {
			reports = append(reports, fixity.Report{Path: path, Size: x.Entry.Size, ModTime: x.Entry.ModTime.UnixNano(), Digest: x.Entry.Reported})
		}
	}
	for part := range slices.Chunk(reports, 1000) {
		if err := r.CommitReports(ctx, fixity.Shard{Audit: a.ID, Store: a.Store, Set: set}, part); err != nil {
			return err
		}
	}
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		for path, x := range found {
			if err := t.secondLook(a, set, path, x); err != nil {
				return err
			}
		}
		return nil
	})
}

func (t *Tx) secondLook(a Audit, set, path string, x SecondLook) error {
	this := []any{a.ID, set, []byte(top(path)), []byte(path)}
	if !x.There {
		if _, err := t.exec(`UPDATE difference SET instead = $5 WHERE audit = $1 AND set_name = $2 AND top = $3 AND at = $4 AND file <> 0`, append(this, x.Said)...); err != nil || x.Entry.Path == "" {
			return err
		}
		if _, err := t.CopyAt(a.Store, set, x.Entry.Path); !errors.Is(err, fixity.ErrNotFound) {
			return err // what lies at the place of another file is that file's to tell
		}
		return t.putStray(a.Store, set, x.Entry)
	}
	if _, err := t.exec(`DELETE FROM difference WHERE audit = $1 AND set_name = $2 AND top = $3 AND at = $4`, this...); err != nil {
		return err
	}
	if !x.Entry.Reported.IsZero() {
		return nil
	}
	// As for what a listing shows: what is due ahead of all others stays so.
	_, err := t.exec(`UPDATE instance SET due_at = 0 WHERE store = $1 AND set_name = $2 AND carrier = 0 AND top = $3 AND at = $4 AND due_at > 0
		AND (size <> $5 OR mtime <> $6 OR state IN ('awaited', 'missing', 'misplaced'))`,
		a.Store, set, []byte(top(path)), []byte(path), x.Entry.Size, nanos(x.Entry.ModTime))
	return err
}
