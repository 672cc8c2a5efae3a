package ledger

import (
	"database/sql"
	"fmt"

	"firmus/fixity"
)

// Elsewhere is a file that a store should have, and what other stores hold of it.
type Elsewhere struct {
	File   File
	Others int64    // independent ones that were shown to hold its current version
	In     []string // all that were, those that are not independent of each other too
}

// Fewest are the files that a store should have and that the fewest other stores
// were shown to hold, at most n of them: what to save first when its drive fails.
// Stores that a program keeps in step with it are no others. only is how many files
// no other store holds at all. Masters come first among equals.
func (t *Tx) Fewest(store string, n int) (fs []Elsewhere, only int64, err error) {
	rules := t.l.o.Rules
	args := []any{store}
	arg := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("$%d", len(args))
	}
	leader := "CASE"
	for _, s := range rules.Stores {
		leader += " WHEN o.store = " + arg(s.Name) + " THEN " + arg(rules.Leader(s.Name))
	}
	leader += " ELSE o.store END"
	own := arg(rules.Leader(store))
	role := "CASE"
	for _, s := range rules.Sets {
		if s.Role == fixity.Master {
			role += " WHEN f.set_name = " + arg(s.Name) + " THEN 0"
		}
	}
	if role += " ELSE 1 END"; role == "CASE ELSE 1 END" {
		role = "1"
	}
	const holds = `o.held = f.version AND f.version > 0 AND o.state IN ('intact', 'editing', 'misplaced')`
	per := `SELECT f.id AS id, f.set_name AS set_name, f.path AS path, ` + role + ` AS rank,
			count(DISTINCT CASE WHEN ` + holds + ` AND ` + leader + ` <> ` + own + ` THEN ` + leader + ` END) AS others
		FROM file f JOIN instance o ON o.file = f.id
		WHERE f.retired_at = 0 AND EXISTS (SELECT 1 FROM instance i WHERE i.file = f.id AND i.store = $1 AND i.size >= 0)
		GROUP BY f.id, f.set_name, f.path`
	type row struct{ id, others int64 }
	var rows []row
	if err := t.rows(`SELECT id, others FROM (`+per+`) AS per ORDER BY others, rank, set_name, path, id LIMIT `+arg(n), args, func(r *sql.Rows) error {
		var x row
		err := r.Scan(&x.id, &x.others)
		rows = append(rows, x)
		return err
	}); err != nil {
		return nil, 0, fmt.Errorf("what has the fewest copies besides %s: %w", store, err)
	}
	for _, x := range rows {
		e := Elsewhere{Others: x.others}
		if e.File, err = t.File(x.id); err != nil {
			return nil, 0, err
		}
		copies, err := t.Copies(x.id)
		if err != nil {
			return nil, 0, err
		}
		for _, c := range copies {
			if c.Held == e.File.Version && c.Held > 0 && rules.Independent(c.Store, store) &&
				(c.State == fixity.Intact || c.State == fixity.Editing || c.State == fixity.Misplaced) {
				e.In = append(e.In, c.Store)
			}
		}
		fs = append(fs, e)
	}
	err = t.row(`SELECT count(*) FROM (`+per+`) AS per WHERE others = 0`, args[:len(args)-1], &only)
	return fs, only, err
}
