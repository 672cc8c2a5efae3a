package ledger

import "firmus/fixity"

// Of are the receivings of a set that brought these bytes (BLAKE3), without their files, the
// oldest first.
func (t Sources) Of(set string, digest fixity.Digest) ([]Received, error) {
	return list(t.Tx, `SELECT r.id, r.source, r.at, r.by_name FROM received r
		WHERE r.set_name = $1 AND EXISTS (SELECT 1 FROM received_file f WHERE f.received = r.id AND f.blake3 = $2) ORDER BY r.id`,
		[]any{set, digest.Bytes()}, func(r row) (x Received, err error) {
			var at int64
			err = r.Scan(&x.ID, &x.Source, &at, &x.By)
			x.At = fromNanos(at)
			return x, err
		})
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
