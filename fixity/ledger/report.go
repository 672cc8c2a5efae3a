package ledger

import (
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
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
func (t Copies) Summaries() ([]SetSummary, error) {
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
var (
	shownToHold = inStates("i.state", care.HasBytes)
	readToHold  = shownToHold + ` AND i.read_at > 0 AND i.read_ok = 1 AND (i.reported_ok = 0 OR i.reported_at <= i.read_at)`
)

// CountsByNumber counts files by the number of independent stores shown to hold their
// current version, the fewest first. It looks at each copy, once a transaction.
func (t Copies) CountsByNumber() ([]CopiesCount, error) {
	h, groups, err := t.groups()
	if err != nil {
		return nil, err
	}
	rules, err := t.Stores.Rules()
	if err != nil {
		return nil, err
	}
	by := map[int64]CopiesCount{}
	for _, g := range groups {
		held, read := int64(rules.CountIndependent(h.in(g.held))), int64(rules.CountIndependent(h.in(g.read)))
		x, y := by[held], CopiesCount{}
		x.Files += g.files
		by[held] = x
		y = by[read]
		y.Read += g.files
		by[read] = y
	}
	var out []CopiesCount
	for _, n := range slices.Sorted(maps.Keys(by)) {
		x := by[n]
		x.Copies = n
		out = append(out, x)
	}
	return out, nil
}

// group is how many files the same stores were shown to hold: by what counts as shown, and
// by readings alone. Sound is how long they are, as far as that is known.
type group struct {
	held, read int64 // sums of holders
	files      int64
	sound      time.Duration
}

// groups are those of all files. A transaction that only reads finds them out once: that
// takes longest of all that a statement is made of.
func (t Copies) groups() (holders, []group, error) {
	h, err := t.holders("i", 1, shownToHold)
	if err != nil || t.grouped != nil {
		return h, t.grouped, err
	}
	r, err := t.holders("i", 1+len(h.args), readToHold)
	if err != nil {
		return h, nil, err
	}
	out := []group{}
	err = t.rows(`SELECT held_by, read_in, count(*), CAST(coalesce(sum(v.duration), 0) AS BIGINT) FROM (SELECT f.id, f.version, `+h.sum+` AS held_by, `+r.sum+` AS read_in
			FROM file f LEFT JOIN instance i ON i.file = f.id WHERE f.retired_at = 0 GROUP BY f.id, f.version) AS per
		LEFT JOIN version v ON v.file = per.id AND v.n = per.version GROUP BY held_by, read_in`, append(slices.Clone(h.args), r.args...), func(rs *sql.Rows) error {
		var g group
		var d int64
		err := rs.Scan(&g.held, &g.read, &g.files, &d)
		g.sound = time.Duration(d)
		out = append(out, g)
		return err
	})
	if err == nil && t.now.IsZero() {
		t.grouped = out
	}
	return h, out, err
}

// Items are the items that have files under care.
func (t Files) Items() ([]string, error) {
	return list(t.Tx, `SELECT DISTINCT item FROM file WHERE retired_at = 0 AND item <> $1 ORDER BY item`, []any{[]byte("")}, func(r row) (string, error) {
		var b []byte
		err := r.Scan(&b)
		return string(b), err
	})
}

// OfItem are the files under care of one item, by set and path.
func (t Files) OfItem(item string) ([]File, error) {
	return list(t.Tx, `SELECT `+fileColumns+` FROM file WHERE item = $1 ORDER BY set_name, path, id`, []any{[]byte(item)}, scanFile)
}

// OpenByUrgency counts what open findings are about: a recording of which several copies are
// bad is one.
func (t Findings) OpenByUrgency() (map[fixity.Urgency]int64, error) {
	out := map[fixity.Urgency]int64{}
	err := t.rows(`SELECT urgency, count(DISTINCT CASE WHEN file <> 0 THEN file ELSE -id END) FROM finding WHERE settled = '' GROUP BY urgency`, nil, func(r *sql.Rows) error {
		var u string
		var n int64
		err := r.Scan(&u, &n)
		out[fixity.Urgency(u)] = n
		return err
	})
	return out, err
}

// CountLost counts the files of which no intact copy is known: open findings about one
// file are one. A file whose copies disagree is no such file: it waits for a decision.
func (t Findings) CountLost() (lost, disputed int64, err error) {
	err = t.row(`SELECT count(DISTINCT CASE WHEN urgency = $1 AND file NOT IN (SELECT d.file FROM finding d WHERE d.settled = '' AND d.kind = 'disputed')
			THEN CASE WHEN file > 0 THEN file ELSE -id END END),
		count(DISTINCT CASE WHEN kind = 'disputed' THEN file END) FROM finding WHERE settled = ''`, []any{string(fixity.NoneIntact)}, &lost, &disputed)
	return lost, disputed, err
}

// Extent is how much is under care in a set.
type Extent struct {
	Set          string
	Files, Items int64
	Sound        time.Duration // of the current versions whose length is known
	Unknown      int64         // files whose length isn't
}

// Extents are of every set that has files under care.
func (t Files) Extents() ([]Extent, error) {
	return list(t.Tx, `SELECT f.set_name, count(*), count(DISTINCT CASE WHEN f.item <> $1 THEN f.item END), CAST(coalesce(sum(v.duration), 0) AS BIGINT),
			count(*) FILTER (WHERE coalesce(v.duration, 0) = 0)
		FROM file f LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE f.retired_at = 0 GROUP BY f.set_name ORDER BY f.set_name`, []any{[]byte("")}, func(r row) (Extent, error) {
		var e Extent
		var d int64
		err := r.Scan(&e.Set, &e.Files, &e.Items, &d, &e.Unknown)
		e.Sound = time.Duration(d)
		return e, err
	})
}

// Amount is how many of some files belong to how many items, and how long their sound is. An
// item is one in all sets.
type Amount struct {
	Files, Items int64
	Sound        time.Duration // as far as it is known
}

// Amount is that of the files of some numbers, none twice.
func (t Files) Amount(files []int64) (a Amount, err error) {
	items := map[string]bool{}
	for page := range slices.Chunk(files, 500) {
		var marks []string
		var args []any
		for i, id := range page {
			marks, args = append(marks, fmt.Sprintf("$%d", i+1)), append(args, id)
		}
		if err := t.rows(`SELECT f.item, CAST(coalesce(v.duration, 0) AS BIGINT) FROM file f LEFT JOIN version v ON v.file = f.id AND v.n = f.version
			WHERE f.id IN (`+strings.Join(marks, ", ")+`)`, args, func(r *sql.Rows) error {
			var item []byte
			var d int64
			err := r.Scan(&item, &d)
			if a.Files++; len(item) > 0 {
				items[string(item)] = true
			}
			a.Sound += time.Duration(d)
			return err
		}); err != nil {
			return a, err
		}
	}
	a.Items = int64(len(items))
	return a, nil
}

// Thin is a file that few stores were shown to hold.
type Thin struct {
	File
	In     []string // stores that were shown to hold it
	Copies int64    // of them, those that count apart
	Sound  time.Duration
}

// Thin are up to n files that at most so many independent stores were shown to hold, by
// a reading or a service's report: the fewest copies first, then by set and path. sound
// is how long all such files are, by the number of copies.
func (t Copies) Thin(most int64, n int) (out []Thin, sound map[int64]time.Duration, err error) {
	sound = map[int64]time.Duration{}
	rules, err := t.Stores.Rules()
	if err != nil {
		return nil, nil, err
	}
	h, groups, err := t.groups()
	if err != nil {
		return nil, nil, err
	}
	per := `SELECT f.id, f.set_name, f.path, f.item, f.version, ` + h.sum + ` AS held_by
			FROM file f LEFT JOIN instance i ON i.file = f.id WHERE f.retired_at = 0 GROUP BY f.id, f.set_name, f.path, f.item, f.version`
	few := map[int64]int64{} // sum -> copies
	for _, g := range groups {
		if c := int64(rules.CountIndependent(h.in(g.held))); c <= most {
			few[g.held] = c
			sound[c] += g.sound
		}
	}
	for copies := int64(0); copies <= most; copies++ {
		var sums []string
		for _, s := range slices.Sorted(maps.Keys(few)) {
			if few[s] == copies {
				sums = append(sums, strconv.FormatInt(s, 10))
			}
		}
		if len(sums) == 0 || len(out) >= n {
			continue
		}
		err := t.rows(`SELECT per.id, per.set_name, per.path, per.item, per.held_by, coalesce(v.duration, 0) FROM (`+per+`) AS per
			LEFT JOIN version v ON v.file = per.id AND v.n = per.version
			WHERE per.held_by IN (`+strings.Join(sums, ", ")+`) ORDER BY per.set_name, per.path LIMIT `+strconv.Itoa(n-len(out)), h.args, func(r *sql.Rows) error {
			x := Thin{Copies: copies}
			var path, item []byte
			var sum, d int64
			err := r.Scan(&x.ID, &x.Set, &path, &item, &sum, &d)
			x.Path, x.Item, x.In, x.Sound = string(path), string(item), h.in(sum), time.Duration(d)
			out = append(out, x)
			return err
		})
		if err != nil {
			return nil, nil, err
		}
	}
	return out, sound, nil
}

// CountRetired counts the files whose care has ended.
func (t Files) CountRetired() (n int64, err error) {
	err = t.row(`SELECT count(*) FROM file WHERE retired_at <> 0`, nil, &n)
	return n, err
}
