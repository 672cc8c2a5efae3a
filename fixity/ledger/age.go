package ledger

import (
	"cmp"
	"database/sql"
	"maps"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// ageKey is what the copies of one count have in common: a store's set, and since which
// minute they are as they are.
type ageKey struct {
	store, set, what string
	minute           int64 // since 1970 UTC; 0 where what has none
}

// What is counted by age. Stored: never change one.
const (
	ageRead    = "read"    // read in that minute
	ageWaits   = "waits"   // waits to be read since that minute
	ageBoth    = "both"    // both, of the same minute
	ageNever   = "never"   // seen there, and not read yet
	ageBy      = "by "     // followed by a Basis: a service reports so many by it
	ageAllowed = "allowed" // the only reading may have been answered by the page cache
)

const minute = int64(time.Minute)

// aged adds n copies to the counts by age.
func (t Copies) aged(c Copy, n int64) error {
	if c.Store == "" || c.Carrier != 0 {
		return nil
	}
	read, waits := int64(-1), int64(-1)
	if !c.Read.At.IsZero() {
		read = nanos(c.Read.At) / minute
	}
	if c.Held > 0 && care.ReadInTurn(c.State) {
		switch {
		case read < 0:
			waits = nanos(c.Since) / minute
		case c.Read.Cache == fixity.Allowed:
			taken, err := t.takenAt(c.File)
			if err != nil {
				return err
			}
			waits = taken / minute
		default:
			waits = read
		}
	}
	if by := c.ReportedBy(); by != "" {
		t.ages[ageKey{c.Store, c.Set, ageBy + string(by), 0}] += n
	}
	addAges(t.ages, c.Store, c.Set, read, waits, read < 0 && c.Size >= 0, c.Read.Cache == fixity.Allowed, n)
	return nil
}

// addAges adds n like copies; read and waits are -1 for none.
func addAges(to map[ageKey]int64, store, set string, read, waits int64, never, allowed bool, n int64) {
	switch {
	case read >= 0 && read == waits:
		to[ageKey{store, set, ageBoth, read}] += n
	default:
		if read >= 0 {
			to[ageKey{store, set, ageRead, read}] += n
		}
		if waits >= 0 {
			to[ageKey{store, set, ageWaits, waits}] += n
		}
	}
	if never {
		to[ageKey{store, set, ageNever, 0}] += n
	}
	if allowed {
		to[ageKey{store, set, ageAllowed, 0}] += n
	}
}

// takenAt is when a file was taken under care: that doesn't change.
func (t Copies) takenAt(file int64) (at int64, err error) {
	at, ok := t.taken[file]
	if !ok {
		err = t.row(`SELECT taken_at FROM file WHERE id = $1`, []any{file}, &at)
		t.taken[file] = at
	}
	return at, err
}

func (t Copies) flushAges() error {
	for _, k := range slices.SortedFunc(maps.Keys(t.ages), func(a, b ageKey) int {
		return cmp.Or(cmp.Compare(a.store, b.store), cmp.Compare(a.set, b.set), cmp.Compare(a.what, b.what), cmp.Compare(a.minute, b.minute))
	}) {
		n := t.ages[k]
		if n == 0 {
			continue
		}
		var left int64
		if err := t.row(`INSERT INTO age (store, set_name, what, minute, files) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (store, set_name, what, minute) DO UPDATE SET files = age.files + $5 RETURNING files`,
			[]any{k.store, k.set, k.what, k.minute, n}, &left); err != nil {
			return err
		}
		if left != 0 {
			continue
		}
		if _, err := t.exec(`DELETE FROM age WHERE store = $1 AND set_name = $2 AND what = $3 AND minute = $4`, k.store, k.set, k.what, k.minute); err != nil {
			return err
		}
	}
	return nil
}

// SetSummary is what is known of one set in one store. Its times are whole minutes: none of
// the copies is older than Oldest and Unread say.
type SetSummary struct {
	Store, Set   string
	Adopted      bool
	States       map[fixity.State]int64
	Bytes        int64
	ListedAt     time.Time // last complete listing
	OldestRead   time.Time // of the copies that were ever read
	NewestRead   time.Time
	Unread       time.Time              // since when the copy waits that waited longest to be read; zero if none does
	NeverRead    int64                  // copies that were seen there and not read yet
	Reported     map[fixity.Basis]int64 // copies that a service keeps, by what it reports them
	CacheAllowed int64                  // copies whose only reading may have been answered by the page cache
}

// Summaries are of every set in every store, in their order by name.
func (t Copies) Summaries() ([]SetSummary, error) {
	var out []SetSummary
	at := map[[2]string]int{}
	err := t.rows(`SELECT store, set_name, adopted_at, listed_complete_at FROM store_set ORDER BY store, set_name`, nil, func(r *sql.Rows) error {
		s := SetSummary{States: map[fixity.State]int64{}, Reported: map[fixity.Basis]int64{}}
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
	err = t.rows(`SELECT store, set_name, what, min(minute), max(minute), CAST(sum(files) AS BIGINT) FROM age GROUP BY store, set_name, what`, nil, func(r *sql.Rows) error {
		var store, set, what string
		var first, last, n int64
		if err := r.Scan(&store, &set, &what, &first, &last, &n); err != nil {
			return err
		}
		i, ok := at[[2]string{store, set}]
		if !ok {
			return nil
		}
		x := &out[i]
		earliest := func(of *time.Time, minutes int64) {
			if m := fromNanos(minutes * minute); of.IsZero() || m.Before(*of) {
				*of = m
			}
		}
		switch what {
		case ageNever:
			x.NeverRead = n
		case ageAllowed:
			x.CacheAllowed = n
		}
		if by, ok := strings.CutPrefix(what, ageBy); ok {
			x.Reported[fixity.Basis(by)] = n
		}
		if what == ageRead || what == ageBoth {
			earliest(&x.OldestRead, first)
			if m := fromNanos(last * minute); m.After(x.NewestRead) {
				x.NewestRead = m
			}
		}
		if what == ageWaits || what == ageBoth {
			earliest(&x.Unread, first)
		}
		return nil
	})
	return out, err
}
