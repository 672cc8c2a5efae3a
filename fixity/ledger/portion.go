package ledger

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// CountServiceRead counts bytes that were read of a store that a service keeps,
// whatever for. A power cut may take the newest counts back.
func (l *Ledger) CountServiceRead(ctx context.Context, now time.Time, store string, bytes int64) error {
	return l.soon(ctx, now, func(t *Tx) error {
		day := l.day(now)
		if _, err := t.exec(`INSERT INTO service_day (store, day, bytes) VALUES ($1, $2, $3)
			ON CONFLICT (store, day) DO UPDATE SET bytes = service_day.bytes + $3`, store, day, bytes); err != nil {
			return err
		}
		_, err := t.exec(`DELETE FROM service_day WHERE store = $1 AND day < $2`, store, l.day(now.AddDate(0, 0, -60)))
		return err
	})
}

// day is the date of a moment by the local clock.
func (l *Ledger) day(at time.Time) string {
	if l.o.Zone == nil {
		return at.UTC().Format(time.DateOnly)
	}
	return at.In(l.o.Zone).Format(time.DateOnly)
}

// ReadSince is how many bytes of a store were read on the local day of a moment.
func (t Services) ReadSince(store string, at time.Time) (int64, error) {
	var n int64
	err := t.row(`SELECT bytes FROM service_day WHERE store = $1 AND day = $2`, []any{store, t.l.day(at)}, &n)
	if errors.Is(err, fixity.ErrNotFound) {
		return 0, nil
	}
	return n, err
}

// Portion is how far an audit of a store with a bound of bytes a day may read.
type Portion struct {
	due, file         int64 // the last copy whose turn it is
	PutOff, PutOffLen int64 // copies that are due and must wait for another day, and their bytes
}

// whole is the Portion without a bound.
var whole = Portion{due: math.MaxInt64, file: math.MaxInt64}

// Portion reads an audit's.
func (t Audits) Portion(audit int64) (Portion, error) {
	x := whole
	err := t.row(`SELECT due_at, file, files, bytes FROM portion WHERE audit = $1`, []any{audit}, &x.due, &x.file, &x.PutOff, &x.PutOffLen)
	if errors.Is(err, fixity.ErrNotFound) {
		return whole, nil
	}
	return x, err
}

// takePortion decides, when the reading of an audit begins, which of the copies that
// are due it may read: those that have been due longest, as many as fit into what is
// left of the day's bytes. What is due ahead of its turn, because something has
// changed or is wrong, isn't held up by that; see care.MayRunAhead.
func (t Audits) takePortion(a Audit) error {
	rule, _ := t.l.o.Rules.Store(a.Store)
	if rule.ReadADay <= 0 || a.Full || a.Kind != Plain {
		return nil
	}
	used, err := t.Services.ReadSince(a.Store, t.now)
	if err != nil {
		return err
	}
	strays, err := t.Strays.dueBytes(a.Store)
	if err != nil {
		return err
	}
	from, to := t.turn(a, t.now)
	var x Portion
	q := care.Quota{ADay: rule.ReadADay, Used: used + strays}
	if err := t.rows(`SELECT i.set_name, i.at, i.due_at, i.file, i.size, i.state FROM instance i
		WHERE i.store = $1 AND i.carrier = 0 AND (i.due_at > 0 AND i.due_at <= $3 OR i.due_at > $4 AND i.due_at < $5) AND i.size >= 0
			AND NOT EXISTS (SELECT 1 FROM difference d WHERE d.audit = $2 AND d.set_name = i.set_name AND d.top = i.top AND d.at = i.at)
		ORDER BY i.due_at, i.file`, []any{a.Store, a.ID, from, to, nanos(care.Never)}, func(r *sql.Rows) error {
		var set, state string
		var at []byte
		var due, file, size int64
		if err := r.Scan(&set, &at, &due, &file, &size, &state); err != nil {
			return err
		}
		switch {
		case !slices.Contains(a.Sets, set) || a.Set != "" && a.Set != set || !inScope(a.Under, string(at)):
		case q.Take(care.Cost(fixity.State(state), size)):
			x.due, x.file = due, file
		default:
			x.PutOff, x.PutOffLen = x.PutOff+1, x.PutOffLen+size
		}
		return nil
	}); err != nil || x.PutOff == 0 {
		return err
	}
	_, err = t.exec(`INSERT INTO portion (audit, due_at, file, files, bytes) VALUES ($1, $2, $3, $4, $5)`, a.ID, x.due, x.file, x.PutOff, x.PutOffLen)
	return err
}

// inScope says that a path lies at or below a folder; "" is everything.
func inScope(under, path string) bool {
	if under == "" || under == path {
		return true
	}
	low, high := below(under)
	return path > string(low) && path < string(high)
}

// mayRunAhead is care.MayRunAhead for an audit; a full one knows no bound.
func (t Audits) mayRunAhead(a Audit, now time.Time) (bool, error) {
	rule, _ := t.l.o.Rules.Store(a.Store)
	if rule.ReadADay <= 0 || a.Full {
		return true, nil
	}
	used, err := t.Services.ReadSince(a.Store, now)
	return care.MayRunAhead(rule, used), err
}
