package ledger

import (
	"context"
	"fmt"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/pair"
)

// Open are the shards of an audit that wait in a phase.
func (r Record) Open(ctx context.Context, audit int64, p fixity.Phase) (jobs []fixity.Job, err error) {
	err = r.l.View(ctx, func(t *Tx) error {
		jobs, err = t.Audits.OpenShards(audit, p)
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
	case fixity.PhaseFirst:
		return r.readRest(ctx, audit)
	}
	return r.endAudit(ctx, audit)
}

// pairUp begins the prove phase of an audit whose shards are all listed: strays
// that may be misplaced files, but can't be told from the listing, are marked to
// be read. It does nothing if another process did it.
func (r Record) pairUp(ctx context.Context, audit int64) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		a, err := t.Audits.Get(audit)
		if err != nil {
			return err
		}
		if won, err := t.Audits.movePhase(audit, fixity.PhaseList, fixity.PhaseProve); err != nil || !won {
			return err
		}
		// What a listing doesn't show is forgotten only if it saw everything, and a second
		// look is over: with a stray goes that a person left it in peace.
		if _, err := t.exec(`DELETE FROM stray WHERE store = $2 AND EXISTS (SELECT 1 FROM difference d JOIN shard s
			ON s.audit = d.audit AND s.set_name = d.set_name AND s.top = d.top AND s.complete = 1
			WHERE d.audit = $1 AND d.set_name = stray.set_name AND d.top = stray.top AND d.at = stray.at AND d.file = 0)`, audit, a.Store); err != nil {
			return err
		}
		for _, set := range a.Sets {
			m, err := t.Audits.match(a, set)
			if err != nil {
				return err
			}
			for _, p := range m.unsure {
				if err := t.Strays.want(a.Store, set, p); err != nil {
					return err
				}
			}
			if err := t.Audits.wantRenamed(a, set); err != nil {
				return err
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

// conclude ends the listing of an audit: pairs, judges and records, set by set.
// Missing is said here and nowhere else, and only of a set whose every shard was
// listed completely. It does nothing if another process did it.
func (r Record) conclude(ctx context.Context, audit int64) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		a, err := t.Audits.Get(audit)
		if err != nil {
			return err
		}
		if won, err := t.Audits.movePhase(audit, fixity.PhaseProve, fixity.PhaseRead); err != nil || !won {
			return err
		}
		a.Phase = fixity.PhaseRead
		unseen := map[string]map[int64]bool{}
		for _, set := range a.Sets {
			var incomplete int64
			if err := t.row(`SELECT count(*) FROM shard WHERE audit = $1 AND set_name = $2 AND complete = 0`, []any{audit, set}, &incomplete); err != nil {
				return err
			}
			if incomplete > 0 {
				continue
			}
			if unseen[set], err = t.Audits.concludeSet(a, set, r.by); err != nil {
				return fmt.Errorf("conclude %s in %s: %w", set, a.Store, err)
			}
			// Here and not at the audit's end: an intake has no other, and what is told
			// of a mass change must not wait for a night of reading.
			if err := t.Audits.incidents(a, set); err != nil {
				return err
			}
		}
		if _, err := t.exec(`UPDATE shard SET phase = $2, cursor = $4 WHERE audit = $1 AND phase = $3`,
			audit, string(fixity.PhaseRead), string(fixity.PhaseProved), []byte{}); err != nil {
			return err
		}
		if err := t.Audits.promises(a, unseen, r.by); err != nil {
			return err
		}
		if _, err := t.Audits.putFirst(a); err != nil {
			return err
		}
		return t.Audits.endIdle(a)
	})
}

// readRest begins the reading of all that is due, once what goes before it was read. It does
// nothing if another process did it.
func (r Record) readRest(ctx context.Context, audit int64) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		won, err := t.Audits.movePhase(audit, fixity.PhaseFirst, fixity.PhaseRead)
		if err != nil || !won {
			return err
		}
		if _, err := t.exec(`DELETE FROM read_first WHERE audit = $1`, audit); err != nil {
			return err
		}
		a, err := t.Audits.Get(audit)
		if err != nil {
			return err
		}
		return t.Audits.endIdle(a)
	})
}

// concludeSet concludes what a complete listing of a set showed. unseen says of files
// at whose known places it showed nothing whether it showed none of their copies.
func (t Audits) concludeSet(a Audit, set, by string) (unseen map[int64]bool, err error) {
	m, err := t.match(a, set)
	if err != nil {
		return nil, err
	}
	pairs := map[int64]pair.Pair{}
	for _, p := range m.pairs {
		pairs[p.File] = p
	}
	if _, err := t.exec(`UPDATE stray SET file = 0, due = 0 WHERE store = $1 AND set_name = $2 AND file <> 0`, a.Store, set); err != nil {
		return nil, err
	}
	if m.proofs, err = t.proofQuota(a); err != nil {
		return nil, err
	}
	var rejudge []func() error // once all is noted: what is gone may have been the same bytes
	unseen = map[int64]bool{}
	for _, g := range m.gone {
		p, paired := pairs[g.File]
		unseen[g.File] = !paired || !ofPlace(p.Why) // or it was shown, under another name that is its place
		judge, err := t.concludeGone(a, set, g, p, paired, &m, by)
		if err != nil {
			return nil, fmt.Errorf("%q: %w", g.at, err)
		}
		if judge != nil {
			rejudge = append(rejudge, judge)
		}
	}
	t.same = nil
	for _, judge := range rejudge {
		if err := judge(); err != nil {
			return nil, err
		}
	}
	if err := t.concludeStrays(a, set, m.unclear, by); err != nil {
		return nil, err
	}
	if err := t.remarkPairs(a, set, m); err != nil {
		return nil, err
	}
	_, err = t.exec(`UPDATE store_set SET listed_complete_at = $3 WHERE store = $1 AND set_name = $2`, a.Store, set, nanos(t.now))
	return unseen, err
}

// concludeGone notes what became of a copy that wasn't shown; judge, unless it is nil, judges its file.
func (t Audits) concludeGone(a Audit, set string, g gone, p pair.Pair, paired bool, m *matched, by string) (judge func() error, err error) {
	was, err := t.Copies.At(a.Store, set, g.at)
	if err != nil {
		return nil, err
	}
	c, follows := was, care.Effects{}
	seen := &seenAs{facts: g.instead}
	if len(g.instead) == 0 {
		seen.facts = []fixity.Fact{{Is: fixity.NotShown}}
	}
	switch {
	case paired:
		f, err := t.Files.Get(g.File)
		if err != nil {
			return nil, err
		}
		if ofPlace(p.Why) || g.at != f.Path && sameName(p.At, f.Path) {
			return nil, t.moveCopy(a, was, p, by)
		}
		if c, err = t.misplace(a, was, f, p, g.Size, &m.proofs, seen); err != nil {
			return nil, err
		}
		seen.facts = append(seen.facts, m.unclear.at[p.At]...)
	case g.seen:
		var f File
		if f, err = t.Files.Get(g.File); err != nil {
			return nil, err
		}
		if follows, err := t.mayHaveFollowed(was, f); err != nil || follows {
			return nil, err
		}
		c, follows = care.After(was, care.NotShown{}, t.Copies.careRules(f, a.Store))
		seen.facts = append(seen.facts, m.unclear.of[g.File]...)
	default:
		return nil, nil // awaited: it was never there
	}
	if err := t.Copies.Put(was, c); err != nil {
		return nil, err
	}
	if follows.Others {
		if err := t.Copies.MakeDue(g.File, a.Store, a.Run); err != nil {
			return nil, err
		}
	}
	return func() error {
		if err := t.Findings.Rejudge(g.File, a.ID, by, a.Store, seen); err != nil {
			return fmt.Errorf("%q: %w", g.at, err)
		}
		return nil
	}, nil
}

// endAudit closes an audit whose every shard is done: incidents are grouped,
// promises of reading are held against what was read, and the record says what
// was done. It does nothing if another process did it.
func (r Record) endAudit(ctx context.Context, audit int64) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		a, err := t.Audits.Get(audit)
		if err != nil {
			return err
		}
		if won, err := t.Audits.movePhase(audit, fixity.PhaseRead, fixity.PhaseDone); err != nil || !won {
			return err
		}
		p, err := t.Audits.Progress(a)
		if err != nil {
			return err
		}
		if _, err := t.exec(`UPDATE audit SET ended_at = $2, complete = $3 WHERE id = $1`, audit, nanos(t.now), b2i(p.Complete)); err != nil {
			return err
		}
		for _, set := range a.Sets {
			if err := t.Audits.incidents(a, set); err != nil {
				return err
			}
		}
		if err := t.Audits.failing(a); err != nil {
			return err
		}
		if a.Kind == Plain {
			if err := t.Audits.late(a, r.by); err != nil {
				return err
			}
			// One that lists nothing has nothing to say in the place of what a listing showed.
			if _, err := t.exec(`DELETE FROM remark WHERE audit IN (SELECT id FROM audit WHERE store = $1 AND id < $2 AND ended_at <> 0)`, a.Store, audit); err != nil {
				return err
			}
		}
		for _, q := range []string{
			`DELETE FROM shard WHERE audit IN (SELECT id FROM audit WHERE store = $1 AND id < $2 AND ended_at <> 0)`,
			`DELETE FROM difference WHERE audit IN (SELECT id FROM audit WHERE store = $1 AND id <= $2 AND ended_at <> 0)`,
			`DELETE FROM read_first WHERE audit IN (SELECT id FROM audit WHERE store = $1 AND id <= $2 AND ended_at <> 0)`,
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
func (t Audits) incidents(a Audit, set string) error {
	var total int64
	if err := t.row(`SELECT CAST(coalesce(sum(files), 0) AS BIGINT) FROM tally WHERE store = $1 AND set_name = $2`, []any{a.Store, set}, &total); err != nil {
		return err
	}
	for _, kind := range []fixity.State{fixity.Altered, fixity.Missing, fixity.Misplaced} {
		var n int64
		if err := t.row(`SELECT count(*) FROM finding WHERE audit = $1 AND store = $2 AND set_name = $3 AND kind = $4 AND settled = '' AND incident = 0`,
			[]any{a.ID, a.Store, set, string(kind)}, &n); err != nil {
			return err
		}
		if !care.IsIncident(n, total) {
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
