package record

import (
	"database/sql"
	"errors"
	"slices"
)

var errFound = errors.New("found")

// LastAbout is the newest event about a file: one that names it, or the slice
// in whose result lines it stands. -1 if there is none.
func (t Log) LastAbout(file int64) (int64, error) {
	var named sql.NullInt64
	if err := t.row(`SELECT max(seq) FROM event WHERE file = $1 AND file <> 0`, []any{file}, &named); err != nil {
		return -1, err
	}
	last := int64(-1)
	if named.Valid {
		last = named.Int64
	}
	err := t.rows(`SELECT event, lines FROM reading WHERE event > $1 AND n >= 0 ORDER BY event DESC`, []any{last}, func(r *sql.Rows) error {
		var event int64
		var b []byte
		if err := r.Scan(&event, &b); err != nil {
			return err
		}
		lines, err := appendLines(nil, b)
		if slices.ContainsFunc(lines, func(l Line) bool { return l.File == file }) {
			last = event
			return errFound
		}
		return err
	})
	if errors.Is(err, errFound) {
		err = nil
	}
	return last, err
}
