package ledger

import (
	"database/sql"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// JudgeTooFew opens, refreshes or ends the one finding that files of an arrivals store
// have fewer independent copies than the rule asks, for longer than it allows. A copy may
// have come to a store since that was listed: so the time that the rule allows runs up to
// the oldest of the stores' last listings.
func (t Audits) JudgeTooFew(store, by string) error {
	rules := t.l.o.Rules
	rule, _ := rules.Store(store)
	var n, first int64
	for _, set := range rule.Sets {
		listed, err := t.allListed(set)
		if err != nil {
			return err
		}
		x, one, err := t.countTooFew(set, nanos(listed.Add(-rules.Within)))
		if err != nil {
			return err
		}
		n += x
		if first == 0 {
			first = one
		}
	}
	if n == 0 {
		return t.Findings.Clear(store, "", fixity.OfStore, fixity.TooFew, "", fixity.IntactAgain, by)
	}
	f, err := t.Files.Get(first)
	if err != nil {
		return err
	}
	such := fixity.Facts{Seen: []fixity.Fact{{Is: fixity.SuchAs, Set: f.Set, Places: []fixity.Path{fixity.Path(f.Path)}}}}
	return t.Findings.Found(fixity.Finding{Subject: fixity.OfStore, Kind: fixity.TooFew, Facts: such, Urgency: fixity.AtRisk, Store: store, Count: n, IntactIn: []string{}}, care.StepNone, 0, by)
}

// unlisted is for how long a store that isn't listed is waited for. *Common practice*: a week
// is the longest time between two turns, and a day more makes up for one that was missed, which
// takes catchUp at most.
const (
	catchUp  = 24 * time.Hour
	unlisted = 7*24*time.Hour + catchUp
)

// allListed is since when each store that holds a set was listed to its end. Those that are
// away or visit, and those that weren't listed for too long, are not waited for. If no store
// was listed for that long, the computer was off, and that time doesn't count.
func (t Audits) allListed(set string) (time.Time, error) {
	at := t.now
	away, err := t.Findings.Away()
	if err != nil {
		return at, err
	}
	var ran int64 // an audit ended then, the last one before those that may catch up now
	if err := t.row(`SELECT coalesce((SELECT ended_at FROM audit WHERE ended_at <> 0 AND ended_at <= $1 ORDER BY id DESC LIMIT 1), $1)`, []any{nanos(t.now.Add(-catchUp))}, &ran); err != nil {
		return at, err
	}
	until := fromNanos(ran)
	if t.now.Sub(until) < unlisted {
		until = t.now
	}
	for _, s := range t.l.o.Rules.Stores {
		if !s.Holds(set) || s.Visiting || slices.Contains(away, s.Name) {
			continue
		}
		st, err := t.Stores.Get(s.Name)
		if err != nil {
			return at, err
		}
		for _, r := range st.Roots {
			if r.Set == set && r.ListedAt.Before(at) && until.Sub(r.ListedAt) < unlisted {
				at = r.ListedAt
			}
		}
	}
	return at, nil
}

// countTooFew counts the files of a set that too few independent stores, or stores in too
// few places, have been shown to hold since before a time. first is the one of them that
// was taken in first, 0 if there is none.
func (t Audits) countTooFew(set string, since int64) (few, first int64, err error) {
	rules, err := t.Stores.Rules()
	if err != nil {
		return 0, 0, err
	}
	filling, err := t.Stores.Filling()
	if err != nil {
		return 0, 0, err
	}
	copies, places := rules.Asked(set, func(store string) bool {
		return slices.ContainsFunc(filling, func(f Filling) bool { return f.Store == store && f.Set == set })
	})
	if copies <= 1 && places <= 1 {
		return 0, 0, nil
	}
	h, err := t.Copies.holders("i", 3, inStates("i.state", care.HoldsVersion))
	if err != nil {
		return 0, 0, err
	}
	holds := isOf("i") + ` AND ` + inStates("i.state", care.HoldsVersion)
	err = t.rows(`SELECT held_by, count(*), min(id) FROM (SELECT f.id, `+h.sum+` AS held_by FROM file f JOIN instance i ON i.file = f.id
		WHERE f.set_name = $1 AND f.retired_at = 0 AND f.taken_at <= $2 AND f.changed_at <= $2
		GROUP BY f.id
		HAVING coalesce(max(CASE WHEN `+holds+` THEN 0 ELSE i.since END), 0) <= $2) AS per GROUP BY held_by`,
		append([]any{set, since}, h.args...), func(r *sql.Rows) error {
			var sum, n, id int64
			if err := r.Scan(&sum, &n, &id); err != nil {
				return err
			}
			in, where := h.in(sum), map[string]bool{}
			for _, s := range in {
				where[rules.PlaceOf(s)] = true
			}
			if rules.CountIndependent(in) < copies || len(where) < places {
				few += n
				if first == 0 || id < first {
					first = id
				}
			}
			return nil
		})
	return few, first, err
}

// failing makes the unreadable files of a store one incident when they say that its drive
// is failing: it should be worn out no further.
func (t Audits) failing(a Audit) error {
	var ids []int64
	var incident int64
	if err := t.rows(`SELECT id, incident FROM finding WHERE store = $1 AND kind = 'unreadable' AND subject = 'file' AND settled = '' AND opened_at > $2 ORDER BY id`,
		[]any{a.Store, nanos(t.now.Add(-care.FailingWithin))}, func(r *sql.Rows) error {
			var id, in int64
			err := r.Scan(&id, &in)
			ids, incident = append(ids, id), max(incident, in)
			return err
		}); err != nil || !care.IsFailing(len(ids)) {
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
