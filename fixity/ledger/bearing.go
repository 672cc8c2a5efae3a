package ledger

import (
	"errors"
	"time"

	"firmus/fixity"
)

// Bearing is how many hosts a store bears that read it at the same time, as was measured.
type Bearing struct {
	Store string
	N     int          // how many may read now
	Tried int          // how many were held against that; 0: none
	Why   fixity.Bound // why there are no more
	At    time.Time    // when that was found
	State string       // what who measures knows besides
}

// Bearing reads what was measured of a store; without a state if nothing was.
func (t Hosts) Bearing(store string) (Bearing, error) {
	b := Bearing{Store: store}
	var why string
	var at int64
	err := t.row(`SELECT n, tried, why, at, state FROM bearing WHERE store = $1`, []any{store}, &b.N, &b.Tried, &why, &at, &b.State)
	if errors.Is(err, fixity.ErrNotFound) {
		return b, nil
	}
	b.Why, b.At = fixity.Bound(why), fromNanos(at)
	return b, err
}

// PutBearing keeps what was measured of a store.
func (t Hosts) PutBearing(b Bearing) error {
	_, err := t.exec(`INSERT INTO bearing (store, n, tried, why, at, state) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (store) DO UPDATE SET n = excluded.n, tried = excluded.tried, why = excluded.why, at = excluded.at, state = excluded.state`,
		b.Store, b.N, b.Tried, string(b.Why), nanos(b.At), b.State)
	return err
}
