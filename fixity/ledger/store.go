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

// PutStore notes a configured store and its roots; what was known of it stays.
func (t *Tx) PutStore(s Store) error {
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

// Store reads one store; fixity.ErrNotFound if the ledger doesn't know it.
func (t *Tx) Store(name string) (Store, error) {
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

// Holdings is the id of these holdings.
func (t *Tx) Holdings() (string, error) {
	var id string
	err := t.row(`SELECT id FROM holdings`, nil, &id)
	return id, err
}

// Adopt records that a root is the store's from now on, by the marker id.
func (t *Tx) Adopt(store, set string, id fixity.Identity, by, reason string) error {
	if _, err := t.exec(`UPDATE store SET adopted_at = CASE WHEN adopted_at = 0 THEN $2 ELSE adopted_at END, seen_at = $2, holdings = $3, identity = $4 WHERE name = $1`,
		store, nanos(t.now), id.Holdings, id.Store); err != nil {
		return err
	}
	if _, err := t.exec(`UPDATE store_set SET adopted_at = $3 WHERE store = $1 AND set_name = $2`, store, set, nanos(t.now)); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.Adopted, By: by, Store: store, Set: set, Reason: reason, Data: map[string]any{"identity": id.Store}})
	return nil
}

// SeenStore notes that the store was there.
func (t *Tx) SeenStore(store string) error {
	_, err := t.exec(`UPDATE store SET seen_at = $2 WHERE name = $1`, store, nanos(t.now))
	return err
}

// Expected counts the files under care that a root was ever shown or said to hold
// (all but those awaited), and all that it should.
func (t *Tx) Expected(store, set string) (held, all int64, err error) {
	err = t.row(`SELECT count(*) FILTER (WHERE size >= 0), count(*) FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0`,
		[]any{store, set}, &held, &all)
	return held, all, err
}

// SampleFiles are up to n files that a root should hold, spread over the set by
// their numbers, with the size of their current version.
func (t *Tx) SampleFiles(store, set string, n int) ([]fixity.Known, error) {
	var all int64
	if err := t.row(`SELECT count(*) FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0`, []any{store, set}, &all); err != nil || all == 0 {
		return nil, err
	}
	stride := max(1, all/int64(n))
	var out []fixity.Known
	err := t.rows(`SELECT i.at, v.size, f.id FROM instance i JOIN file f ON f.id = i.file JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE i.store = $1 AND i.set_name = $2 AND i.carrier = 0 AND f.id % $3 = 0 ORDER BY f.id LIMIT $4`,
		[]any{store, set, stride, n}, func(r *sql.Rows) error {
			var at []byte
			var k fixity.Known
			if err := r.Scan(&at, &k.Size, &k.File); err != nil {
				return err
			}
			k.Path = string(at)
			out = append(out, k)
			return nil
		})
	return out, err
}

// scope is how an audit's narrowing is stored: set, newline, folder.
func scope(set, under string) string { return set + "\n" + under }

func splitScope(s string) (set, under string) {
	set, under, _ = strings.Cut(s, "\n")
	return set, under
}
