package ledger

import (
	"database/sql"
	"path"

	"golang.org/x/text/unicode/norm"

	"firmus/fixity/pair"
)

// form is a path in one Unicode form.
func form(p string) string { return norm.NFC.String(p) }

// sameName says that two paths are spelled alike but for Unicode form and case.
func sameName(a, b string) bool { return a == b || Fold(a) == Fold(b) }

// inPlace says that a path is where a file should lie in a store: the file's own,
// however it is spelled there, or where the store files it.
func (t *Tx) inPlace(store, at string, f File) bool {
	if sameName(at, f.Path) {
		return true
	}
	filing, ok := t.l.o.Rules.Filing(store, f.Set)
	return ok && filing.Holds(form(f.Path), form(at))
}

// Spelling says how a copy's place differs from its file's path where both are one
// name: "form" for the Unicode form, "case"; "" if it doesn't, or if they aren't.
func Spelling(at, path string) string {
	switch {
	case at == path || Fold(at) != Fold(path):
		return ""
	case form(at) == form(path):
		return string(pair.Form)
	}
	return string(pair.Case)
}

// onlyName says that no other file under care has the name of what came.
func (t *Tx) onlyName(set string, g pair.Gone, c pair.Came) (bool, error) {
	free := true
	err := t.rows(`SELECT id, path FROM file WHERE set_name = $1 AND fold = $2 AND retired_at = 0`, []any{set, Fold(path.Base(c.Path))}, func(r *sql.Rows) error {
		var id int64
		var p []byte
		err := r.Scan(&id, &p)
		if id != g.File && (form(string(p)) == c.Form || g.Form != c.Form && Fold(string(p)) == c.Fold) {
			free = false
		}
		return err
	})
	return free, err
}
