package ledger

import (
	"database/sql"
	"fmt"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/policy"
)

// promises turns into findings what has been awaited or behind for longer than the
// store's promise, and ends editing windows that are over.
func (t *Tx) promises(a Audit, by string) error {
	rule, _ := t.l.o.Rules.Store(a.Store)
	st, err := t.Store(a.Store)
	if err != nil {
		return err
	}
	sets := slices.Clone(a.Sets)
	for _, r := range st.Roots {
		// A root that never held anything isn't listed; its files are awaited.
		if r.Adopted.IsZero() && !slices.Contains(sets, r.Set) {
			sets = append(sets, r.Set)
		}
	}
	for _, set := range sets {
		// What a clock that was wrong dated into the future counts from now.
		if _, err := t.exec(`UPDATE instance SET since = $3 WHERE store = $1 AND set_name = $2 AND state IN ('awaited', 'behind') AND since > $3`,
			a.Store, set, nanos(t.now)); err != nil {
			return err
		}
		var files []int64
		gather := func(r *sql.Rows) error {
			var id int64
			err := r.Scan(&id)
			files = append(files, id)
			return err
		}
		if err := t.rows(`SELECT file FROM instance WHERE store = $1 AND set_name = $2 AND state IN ('awaited', 'behind') AND since < $3 ORDER BY file`,
			[]any{a.Store, set, nanos(t.now.Add(-rule.ExpectWithin))}, gather); err != nil {
			return err
		}
		for _, id := range files {
			if err := t.Rejudge(id, a.ID, by, a.Store, &seenAs{detail: "not as it should be for longer than the store's promise"}); err != nil {
				return err
			}
		}
		files = files[:0]
		if err := t.rows(`SELECT file FROM instance WHERE store = $1 AND set_name = $2 AND state = 'editing' ORDER BY file`, []any{a.Store, set}, gather); err != nil {
			return err
		}
		for _, id := range files {
			if err := t.endWindow(a, id, by); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *Tx) endWindow(a Audit, file int64, by string) error {
	f, err := t.File(file)
	if err != nil {
		return err
	}
	set, _ := t.l.o.Rules.Set(f.Set)
	if policy.InWindow(set, f.Finished, f.Changed, t.now) {
		if f.Changed.After(t.now) { // the clock was wrong then
			_, err = t.exec(`UPDATE file SET changed_at = $2 WHERE id = $1`, f.ID, nanos(t.now))
		}
		return err
	}
	return t.Finish(f, by, "at rest for as long as its editing window")
}

// Finish ends a file's editing window.
func (t *Tx) Finish(f File, by, reason string) error {
	if err := t.StillFile(f); err != nil {
		return err
	}
	if err := t.SetFinished(f.ID); err != nil {
		return err
	}
	copies, err := t.Copies(f.ID)
	if err != nil {
		return err
	}
	for _, c := range copies {
		if over, _ := care.After(c, care.WindowOver{}, care.Rules{Now: t.now}); over != c {
			if err := t.PutCopy(c, over); err != nil {
				return err
			}
		}
	}
	t.Event(Event{Verb: fixity.Finished, By: by, Set: f.Set, File: f.ID, Reason: reason})
	return t.Rejudge(f.ID, 0, by, "", nil)
}

// late opens, refreshes or ends the one finding that a store's promise "read
// within" is broken.
func (t *Tx) late(a Audit, by string) error {
	rule, _ := t.l.o.Rules.Store(a.Store)
	var n int64
	if rule.ReadWithin > 0 {
		if err := t.row(`SELECT count(*) FROM instance WHERE store = $1 AND `+held+` AND `+countsFrom+` < $2`,
			[]any{a.Store, nanos(t.now.Add(-rule.ReadWithin - policy.LateGrace))}, &n); err != nil {
			return err
		}
	}
	if n == 0 {
		return t.Clear(a.Store, "", fixity.OfStore, fixity.Late, "", fixity.IntactAgain, by)
	}
	return t.Report(fixity.Finding{Subject: fixity.OfStore, Kind: fixity.Late, Urgency: fixity.Tidy, Store: a.Store, Count: n, IntactIn: []string{},
		Detail: fmt.Sprintf("%d files were not read within the promised time", n)}, policy.StepNone, a.ID, by)
}
