package ledger

import "database/sql"

// Mounts are the first-level folders of a root that were seen to lie on another volume
// than the root does, each with the volume's id, "" if it has none.
func (t Stores) Mounts(store, set string) (map[string]string, error) {
	out := map[string]string{}
	err := t.rows(`SELECT folder, volume FROM mount WHERE store = $1 AND set_name = $2`, []any{store, set}, func(r *sql.Rows) error {
		var folder []byte
		var volume string
		err := r.Scan(&folder, &volume)
		out[string(folder)] = volume
		return err
	})
	return out, err
}

// PutMount keeps that a folder lies on another volume. What is known of it stays.
func (t Stores) PutMount(store, set, folder, volume string) error {
	_, err := t.exec(`INSERT INTO mount (store, set_name, folder, volume) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`, store, set, []byte(folder), volume)
	return err
}

// ForgetMounts ends what is known of a store's folders on other volumes: a person said that
// the store is what lies there now.
func (t Stores) ForgetMounts(store string) error {
	_, err := t.exec(`DELETE FROM mount WHERE store = $1`, store)
	return err
}
