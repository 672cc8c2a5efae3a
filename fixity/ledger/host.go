package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
)

// Host is a computer that shares the ledger with others.
type Host struct {
	Name    string
	Version string        // of Firmus
	Agreed  string        // what all hosts must say alike
	Began   time.Time     // when it began, by its clock
	Ahead   time.Duration // by how much its clock was ahead of the database's
	Has     []string      // stores that it found where they should be
	Seen    time.Time     // when it looked last
}

// Put notes a host as it begins, and as it looks again.
func (t Hosts) Put(h Host) error {
	_, err := t.exec(`INSERT INTO host (name, version, agreed, began_at, ahead, has, seen_at) VALUES ($1, $2, $3, $4, $5, $6, $7)
		ON CONFLICT (name) DO UPDATE SET version = excluded.version, agreed = excluded.agreed, began_at = excluded.began_at,
			ahead = excluded.ahead, has = excluded.has, seen_at = excluded.seen_at`,
		h.Name, h.Version, h.Agreed, nanos(h.Began), int64(h.Ahead), strings.Join(h.Has, " "), nanos(h.Seen))
	return err
}

// All are the hosts that ever shared the ledger, by name. Whether one runs now is known by its
// lock.
func (t Hosts) All() ([]Host, error) {
	return list(t.Tx, `SELECT name, version, agreed, began_at, ahead, has, seen_at FROM host ORDER BY name`, nil, func(r row) (Host, error) {
		var h Host
		var began, ahead, seen int64
		var has string
		err := r.Scan(&h.Name, &h.Version, &h.Agreed, &began, &ahead, &has, &seen)
		h.Began, h.Ahead, h.Has, h.Seen = fromNanos(began), time.Duration(ahead), strings.Fields(has), fromNanos(seen)
		return h, err
	})
}

// ReadBy is how many files each host has read in an audit; nothing where only one has the
// ledger.
func (t Hosts) ReadBy(audit int64) (map[string]int64, error) {
	by := map[string]int64{}
	err := t.rows(`SELECT host, read FROM audit_host WHERE audit = $1`, []any{audit}, func(r *sql.Rows) error {
		var h string
		var n int64
		err := r.Scan(&h, &n)
		by[h] = n
		return err
	})
	return by, err
}

// ReadSoFar is how many files, and bytes of them, all hosts have read in an audit.
func (t Hosts) ReadSoFar(audit int64) (files, bytes int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(read), 0) AS BIGINT), CAST(coalesce(sum(bytes), 0) AS BIGINT) FROM audit_host WHERE audit = $1`, []any{audit}, &files, &bytes)
	return files, bytes, err
}

// countRead counts what this host has read in an audit.
func (t Hosts) countRead(audit, files, bytes int64) error {
	if t.l.o.Host == "" || files == 0 {
		return nil
	}
	_, err := t.exec(`INSERT INTO audit_host (audit, host, read, bytes) VALUES ($1, $2, $3, $4)
		ON CONFLICT (audit, host) DO UPDATE SET read = audit_host.read + excluded.read, bytes = audit_host.bytes + excluded.bytes`,
		audit, t.l.o.Host, files, bytes)
	return err
}

// Piece is a shard of an audit that waits in a phase, with what the ledger knows there.
type Piece struct {
	Shard   int64
	Set     string
	Files   int64
	Bytes   int64
	Longest int64 // bytes of the largest file, or stray
}

// Pieces are the shards of an audit that wait in a phase, in the order in which one host
// would take them (OpenShards).
func (t Audits) Pieces(audit int64, p fixity.Phase) ([]Piece, error) {
	jobs, err := t.OpenShards(audit, p)
	if err != nil {
		return nil, err
	}
	known := map[int64]Piece{}
	if err := t.rows(`SELECT s.id, s.set_name, count(i.file), coalesce(sum(CASE WHEN i.size > 0 THEN i.size ELSE 0 END), 0), coalesce(max(i.size), 0)
		FROM shard s LEFT JOIN instance i ON i.store = s.store AND i.set_name = s.set_name AND i.carrier = 0 AND i.top = s.top
		WHERE s.audit = $1 AND s.phase = $2 GROUP BY s.id, s.set_name`, []any{audit, string(p)}, func(r *sql.Rows) error {
		var x Piece
		err := r.Scan(&x.Shard, &x.Set, &x.Files, &x.Bytes, &x.Longest)
		known[x.Shard] = x
		return err
	}); err != nil {
		return nil, err
	}
	// A stray may be read, too.
	if err := t.rows(`SELECT s.id, max(x.size) FROM shard s JOIN stray x ON x.store = s.store AND x.set_name = s.set_name AND x.top = s.top
		WHERE s.audit = $1 AND s.phase = $2 GROUP BY s.id`, []any{audit, string(p)}, func(r *sql.Rows) error {
		var shard, size int64
		err := r.Scan(&shard, &size)
		if x, ok := known[shard]; ok {
			x.Longest = max(x.Longest, size)
			known[shard] = x
		}
		return err
	}); err != nil {
		return nil, err
	}
	var out []Piece
	for _, j := range jobs {
		if x, ok := known[j.Shard]; ok {
			out = append(out, x)
		}
	}
	return out, nil
}

// Waiting counts the shards of an audit that are in a phase: all, or those of some numbers.
func (t Audits) Waiting(audit int64, p fixity.Phase, shards ...int64) (n int64, err error) {
	args := []any{audit, string(p)}
	var in strings.Builder
	for i, s := range shards {
		if i == 0 {
			in.WriteString(` AND id IN (`)
		} else {
			in.WriteString(`, `)
		}
		args = append(args, s)
		fmt.Fprintf(&in, "$%d", len(args))
	}
	if len(shards) > 0 {
		in.WriteString(`)`)
	}
	err = t.row(`SELECT count(*) FROM shard WHERE audit = $1 AND phase = $2`+in.String(), args, &n)
	return n, err
}

// LastWaiting is the last shard of an audit that is in a phase; fixity.ErrNotFound if none is.
func (t Audits) LastWaiting(audit int64, p fixity.Phase) (id int64, err error) {
	err = t.row(`SELECT id FROM shard WHERE audit = $1 AND phase = $2 ORDER BY id DESC LIMIT 1`, []any{audit, string(p)}, &id)
	return id, err
}

// WaitingShards are the numbers of the shards of an audit that are in a phase.
func (t Audits) WaitingShards(audit int64, p fixity.Phase) ([]int64, error) {
	return list(t.Tx, `SELECT id FROM shard WHERE audit = $1 AND phase = $2`, []any{audit, string(p)}, func(r row) (id int64, err error) { err = r.Scan(&id); return id, err })
}

// Ahead says by how much a clock is ahead of the database's own, 0 if that has none.
func (l *Ledger) Ahead(ctx context.Context, now func() time.Time) (time.Duration, error) {
	before := now()
	at, err := l.db.Clock(ctx)
	if err != nil || at.IsZero() {
		return 0, l.db.Translate(err)
	}
	return before.Add(now().Sub(before) / 2).Sub(at), nil
}
