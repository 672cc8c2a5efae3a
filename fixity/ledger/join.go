package ledger

import (
	"database/sql"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Lacks counts the files of a set of which a store that should hold it has no copy on
// record, not even an awaited one: the store, or the set in it, was added later.
func (t Stores) Lacks(store, set string) (n int64, err error) {
	err = t.row(`SELECT (SELECT count(*) FROM file WHERE set_name = $2 AND retired_at = 0)
		- coalesce((SELECT CAST(sum(files) AS BIGINT) FROM tally WHERE store = $1 AND set_name = $2), 0)`, []any{store, set}, &n)
	return max(n, 0), err
}

// Join has a store await up to n of the files that it Lacks, those after a number, and
// gives the last; 0 when none is left. What lies at their paths is no stray any more. From
// then on the store is being filled. After a kill the next call finds what is left.
func (t Stores) Join(store, set string, after int64, n int) (last int64, err error) {
	var fs []File
	if err := t.rows(`SELECT `+fileColumns+` FROM file f WHERE f.set_name = $2 AND f.retired_at = 0 AND f.id > $3
		AND NOT EXISTS (SELECT 1 FROM instance i WHERE i.file = f.id AND i.store = $1 AND i.set_name = $2 AND i.carrier = 0) ORDER BY f.id LIMIT $4`,
		[]any{store, set, after, n}, func(r *sql.Rows) error {
			f, err := scanFile(r)
			fs = append(fs, f)
			return err
		}); err != nil || len(fs) == 0 {
		return 0, err
	}
	for _, f := range fs {
		c, _ := care.After(Copy{Store: store, Set: set, At: f.Path, File: f.ID}, care.Joined{}, t.Copies.careRules(f, store))
		if err := t.Copies.Put(Copy{}, c); err != nil {
			return 0, err
		}
		if err := t.Strays.Drop(store, set, f.Path); err != nil {
			return 0, err
		}
		last = f.ID
	}
	_, err = t.exec(`UPDATE store_set SET filling = 1, arrived_at = $3 WHERE store = $1 AND set_name = $2`, store, set, nanos(t.now))
	t.Tx.filling = nil
	return last, err
}

// Filling is how far a set of a store that joined is.
type Filling struct {
	Store, Set  string
	There, All  int64     // files
	LastArrived time.Time // or when it joined
}

// Filling are the sets of stores that are being filled, in the order of their names.
func (t Stores) Filling() ([]Filling, error) {
	return list(t.Tx, `SELECT s.store, s.set_name, s.arrived_at, CAST(coalesce(sum(y.files), 0) AS BIGINT), CAST(coalesce(sum(CASE WHEN y.state <> '`+string(fixity.Awaited)+`' THEN y.files END), 0) AS BIGINT)
		FROM store_set s LEFT JOIN tally y ON y.store = s.store AND y.set_name = s.set_name WHERE s.filling = 1
		GROUP BY s.store, s.set_name, s.arrived_at ORDER BY s.store, s.set_name`, nil, func(r row) (Filling, error) {
		var f Filling
		var at int64
		err := r.Scan(&f.Store, &f.Set, &at, &f.All, &f.There)
		f.LastArrived = fromNanos(at)
		return f, err
	})
}

// Words say how far it is.
func (f Filling) Words() string {
	return fmt.Sprintf("being filled: %d of %s of %s there", f.There, fixity.Count(f.All, "file"), f.Set)
}

// arrived is when a file last arrived in a store's set that is being filled; zero if it isn't.
func (t Stores) arrived(store, set string) (time.Time, error) {
	if t.filling == nil {
		t.Tx.filling = map[care.RootOf]time.Time{}
		fs, err := t.Filling()
		if err != nil {
			return time.Time{}, err
		}
		for _, f := range fs {
			t.filling[care.RootOf{Store: f.Store, Set: f.Set}] = f.LastArrived
		}
	}
	return t.filling[care.RootOf{Store: store, Set: set}], nil
}

// arrive notes that files have come into a store's set that is being filled. With the
// last of them that is over.
func (t Stores) arrive(store, set string) error {
	at, err := t.arrived(store, set)
	if err != nil || at.IsZero() {
		return err
	}
	var awaited int64
	if err := t.row(`SELECT files FROM tally WHERE store = $1 AND set_name = $2 AND state = $3`, []any{store, set, string(fixity.Awaited)}, &awaited); err != nil {
		return err
	}
	_, err = t.exec(`UPDATE store_set SET arrived_at = $3, filling = $4 WHERE store = $1 AND set_name = $2`, store, set, nanos(t.now), b2i(awaited > 0))
	return err
}

// giveUp ends the filling of a store's set into which nothing has come for as long as the
// store's promise. What is awaited there is a finding from then on.
func (t Stores) giveUp(store, set string, rule care.Store) error {
	at, err := t.arrived(store, set)
	if err != nil || at.IsZero() || !care.Waited(at, t.now, rule.ExpectWithin) {
		return err
	}
	t.Tx.filling = nil
	_, err = t.exec(`UPDATE store_set SET filling = 0 WHERE store = $1 AND set_name = $2`, store, set)
	return err
}

// TakenOut is a store that the ledger knows and the configuration doesn't name any more.
type TakenOut struct {
	Store string `json:"store"`
	Set   string `json:"set"` // if only that was taken out of a store; "" for all of it
	Files int64  `json:"files"`
}

// Words say so, and what to do.
func (x TakenOut) Words() string {
	if x.Set != "" {
		return fmt.Sprintf("set %s was taken out of store %s in the configuration: what lies there of it counts for nothing. Write it there again, or end its use: firmus store retire %s --set %s --reason TEXT", x.Set, x.Store, x.Store, x.Set)
	}
	return fmt.Sprintf("store %s is not in the configuration any more: what lies there counts for nothing. Write it there again, or end its use: firmus store retire %s --reason TEXT", x.Store, x.Store)
}

// TakenOut are the stores, and sets of stores, that hold files by the ledger and are not
// in the configuration. They count for nothing.
func (t Stores) TakenOut() (out []TakenOut, err error) {
	err = t.rows(`SELECT y.store, y.set_name, CAST(sum(y.files) AS BIGINT) FROM tally y GROUP BY y.store, y.set_name HAVING sum(y.files) > 0 ORDER BY y.store, y.set_name`, nil, func(r *sql.Rows) error {
		var x TakenOut
		if err := r.Scan(&x.Store, &x.Set, &x.Files); err != nil || t.l.o.Rules.Keeps(x.Store, x.Set) {
			return err
		}
		if _, ok := t.l.o.Rules.Store(x.Store); !ok {
			x.Set = ""
			if n := len(out); n > 0 && out[n-1].Store == x.Store {
				out[n-1].Files += x.Files
				return nil
			}
		}
		out = append(out, x)
		return nil
	})
	return out, err
}

// Uncount judges anew the open findings that name a store which was taken out of the
// configuration as one that has an intact copy.
func (t Stores) Uncount(by string) error {
	out, err := t.TakenOut()
	if err != nil {
		return err
	}
	for _, x := range out {
		fs, err := t.Findings.where(`WHERE settled = '' AND file <> 0 AND kind <> 'unfinished' AND intact_in LIKE $1 ORDER BY id`, `%"`+x.Store+`"%`)
		if err != nil {
			return err
		}
		for _, f := range fs {
			if x.Set != "" && x.Set != f.Set {
				continue
			}
			if err := t.Findings.Rejudge(f.File, 0, by, "", nil); err != nil {
				return err
			}
		}
	}
	return nil
}
