package ledger

import (
	"database/sql"
	"maps"
	"slices"
	"time"

	"firmus/fixity"
)

// SetSummary is what is known of one set in one store.
type SetSummary struct {
	Store, Set   string
	Adopted      bool
	States       map[fixity.State]int64
	Bytes        int64
	ListedAt     time.Time // last complete listing
	OldestRead   time.Time // of the copies that were ever read
	NewestRead   time.Time
	Unread       time.Time // since when the copy waits that waited longest to be read; zero if none does
	NeverRead    int64     // copies that were seen there and not read yet
	CacheAllowed int64     // copies whose only reading may have been answered by the page cache
}

// Summaries are of every set in every store, in their order by name.
func (t *Tx) Summaries() ([]SetSummary, error) {
	var out []SetSummary
	at := map[[2]string]int{}
	err := t.rows(`SELECT store, set_name, adopted_at, listed_complete_at FROM store_set ORDER BY store, set_name`, nil, func(r *sql.Rows) error {
		s := SetSummary{States: map[fixity.State]int64{}}
		var adopted, listed int64
		if err := r.Scan(&s.Store, &s.Set, &adopted, &listed); err != nil {
			return err
		}
		s.Adopted, s.ListedAt = adopted != 0, fromNanos(listed)
		at[[2]string{s.Store, s.Set}] = len(out)
		out = append(out, s)
		return nil
	})
	if err != nil {
		return nil, err
	}
	tallies, err := t.Tallies()
	if err != nil {
		return nil, err
	}
	for _, x := range tallies {
		if i, ok := at[[2]string{x.Store, x.Set}]; ok {
			out[i].States[x.State] += x.Files
			out[i].Bytes += x.Bytes
		}
	}
	err = t.rows(`SELECT store, set_name, coalesce(min(CASE WHEN read_at > 0 THEN read_at END), 0), coalesce(max(read_at), 0),
			count(*) FILTER (WHERE read_at = 0 AND size >= 0), count(*) FILTER (WHERE read_cache = 'allowed'),
			coalesce(min(CASE WHEN `+held+` THEN `+countsFrom+` END), 0)
		FROM instance WHERE carrier = 0 GROUP BY store, set_name`, nil, func(r *sql.Rows) error {
		var store, set string
		var oldest, newest, never, allowed, unread int64
		if err := r.Scan(&store, &set, &oldest, &newest, &never, &allowed, &unread); err != nil {
			return err
		}
		if i, ok := at[[2]string{store, set}]; ok {
			out[i].Unread = fromNanos(unread)
			out[i].OldestRead, out[i].NewestRead, out[i].NeverRead, out[i].CacheAllowed = fromNanos(oldest), fromNanos(newest), never, allowed
		}
		return nil
	})
	return out, err
}

// CopiesCount is how many files have so many stores, of those that count apart, that
// were shown to hold them: by a reading or a service's report (Files), and by a reading
// alone (Read).
type CopiesCount struct{ Copies, Files, Read int64 }

// Conditions of copies that count as holding what is said to be held. A reading is of
// what lies there if the service has not reported another thing since.
const (
	shownToHold = `i.state IN ('intact', 'editing', 'misplaced', 'behind')`
	readToHold  = shownToHold + ` AND i.read_at > 0 AND i.read_ok = 1 AND (i.reported_ok = 0 OR i.reported_at <= i.read_at)`
)

// CopiesCounts counts files by the number of independent stores shown to hold their
// current version, the fewest first.
func (t *Tx) CopiesCounts() ([]CopiesCount, error) {
	files, err := t.filesByCopies(shownToHold)
	if err != nil {
		return nil, err
	}
	read, err := t.filesByCopies(readToHold)
	if err != nil {
		return nil, err
	}
	all := maps.Clone(files)
	maps.Copy(all, read)
	var out []CopiesCount
	for _, n := range slices.Sorted(maps.Keys(all)) {
		out = append(out, CopiesCount{Copies: n, Files: files[n], Read: read[n]})
	}
	return out, nil
}

// filesByCopies counts files by the number of independent stores whose copies meet a
// condition.
func (t *Tx) filesByCopies(counts string) (map[int64]int64, error) {
	rules, err := t.Rules()
	if err != nil {
		return nil, err
	}
	h, err := t.holders("i", 1, counts)
	if err != nil {
		return nil, err
	}
	files := map[int64]int64{}
	err = t.rows(`SELECT held_by, count(*) FROM (SELECT f.id, `+h.sum+` AS held_by
			FROM file f LEFT JOIN instance i ON i.file = f.id WHERE f.retired_at = 0 GROUP BY f.id) AS per
		GROUP BY held_by`, h.args, func(r *sql.Rows) error {
		var sum, n int64
		err := r.Scan(&sum, &n)
		files[int64(rules.CountIndependent(h.in(sum)))] += n
		return err
	})
	return files, err
}

// FilesOfItem are the files under care of one item, by set and path.
func (t *Tx) FilesOfItem(item string) ([]File, error) {
	var out []File
	err := t.rows(`SELECT `+fileColumns+` FROM file WHERE item = $1 ORDER BY set_name, path, id`, []any{[]byte(item)}, func(r *sql.Rows) error {
		f, err := scanFile(r)
		out = append(out, f)
		return err
	})
	return out, err
}

// OpenByUrgency counts open findings.
func (t *Tx) OpenByUrgency() (map[fixity.Urgency]int64, error) {
	out := map[fixity.Urgency]int64{}
	err := t.rows(`SELECT urgency, count(*) FROM finding WHERE settled = '' GROUP BY urgency`, nil, func(r *sql.Rows) error {
		var u string
		var n int64
		err := r.Scan(&u, &n)
		out[fixity.Urgency(u)] = n
		return err
	})
	return out, err
}

// Retired counts the files whose care has ended.
func (t *Tx) Retired() (n int64, err error) {
	err = t.row(`SELECT count(*) FROM file WHERE retired_at <> 0`, nil, &n)
	return n, err
}
