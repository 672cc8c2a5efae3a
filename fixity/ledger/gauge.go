package ledger

import (
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Touched makes the copy at a path of a store due, and those below it if it is, or
// was, a folder; ahead of all others if ahead is set. seen is how many were ever seen
// there, expected how many should be: none if no file is under care there.
func (t Copies) Touched(store, set, path string, ahead bool) (seen, expected int64, err error) {
	for _, w := range []struct {
		top, from, to string // "0" is the character after "/": all that lies below
	}{{top(path), path, path + "\x00"}, {top(path + "/"), path + "/", path + "0"}} {
		cs, err := t.where(`WHERE store = $1 AND set_name = $2 AND carrier = 0 AND top = $3 AND at >= $4 AND at < $5`, store, set, []byte(w.top), []byte(w.from), []byte(w.to))
		if err != nil {
			return 0, 0, err
		}
		for _, c := range cs {
			expected++
			if c.Seen() {
				seen++
			}
			if err := t.see(c, care.Touched{Ahead: ahead}); err != nil {
				return 0, 0, err
			}
		}
		if expected > 0 {
			break
		}
	}
	return seen, expected, nil
}

// OpenCount is how many findings of a kind are open.
type OpenCount struct {
	Store   string
	Kind    fixity.Kind
	Urgency fixity.Urgency
	N       int64
}

// OpenCounts counts the open findings.
func (t Findings) OpenCounts() ([]OpenCount, error) {
	return list(t.Tx, `SELECT store, kind, urgency, count(*) FROM finding WHERE settled = '' GROUP BY store, kind, urgency ORDER BY store, kind, urgency`, nil, func(r row) (OpenCount, error) {
		var c OpenCount
		err := r.Scan(&c.Store, &c.Kind, &c.Urgency, &c.N)
		return c, err
	})
}

// Coverage is how well a store's promise to be read is kept. It counts the copies
// that were shown to hold a version; a reading that was left to the page cache is
// none.
type Coverage struct {
	Files, Bytes    int64
	Within, InBytes int64     // of them: read within the promise
	Oldest          time.Time // reading, of those that were read; zero if none was
	NeverRead       int64
}

// held are the copies that a promise to read is about.
var held = `carrier = 0 AND held > 0 AND ` + inStates("state", care.ReadInTurn)

// countsFrom is since when a copy has waited to be read: its last reading; without
// one, since when it is as it is there; and if that was left to the page cache, when
// it was taken in.
const countsFrom = `CASE WHEN read_at = 0 THEN since WHEN read_cache = 'allowed' THEN (SELECT taken_at FROM file WHERE id = instance.file) ELSE read_at END`

// Coverage looks at each copy in a store: not for every scrape.
func (t Copies) Coverage(store string, since time.Time) (Coverage, error) {
	var c Coverage
	var oldest int64
	err := t.row(`SELECT count(*), CAST(coalesce(sum(size), 0) AS BIGINT),
			count(*) FILTER (WHERE read_at >= $2 AND read_cache <> 'allowed'), CAST(coalesce(sum(CASE WHEN read_at >= $2 AND read_cache <> 'allowed' THEN size END), 0) AS BIGINT),
			coalesce(min(CASE WHEN read_at > 0 AND read_cache <> 'allowed' THEN read_at END), 0),
			count(*) FILTER (WHERE read_at = 0 OR read_cache = 'allowed')
		FROM instance WHERE store = $1 AND `+held, []any{store, nanos(since)}, &c.Files, &c.Bytes, &c.Within, &c.InBytes, &oldest, &c.NeverRead)
	c.Oldest = fromNanos(oldest)
	return c, err
}

// Deadline is how much must be read by the end of a day for a promise to be kept.
type Deadline struct {
	Day          time.Time // UTC; what is late already is on an early day
	Files, Bytes int64
}

// Deadlines looks at each copy in a store: not for every scrape. A copy whose only
// reading was left to the page cache counts from when it was taken in, one that was
// never read from when it was shown to be there.
func (t Copies) Deadlines(store string, within time.Duration) ([]Deadline, error) {
	const day = int64(24 * time.Hour)
	return list(t.Tx, `SELECT (`+countsFrom+` + $2) / $3 AS day,
			count(*), CAST(coalesce(sum(CASE WHEN size > 0 THEN size END), 0) AS BIGINT)
		FROM instance WHERE store = $1 AND `+held+` GROUP BY 1 ORDER BY 1`, []any{store, int64(within), day}, func(r row) (Deadline, error) {
		var d Deadline
		var n int64
		err := r.Scan(&n, &d.Files, &d.Bytes)
		d.Day = fromNanos(n * day)
		return d, err
	})
}
