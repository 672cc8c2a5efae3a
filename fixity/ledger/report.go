package ledger

import (
	"database/sql"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Conditions of copies that count as holding what is said to be held. A reading is of
// what lies there if the service has not reported another thing since.
var (
	shownToHold = inStates("i.state", care.HoldsVersion)
	readToHold  = shownToHold + ` AND i.read_at > 0 AND i.read_ok = 1 AND (i.reported_ok = 0 OR i.reported_at <= i.read_at)`
)

// Items are the items that have files under care.
func (t Files) Items() ([]string, error) {
	return list(t.Tx, `SELECT DISTINCT item FROM file WHERE retired_at = 0 AND item <> $1 ORDER BY item`, []any{[]byte("")}, func(r row) (string, error) {
		var b []byte
		err := r.Scan(&b)
		return string(b), err
	})
}

// OfItem are the files under care of one item, by set and path.
func (t Files) OfItem(item string) ([]File, error) {
	return list(t.Tx, `SELECT `+fileColumns+` FROM file WHERE item = $1 ORDER BY set_name, path, id`, []any{[]byte(item)}, scanFile)
}

// OpenByUrgency counts what open findings are about: a recording of which several copies are
// bad is one.
func (t Findings) OpenByUrgency() (map[fixity.Urgency]int64, error) {
	out := map[fixity.Urgency]int64{}
	err := t.rows(`SELECT urgency, count(DISTINCT CASE WHEN file <> 0 THEN file ELSE -id END) FROM finding WHERE settled = '' GROUP BY urgency`, nil, func(r *sql.Rows) error {
		var u string
		var n int64
		err := r.Scan(&u, &n)
		out[fixity.Urgency(u)] = n
		return err
	})
	return out, err
}

// CountLost counts the files of which no intact copy is known: open findings about one
// file are one. A file whose copies disagree is no such file: it waits for a decision.
func (t Findings) CountLost() (lost, disputed int64, err error) {
	err = t.row(`SELECT count(DISTINCT CASE WHEN urgency = $1 AND file NOT IN (SELECT d.file FROM finding d WHERE d.settled = '' AND d.kind = 'disputed')
			THEN CASE WHEN file > 0 THEN file ELSE -id END END),
		count(DISTINCT CASE WHEN kind = 'disputed' THEN file END) FROM finding WHERE settled = ''`, []any{string(fixity.NoneIntact)}, &lost, &disputed)
	return lost, disputed, err
}

// Amount is how many of some files belong to how many items, and how long their sound is. An
// item is one in all sets.
type Amount struct {
	Files, Items int64
	Sound        time.Duration // as far as it is known
}

// AmountOf is that of the files that findings are about, none twice.
func AmountOf(fs []Finding) (a Amount) {
	if len(fs) == 1 && fs[0].File != 0 {
		if a = (Amount{Files: 1, Sound: fs[0].Sound}); fs[0].Item != "" {
			a.Items = 1
		}
		return a
	}
	files, items := map[int64]bool{}, map[string]bool{}
	for _, f := range fs {
		if f.File == 0 || files[f.File] {
			continue
		}
		files[f.File] = true
		a.Sound += f.Sound
		if f.Item != "" {
			items[f.Item] = true
		}
	}
	a.Files, a.Items = int64(len(files)), int64(len(items))
	return a
}

// CountRetired counts the files whose care has ended.
func (t Files) CountRetired() (n int64, err error) {
	err = t.row(`SELECT count(*) FROM file WHERE retired_at <> 0`, nil, &n)
	return n, err
}
