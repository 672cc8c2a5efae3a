package ledger

import (
	"bytes"
	"database/sql"
	"slices"
	"time"

	"firmus/fixity"
)

// StatesOf counts a store's copies by state within a scope. A copy that holds the version
// of a file of which another store holds other bytes counts as disputed while nothing says
// which is right.
func (t Copies) StatesOf(store string, sets []string, set, under string) (map[fixity.State]int64, error) {
	out := map[fixity.State]int64{}
	err := t.scoped(sets, set, under, `SELECT `+disputedOr+`, count(*) FROM instance i WHERE `, ` GROUP BY 1`, store, func(r *sql.Rows) error {
		var state string
		var n int64
		err := r.Scan(&state, &n)
		out[fixity.State(state)] += n
		return err
	})
	return out, err
}

// AmountOf is how much a store's copies in a state are, counted as StatesOf counts them.
func (t Copies) AmountOf(store string, sets []string, set, under string, state fixity.State) (a Amount, err error) {
	items := map[string]bool{}
	err = t.scoped(sets, set, under, `SELECT f.item, count(*), CAST(coalesce(sum(v.duration), 0) AS BIGINT)
		FROM instance i JOIN file f ON f.id = i.file LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE `+disputedOr+` = $6 AND `, ` GROUP BY f.item`, store, func(r *sql.Rows) error {
		var item []byte
		var files, d int64
		err := r.Scan(&item, &files, &d)
		if len(item) > 0 {
			items[string(item)] = true
		}
		a.Files, a.Sound = a.Files+files, a.Sound+time.Duration(d)
		return err
	}, string(state))
	a.Items = int64(len(items))
	return a, err
}

// disputedOr is the state of a copy i, but of one side of a dispute that none is.
const disputedOr = `CASE WHEN i.state = 'intact' AND i.file IN
	(SELECT x.file FROM finding x WHERE x.settled = '' AND x.kind = 'disputed' AND x.urgency = 'none-intact') THEN 'disputed' ELSE i.state END`

// scoped asks about a store's copies i within a scope, a set at a time.
func (t Copies) scoped(sets []string, set, under, query, then, store string, scan func(*sql.Rows) error, more ...any) error {
	low, high := below(under)
	for _, s := range sets {
		if set != "" && s != set {
			continue
		}
		if err := t.rows(query+`i.store = $1 AND i.set_name = $2 AND i.carrier = 0 AND (i.at >= $3 AND i.at < $4 OR i.at = $5)`+then,
			append([]any{store, s, low, high, []byte(under)}, more...), scan); err != nil {
			return err
		}
	}
	return nil
}

// CountSettled counts a store's copies, those of all stores if it is "", that are not as they
// should be in just the way that a person settled.
func (t Findings) CountSettled(store, set, under string) (n int64, err error) {
	low, high := below(under)
	err = t.row(`SELECT count(*) FROM instance WHERE ($1 = '' OR store = $1) AND ($2 = '' OR set_name = $2) AND settled_as <> '' AND (at >= $3 AND at < $4 OR at = $5)`,
		[]any{store, set, low, high, []byte(under)}, &n)
	return n, err
}

// Count counts what lies in a store under no one's care within a scope.
func (t Strays) Count(store string, sets []string, set, under string) (n int64, err error) {
	low, high := below(under)
	for _, s := range slices.Compact(slices.Clone(sets)) {
		if set != "" && s != set {
			continue
		}
		var x int64
		if err := t.row(`SELECT count(*) FROM stray WHERE store = $1 AND set_name = $2 AND peace = 0 AND file = 0 AND (at >= $3 AND at < $4 OR at = $5)`,
			[]any{store, s, low, high, []byte(under)}, &x); err != nil {
			return 0, err
		}
		n += x
	}
	return n, nil
}

// beyond is greater than any path: a name has at most 255 bytes before its slash.
var beyond = bytes.Repeat([]byte{0xff}, 256)

// below bounds the paths below a folder: low <= path < high. "" is all.
func below(folder string) (low, high []byte) {
	if folder == "" {
		return []byte{}, beyond
	}
	return []byte(folder + "/"), []byte(folder + "0") // "0" is the character after "/"
}
