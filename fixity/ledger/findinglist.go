package ledger

import (
	"cmp"
	"database/sql"
	"errors"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
)

// OpenIncident is an incident with findings that are open.
type OpenIncident struct {
	ID         int64
	Store, Set string // of the first of them
	Kind       fixity.Kind
	Urgency    fixity.Urgency // the highest
	Open       int64
	First      Finding // the open one with the lowest number
}

// level is an urgency as a number in SQL, the highest for the most urgent.
const level = `CASE urgency WHEN 'none-intact' THEN 2 WHEN 'at-risk' THEN 1 ELSE 0 END`

// Open are the incidents that have open findings, the most urgent first.
func (t Incidents) Open() ([]OpenIncident, error) { return t.where(`incident <> 0`) }

// Get is one of them; fixity.ErrNotFound if nothing of it is open.
func (t Incidents) Get(id int64) (OpenIncident, error) {
	all, err := t.where(`incident <> 0 AND incident = $1`, id)
	if err != nil || len(all) == 0 {
		return OpenIncident{}, cmp.Or(err, fixity.ErrNotFound)
	}
	return all[0], nil
}

func (t Incidents) where(which string, of ...any) (out []OpenIncident, err error) {
	var first []int64
	var levels []int
	if err := t.rows(`SELECT incident, count(*), min(id), max(`+level+`) FROM finding WHERE settled = '' AND `+which+` GROUP BY incident ORDER BY 4 DESC, 1`, of,
		func(r *sql.Rows) error {
			var x OpenIncident
			var id int64
			var l int
			err := r.Scan(&x.ID, &x.Open, &id, &l)
			out, first, levels = append(out, x), append(first, id), append(levels, l)
			return err
		}); err != nil {
		return nil, err
	}
	for i := range out {
		x := &out[i]
		if x.First, err = t.Findings.Get(first[i]); err != nil {
			return nil, err
		}
		x.Store, x.Set, x.Kind = x.First.Store, x.First.Set, x.First.Kind
		x.Urgency = []fixity.Urgency{fixity.Tidy, fixity.AtRisk, fixity.NoneIntact}[levels[i]]
	}
	return out, nil
}

// Page is the next page of open findings of an urgency that belong to no incident: up to
// n after a number (0: from the first on), by number, but those first whose recording can't
// be transferred again.
func (t Findings) Page(u fixity.Urgency, after int64, n int) ([]Finding, error) {
	return t.page(`settled = '' AND incident = 0 AND urgency = $1`, string(u), after, n)
}

// Page is the next page of an incident's open findings, in the order of Findings.Page.
func (t Incidents) Page(incident, after int64, n int) ([]Finding, error) {
	return t.Findings.page(`settled = '' AND incident = $1`, incident, after, n)
}

// page reads those that can't be transferred again, and then the others. Either may be many,
// and neither is sorted.
func (t Findings) page(which string, of any, after int64, n int) ([]Finding, error) {
	first := true
	if after != 0 {
		f, err := t.Get(after)
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return nil, err
		}
		first = f.Once
	}
	var out []Finding
	if any, err := t.Register.anyOnce(); err != nil {
		return nil, err
	} else if any && first {
		if out, err = t.where(`WHERE `+which+` AND id > $2 AND `+once+` ORDER BY id LIMIT $3`, of, after, n); err != nil || len(out) == n {
			return out, err
		}
		after = 0
	}
	more, err := t.where(`WHERE `+which+` AND id > $2 AND NOT `+once+` ORDER BY id LIMIT $3`, of, after, n-len(out))
	return append(out, more...), err
}

// PageOfEnded is a page of findings that ended, the newest numbers first: up to n below a
// number.
func (t Findings) PageOfEnded(below int64, n int) ([]Finding, error) {
	return t.where(`WHERE settled <> '' AND id < $1 ORDER BY id DESC LIMIT $2`, below, n)
}

// Away are the stores with an open finding that they could not be reached.
func (t Findings) Away() (stores []string, err error) {
	err = t.rows(`SELECT DISTINCT store FROM finding WHERE settled = '' AND subject = 'store' AND kind = 'away' ORDER BY store`, nil, func(r *sql.Rows) error {
		var s string
		err := r.Scan(&s)
		stores = append(stores, s)
		return err
	})
	return stores, err
}

// Search are up to n files under care whose path holds a text, whatever its case and
// Unicode form, by set and path.
func (t Files) Search(text string, n int) ([]File, error) {
	like := strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(Fold(text))
	return list(t.Tx, `SELECT `+fileColumns+` FROM file WHERE retired_at = 0 AND fold LIKE $1 ESCAPE '\' ORDER BY set_name, path LIMIT $2`, []any{"%" + like + "%", n}, scanFile)
}

// Heard is a file under care with what is known of the sound of its version.
type Heard struct {
	Set, Path string
	Sound     string // as Sound.JSON; "" if it was not looked for, or no version has authority
}

// Heard are up to n files under care of an item, by set and path.
func (t Files) Heard(item string, n int) ([]Heard, error) {
	return list(t.Tx, `SELECT f.set_name, f.path, COALESCE(v.sound, '') FROM file f LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE f.item = $1 AND f.retired_at = 0 ORDER BY f.set_name, f.path LIMIT $2`, []any{[]byte(item), n}, func(r row) (x Heard, err error) {
		var path []byte
		err = r.Scan(&x.Set, &path, &x.Sound)
		x.Path = string(path)
		return x, err
	})
}

// NotFinished are up to n files of a set that changed since a time and that nobody declared
// finished, by path.
func (t Files) NotFinished(set string, since time.Time, n int) ([]File, error) {
	return list(t.Tx, `SELECT `+fileColumns+` FROM file WHERE set_name = $1 AND retired_at = 0 AND finished = 0 AND changed_at >= $2 ORDER BY path LIMIT $3`,
		[]any{set, nanos(since), n}, scanFile)
}

// CountLike counts the open findings of the class of one: of the same store, set, subject,
// kind and anatomy.
func (t Findings) CountLike(f Finding) (n int64, err error) {
	err = t.row(`SELECT count(*) FROM finding WHERE settled = '' AND store = $1 AND set_name = $2 AND subject = $3 AND kind = $4 AND anatomy = $5`,
		[]any{f.Store, f.Set, string(f.Subject), string(f.Kind), string(f.Anatomy)}, &n)
	return n, err
}

// mostLooked is how many of the newest files NewestItems looks at.
const mostLooked = 2000

// NewestItems are up to n items of the files that were taken under care at or after a
// time, the newest first, and whether there are more. It looks at the newest files only,
// by their numbers: not at all that came.
func (t Files) NewestItems(since time.Time, n int) (items []string, more bool, err error) {
	looked := 0
	err = t.rows(`SELECT item, taken_at FROM file WHERE retired_at = 0 ORDER BY id DESC LIMIT $1`, []any{mostLooked}, func(r *sql.Rows) error {
		var item []byte
		var at int64
		if err := r.Scan(&item, &at); err != nil {
			return err
		}
		looked++
		switch {
		case fromNanos(at).Before(since) || slices.Contains(items, string(item)):
		case len(items) == n:
			more = true
		default:
			items = append(items, string(item))
		}
		return nil
	})
	return items, more || looked == mostLooked && len(items) > 0, err
}
