package ledger

import "database/sql"

// folderKey is a first-level folder of a set in a store: what one manifest is of.
type folderKey struct{ store, set, folder string }

// OwedManifest is a manifest that a store is owed: what it should say has changed, or
// it is gone.
type OwedManifest struct {
	Store, Set, Folder string
	Marks              int64 // how often it changed; a later one keeps it owed
}

// owes marks the manifest that lists a copy. PutCopy, dropCopy and AddVersion call it:
// every change of what a manifest says goes through one of the three.
func (t Manifests) owes(c Copy) {
	if c.Carrier == 0 {
		t.owed[folderKey{c.Store, c.Set, top(c.At)}] = true
	}
}

// owesAll marks the manifests that list a file, in all stores.
func (t Manifests) owesAll(file int64) error {
	return t.rows(`SELECT store, set_name, top FROM instance WHERE file = $1 AND carrier = 0`, []any{file}, func(r *sql.Rows) error {
		var k folderKey
		var folder []byte
		err := r.Scan(&k.store, &k.set, &folder)
		k.folder = string(folder)
		t.owed[k] = true
		return err
	})
}

// flushOwed writes the marks in the transaction of the change itself: there is no
// moment in which a kill leaves the one without the other.
func (t Manifests) flushOwed() error {
	for k := range t.owed {
		if _, err := t.exec(`INSERT INTO manifest_owed (store, set_name, folder, marks) VALUES ($1, $2, $3, 1)
			ON CONFLICT (store, set_name, folder) DO UPDATE SET marks = manifest_owed.marks + 1`, k.store, k.set, []byte(k.folder)); err != nil {
			return err
		}
	}
	return nil
}

// Owe marks a manifest by its folder, since it isn't there.
func (t Manifests) Owe(store, set, folder string) { t.owed[folderKey{store, set, folder}] = true }

// Owed are those that a store is owed, by set and folder.
func (t Manifests) Owed(store string) ([]OwedManifest, error) {
	return list(t.Tx, `SELECT set_name, folder, marks FROM manifest_owed WHERE store = $1 ORDER BY set_name, folder`, []any{store}, func(r row) (OwedManifest, error) {
		o := OwedManifest{Store: store}
		var folder []byte
		err := r.Scan(&o.Set, &folder, &o.Marks)
		o.Folder = string(folder)
		return o, err
	})
}

// Paid ends what is owed, unless it has been marked again since o was read.
func (t Manifests) Paid(o OwedManifest) error {
	_, err := t.exec(`DELETE FROM manifest_owed WHERE store = $1 AND set_name = $2 AND folder = $3 AND marks = $4`, o.Store, o.Set, []byte(o.Folder), o.Marks)
	return err
}

// Folders are the first-level folders of a set that a store has copies in.
func (t Manifests) Folders(store, set string) ([]string, error) {
	return list(t.Tx, `SELECT DISTINCT top FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0 ORDER BY top`, []any{store, set}, func(r row) (string, error) {
		var folder []byte
		err := r.Scan(&folder)
		return string(folder), err
	})
}
