package ledger

import (
	"context"
	"database/sql"
	"errors"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
)

// SecondLook is what a second listing finds of something that the first doesn't show.
type SecondLook struct {
	Said  []fixity.Fact // by the service: that it lies in the bin, and until when
	There bool          // it is shown at its place after all
	// Entry is what lies at its place if it is There, else where it was moved to in the
	// set; the zero Entry if that isn't shown.
	Entry fixity.Entry
}

// GonePaths are what an audit's listing of a set doesn't show: files under care, each
// with what the service calls it if that is known, and strays.
func (t Audits) GonePaths(a Audit, set string) ([]ServiceItem, error) {
	return list(t.Tx, `SELECT d.at, coalesce(s.id, '') FROM difference d
		LEFT JOIN service_item s ON s.store = $3 AND s.set_name = d.set_name AND s.at = d.at AND d.file <> 0
		WHERE d.audit = $1 AND d.set_name = $2 ORDER BY d.at`, []any{a.ID, set, a.Store}, func(r row) (ServiceItem, error) {
		var at []byte
		var x ServiceItem
		err := r.Scan(&at, &x.ID)
		x.Path = string(at)
		return x, err
	})
}

// Gone is a page of GonePaths over all sets of an audit, for a look at the drive itself. It is
// empty for a store that a service keeps, whose own second look knows more. What was never
// seen there is left out.
func (r Record) Gone(ctx context.Context, audit int64, after fixity.Gone, limit int) (out []fixity.Gone, err error) {
	err = r.l.View(ctx, func(t *Tx) error {
		a, err := t.Audits.Get(audit)
		if err != nil {
			return err
		}
		if rule, _ := t.l.o.Rules.Store(a.Store); rule.Kind == "cloud" || a.Kind == FollowUp {
			return nil
		}
		return t.rows(`SELECT d.set_name, d.at FROM difference d
			LEFT JOIN instance i ON i.store = $2 AND i.set_name = d.set_name AND i.carrier = 0 AND i.top = d.top AND i.at = d.at AND d.file <> 0
			WHERE d.audit = $1 AND (d.set_name, d.at) > ($3, $4) AND (d.file = 0 OR i.size >= 0) AND d.instead = '' ORDER BY d.set_name, d.at LIMIT $5`,
			[]any{audit, a.Store, after.Set, []byte(after.Path), limit}, func(rs *sql.Rows) error {
				g := fixity.Gone{Store: a.Store}
				var at []byte
				err := rs.Scan(&g.Set, &at)
				g.Path = string(at)
				out = append(out, g)
				return err
			})
	})
	return out, err
}

// Back puts into an audit's listing what a second look found in its place after all.
func (r Record) Back(ctx context.Context, audit int64, there []fixity.Back) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		a, err := t.Audits.Get(audit)
		if err != nil {
			return err
		}
		for _, x := range there {
			if err := t.Audits.secondLook(a, x.Set, x.Entry.Path, SecondLook{There: true, Entry: x.Entry}); err != nil {
				return err
			}
		}
		return nil
	})
}

// Distrust says that an audit's listing of a set did not show everything after all.
func (r Record) Distrust(ctx context.Context, audit int64, set, why string) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error { return t.Audits.Distrust(audit, set, why) })
}

// SecondLook puts into an audit's listing of a set what a second look found: what is
// there after all is no longer gone, and is held against its version by what the service
// reports, or becomes due. What was moved meanwhile is a stray at its new place, for the
// pairing to find. Of the rest it keeps what the service says.
//
// Reports are written first. After a crash the whole is done again, and ends the same.
func (r Record) SecondLook(ctx context.Context, a Audit, set string, found map[string]SecondLook) error {
	var reports []fixity.ServiceReport
	for path, x := range found {
		if x.There && !x.Entry.Reported.IsZero() {
			reports = append(reports, fixity.ServiceReport{Path: path, Size: x.Entry.Size, ModTime: x.Entry.ModTime.UnixNano(), InodeAt: x.Entry.InodeAt(), Digest: x.Entry.Reported, Basis: x.Entry.Basis})
		}
	}
	for part := range slices.Chunk(reports, 1000) {
		if err := r.CommitServiceReports(ctx, fixity.Shard{Audit: a.ID, Store: a.Store, Set: set}, part); err != nil {
			return err
		}
	}
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		for path, x := range found {
			if err := t.Audits.secondLook(a, set, path, x); err != nil {
				return err
			}
		}
		return nil
	})
}

func (t Audits) secondLook(a Audit, set, path string, x SecondLook) error {
	this := []any{a.ID, set, []byte(top(path)), []byte(path)}
	if !x.There {
		if _, err := t.exec(`UPDATE difference SET instead = $5 WHERE audit = $1 AND set_name = $2 AND top = $3 AND at = $4 AND file <> 0`, append(this, factsText(x.Said))...); err != nil || x.Entry.Path == "" {
			return err
		}
		if _, err := t.Copies.At(a.Store, set, x.Entry.Path); !errors.Is(err, fixity.ErrNotFound) {
			return err // what lies at the place of another file is that file's to tell
		}
		return t.Strays.put(a.Store, set, x.Entry.Stray())
	}
	if _, err := t.exec(`DELETE FROM difference WHERE audit = $1 AND set_name = $2 AND top = $3 AND at = $4`, this...); err != nil {
		return err
	}
	if !x.Entry.Reported.IsZero() {
		return nil
	}
	return t.Copies.follow(a.Store, set, path, care.Shown{Size: x.Entry.Size, ModTime: nanos(x.Entry.ModTime), InodeAt: x.Entry.InodeAt(), Basis: x.Entry.Basis})
}
