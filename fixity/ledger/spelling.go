package ledger

import (
	"database/sql"
	"path"
	"strings"

	"golang.org/x/text/unicode/norm"

	"firmus/fixity/pair"
)

// Form is a path in one Unicode form. It is never used as a name.
func Form(p string) string { return norm.NFC.String(p) }

// sameName says that two paths are spelled alike but for Unicode form and case.
func sameName(a, b string) bool { return a == b || Fold(a) == Fold(b) }

// inPlace says that a path is where a file should lie in a store: the file's own,
// however it is spelled there, or where the store files it.
func (t Copies) inPlace(store, at string, f File) bool {
	if sameName(at, f.Path) {
		return true
	}
	filing, ok := t.l.o.Rules.Filing(store, f.Set)
	return ok && filing.Holds(Form(f.Path), Form(at))
}

// Spelling says how a copy's place differs from its file's path where both are one
// name: "form" for the Unicode form, "case"; "" if it doesn't, or if they aren't.
func Spelling(at, path string) string {
	switch {
	case at == path || Fold(at) != Fold(path):
		return ""
	case Form(at) == Form(path):
		return string(pair.Form)
	}
	return string(pair.Case)
}

// PlaceFor is where a file of a path that a store never held is to be put there: in the
// folder that holds those beside it, however that is spelled there, so that none appears
// that looks the same. Without one it is the path itself.
func (t Copies) PlaceFor(store, set, p string) (string, error) {
	for dir := path.Dir(p); dir != "."; dir = path.Dir(dir) {
		from, to := []byte(dir+"/"), []byte(dir+"0") // "0" is the character after "/"
		known, err := t.where(`WHERE store = $1 AND set_name = $2 AND carrier = 0 AND top = $3 AND at >= $4 AND at < $5 AND size >= 0 LIMIT 1`,
			store, set, []byte(top(dir+"/")), from, to)
		if err != nil || len(known) > 0 {
			return p, err
		}
		place := ""
		if err := t.rows(`SELECT i.at FROM file f JOIN instance i ON i.file = f.id WHERE f.set_name = $1 AND f.retired_at = 0 AND f.path >= $2 AND f.path < $3
			AND i.store = $4 AND i.set_name = $1 AND i.carrier = 0 AND i.size >= 0 LIMIT 20`, []any{set, from, to, store}, func(r *sql.Rows) error {
			var at []byte
			err := r.Scan(&at)
			if folder, ok := folders(string(at), strings.Count(dir, "/")+1); ok && sameName(folder, dir) {
				place = folder + p[len(dir):]
			}
			return err
		}); err != nil || place != "" {
			return place, err
		}
	}
	return p, nil
}

// folders are the first n folders of a path; false if it has fewer.
func folders(p string, n int) (string, bool) {
	for i := range len(p) {
		if p[i] == '/' {
			if n--; n == 0 {
				return p[:i], true
			}
		}
	}
	return "", false
}

// onlyName says that no other file under care has the name of what came.
func (t Copies) onlyName(set string, g pair.Gone, c pair.Came) (bool, error) {
	free := true
	err := t.rows(`SELECT id, path FROM file WHERE set_name = $1 AND fold = $2 AND retired_at = 0`, []any{set, Fold(path.Base(c.Path))}, func(r *sql.Rows) error {
		var id int64
		var p []byte
		err := r.Scan(&id, &p)
		if id != g.File && (Form(string(p)) == c.Form || g.Form != c.Form && Fold(string(p)) == c.Fold) {
			free = false
		}
		return err
	})
	return free, err
}
