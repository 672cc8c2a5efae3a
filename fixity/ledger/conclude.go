package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/pair"
	"firmus/fixity/policy"
)

// Open are the shards of an audit that wait in a phase.
func (r Record) Open(ctx context.Context, audit int64, p fixity.Phase) (jobs []fixity.Job, err error) {
	err = r.l.View(ctx, func(t *Tx) error {
		jobs, err = t.OpenShards(audit, p)
		return err
	})
	return jobs, err
}

// Advance ends a phase of an audit in which no shard waits any more. It does
// nothing if another process did.
func (r Record) Advance(ctx context.Context, audit int64, from fixity.Phase) error {
	switch from {
	case fixity.PhaseList:
		return r.pairUp(ctx, audit)
	case fixity.PhaseProve:
		return r.conclude(ctx, audit)
	}
	return r.endAudit(ctx, audit)
}

// pairUp begins the prove phase of an audit whose shards are all listed: strays
// that may be misplaced files, but can't be told from the listing, are marked to
// be read. It does nothing if another process did it.
func (r Record) pairUp(ctx context.Context, audit int64) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		a, err := t.Audit(audit)
		if err != nil {
			return err
		}
		if won, err := t.movePhase(audit, fixity.PhaseList, fixity.PhaseProve); err != nil || !won {
			return err
		}
		for _, set := range a.Sets {
			m, err := t.match(a, set)
			if err != nil {
				return err
			}
			for _, p := range m.Unsure {
				if _, err := t.exec(`UPDATE stray SET due = 1 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
					a.Store, set, []byte(top(p)), []byte(p)); err != nil {
					return err
				}
			}
		}
		if _, err := t.exec(`UPDATE shard SET phase = $2 WHERE audit = $1 AND phase = $3 AND complete = 1
			AND EXISTS (SELECT 1 FROM stray s WHERE s.store = shard.store AND s.set_name = shard.set_name AND s.top = shard.top AND s.due = 1)`,
			audit, string(fixity.PhaseProve), string(fixity.PhaseListed)); err != nil {
			return err
		}
		_, err = t.exec(`UPDATE shard SET phase = $2 WHERE audit = $1 AND phase = $3`, audit, string(fixity.PhaseProved), string(fixity.PhaseListed))
		return err
	})
}

// gone is a file that the audit's listing doesn't show.
type gone struct {
	pair.Gone
	at      string // where the copy should lie in this store
	state   fixity.State
	seen    bool   // it was there once
	instead string // what lies there now that is no file of bytes
}

// match pairs what a set's listing lacks with what lies there under no one's care.
func (t *Tx) match(a Audit, set string) (pair.Result, error) {
	gs, err := t.goneOf(a, set)
	if err != nil || len(gs) == 0 {
		return pair.Result{}, err
	}
	came, err := t.cameOf(a, set)
	if err != nil {
		return pair.Result{}, err
	}
	g := make([]pair.Gone, len(gs))
	for i := range gs {
		g[i] = gs[i].Gone
	}
	return pair.Match(g, came), nil
}

func (t *Tx) goneOf(a Audit, set string) ([]gone, error) {
	var out []gone
	// CROSS JOIN fixes the order: from the few that differ into the key of all.
	err := t.rows(`SELECT i.at, i.file, i.state, i.size, i.mtime, v.size, v.blake3, d.instead FROM difference d CROSS JOIN instance i
		LEFT JOIN file f ON f.id = i.file LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE d.audit = $1 AND d.set_name = $3 AND i.store = $2 AND i.set_name = $3 AND i.carrier = 0 AND i.top = d.top AND i.at = d.at AND i.file = d.file
		ORDER BY d.at`, []any{a.ID, a.Store, set}, func(r *sql.Rows) error {
		var at, b3 []byte
		var g gone
		var state string
		var size int64
		var want sql.NullInt64
		if err := r.Scan(&at, &g.File, &state, &size, &g.ModTime, &want, &b3, &g.instead); err != nil {
			return err
		}
		g.at, g.Path, g.state, g.seen = string(at), string(at), fixity.State(state), size >= 0
		g.Size = want.Int64
		if len(b3) > 0 {
			g.Digest = fixity.DigestOf(fixity.BLAKE3, b3).Sum
		}
		// An altered file that was moved is told by the sign it had, not by the version's.
		if g.seen && size != g.Size {
			g.Size = size
		}
		if !g.seen {
			g.ModTime = 0
		}
		out = append(out, g)
		return nil
	})
	return out, err
}

func (t *Tx) cameOf(a Audit, set string) ([]pair.Came, error) {
	var out []pair.Came
	err := t.rows(`SELECT at, size, mtime, blake3 FROM stray WHERE store = $1 AND set_name = $2 AND peace = 0 ORDER BY top, at`, []any{a.Store, set}, func(r *sql.Rows) error {
		var at, b3 []byte
		var c pair.Came
		if err := r.Scan(&at, &c.Size, &c.ModTime, &b3); err != nil {
			return err
		}
		c.Path = string(at)
		if len(b3) > 0 {
			c.Digest = fixity.DigestOf(fixity.BLAKE3, b3).Sum
		}
		out = append(out, c)
		return nil
	})
	return out, err
}

// conclude ends the listing of an audit: pairs, judges and records, set by set.
// Missing is said here and nowhere else, and only of a set whose every shard was
// listed completely. It does nothing if another process did it.
func (r Record) conclude(ctx context.Context, audit int64) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		a, err := t.Audit(audit)
		if err != nil {
			return err
		}
		if won, err := t.movePhase(audit, fixity.PhaseProve, fixity.PhaseRead); err != nil || !won {
			return err
		}
		for _, set := range a.Sets {
			var incomplete int64
			if err := t.row(`SELECT count(*) FROM shard WHERE audit = $1 AND set_name = $2 AND complete = 0`, []any{audit, set}, &incomplete); err != nil {
				return err
			}
			if incomplete > 0 {
				continue
			}
			if err := t.concludeSet(a, set, r.by); err != nil {
				return fmt.Errorf("conclude %s in %s: %w", set, a.Store, err)
			}
			// Here and not at the audit's end: an intake has no other, and what is told
			// of a mass change must not wait for a night of reading.
			if err := t.incidents(a, set); err != nil {
				return err
			}
		}
		if _, err := t.exec(`UPDATE shard SET phase = $2, cursor = $4 WHERE audit = $1 AND phase = $3`,
			audit, string(fixity.PhaseRead), string(fixity.PhaseProved), []byte{}); err != nil {
			return err
		}
		if err := t.promises(a, r.by); err != nil {
			return err
		}
		return t.endIdle(a)
	})
}

func (t *Tx) concludeSet(a Audit, set, by string) error {
	gs, err := t.goneOf(a, set)
	if err != nil {
		return err
	}
	var m pair.Result
	if len(gs) > 0 {
		if m, err = t.match(a, set); err != nil {
			return err
		}
	}
	pairs := map[int64]pair.Pair{}
	for _, p := range m.Pairs {
		pairs[p.File] = p
	}
	if _, err := t.exec(`UPDATE stray SET file = 0, due = 0 WHERE store = $1 AND set_name = $2 AND file <> 0`, a.Store, set); err != nil {
		return err
	}
	for _, g := range gs {
		p, paired := pairs[g.File]
		if err := t.concludeGone(a, set, g, p, paired, by); err != nil {
			return fmt.Errorf("%q: %w", g.at, err)
		}
	}
	if err := t.concludeStrays(a, set, by); err != nil {
		return err
	}
	_, err = t.exec(`UPDATE store_set SET listed_complete_at = $3 WHERE store = $1 AND set_name = $2`, a.Store, set, nanos(t.now))
	return err
}

func (t *Tx) concludeGone(a Audit, set string, g gone, p pair.Pair, paired bool, by string) error {
	was, err := t.CopyAt(a.Store, set, g.at)
	if err != nil {
		return err
	}
	c := was
	seen := &seenAs{detail: "a complete listing doesn't show it"}
	if g.instead != "" {
		seen.detail = g.instead
	}
	switch {
	case paired:
		f, err := t.File(g.File)
		if err != nil {
			return err
		}
		if p.At == f.Path && g.at != f.Path {
			return t.moveCopy(a, was, p, by)
		}
		c.State = fixity.Misplaced
		seen.foundAt, seen.detail = p.At, "found by size, time and name; it will be read where it lies to prove it"
		if p.Proved {
			c.Held = f.Version
			seen.detail = "read where it lies: its bytes are the right ones"
		}
		if _, err := t.exec(`UPDATE stray SET file = $5, due = $6 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
			a.Store, set, []byte(top(p.At)), []byte(p.At), g.File, b2i(!p.Proved)); err != nil {
			return err
		}
	case g.seen:
		c.State = fixity.Missing
	default:
		return nil // awaited: it was never there
	}
	c.SettledAs = settledAs(was, c)
	if err := t.PutCopy(was, c); err != nil {
		return err
	}
	if was.State != c.State && c.State == fixity.Missing {
		if err := t.MakeDue(g.File, a.Store, a.Run); err != nil {
			return err
		}
	}
	return t.Rejudge(g.File, a.ID, by, a.Store, seen)
}

// moveCopy follows a rename that was accepted in the arrivals store and has now
// been carried out here: the copy lies at its file's path again.
func (t *Tx) moveCopy(a Audit, was Copy, p pair.Pair, by string) error {
	st, err := t.StrayAt(a.Store, was.Set, p.At)
	if err != nil {
		return err
	}
	c := was
	c.At, c.Size, c.ModTime, c.Due = p.At, st.Size, st.ModTime, time.Time{}
	if p.Proved {
		f, err := t.File(was.File)
		if err != nil {
			return err
		}
		c.State, c.Held, c.Wrong = fixity.Intact, f.Version, fixity.Digest{}
	}
	if err := t.DropStray(a.Store, was.Set, p.At); err != nil {
		return err
	}
	if err := t.PutCopy(was, c); err != nil {
		return err
	}
	return t.Rejudge(was.File, a.ID, by, a.Store, &seenAs{})
}

// endAudit closes an audit whose every shard is done: incidents are grouped,
// promises of reading are held against what was read, and the record says what
// was done. It does nothing if another process did it.
func (r Record) endAudit(ctx context.Context, audit int64) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		a, err := t.Audit(audit)
		if err != nil {
			return err
		}
		if won, err := t.movePhase(audit, fixity.PhaseRead, fixity.PhaseDone); err != nil || !won {
			return err
		}
		p, err := t.Progress(a)
		if err != nil {
			return err
		}
		if _, err := t.exec(`UPDATE audit SET ended_at = $2, complete = $3 WHERE id = $1`, audit, nanos(t.now), b2i(p.Complete)); err != nil {
			return err
		}
		for _, set := range a.Sets {
			if err := t.incidents(a, set); err != nil {
				return err
			}
		}
		if err := t.failing(a); err != nil {
			return err
		}
		if a.Kind == Plain {
			if err := t.late(a, r.by); err != nil {
				return err
			}
		}
		for _, q := range []string{
			`DELETE FROM shard WHERE audit IN (SELECT id FROM audit WHERE store = $1 AND id < $2 AND ended_at <> 0)`,
			`DELETE FROM difference WHERE audit IN (SELECT id FROM audit WHERE store = $1 AND id <= $2 AND ended_at <> 0)`,
		} {
			if _, err := t.exec(q, a.Store, audit); err != nil {
				return err
			}
		}
		t.Event(Event{Verb: fixity.AuditConcluded, By: a.By, Store: a.Store, Audit: a.ID,
			Data: map[string]any{"kind": a.Kind, "full": a.Full, "complete": p.Complete, "listed": p.Listed, "read": p.Read, "bytes": p.Bytes}})
		return nil
	})
}

// incidents groups what became altered, missing or misplaced in one audit when
// that is a mass change.
func (t *Tx) incidents(a Audit, set string) error {
	var total int64
	if err := t.row(`SELECT count(*) FROM instance WHERE store = $1 AND set_name = $2`, []any{a.Store, set}, &total); err != nil {
		return err
	}
	for _, kind := range []fixity.State{fixity.Altered, fixity.Missing, fixity.Misplaced} {
		var n int64
		if err := t.row(`SELECT count(*) FROM finding WHERE audit = $1 AND store = $2 AND set_name = $3 AND kind = $4 AND settled = '' AND incident = 0`,
			[]any{a.ID, a.Store, set, string(kind)}, &n); err != nil {
			return err
		}
		if !policy.IsIncident(n, total) {
			continue
		}
		id, err := t.NextID("incident")
		if err != nil {
			return err
		}
		if _, err := t.exec(`INSERT INTO incident (id, kind, store, set_name, audit, files, opened_at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			id, string(kind), a.Store, set, a.ID, n, nanos(t.now)); err != nil {
			return err
		}
		if _, err := t.exec(`UPDATE finding SET incident = $5 WHERE audit = $1 AND store = $2 AND set_name = $3 AND kind = $4 AND settled = '' AND incident = 0`,
			a.ID, a.Store, set, string(kind), id); err != nil {
			return err
		}
	}
	return nil
}
