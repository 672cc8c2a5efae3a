package ledger

import (
	"database/sql"
	"errors"

	"firmus/fixity"
)

// ServiceItem is what a service calls one of the files that it keeps, and whose it is.
type ServiceItem struct{ Path, ID, Owner string }

// ServiceItems is the next page, in the order of paths, of what a service calls the
// files of a set.
func (t *Tx) ServiceItems(store, set, after string, n int) ([]ServiceItem, error) {
	var out []ServiceItem
	err := t.rows(`SELECT at, id, owner FROM service_item WHERE store = $1 AND set_name = $2 AND at > $3 ORDER BY at LIMIT $4`,
		[]any{store, set, []byte(after), n}, func(r *sql.Rows) error {
			var at []byte
			var x ServiceItem
			err := r.Scan(&at, &x.ID, &x.Owner)
			x.Path = string(at)
			out = append(out, x)
			return err
		})
	return out, err
}

// ServiceID is what a service calls the file at a path; "" if that isn't known.
func (t *Tx) ServiceID(store, set, path string) (string, error) {
	var id string
	err := t.row(`SELECT id FROM service_item WHERE store = $1 AND set_name = $2 AND at = $3`, []any{store, set, []byte(path)}, &id)
	if errors.Is(err, fixity.ErrNotFound) {
		return "", nil
	}
	return id, err
}

// PutServiceItem notes what a service calls a file. What it no longer shows is kept:
// it is asked for by that id.
func (t *Tx) PutServiceItem(store, set string, x ServiceItem) error {
	_, err := t.exec(`INSERT INTO service_item (store, set_name, at, id, owner) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (store, set_name, at) DO UPDATE SET id = $4, owner = $5`, store, set, []byte(x.Path), x.ID, x.Owner)
	return err
}

// OwnerCount is how many files in a store belong to an account.
type OwnerCount struct {
	Store, Owner string
	Files        int64
}

// Owners counts the files that services keep by the accounts that own them; those of
// no account (in a shared drive) are left out.
func (t *Tx) Owners() ([]OwnerCount, error) {
	var out []OwnerCount
	err := t.rows(`SELECT store, owner, count(*) FROM service_item WHERE owner <> '' GROUP BY store, owner ORDER BY store, owner`, nil, func(r *sql.Rows) error {
		var o OwnerCount
		err := r.Scan(&o.Store, &o.Owner, &o.Files)
		out = append(out, o)
		return err
	})
	return out, err
}
