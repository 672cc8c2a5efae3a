package ledger

import (
	"database/sql"
	"slices"

	"firmus/fixity"
	"firmus/fixity/pair"
)

// remarkPairs notes what is no finding and that somebody should know all the same.
func (t Audits) remarkPairs(a Audit, set string, m matched) error {
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
		if err := t.remark(a.ID, pairedAs(fixity.CaseOnly, a.Store, set, n, inCase[0].At, names[inCase[0].File])); err != nil {
			return err
		}
	}
	if n := len(byBytes); n > 0 {
		return t.remark(a.ID, pairedAs(fixity.ByDigest, a.Store, set, n, byBytes[0].At, names[byBytes[0].File]))
	}
	return nil
}

// pairedAs says of n files by what they were told; there is where one of them lies, and
// path is its own.
func pairedAs(is fixity.FactKind, store, set string, n int, there, path string) fixity.Fact {
	return fixity.Fact{Is: is, Store: store, Set: set, Count: int64(n), Places: []fixity.Path{fixity.Path(there), fixity.Path(path)}}
}

func (t Audits) remark(audit int64, x fixity.Fact) error {
	_, err := t.exec(`INSERT INTO remark (audit, n, text) SELECT $1, count(*) + 1, $2 FROM remark WHERE audit = $1`, audit, factsText([]fixity.Fact{x}))
	return err
}

// NotePublic remarks which restricted files a service gives to everybody; once an audit and set.
func (t Audits) NotePublic(audit int64, x fixity.Fact) error {
	all, err := t.Remarks(audit)
	if err != nil || slices.ContainsFunc(all, func(y fixity.Fact) bool { return y.Is == x.Is && y.Set == x.Set }) {
		return err
	}
	return t.remark(audit, x)
}

// noteNotNow remarks how many files of a shard's set an audit could not read now; one remark a
// set, with the first of them.
func (t Audits) noteNotNow(s fixity.Shard, results []fixity.Result) error {
	x := fixity.Fact{Is: fixity.NotNow, Store: s.Store, Set: s.Set}
	for _, r := range results {
		if !r.NotNow {
			continue
		}
		if x.Count++; x.Count == 1 {
			x.Places = []fixity.Path{fixity.Path(r.Path)}
		}
	}
	if x.Count == 0 {
		return nil
	}
	var n int64
	err := t.rows(`SELECT n, text FROM remark WHERE audit = $1 ORDER BY n`, []any{s.Audit}, func(r *sql.Rows) error {
		var at int64
		var text string
		if err := r.Scan(&at, &text); err != nil {
			return err
		}
		if was := factsIn(text); len(was) == 1 && was[0].Is == x.Is && was[0].Set == x.Set {
			n, x.Count, x.Places = at, x.Count+was[0].Count, was[0].Places
		}
		return nil
	})
	if err != nil {
		return err
	}
	if n == 0 {
		return t.remark(s.Audit, x)
	}
	_, err = t.exec(`UPDATE remark SET text = $3 WHERE audit = $1 AND n = $2`, s.Audit, n, factsText([]fixity.Fact{x}))
	return err
}

// Public is what the newest listing of each store showed of restricted files that a service
// gives to everybody.
func (t Audits) Public() ([]fixity.Fact, error) {
	all, err := t.remarks(`SELECT r.text FROM remark r JOIN audit a ON a.id = r.audit WHERE a.id = (SELECT max(b.id) FROM audit b WHERE b.store = a.store AND b.kind = $1 AND b.ended_at <> 0) ORDER BY r.audit, r.n`, string(Plain))
	return slices.DeleteFunc(all, func(x fixity.Fact) bool { return x.Is != fixity.Public }), err
}

// Remarks are what an audit has to tell that is no finding.
func (t Audits) Remarks(audit int64) ([]fixity.Fact, error) {
	return t.remarks(`SELECT text FROM remark WHERE audit = $1 ORDER BY n`, audit)
}

func (t Audits) remarks(query string, args ...any) (out []fixity.Fact, err error) {
	err = t.rows(query, args, func(r *sql.Rows) error {
		var s string
		err := r.Scan(&s)
		out = append(out, factsIn(s)...)
		return err
	})
	return out, err
}
