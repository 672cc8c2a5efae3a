package ledger

import (
	"database/sql"
	"strings"
	"time"

	"firmus/fixity"
)

// Store is a store as the ledger knows it.
type Store struct {
	Name, Kind string
	Holdings   string // what its marker says
	Identity   string
	Place      string
	Adopted    time.Time // zero if it never was
	First      time.Time // when it was first expected
	Seen       time.Time // last time it was there
	Retired    time.Time
	Roots      []Root
}

// Root is one set's place in a store.
type Root struct {
	Set, Root string
	Adopted   time.Time
	ListedAt  time.Time // last complete listing
}

// Put notes a configured store and its roots; what was known of it stays.
func (t Stores) Put(s Store) error {
	if _, err := t.exec(`INSERT INTO store (name, kind, place, first_at) VALUES ($1, $2, $3, $4)
		ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, place = excluded.place`,
		s.Name, s.Kind, s.Place, nanos(t.now)); err != nil {
		return err
	}
	for _, r := range s.Roots {
		if _, err := t.exec(`INSERT INTO store_set (store, set_name, root) VALUES ($1, $2, $3)
			ON CONFLICT (store, set_name) DO UPDATE SET root = excluded.root`, s.Name, r.Set, r.Root); err != nil {
			return err
		}
	}
	return nil
}

// Get reads one store; fixity.ErrNotFound if the ledger doesn't know it.
func (t Stores) Get(name string) (Store, error) {
	s := Store{Name: name}
	var adopted, first, seen, retired int64
	err := t.row(`SELECT kind, holdings, identity, place, adopted_at, first_at, seen_at, retired_at FROM store WHERE name = $1`,
		[]any{name}, &s.Kind, &s.Holdings, &s.Identity, &s.Place, &adopted, &first, &seen, &retired)
	if err != nil {
		return Store{}, err
	}
	s.Adopted, s.First, s.Seen, s.Retired = fromNanos(adopted), fromNanos(first), fromNanos(seen), fromNanos(retired)
	err = t.rows(`SELECT set_name, root, adopted_at, listed_complete_at FROM store_set WHERE store = $1 ORDER BY set_name`, []any{name}, func(r *sql.Rows) error {
		var x Root
		var a, l int64
		if err := r.Scan(&x.Set, &x.Root, &a, &l); err != nil {
			return err
		}
		x.Adopted, x.ListedAt = fromNanos(a), fromNanos(l)
		s.Roots = append(s.Roots, x)
		return nil
	})
	return s, err
}

// Retired are the names of the stores that were retired and not taken up again.
func (t Stores) Retired() (names []string, err error) {
	err = t.rows(`SELECT name FROM store WHERE retired_at <> 0 ORDER BY name`, nil, func(r *sql.Rows) error {
		var n string
		err := r.Scan(&n)
		names = append(names, n)
		return err
	})
	return names, err
}

// Holdings is the id of these holdings.
func (t Stores) Holdings() (string, error) {
	var id string
	err := t.row(`SELECT id FROM holdings`, nil, &id)
	return id, err
}

// Adopt records that a root is the store's from now on, by the marker id. A store that was
// retired is taken up again.
func (t Stores) Adopt(store, set string, id fixity.Identity, by, reason string) error {
	if _, err := t.exec(`UPDATE store SET adopted_at = CASE WHEN adopted_at = 0 THEN $2 ELSE adopted_at END, seen_at = $2, holdings = $3, identity = $4, retired_at = 0 WHERE name = $1`,
		store, nanos(t.now), id.Holdings, id.Store); err != nil {
		return err
	}
	if _, err := t.exec(`UPDATE store_set SET adopted_at = $3 WHERE store = $1 AND set_name = $2`, store, set, nanos(t.now)); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.Adopted, By: by, Store: store, Set: set, Reason: reason, Data: map[string]any{"identity": id.Store}})
	return nil
}

// Seen notes that the store was there.
func (t Stores) Seen(store string) error {
	_, err := t.exec(`UPDATE store SET seen_at = $2 WHERE name = $1`, store, nanos(t.now))
	return err
}

// Expected counts the files under care that a root was ever shown or said to hold
// (all but those awaited), and all that it should.
func (t Stores) Expected(store, set string) (held, all int64, err error) {
	if err := t.row(`SELECT count(*) FILTER (WHERE size >= 0), count(*) FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0`,
		[]any{store, set}, &held, &all); err != nil {
		return 0, 0, err
	}
	lacks, err := t.Lacks(store, set)
	return held, all + lacks, err
}

// SampleFiles are up to n files that a root should hold, spread over the set by
// their numbers, once for each version with its size: an old backup may hold earlier ones. Of
// a file that is disputed no version may be known: then as it lies there.
func (t Stores) SampleFiles(store, set string, n int) ([]fixity.Known, error) {
	var all int64
	if err := t.row(`SELECT count(*) FROM file WHERE set_name = $1 AND retired_at = 0`, []any{set}, &all); err != nil || all == 0 {
		return nil, err
	}
	stride := max(1, all/int64(n))
	return list(t.Tx, `SELECT at, size, id FROM (
			SELECT coalesce(i.at, f.path) AS at, v.size, f.id, v.n FROM file f JOIN version v ON v.file = f.id
			LEFT JOIN instance i ON i.file = f.id AND i.store = $1 AND i.set_name = $2 AND i.carrier = 0
			WHERE f.set_name = $2 AND f.retired_at = 0 AND f.id % $3 = 0
			UNION ALL
			SELECT i.at, i.size, f.id, 0 FROM instance i JOIN file f ON f.id = i.file
			WHERE i.store = $1 AND i.set_name = $2 AND i.carrier = 0 AND i.state <> 'intact' AND i.state = 'disputed' AND i.size >= 0
			AND f.retired_at = 0 AND f.id % $3 = 0
		) AS s ORDER BY id, n LIMIT $4`,
		[]any{store, set, stride, n}, func(r row) (fixity.Known, error) {
			var at []byte
			var k fixity.Known
			if err := r.Scan(&at, &k.Size, &k.File); err != nil {
				return k, err
			}
			k.Path = string(at)
			return k, nil
		})
}

// scope is how an audit's narrowing is stored: set, newline, folder.
func scope(set, under string) string { return set + "\n" + under }

func splitScope(s string) (set, under string) {
	set, under, _ = strings.Cut(s, "\n")
	return set, under
}
