package ledger

import (
	"bytes"
	"database/sql"
	"slices"

	"firmus/fixity"
)

// StatesOf counts a store's copies by state within a scope.
func (t *Tx) StatesOf(store string, sets []string, set, under string) (map[fixity.State]int64, error) {
	out := map[fixity.State]int64{}
	low, high := below(under)
	for _, s := range sets {
		if set != "" && s != set {
			continue
		}
		if err := t.rows(`SELECT state, count(*) FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0 AND (at >= $3 AND at < $4 OR at = $5) GROUP BY state`,
			[]any{store, s, low, high, []byte(under)}, func(r *sql.Rows) error {
				var state string
				var n int64
				err := r.Scan(&state, &n)
				out[fixity.State(state)] += n
				return err
			}); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// CountSettled counts a store's copies that are not as they should be in just the
// way that a person settled.
func (t *Tx) CountSettled(store, set, under string) (n int64, err error) {
	low, high := below(under)
	err = t.row(`SELECT count(*) FROM instance WHERE store = $1 AND ($2 = '' OR set_name = $2) AND settled_as <> '' AND (at >= $3 AND at < $4 OR at = $5)`,
		[]any{store, set, low, high, []byte(under)}, &n)
	return n, err
}

// CountStrays counts what lies in a store under no one's care within a scope.
func (t *Tx) CountStrays(store string, sets []string, set, under string) (n int64, err error) {
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
