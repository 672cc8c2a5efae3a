package ledger

import (
	"database/sql"
	"maps"
	"math"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger/record"
)

// Life is when a file came under care and when it was retired, with how long it is.
type Life struct {
	ID      int64
	Set     string
	Item    string
	Taken   time.Time
	Retired time.Time     // zero: it is under care
	Sound   time.Duration // of the version under care; 0: not known
}

// Lives calls each for every file that is or was under care.
func (t Files) Lives(each func(Life) error) error {
	return t.rows(`SELECT f.id, f.set_name, f.item, f.taken_at, f.retired_at, COALESCE(v.duration, 0) FROM file f
		LEFT JOIN version v ON v.file = f.id AND v.n = f.version`, nil, func(r *sql.Rows) error {
		var x Life
		var item []byte
		var taken, retired, sound int64
		if err := r.Scan(&x.ID, &x.Set, &item, &taken, &retired, &sound); err != nil {
			return err
		}
		x.Item, x.Taken, x.Retired, x.Sound = string(item), fromNanos(taken), fromNanos(retired), time.Duration(sound)
		return each(x)
	})
}

// ReadOf is a reading of all bytes of a file in a store.
type ReadOf struct {
	Store string
	File  int64
	At    int64 // nanoseconds since 1970 UTC
}

// ReadsSince calls each for the readings of copies in stores since a time, in no order, as the
// record has them: those that a page cache may have answered are left out, and so are those
// that a medium refused. The newest reading of each copy is always among them.
//
// The record of an intake said once only how often a file was read, not where. Such readings
// count for the store in which files arrive; unsure says that there are any.
func (t Audits) ReadsSince(since time.Time, each func(ReadOf)) (unsure bool, err error) {
	stores, first := map[int64]string{}, int64(0)
	if err := t.rows(`SELECT id, store FROM audit WHERE ended_at = 0 OR ended_at >= $1`, []any{nanos(since)}, func(r *sql.Rows) error {
		var id int64
		var store string
		if err := r.Scan(&id, &store); err != nil {
			return err
		}
		if first == 0 || id < first {
			first = id
		}
		stores[id] = store
		return nil
	}); err != nil {
		return false, err
	}
	intakes := map[int64][]string{} // by event, the store of each of its lines
	if err := t.Log.Between(since, forever, []fixity.Verb{fixity.TakenIn}, func(e Event) error {
		of, _ := e.Told()["stores"].(map[string]any)
		for _, s := range slices.Sorted(maps.Keys(of)) {
			n, _ := of[s].(float64)
			intakes[e.Seq] = append(intakes[e.Seq], slices.Repeat([]string{s}, int(n))...)
		}
		unsure = unsure || of == nil
		return nil
	}); err != nil {
		return false, err
	}
	if first > 0 {
		if err := t.Log.ReadingsFrom(first, func(audit, event int64, lines []record.Line) {
			of := intakes[event]
			for i, l := range lines {
				s := stores[audit]
				if len(of) == len(lines) {
					s = of[i]
				}
				if s != "" && l.At >= nanos(since) && l.Cache != fixity.Allowed && l.Outcome != fixity.ReadUnreadable {
					each(ReadOf{s, l.File, l.At})
				}
			}
		}); err != nil {
			return false, err
		}
	}
	names, err := list(t.Tx, `SELECT name FROM store ORDER BY name`, nil, func(r row) (s string, err error) { err = r.Scan(&s); return s, err })
	for _, store := range names {
		if err == nil {
			err = t.rows(`SELECT file, read_at FROM instance WHERE store = $1 AND carrier = 0 AND read_at >= $2 AND read_at > 0 AND read_cache <> 'allowed'`, []any{store, nanos(since)}, func(r *sql.Rows) error {
				x := ReadOf{Store: store}
				err := r.Scan(&x.File, &x.At)
				each(x)
				return err
			})
		}
	}
	return unsure, err
}

// forever is behind all that was recorded.
var forever = time.Unix(0, math.MaxInt64)

// DayRead is what was read on one day, in a store.
type DayRead struct {
	Day         string // 2026-11-30, UTC
	Read, Bytes int64
}

// Days are those from one to another, by day and store.
func (t Audits) Days(from, to string) ([]DayRead, error) {
	return list(t.Tx, `SELECT day, read, bytes FROM day WHERE day >= $1 AND day <= $2 ORDER BY day, store`, []any{from, to}, func(r row) (d DayRead, err error) {
		err = r.Scan(&d.Day, &d.Read, &d.Bytes)
		return d, err
	})
}

// AdoptedAt is when the sets of each store were first found in it, the earliest of each store.
func (t Stores) AdoptedAt() (map[string]time.Time, error) {
	out := map[string]time.Time{}
	err := t.rows(`SELECT store, min(adopted_at) FROM store_set WHERE adopted_at > 0 GROUP BY store`, nil, func(r *sql.Rows) error {
		var store string
		var at int64
		err := r.Scan(&store, &at)
		out[store] = fromNanos(at)
		return err
	})
	return out, err
}

// Spans calls each for when every finding was opened and when it ended; zero: it is open.
func (t Findings) Spans(each func(opened, settled time.Time)) error {
	return t.rows(`SELECT opened_at, settled_at, settled FROM finding`, nil, func(r *sql.Rows) error {
		var opened, settled int64
		var how string
		if err := r.Scan(&opened, &settled, &how); err != nil {
			return err
		}
		if how == "" {
			settled = 0
		}
		each(fromNanos(opened), fromNanos(settled))
		return nil
	})
}
