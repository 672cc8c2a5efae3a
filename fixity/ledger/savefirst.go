package ledger

import (
	"database/sql"
	"fmt"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Elsewhere is a file that a store should have, and what other stores hold of it.
type Elsewhere struct {
	File   File
	Others int64    // independent ones that were shown to hold its current version
	In     []string // all that were, those that are not independent of each other too
}

// SaveFirst are the files that a store should have and that the fewest other stores
// were shown to hold, at most n of them: what to save first when its drive fails.
// Stores that a program keeps in step with it are no others. only is how many files
// no other store holds at all. Masters come first among equals.
func (t Copies) SaveFirst(store string, n int) (fs []Elsewhere, only int64, err error) {
	rules, err := t.Stores.Rules()
	if err != nil {
		return nil, 0, err
	}
	h, err := t.holders("o", 2, inStates("o.state", care.HoldsVersion))
	if err != nil {
		return nil, 0, err
	}
	args := append([]any{store}, h.args...)
	arg := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("$%d", len(args))
	}
	held := `SELECT f.id AS id, f.set_name AS set_name, f.path AS path, ` + h.sum + ` AS held_by
		FROM file f JOIN instance o ON o.file = f.id
		WHERE f.retired_at = 0 AND EXISTS (SELECT 1 FROM instance i WHERE i.file = f.id AND i.store = $1 AND i.size >= 0)
		GROUP BY f.id, f.set_name, f.path`
	// Few sums differ: how many others each of them is, is found out beforehand.
	others, alone := map[int64]int64{}, int64(0)
	if err := t.rows(`SELECT held_by, count(*) FROM (`+held+`) AS held GROUP BY held_by ORDER BY held_by`, args, func(r *sql.Rows) error {
		var sum, files int64
		if err := r.Scan(&sum, &files); err != nil {
			return err
		}
		others[sum] = int64(rules.CountIndependent(apartFrom(rules, h.in(sum), store)))
		if others[sum] == 0 {
			alone += files
		}
		return nil
	}); err != nil {
		return nil, 0, fmt.Errorf("what has the fewest copies besides %s: %w", store, err)
	}
	if len(others) == 0 {
		return nil, 0, nil
	}
	count := "CASE held_by"
	for sum, n := range others {
		count += fmt.Sprintf(" WHEN %d THEN %d", sum, n)
	}
	count += " ELSE 0 END"
	role := "CASE"
	for _, s := range rules.Sets {
		if s.Role == fixity.Master {
			role += " WHEN set_name = " + arg(s.Name) + " THEN 0"
		}
	}
	if role += " ELSE 1 END"; role == "CASE ELSE 1 END" {
		role = "1"
	}
	type row struct{ id, others int64 }
	var rows []row
	if err := t.rows(`SELECT id, others FROM (SELECT id, set_name, path, `+role+` AS rank, `+count+` AS others FROM (`+held+`) AS held) AS per
		ORDER BY others, rank, set_name, path, id LIMIT `+arg(n), args, func(r *sql.Rows) error {
		var x row
		err := r.Scan(&x.id, &x.others)
		rows = append(rows, x)
		return err
	}); err != nil {
		return nil, 0, fmt.Errorf("what has the fewest copies besides %s: %w", store, err)
	}
	for _, x := range rows {
		e := Elsewhere{Others: x.others}
		if e.File, err = t.Files.Get(x.id); err != nil {
			return nil, 0, err
		}
		copies, err := t.Of(x.id)
		if err != nil {
			return nil, 0, err
		}
		for _, c := range copies {
			if rules.Counts(c, e.File.Version) && rules.Independent(c.Store, store) {
				e.In = append(e.In, c.Store)
			}
		}
		fs = append(fs, e)
	}
	return fs, alone, nil
}

// apartFrom are the stores that are independent of one.
func apartFrom(rules care.Rules, stores []string, one string) []string {
	return slices.DeleteFunc(slices.Clone(stores), func(s string) bool { return !rules.Independent(s, one) })
}
