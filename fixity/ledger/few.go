package ledger

import (
	"database/sql"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/policy"
)

// JudgeFew opens, refreshes or ends the one finding that files of an arrivals store
// have fewer independent copies than the rule asks, for longer than it allows. It is
// judged when all stores of a round were audited, not in between.
func (t *Tx) JudgeFew(store, by string) error {
	rules := t.l.o.Rules
	rule, _ := rules.Store(store)
	var n int64
	for _, set := range rule.Sets {
		x, err := t.countFew(set, nanos(t.now.Add(-rules.Within)))
		if err != nil {
			return err
		}
		n += x
	}
	if n == 0 {
		return t.Clear(store, "", fixity.OfStore, fixity.Few, "", fixity.IntactAgain, by)
	}
	return t.Report(fixity.Finding{Subject: fixity.OfStore, Kind: fixity.Few, Urgency: fixity.AtRisk, Store: store, Count: n, IntactIn: []string{},
		Detail: fmt.Sprintf("%d files have had fewer independent copies than the rule asks, for longer than it allows", n)}, policy.StepNone, 0, by)
}

// countFew counts the files of a set that too few independent stores, or stores in too
// few places, have been shown to hold since before a time.
func (t *Tx) countFew(set string, since int64) (int64, error) {
	rules, err := t.Rules()
	if err != nil {
		return 0, err
	}
	copies, places := rules.Asked(set)
	if copies <= 1 && places <= 1 {
		return 0, nil
	}
	h, err := t.holders("i", 3, `i.state IN ('intact', 'editing', 'misplaced')`)
	if err != nil {
		return 0, err
	}
	const holds = `i.held = f.version AND f.version > 0 AND i.same_as = '' AND i.state IN ('intact', 'editing', 'misplaced')`
	var few int64
	err = t.rows(`SELECT held_by, count(*) FROM (SELECT f.id, `+h.sum+` AS held_by FROM file f JOIN instance i ON i.file = f.id
		WHERE f.set_name = $1 AND f.retired_at = 0 AND f.taken_at <= $2 AND f.changed_at <= $2
		GROUP BY f.id
		HAVING coalesce(max(CASE WHEN `+holds+` THEN 0 ELSE i.since END), 0) <= $2) AS per GROUP BY held_by`,
		append([]any{set, since}, h.args...), func(r *sql.Rows) error {
			var sum, n int64
			if err := r.Scan(&sum, &n); err != nil {
				return err
			}
			in, where := h.in(sum), map[string]bool{}
			for _, s := range in {
				where[rules.PlaceOf(s)] = true
			}
			if rules.CountIndependent(in) < copies || len(where) < places {
				few += n
			}
			return nil
		})
	return few, err
}

// FailingWithin is how far apart two unreadable files on one drive may be told for
// the drive to count as failing. *Common practice.*
const FailingWithin = 30 * 24 * time.Hour

// failing makes the unreadable files of a store one incident when they are two or
// more within FailingWithin: the drive should be worn out no further.
func (t *Tx) failing(a Audit) error {
	var ids []int64
	var incident int64
	if err := t.rows(`SELECT id, incident FROM finding WHERE store = $1 AND kind = 'unreadable' AND subject = 'file' AND settled = '' AND opened_at > $2 ORDER BY id`,
		[]any{a.Store, nanos(t.now.Add(-FailingWithin))}, func(r *sql.Rows) error {
			var id, in int64
			err := r.Scan(&id, &in)
			ids, incident = append(ids, id), max(incident, in)
			return err
		}); err != nil || len(ids) < 2 {
		return err
	}
	if incident == 0 {
		var err error
		if incident, err = t.NextID("incident"); err != nil {
			return err
		}
		if _, err := t.exec(`INSERT INTO incident (id, kind, store, set_name, audit, files, opened_at) VALUES ($1, 'unreadable', $2, '', $3, $4, $5)`,
			incident, a.Store, a.ID, len(ids), nanos(t.now)); err != nil {
			return err
		}
	}
	for _, id := range ids {
		if _, err := t.exec(`UPDATE finding SET incident = $2 WHERE id = $1 AND incident = 0`, id, incident); err != nil {
			return err
		}
	}
	_, err := t.exec(`UPDATE incident SET files = $2 WHERE id = $1`, incident, len(ids))
	return err
}
