package ledger

import (
	"database/sql"
	"time"

	"firmus/fixity"
)

// Received is what was copied from a recorder's stick or the like at one time.
type Received struct {
	ID          int64
	Source      string
	Set, Folder string
	At          time.Time
	By          string
	Files       []ReceivedFile
}

// ReceivedFile is one file of it.
type ReceivedFile struct {
	Name   string    // on the source
	Clock  time.Time // what the recorder's clock said
	Path   string    // in the set
	Size   int64
	Digest fixity.Digest // BLAKE3
}

// Put records what was received, and its event.
func (t Sources) Put(r Received, reason string) (int64, error) {
	id, err := t.NextID("received")
	if err != nil {
		return 0, err
	}
	if _, err := t.exec(`INSERT INTO received (id, source, set_name, folder, at, by_name) VALUES ($1, $2, $3, $4, $5, $6)`,
		id, DisplayPath(r.Source), r.Set, []byte(r.Folder), nanos(t.now), r.By); err != nil {
		return 0, err
	}
	for _, f := range r.Files {
		if _, err := t.exec(`INSERT INTO received_file (received, name, clock, path, size, blake3) VALUES ($1, $2, $3, $4, $5, $6)`,
			id, []byte(f.Name), nanos(f.Clock), []byte(f.Path), f.Size, f.Digest.Bytes()); err != nil {
			return 0, err
		}
	}
	t.Event(Event{Verb: fixity.ReceivedFrom, By: r.By, Set: r.Set, Reason: reason,
		Data: map[string]any{"received": id, "source": DisplayPath(r.Source), "folder": DisplayPath(r.Folder), "files": len(r.Files)}})
	return id, nil
}

// Keep are the receivings whose source has not been told to be erasable yet,
// the oldest first, with their files.
func (t Sources) Keep() ([]Received, error) {
	var out []Received
	if err := t.rows(`SELECT id, source, set_name, folder, at, by_name FROM received WHERE done = 0 ORDER BY id`, nil, func(r *sql.Rows) error {
		var x Received
		var folder []byte
		var at int64
		err := r.Scan(&x.ID, &x.Source, &x.Set, &folder, &at, &x.By)
		x.Folder, x.At = string(folder), fromNanos(at)
		out = append(out, x)
		return err
	}); err != nil {
		return nil, err
	}
	for i := range out {
		var err error
		if out[i].Files, err = t.filesOf(out[i].ID); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Get is one receiving, with its files; fixity.ErrNotFound if there is none.
func (t Sources) Get(id int64) (x Received, err error) {
	var folder []byte
	var at int64
	if err := t.row(`SELECT id, source, set_name, folder, at, by_name FROM received WHERE id = $1`, []any{id}, &x.ID, &x.Source, &x.Set, &folder, &at, &x.By); err != nil {
		return x, err
	}
	x.Folder, x.At = string(folder), fromNanos(at)
	x.Files, err = t.filesOf(id)
	return x, err
}

func (t Sources) filesOf(id int64) ([]ReceivedFile, error) {
	return list(t.Tx, `SELECT name, clock, path, size, blake3 FROM received_file WHERE received = $1 ORDER BY name`, []any{id}, func(r row) (f ReceivedFile, err error) {
		var name, path, b3 []byte
		var clock int64
		err = r.Scan(&name, &clock, &path, &f.Size, &b3)
		f.Name, f.Clock, f.Path, f.Digest = string(name), fromNanos(clock), string(path), fixity.DigestOf(fixity.BLAKE3, b3)
		return f, err
	})
}

// Erasable records that the source of what was received may be erased: all files
// that are on it now were looked at, so many, and are held.
func (t Sources) Erasable(r Received, files int, by string) error {
	if _, err := t.exec(`UPDATE received SET done = 1 WHERE id = $1`, r.ID); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.MayBeErased, By: by, Set: r.Set, Data: map[string]any{"received": r.ID, "source": r.Source, "files": files}})
	return nil
}

// Held records that all that was received is held; what else is on the source by
// now nobody has seen, so it isn't told to be erasable.
func (t Sources) Held(r Received, by string) error {
	if _, err := t.exec(`UPDATE received SET done = 1 WHERE id = $1`, r.ID); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.ReceivedHeld, By: by, Set: r.Set, Data: map[string]any{"received": r.ID, "source": r.Source, "files": len(r.Files)}})
	return nil
}
