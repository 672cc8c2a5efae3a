package ledger

import (
	"database/sql"
	"fmt"

	"firmus/fixity/pair"
)

// remarkPairs notes what is no finding and that somebody should know all the same.
func (t *Tx) remarkPairs(a Audit, set string, m matched) error {
	names := map[int64]string{}
	for _, g := range m.gone {
		names[g.File] = g.path
	}
	var inCase, byBytes []pair.Pair
	for _, p := range m.pairs {
		switch p.Why {
		case pair.Case:
			inCase = append(inCase, p)
		case pair.Bytes:
			byBytes = append(byBytes, p)
		}
	}
	if n := len(inCase); n > 0 {
		if err := t.remark(a.ID, fmt.Sprintf("names in %s that differ from those in %s in case only: %d, such as %q for %q. They are taken for the same; a system that tells case apart doesn't",
			a.Store, set, n, DisplayPath(inCase[0].At), DisplayPath(names[inCase[0].File]))); err != nil {
			return err
		}
	}
	if n := len(byBytes); n > 0 {
		return t.remark(a.ID, fmt.Sprintf("files of %s that were found in %s by their digest, as no field in both names tells them apart: %d, such as %q at %q. From now on they are known by these names",
			set, a.Store, n, DisplayPath(names[byBytes[0].File]), DisplayPath(byBytes[0].At)))
	}
	return nil
}

func (t *Tx) remark(audit int64, text string) error {
	_, err := t.exec(`INSERT INTO remark (audit, n, text) SELECT $1, count(*) + 1, $2 FROM remark WHERE audit = $1`, audit, text)
	return err
}

// Remarks are what an audit has to tell that is no finding.
func (t *Tx) Remarks(audit int64) ([]string, error) {
	var out []string
	err := t.rows(`SELECT text FROM remark WHERE audit = $1 ORDER BY n`, []any{audit}, func(r *sql.Rows) error {
		var s string
		err := r.Scan(&s)
		out = append(out, s)
		return err
	})
	return out, err
}
