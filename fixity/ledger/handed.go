package ledger

import (
	"database/sql"
	"time"

	"firmus/fixity"
)

// ReceivedVersion is when a version's bytes were received from a recorder's stick or the like.
type ReceivedVersion struct {
	Received int64
	Source   string
	Name     string // there
	At       time.Time
	By       string
}

// Of are the receivings of a file of a set with this digest (BLAKE3), the oldest first.
func (t Sources) Of(set string, digest fixity.Digest) (out []ReceivedVersion, err error) {
	err = t.rows(`SELECT r.id, r.source, f.name, r.at, r.by_name FROM received r JOIN received_file f ON f.received = r.id
		WHERE r.set_name = $1 AND f.blake3 = $2 ORDER BY r.id, f.name`, []any{set, digest.Bytes()}, func(r *sql.Rows) error {
		var x ReceivedVersion
		var name []byte
		var at int64
		err := r.Scan(&x.Received, &x.Source, &name, &at, &x.By)
		x.Name, x.At = string(name), fromNanos(at)
		out = append(out, x)
		return err
	})
	return out, err
}

// With are the discs that a file was put on, those that were retired too, with the version.
func (t Discs) With(file int64) (out []Disc, versions []int64, err error) {
	type on struct{ disc, version int64 }
	all, err := list(t.Tx, `SELECT disc, version FROM disc_file WHERE file = $1 ORDER BY disc`, []any{file}, func(r row) (x on, err error) {
		err = r.Scan(&x.disc, &x.version)
		return x, err
	})
	for _, x := range all {
		d, err := t.Get(x.disc)
		if err != nil {
			return nil, nil, err
		}
		out, versions = append(out, d), append(versions, x.version)
	}
	return out, versions, err
}
