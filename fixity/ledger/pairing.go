package ledger

import (
	"database/sql"
	"errors"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/pair"
)

// gone is a file that the audit's listing doesn't show.
type gone struct {
	pair.Gone
	at      string // where the copy should lie in this store
	path    string // of the file in its set
	state   fixity.State
	seen    bool          // it was there once
	instead []fixity.Fact // what lies there now that is no file of bytes
}

// matched is what a set's listing lacks, paired with what lies there under no one's care.
type matched struct {
	gone    []gone
	pairs   []pair.Pair
	unsure  []string // strays whose digest would decide a pair
	unclear unclear
	proofs  care.Quota // of the bytes that may be read to prove what a service reports
}

// unclear says what names leave open: by the place of a stray, and by file.
type unclear struct {
	at map[string][]fixity.Fact
	of map[int64][]fixity.Fact
}

// match pairs what a set's listing lacks: with what has its path in another
// spelling; with what has its fields, where the store names its files in another
// way; with what has its bytes or its sign.
func (t Audits) match(a Audit, set string) (m matched, err error) {
	if m.gone, err = t.goneOf(a, set); err != nil {
		return m, err
	}
	filing, files := t.l.o.Rules.Filing(a.Store, set)
	if len(m.gone) == 0 && !files {
		return m, nil
	}
	came, err := t.cameOf(a, set)
	if err != nil || len(came) == 0 {
		return m, err
	}
	gs := make([]pair.Gone, len(m.gone))
	for i := range m.gone {
		x := &m.gone[i]
		x.Form, x.Fold = Form(x.at), Fold(x.at)
		if k, ok := filing.OfFile(Form(x.path)); ok && files {
			x.Key = "=" + k
		}
		gs[i] = x.Gone
	}
	for i := range came {
		c := &came[i]
		c.Form, c.Fold = Form(c.Path), Fold(c.Path)
		if k, ok := filing.OfObject(c.Form); ok && files {
			c.Key = "=" + k
		}
	}
	var failed error
	m.pairs = pair.Spelled(gs, came, func(g pair.Gone, c pair.Came) bool {
		free, err := t.Copies.onlyName(set, g, c)
		failed = errors.Join(failed, err)
		return free
	})
	if failed != nil {
		return m, failed
	}
	gs, came = pair.Rest(gs, came, m.pairs)
	if files {
		var ps []pair.Pair
		if ps, m.unclear, err = t.matchFields(set, filing, m.gone, gs, came); err != nil {
			return m, err
		}
		m.pairs = append(m.pairs, ps...)
		gs, came = pair.Rest(gs, came, ps)
	}
	res := pair.Match(gs, came)
	m.pairs, m.unsure = append(m.pairs, res.Pairs...), res.Unsure
	return m, nil
}

// matchFields pairs by what the store's names and the files' own have in common.
func (t Audits) matchFields(set string, filing care.Filing, all []gone, gs []pair.Gone, came []pair.Came) ([]pair.Pair, unclear, error) {
	out := unclear{map[string][]fixity.Fact{}, map[int64][]fixity.Fact{}}
	names := map[int64]string{}
	for _, g := range all {
		names[g.File] = g.path
	}
	placed, owner := map[string]int{}, map[string]string{}
	for _, c := range came {
		if c.Key != "" {
			placed[c.Key] = 0
		}
	}
	if filing.Identifies() && len(placed) > 0 {
		if err := t.rows(`SELECT id, path FROM file WHERE set_name = $1 AND retired_at = 0`, []any{set}, func(r *sql.Rows) error {
			var id int64
			var p []byte
			if err := r.Scan(&id, &p); err != nil {
				return err
			}
			k, ok := filing.OfFile(Form(string(p)))
			if n, asked := placed["="+k]; ok && asked && names[id] == "" {
				placed["="+k], owner["="+k] = n+1, string(p)
			}
			return nil
		}); err != nil {
			return nil, out, err
		}
	}
	keyAt := map[string]string{}
	for _, c := range came {
		keyAt[c.Path] = c.Key
	}
	pairs, open := pair.ByFields(gs, came, placed, filing.Identifies())
	may := map[int64][]string{}
	for _, u := range open {
		var files []string
		for _, id := range u.Files {
			files = append(files, names[id])
			may[id] = append(may[id], u.At)
		}
		switch {
		case len(files) > 0:
			out.at[u.At] = []fixity.Fact{{Is: fixity.NameFits, Places: someOf(files), Of: int64(len(files)), Count: int64(u.Alike)}}
		case owner[keyAt[u.At]] != "":
			out.at[u.At] = []fixity.Fact{{Is: fixity.NameTaken, Places: []fixity.Path{fixity.Path(owner[keyAt[u.At]])}}}
		}
	}
	for id, at := range may {
		out.of[id] = []fixity.Fact{{Is: fixity.MayLieAt, Places: someOf(at), Of: int64(len(at))}}
	}
	return pairs, out, nil
}

// someOf are the first three of some paths.
func someOf(paths []string) (out []fixity.Path) {
	for _, p := range paths[:min(len(paths), 3)] {
		out = append(out, fixity.Path(p))
	}
	return out
}

func (t Audits) goneOf(a Audit, set string) ([]gone, error) {
	var out []gone
	// CROSS JOIN fixes the order: from the few that differ into the key of all.
	err := t.rows(`SELECT i.at, i.file, f.path, i.state, i.size, i.mtime, v.size, v.blake3, v.sha256, v.md5, v.checksums, d.instead FROM difference d CROSS JOIN instance i
		LEFT JOIN file f ON f.id = i.file LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE d.audit = $1 AND d.set_name = $3 AND i.store = $2 AND i.set_name = $3 AND i.carrier = 0 AND i.top = d.top AND i.at = d.at AND i.file = d.file
		ORDER BY d.at`, []any{a.ID, a.Store, set}, func(r *sql.Rows) error {
		var at, p, b3, s2, m5 []byte
		var g gone
		var state, instead string
		var size int64
		var want sql.NullInt64
		var words sql.NullString
		if err := r.Scan(&at, &g.File, &p, &state, &size, &g.ModTime, &want, &b3, &s2, &m5, &words, &instead); err != nil {
			return err
		}
		g.instead = factsIn(instead)
		g.at, g.path, g.Path, g.state, g.seen = string(at), string(p), string(at), fixity.State(state), size >= 0
		g.Size = want.Int64
		if len(b3) > 0 {
			g.Digest = fixity.DigestOf(fixity.BLAKE3, b3).Sum
		}
		if len(s2) > 0 {
			g.Reports = append(g.Reports, fixity.DigestOf(fixity.SHA256, s2).String())
		}
		if len(m5) > 0 {
			g.Reports = append(g.Reports, fixity.DigestOf(fixity.MD5, m5).String())
		}
		known, _ := checksums(words.String)
		for _, d := range known {
			g.Reports = append(g.Reports, d.String())
		}
		// An altered file that was moved is told by the sign it had, not by the version's.
		if g.seen && size != g.Size {
			g.Size, g.Wants = size, g.Size
		}
		if !g.seen {
			g.ModTime = 0
		}
		out = append(out, g)
		return nil
	})
	return out, err
}

func (t Audits) cameOf(a Audit, set string) ([]pair.Came, error) {
	return list(t.Tx, `SELECT at, size, mtime, blake3, reported FROM stray WHERE store = $1 AND set_name = $2 AND peace = 0 ORDER BY top, at`, []any{a.Store, set}, func(r row) (pair.Came, error) {
		var at, b3 []byte
		var c pair.Came
		if err := r.Scan(&at, &c.Size, &c.ModTime, &b3, &c.Reported); err != nil {
			return c, err
		}
		c.Path = string(at)
		if len(b3) > 0 {
			c.Digest = fixity.DigestOf(fixity.BLAKE3, b3).Sum
		}
		return c, nil
	})
}
