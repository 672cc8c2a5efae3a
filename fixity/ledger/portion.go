package ledger

import (
	"bytes"
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

// DueBytes is how much a plain audit of a store would read if it began at now, as far as is known
// before the store is listed: what is due, as far as the day's bytes allow.
func (t Audits) DueBytes(store string, now time.Time) (n int64, err error) {
	from, to := t.turn(Audit{Store: store, Kind: Plain}, now)
	if err := t.row(`SELECT COALESCE(sum(size), 0) FROM instance WHERE store = $1 AND carrier = 0 AND size >= 0 AND (due_at <= $2 OR due_at > $3 AND due_at < $4)`,
		[]any{store, from, to, nanos(care.Never)}, &n); err != nil {
		return 0, err
	}
	if rule, _ := t.l.o.Rules.Store(store); rule.ReadADay > 0 {
		used, err := t.Services.ReadSince(store, now)
		return min(n, max(0, rule.ReadADay-used)), err
	}
	return n, nil
}

// putFirst decides, when the reading of an audit begins, what is read before the rest: the
// copies that are due of what can't be transferred again. The register is asked for these
// first, of all that is joined: it knows few, and a store has many copies. It gives the audit
// in the phase that it is in then.
func (t Audits) putFirst(a Audit) (Audit, error) {
	any, err := t.Register.anyOnce()
	if err != nil || !any || a.Kind == Intake {
		return a, errors.Join(err, t.takePortion(a))
	}
	from, to := t.turn(a, t.now)
	n, err := t.exec(`INSERT INTO read_first (audit, set_name, top, at) SELECT $1, i.set_name, i.top, i.at FROM file f CROSS JOIN instance i
		WHERE f.item IN (SELECT item FROM register_says WHERE unplayable = 1) AND i.file = f.id AND i.carrier = 0 AND i.store = $2 AND (i.due_at <= $3 OR i.due_at > $4 AND i.due_at < $5)`,
		a.ID, a.Store, from, to, nanos(care.Never))
	if err != nil {
		return a, err
	}
	if err := t.takePortion(a); err != nil || n == 0 {
		return a, err
	}
	if _, err := t.exec(`UPDATE shard SET phase = $2 WHERE audit = $1 AND phase = $3
		AND EXISTS (SELECT 1 FROM read_first p WHERE p.audit = shard.audit AND p.set_name = shard.set_name AND p.top = shard.top)`,
		a.ID, string(fixity.PhaseFirst), string(fixity.PhaseRead)); err != nil {
		return a, err
	}
	a.Phase = fixity.PhaseFirst
	_, err = t.exec(`UPDATE audit SET phase = $2 WHERE id = $1`, a.ID, string(a.Phase))
	return a, err
}

// takePortion decides, when the reading of an audit begins, which of the copies that
// are due it may read: those first that can't be transferred again, then those that have been
// due longest, as many as fit into what is left of the day's bytes. What is due ahead of its turn, because something has
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
	var late [][2][]byte // of what is to be read first, set and path of what must wait
	if err := t.rows(`SELECT i.set_name, i.at, i.due_at, i.file, i.size, i.state, p.at IS NOT NULL AS once FROM instance i
		LEFT JOIN read_first p ON p.audit = $2 AND p.set_name = i.set_name AND p.top = i.top AND p.at = i.at
		WHERE i.store = $1 AND i.carrier = 0 AND (i.due_at > 0 AND i.due_at <= $3 OR i.due_at > $4 AND i.due_at < $5) AND i.size >= 0
			AND NOT EXISTS (SELECT 1 FROM difference d WHERE d.audit = $2 AND d.set_name = i.set_name AND d.top = i.top AND d.at = i.at)
		ORDER BY once DESC, i.due_at, i.file`, []any{a.Store, a.ID, from, to, nanos(care.Never)}, func(r *sql.Rows) error {
		var set, state string
		var at []byte
		var due, file, size int64
		var once bool
		if err := r.Scan(&set, &at, &due, &file, &size, &state, &once); err != nil {
			return err
		}
		switch {
		case !slices.Contains(a.Sets, set) || a.Set != "" && a.Set != set || !inScope(a.Under, string(at)):
		case !q.Take(care.Cost(fixity.State(state), size)):
			x.PutOff, x.PutOffLen = x.PutOff+1, x.PutOffLen+size
			if once {
				late = append(late, [2][]byte{[]byte(set), bytes.Clone(at)})
			}
		case !once:
			x.due, x.file = due, file
		}
		return nil
	}); err != nil || x.PutOff == 0 {
		return err
	}
	for _, p := range late {
		if _, err := t.exec(`DELETE FROM read_first WHERE audit = $1 AND set_name = $2 AND top = $3 AND at = $4`, a.ID, string(p[0]), []byte(top(string(p[1]))), p[1]); err != nil {
			return err
		}
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
