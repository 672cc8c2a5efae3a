package ledger

import (
	"database/sql"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
)

// promises turns into findings what has been awaited or behind for longer than the
// store's promise, and ends editing windows that are over. unseen are, by set, the files that
// a complete listing did not show; of a set that wasn't listed to its end nothing is said.
// What was shown and is still to be read is no finding: its reading says what it is.
func (t Audits) promises(a Audit, unseen map[string]map[int64]bool, by string) error {
	rule, _ := t.l.o.Rules.Store(a.Store)
	st, err := t.Stores.Get(a.Store)
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
		if err := t.Stores.giveUp(a.Store, set, rule); err != nil {
			return err
		}
		arrived, err := t.Stores.arrived(a.Store, set)
		if err != nil {
			return err
		}
		waiting, err := t.Copies.where(`WHERE store = $1 AND set_name = $2 AND `+inStates("state", care.Waits)+` ORDER BY file`, a.Store, set)
		if err != nil {
			return err
		}
		gone, complete := unseen[set]
		listed := slices.Contains(a.Sets, set)
		if listed && !complete {
			waiting = nil
		}
		for _, was := range waiting {
			if was.State == fixity.Awaited && listed && !gone[was.File] || was.State == fixity.Behind && (was.Due.Equal(care.Now) || was.DueAtOnce()) {
				continue
			}
			c, follows := care.After(was, care.TimePassed{}, care.Given{Now: t.now, Store: rule, Arrived: arrived})
			if c != was {
				if err := t.Copies.Put(was, c); err != nil {
					return err
				}
			}
			if follows.Judge == care.JudgeAnew {
				if err := t.Findings.Rejudge(c.File, a.ID, by, a.Store, &seenAs{facts: []fixity.Fact{{Is: fixity.PastTerm}}, overdue: true}); err != nil {
					return err
				}
			}
		}
		var files []int64
		if err := t.rows(`SELECT file FROM instance WHERE store = $1 AND set_name = $2 AND state = $3 AND state <> 'intact' ORDER BY file`, []any{a.Store, set, string(fixity.Editing)}, func(r *sql.Rows) error {
			var id int64
			err := r.Scan(&id)
			files = append(files, id)
			return err
		}); err != nil {
			return err
		}
		for _, id := range files {
			if err := t.Files.endWindow(a, id, by); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t Files) endWindow(a Audit, file int64, by string) error {
	f, err := t.Get(file)
	if err != nil {
		return err
	}
	set, _ := t.l.o.Rules.Set(f.Set)
	if care.InWindow(set, f.Finished, f.Changed, t.now) {
		if f.Changed.After(t.now) { // the clock was wrong then
			_, err = t.exec(`UPDATE file SET changed_at = $2 WHERE id = $1`, f.ID, nanos(t.now))
		}
		return err
	}
	return t.Finish(f, by, "at rest for as long as its editing window")
}

// Finish ends a file's editing window.
func (t Files) Finish(f File, by, reason string) error {
	if err := t.StillFile(f); err != nil {
		return err
	}
	if err := t.SetFinished(f.ID); err != nil {
		return err
	}
	copies, err := t.Copies.Of(f.ID)
	if err != nil {
		return err
	}
	for _, c := range copies {
		if over, _ := care.After(c, care.WindowOver{}, care.Given{Now: t.now}); over != c {
			if err := t.Copies.Put(c, over); err != nil {
				return err
			}
		}
	}
	t.Event(Event{Verb: fixity.Finished, By: by, Set: f.Set, File: f.ID, Reason: reason})
	return t.Findings.Rejudge(f.ID, 0, by, "", nil)
}

// late opens, refreshes or ends the one finding that a store's promise "read
// within" is broken.
func (t Audits) late(a Audit, by string) error {
	rule, _ := t.l.o.Rules.Store(a.Store)
	var n int64
	if rule.ReadWithin > 0 {
		if err := t.row(`SELECT count(*) FROM instance WHERE store = $1 AND `+held+` AND `+countsFrom+` < $2`,
			[]any{a.Store, nanos(t.now.Add(-rule.ReadWithin - care.LateGrace))}, &n); err != nil {
			return err
		}
	}
	if n == 0 {
		return t.Findings.Clear(a.Store, "", fixity.OfStore, fixity.Late, "", fixity.IntactAgain, by)
	}
	return t.Findings.Found(fixity.Finding{Subject: fixity.OfStore, Kind: fixity.Late, Urgency: fixity.Tidy, Store: a.Store, Count: n, IntactIn: []string{}}, care.StepNone, a.ID, by)
}
