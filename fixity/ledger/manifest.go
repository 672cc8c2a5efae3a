package ledger

import (
	"database/sql"
	"errors"

	"firmus/fixity"
)

// Manifest is a manifest that Firmus keeps in a store.
type Manifest struct {
	Store, Set, Folder string // Folder "" is the root's own
	Digest, Intended   fixity.Digest
	Size, ModTime      int64 // as at its last reading; -1 for not yet
}

// Of are those of a store's set, by folder.
func (t Manifests) Of(store, set string) ([]Manifest, error) {
	return t.where(store, set, ``)
}

// Get is that of one folder; fixity.ErrNotFound if none was ever intended.
func (t Manifests) Get(store, set, folder string) (Manifest, error) {
	ms, err := t.where(store, set, ` AND folder = $3`, []byte(folder))
	if err == nil && len(ms) == 0 {
		err = fixity.ErrNotFound
	}
	if err != nil {
		return Manifest{}, err
	}
	return ms[0], nil
}

func (t Manifests) where(store, set, and string, args ...any) ([]Manifest, error) {
	var out []Manifest
	err := t.rows(`SELECT folder, digest, intended, size, mtime FROM manifest WHERE store = $1 AND set_name = $2`+and+` ORDER BY folder`, append([]any{store, set}, args...), func(r *sql.Rows) error {
		m := Manifest{Store: store, Set: set}
		var folder, d, i []byte
		if err := r.Scan(&folder, &d, &i, &m.Size, &m.ModTime); err != nil {
			return err
		}
		m.Folder = string(folder)
		if len(d) > 0 {
			m.Digest = fixity.DigestOf(fixity.SHA256, d)
		}
		if len(i) > 0 {
			m.Intended = fixity.DigestOf(fixity.SHA256, i)
		}
		out = append(out, m)
		return nil
	})
	return out, err
}

// Intend notes what is about to be written, before the file is replaced:
// after a crash either text is known to be ours.
func (t Manifests) Intend(m Manifest) error {
	_, err := t.exec(`INSERT INTO manifest (store, set_name, folder, intended) VALUES ($1, $2, $3, $4)
		ON CONFLICT (store, set_name, folder) DO UPDATE SET intended = $4`, m.Store, m.Set, []byte(m.Folder), m.Intended.Bytes())
	return err
}

// Wrote notes that the intended text is in place.
func (t Manifests) Wrote(m Manifest, lines int, by string) error {
	_, err := t.exec(`UPDATE manifest SET digest = $4, size = $5, mtime = $6, written_at = $7 WHERE store = $1 AND set_name = $2 AND folder = $3`,
		m.Store, m.Set, []byte(m.Folder), m.Intended.Bytes(), m.Size, m.ModTime, nanos(t.now))
	if err == nil {
		t.Event(Event{Verb: fixity.ManifestWritten, By: by, Store: m.Store, Set: m.Set,
			Data: map[string]any{"folder": DisplayPath(m.Folder), "sha256": m.Intended.Sum, "lines": lines}})
	}
	return err
}

// Saw notes the size and time of a manifest that was looked at.
func (t Manifests) Saw(m Manifest) error {
	_, err := t.exec(`UPDATE manifest SET size = $4, mtime = $5 WHERE store = $1 AND set_name = $2 AND folder = $3`,
		m.Store, m.Set, []byte(m.Folder), m.Size, m.ModTime)
	return err
}

// ManifestLine is a file and the digest that it should have.
type ManifestLine struct {
	Path   string
	Digest fixity.Digest
}

// Lines is the next page, in the order of paths, of the files that a store
// should hold in a first-level folder, or directly in a set's root.
func (t Manifests) Lines(store, set, folder, after string, n int) ([]ManifestLine, error) {
	return list(t.Tx, `SELECT i.at, v.sha256 FROM instance i JOIN file f ON f.id = i.file JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE i.store = $1 AND i.set_name = $2 AND i.carrier = 0 AND i.top = $3 AND i.at > $4 ORDER BY i.at LIMIT $5`,
		[]any{store, set, []byte(folder), []byte(after), n}, func(r row) (ManifestLine, error) {
			var at, d []byte
			err := r.Scan(&at, &d)
			return ManifestLine{string(at), fixity.DigestOf(fixity.SHA256, d)}, err
		})
}

// KnownDigests are the SHA-256 of all versions of the file at a path of a set, or
// whose copy in the store lies there under another spelling; none if no file is
// under care there.
func (t Manifests) KnownDigests(store, set, path string) ([]fixity.Digest, error) {
	if c, err := t.Copies.At(store, set, path); err == nil {
		vs, err := t.Files.Versions(c.File)
		out := make([]fixity.Digest, len(vs))
		for i, v := range vs {
			out[i] = v.SHA256
		}
		return out, err
	} else if !errors.Is(err, fixity.ErrNotFound) {
		return nil, err
	}
	var out []fixity.Digest
	err := t.rows(`SELECT v.sha256 FROM file f JOIN version v ON v.file = f.id WHERE f.set_name = $1 AND f.path = $2 AND f.retired_at = 0 ORDER BY v.n`,
		[]any{set, []byte(path)}, func(r *sql.Rows) error {
			var d []byte
			err := r.Scan(&d)
			out = append(out, fixity.DigestOf(fixity.SHA256, d))
			return err
		})
	return out, err
}
