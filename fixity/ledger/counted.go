package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"time"

	"firmus/fixity/care"
)

// ErrMiscounted: what each transaction adds up is not what there is.
var ErrMiscounted = errors.New("the ledger's own counts are not right")

// counted is all that transactions add up as they change it, so that a statement need not
// look at each file and copy.
type counted struct {
	tallies map[tallyKey]tallyDelta
	extents map[extentKey]extent
	items   map[itemKey]int64
	ages    map[ageKey]int64
	few     map[fewKey]int64 // 1 of each
}

// basisSays is fixity.Basis.Says of a copy.
const basisSays = `reported_by NOT IN ('not-yet', 'parts', 'sign')`

func newCounted() counted {
	return counted{map[tallyKey]tallyDelta{}, map[extentKey]extent{}, map[itemKey]int64{}, map[ageKey]int64{}, map[fewKey]int64{}}
}

// add adds n times what a file adds.
func (c *counted) add(id int64, f filed, n int64) {
	if f.set == "" {
		return
	}
	c.extents[f.key()] = c.extents[f.key()].plus(n, f.extent())
	if f.item != "" {
		c.items[itemKey{f.set, f.item}] += n
	}
	if s := f.stores(); s < 2 {
		c.few[fewKey{s, id}] += n
	}
}

// countAgain looks at each file and copy.
func (t *Tx) countAgain() (counted, error) {
	c := newCounted()
	if err := t.Copies.filed(files{}, func(id int64, f filed) error { c.add(id, f, 1); return nil }); err != nil {
		return c, err
	}
	if err := t.rows(`SELECT store, set_name, state, count(*), CAST(sum(CASE WHEN size < 0 THEN 0 ELSE size END) AS BIGINT) FROM instance
		GROUP BY store, set_name, state`, nil, func(r *sql.Rows) error {
		var k tallyKey
		var x tallyDelta
		err := r.Scan(&k.store, &k.set, &k.state, &x.files, &x.bytes)
		c.tallies[k] = x
		return err
	}); err != nil {
		return c, err
	}
	if err := t.rows(`SELECT store, set_name, CASE WHEN reported_ok = 0 AND `+basisSays+` THEN 'other' ELSE reported_by END, count(*)
		FROM instance WHERE carrier = 0 AND reported_by <> '' AND `+inStates("state", care.HoldsVersion)+` GROUP BY 1, 2, 3`, nil, func(r *sql.Rows) error {
		var store, set, by string
		var n int64
		err := r.Scan(&store, &set, &by, &n)
		c.ages[ageKey{store, set, ageBy + by, 0}] = n
		return err
	}); err != nil {
		return c, err
	}
	return c, t.rows(`SELECT store, set_name, CASE WHEN read_at <> 0 THEN read_at / $1 ELSE -1 END, CASE WHEN `+held+` THEN (`+countsFrom+`) / $1 ELSE -1 END,
			CASE WHEN read_at = 0 AND size >= 0 THEN 1 ELSE 0 END, CASE WHEN read_cache = 'allowed' THEN 1 ELSE 0 END, count(*)
		FROM instance WHERE carrier = 0 GROUP BY 1, 2, 3, 4, 5, 6`, []any{minute}, func(r *sql.Rows) error {
		var store, set string
		var read, waits, never, allowed, n int64
		err := r.Scan(&store, &set, &read, &waits, &never, &allowed, &n)
		addAges(c.ages, store, set, read, waits, never != 0, allowed != 0, n)
		return err
	})
}

// kept reads what the transactions added up.
func (t *Tx) kept() (counted, error) {
	c := newCounted()
	return c, errors.Join(
		t.rows(`SELECT stores, file FROM few`, nil, func(r *sql.Rows) error {
			var k fewKey
			err := r.Scan(&k.stores, &k.file)
			c.few[k] = 1
			return err
		}),
		t.rows(`SELECT store, set_name, state, files, bytes FROM tally`, nil, func(r *sql.Rows) error {
			var k tallyKey
			var x tallyDelta
			err := r.Scan(&k.store, &k.set, &k.state, &x.files, &x.bytes)
			c.tallies[k] = x
			return err
		}),
		t.rows(`SELECT set_name, held, read, files, sound, unknown FROM extent`, nil, func(r *sql.Rows) error {
			var k extentKey
			var x extent
			var d int64
			err := r.Scan(&k.set, &k.held, &k.read, &x.files, &d, &x.unknown)
			x.sound = time.Duration(d)
			c.extents[k] = x
			return err
		}),
		t.rows(`SELECT set_name, item, files FROM item`, nil, func(r *sql.Rows) error {
			var k itemKey
			var item []byte
			var n int64
			err := r.Scan(&k.set, &item, &n)
			k.item = string(item)
			c.items[k] = n
			return err
		}),
		t.rows(`SELECT store, set_name, what, minute, files FROM age`, nil, func(r *sql.Rows) error {
			var k ageKey
			var n int64
			err := r.Scan(&k.store, &k.set, &k.what, &k.minute, &n)
			c.ages[k] = n
			return err
		}))
}

// Miscounted holds what the transactions added up against what there is. The error wraps
// ErrMiscounted and says what differs.
func (t *Tx) Miscounted() error {
	is, err := t.countAgain()
	if err != nil {
		return err
	}
	kept, err := t.kept()
	if err != nil {
		return err
	}
	return cmp.Or(
		differ(kept.tallies, is.tallies, func(k tallyKey) string { return fmt.Sprintf("copies in %s, %s that are %s", k.store, k.set, k.state) }),
		differ(kept.extents, is.extents, func(k extentKey) string {
			return fmt.Sprintf("files of %s in the stores [%s], read in [%s]", k.set, k.held, k.read)
		}),
		differ(kept.items, is.items, func(k itemKey) string { return fmt.Sprintf("files of item %q in %s", DisplayPath(k.item), k.set) }),
		differ(kept.ages, is.ages, func(k ageKey) string {
			return fmt.Sprintf("copies in %s, %s (%s, %s)", k.store, k.set, k.what, fromNanos(k.minute*minute).Format(time.RFC3339))
		}),
		differ(kept.few, is.few, func(k fewKey) string { return fmt.Sprintf("file %d among those in few stores", k.file) }))
}

func (x extent) String() string {
	return fmt.Sprintf("%d (%v of sound, %d of unknown length)", x.files, x.sound, x.unknown)
}

func (d tallyDelta) String() string { return fmt.Sprintf("%d (%d bytes)", d.files, d.bytes) }

// differ says where two counts differ, the first by name; nil if they don't.
func differ[K, V comparable](kept, is map[K]V, name func(K) string) error {
	var zero V
	first := ""
	for k := range maps.Keys(kept) {
		if kept[k] != is[k] {
			if s := fmt.Sprintf("%s: %v kept, %v counted", name(k), kept[k], is[k]); first == "" || s < first {
				first = s
			}
		}
	}
	for k, v := range is {
		if _, ok := kept[k]; !ok && v != zero {
			if s := fmt.Sprintf("%s: none kept, %v counted", name(k), v); first == "" || s < first {
				first = s
			}
		}
	}
	if first == "" {
		return nil
	}
	return fmt.Errorf("%s: %w", first, ErrMiscounted)
}

// CountAnew counts all files and copies again and keeps that.
func (t *Tx) CountAnew() error {
	c, err := t.countAgain()
	if err != nil {
		return err
	}
	for _, q := range []string{`DELETE FROM tally`, `DELETE FROM extent`, `DELETE FROM item`, `DELETE FROM few`, `DELETE FROM age`} {
		if _, err := t.exec(q); err != nil {
			return err
		}
	}
	// What the transaction changed is in these counts already.
	t.tally, t.ages, t.before = c.tallies, c.ages, map[int64]filed{}
	return t.Copies.putFiled(c)
}

// CheckCounts is Miscounted, in a transaction of its own.
func (l *Ledger) CheckCounts(ctx context.Context) error {
	return l.View(ctx, func(t *Tx) error { return t.Miscounted() })
}

// CountAnew counts all files and copies again, in a transaction of its own.
func (l *Ledger) CountAnew(ctx context.Context, now time.Time) error {
	return l.Tx(ctx, now, func(t *Tx) error { return t.CountAnew() })
}
