package ledger

import (
	"time"
)

// Empty says that nothing was ever taken in.
func (t Log) Empty() (bool, error) {
	var n int64
	err := t.t.row(`SELECT count(*) FROM (SELECT 1 FROM file LIMIT 1) f`, nil, &n)
	return n == 0, err
}

// Backup is the newest backup of the ledger on a store.
type Backup struct {
	Store   string
	At      time.Time
	Events  int64
	Bytes   int64
	Trouble string
}

// PutBackup notes a backup, or why there is none.
func (t Log) PutBackup(b Backup) error {
	if b.Trouble != "" {
		_, err := t.t.exec(`INSERT INTO backup (store, at, events, bytes, trouble) VALUES ($1, 0, 0, 0, $2)
			ON CONFLICT (store) DO UPDATE SET trouble = $2`, b.Store, b.Trouble)
		return err
	}
	_, err := t.t.exec(`INSERT INTO backup (store, at, events, bytes, trouble) VALUES ($1, $2, $3, $4, '')
		ON CONFLICT (store) DO UPDATE SET at = $2, events = $3, bytes = $4, trouble = ''`, b.Store, nanos(t.t.now), b.Events, b.Bytes)
	return err
}

// Backups are the newest on each store, by name.
func (t Log) Backups() ([]Backup, error) {
	return list(t.t, `SELECT store, at, events, bytes, trouble FROM backup ORDER BY store`, nil, func(r row) (Backup, error) {
		var b Backup
		var at int64
		err := r.Scan(&b.Store, &at, &b.Events, &b.Bytes, &b.Trouble)
		b.At = fromNanos(at)
		return b, err
	})
}
