package ledger

import (
	"database/sql"
	"errors"

	"firmus/fixity"
)

// ServiceItem is what a service calls one of the files that it keeps, and whose it is.
type ServiceItem struct{ Path, ID, Owner string }

// Items is the next page, in the order of paths, of what a service calls the
// files of a set.
func (t Services) Items(store, set, after string, n int) ([]ServiceItem, error) {
	return list(t.Tx, `SELECT at, id, owner FROM service_item WHERE store = $1 AND set_name = $2 AND at > $3 ORDER BY at LIMIT $4`,
		[]any{store, set, []byte(after), n}, func(r row) (ServiceItem, error) {
			var at []byte
			var x ServiceItem
			err := r.Scan(&at, &x.ID, &x.Owner)
			x.Path = string(at)
			return x, err
		})
}

// ID is what a service calls the file at a path; "" if that isn't known.
func (t Services) ID(store, set, path string) (string, error) {
	var id string
	err := t.row(`SELECT id FROM service_item WHERE store = $1 AND set_name = $2 AND at = $3`, []any{store, set, []byte(path)}, &id)
	if errors.Is(err, fixity.ErrNotFound) {
		return "", nil
	}
	return id, err
}

// ReportsAt are the digests that a service may report of what should lie at a place;
// none if no file has it.
func (t Services) ReportsAt(store, set, path string) (out []fixity.Digest, err error) {
	err = t.rows(`SELECT v.sha256, v.md5, v.checksums FROM instance i JOIN file f ON f.id = i.file JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE i.store = $1 AND i.set_name = $2 AND i.carrier = 0 AND i.top = $3 AND i.at = $4`, []any{store, set, []byte(top(path)), []byte(path)}, func(r *sql.Rows) error {
		var s2, m5 []byte
		var words string
		if err := r.Scan(&s2, &m5, &words); err != nil {
			return err
		}
		out, _ = checksums(words)
		if len(s2) > 0 {
			out = append(out, fixity.DigestOf(fixity.SHA256, s2))
		}
		if len(m5) > 0 {
			out = append(out, fixity.DigestOf(fixity.MD5, m5))
		}
		return nil
	})
	return out, err
}

// PutItem notes what a service calls a file, or a folder, whose path ends in a
// slash; the path "" is the folder that all of the store lies in. What it no longer shows is kept:
// it is asked for by that id.
func (t Services) PutItem(store, set string, x ServiceItem) error {
	_, err := t.exec(`INSERT INTO service_item (store, set_name, at, id, owner) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (store, set_name, at) DO UPDATE SET id = $4, owner = $5`, store, set, []byte(x.Path), x.ID, x.Owner)
	return err
}

// OwnerCount is how many files in a store belong to an account.
type OwnerCount struct {
	Store, Owner string
	Files        int64
	Own          bool // the folder that they lie in belongs to it too
}

// Owners counts the copies that services keep by the accounts that own them; those of
// no account (in a shared drive), and those that are missing, are left out.
func (t Services) Owners() ([]OwnerCount, error) {
	// Of other stores no copy is looked at.
	stores, err := list(t.Tx, `SELECT name FROM store WHERE EXISTS (SELECT 1 FROM service_item s WHERE s.store = store.name) ORDER BY name`, nil, func(r row) (s string, err error) {
		err = r.Scan(&s)
		return s, err
	})
	if err != nil {
		return nil, err
	}
	var out []OwnerCount
	for _, store := range stores {
		of, err := list(t.Tx, `SELECT s.owner, count(*), max(CASE WHEN f.owner = s.owner THEN 1 ELSE 0 END)
			FROM instance i JOIN service_item s ON s.store = i.store AND s.set_name = i.set_name AND s.at = i.at
			LEFT JOIN service_item f ON f.store = i.store AND f.set_name = i.set_name AND f.at = $1
			WHERE i.store = $3 AND s.owner <> '' AND i.state <> $2 GROUP BY s.owner ORDER BY s.owner`,
			[]any{[]byte{}, string(fixity.Missing), store}, func(r row) (OwnerCount, error) {
				o := OwnerCount{Store: store}
				var own int64
				err := r.Scan(&o.Owner, &o.Files, &own)
				o.Own = own == 1
				return o, err
			})
		if err != nil {
			return nil, err
		}
		out = append(out, of...)
	}
	return out, nil
}

// said is what a service says of a copy that a reading showed to be altered; nothing if no
// service keeps it.
func said(c Copy, x fixity.Result) []fixity.Fact {
	switch {
	case !c.ReportedNow() || c.State != fixity.Altered && c.State != fixity.Disputed:
		return nil
	case c.Reported.OK:
		return []fixity.Fact{{Is: fixity.ServiceRight}}
	case x.Anatomy == fixity.CutShort:
		return []fixity.Fact{{Is: fixity.ServiceFewer}}
	}
	return []fixity.Fact{{Is: fixity.ServiceOther}}
}

// LogToken is the moment up to which the log of changes of a folder that a service
// keeps was followed; "" if it never was, or another folder's was.
func (t Services) LogToken(store, folder string) (string, error) {
	var token string
	err := t.row(`SELECT token FROM service_log WHERE store = $1 AND folder = $2`, []any{store, folder}, &token)
	if errors.Is(err, fixity.ErrNotFound) {
		return "", nil
	}
	return token, err
}

// PutLogToken notes up to which moment it was followed.
func (t Services) PutLogToken(store, folder, token string) error {
	_, err := t.exec(`INSERT INTO service_log (store, folder, token) VALUES ($1, $2, $3)
		ON CONFLICT (store) DO UPDATE SET folder = $2, token = $3`, store, folder, token)
	return err
}

// PlaceOfID is where a file lies that a service calls id, by the last listing that
// showed it; fixity.ErrNotFound if none did.
func (t Services) PlaceOfID(store, id string) (set, path string, err error) {
	var at []byte
	err = t.row(`SELECT set_name, at FROM service_item WHERE store = $1 AND id = $2 AND at > $3 ORDER BY set_name, at LIMIT 1`, []any{store, id, []byte{}}, &set, &at)
	return set, string(at), err
}
