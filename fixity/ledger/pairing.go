package ledger

import (
	"database/sql"
	"errors"
	"fmt"
	"path"
	"strings"
	"time"

	"golang.org/x/text/unicode/norm"

	"firmus/fixity"
	"firmus/fixity/pair"
	"firmus/fixity/policy"
)

// gone is a file that the audit's listing doesn't show.
type gone struct {
	pair.Gone
	at      string // where the copy should lie in this store
	path    string // of the file in its set
	state   fixity.State
	seen    bool   // it was there once
	instead string // what lies there now that is no file of bytes
}

// matched is what a set's listing lacks, paired with what lies there under no one's care.
type matched struct {
	gone    []gone
	pairs   []pair.Pair
	unsure  []string // strays whose digest would decide a pair
	unclear unclear
	proofs  policy.Quota // of the bytes that may be read to prove what a service reports
}

// unclear says in words what names leave open: by the place of a stray, and by file.
type unclear struct {
	at map[string]string
	of map[int64]string
}

// match pairs what a set's listing lacks: with what has its path in another
// spelling; with what has its fields, where the store names its files in another
// way; with what has its bytes or its sign.
func (t *Tx) match(a Audit, set string) (m matched, err error) {
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
		x.Form, x.Fold = form(x.at), Fold(x.at)
		if k, ok := filing.OfFile(form(x.path)); ok && files {
			x.Key = "=" + k
		}
		gs[i] = x.Gone
	}
	for i := range came {
		c := &came[i]
		c.Form, c.Fold = form(c.Path), Fold(c.Path)
		if k, ok := filing.OfObject(c.Form); ok && files {
			c.Key = "=" + k
		}
	}
	var failed error
	m.pairs = pair.Spelled(gs, came, func(g pair.Gone, c pair.Came) bool {
		free, err := t.onlyName(set, g, c)
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
func (t *Tx) matchFields(set string, filing policy.Filing, all []gone, gs []pair.Gone, came []pair.Came) ([]pair.Pair, unclear, error) {
	out := unclear{map[string]string{}, map[int64]string{}}
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
			k, ok := filing.OfFile(form(string(p)))
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
			out.at[u.At] = "ambiguous: by its name it may be " + few(files)
			if u.Twins > 0 {
				out.at[u.At] += fmt.Sprintf(", and so may what lies at %d other places", u.Twins)
			}
		case owner[keyAt[u.At]] != "":
			out.at[u.At] = fmt.Sprintf("by its name it is %q once more, which has its place already", DisplayPath(owner[keyAt[u.At]]))
		}
	}
	for id, at := range may {
		out.of[id] = "ambiguous: by its name it may lie at " + few(at)
	}
	return pairs, out, nil
}

// few names the first three of some paths.
func few(paths []string) string {
	var b strings.Builder
	for i, p := range paths {
		if i == 3 {
			fmt.Fprintf(&b, " or %d others", len(paths)-3)
			break
		}
		if i > 0 {
			b.WriteString(" or ")
		}
		fmt.Fprintf(&b, "%q", DisplayPath(p))
	}
	return b.String()
}

func (t *Tx) goneOf(a Audit, set string) ([]gone, error) {
	var out []gone
	// CROSS JOIN fixes the order: from the few that differ into the key of all.
	err := t.rows(`SELECT i.at, i.file, f.path, i.state, i.size, i.mtime, v.size, v.blake3, v.sha256, v.md5, d.instead FROM difference d CROSS JOIN instance i
		LEFT JOIN file f ON f.id = i.file LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE d.audit = $1 AND d.set_name = $3 AND i.store = $2 AND i.set_name = $3 AND i.carrier = 0 AND i.top = d.top AND i.at = d.at AND i.file = d.file
		ORDER BY d.at`, []any{a.ID, a.Store, set}, func(r *sql.Rows) error {
		var at, p, b3, s2, m5 []byte
		var g gone
		var state string
		var size int64
		var want sql.NullInt64
		if err := r.Scan(&at, &g.File, &p, &state, &size, &g.ModTime, &want, &b3, &s2, &m5, &g.instead); err != nil {
			return err
		}
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
		// An altered file that was moved is told by the sign it had, not by the version's.
		if g.seen && size != g.Size {
			g.Size = size
		}
		if !g.seen {
			g.ModTime = 0
		}
		out = append(out, g)
		return nil
	})
	return out, err
}

func (t *Tx) cameOf(a Audit, set string) ([]pair.Came, error) {
	var out []pair.Came
	err := t.rows(`SELECT at, size, mtime, blake3, reported FROM stray WHERE store = $1 AND set_name = $2 AND peace = 0 ORDER BY top, at`, []any{a.Store, set}, func(r *sql.Rows) error {
		var at, b3 []byte
		var c pair.Came
		if err := r.Scan(&at, &c.Size, &c.ModTime, &b3, &c.Reported); err != nil {
			return err
		}
		c.Path = string(at)
		if len(b3) > 0 {
			c.Digest = fixity.DigestOf(fixity.BLAKE3, b3).Sum
		}
		out = append(out, c)
		return nil
	})
	return out, err
}

// form is a path in one Unicode form.
func form(p string) string { return norm.NFC.String(p) }

// sameName says that two paths are spelled alike but for Unicode form and case.
func sameName(a, b string) bool { return a == b || Fold(a) == Fold(b) }

// inPlace says that a copy lies where its file should lie in its store: at the
// file's path, however it is spelled there, or where the store files it.
func (t *Tx) inPlace(c Copy, f File) bool {
	if sameName(c.At, f.Path) {
		return true
	}
	filing, ok := t.l.o.Rules.Filing(c.Store, c.Set)
	return ok && filing.Holds(form(f.Path), form(c.At))
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

// ofPlace says that a pair shows where the copy has its place, not that it is misplaced.
func ofPlace(w pair.Why) bool {
	return w == pair.Form || w == pair.Case || w == pair.Filed || w == pair.Bytes
}

// misplace is a copy whose bytes were found elsewhere. quota is of the bytes that may
// be read because it is their turn.
func (t *Tx) misplace(a Audit, was Copy, f File, p pair.Pair, size int64, quota *policy.Quota, seen *seenAs) (Copy, error) {
	c, due := was, false
	c.State, seen.foundAt = fixity.Misplaced, p.At
	switch p.Why {
	case pair.Read:
		c.Held = f.Version
		seen.detail = "read where it lies: its bytes are the right ones"
	case pair.Reported:
		// The service's word is no reading: that comes in its turn, without a download
		// for each that was moved.
		c.Held = f.Version
		if !c.Reported.OK {
			c.Reported = fixity.Evidence{Strength: fixity.Reported, At: t.now, OK: true}
			if c.Read.At.IsZero() {
				rule, _ := t.l.o.Rules.Store(a.Store)
				c.Due = firstReading(c.File, t.now, rule.ReadWithin)
			}
		}
		due = a.Full || nanos(c.Due) < 0 || !c.Due.After(t.now) && quota.Take(size)
		seen.detail = "the service reports the right digest of what lies there; it will be read where it lies in its turn"
	default:
		due = true
		seen.detail = "found by size, time and name; it will be read where it lies to prove it"
	}
	_, err := t.exec(`UPDATE stray SET file = $5, due = $6 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
		a.Store, was.Set, []byte(top(p.At)), []byte(p.At), was.File, b2i(due))
	return c, err
}

// moveCopy gives a copy the place where it was found, which is one that it may have
// in the store: a rename that was accepted in the arrivals store has now been
// carried out here, or the name is spelled or filed in another way. What the bytes
// there are is said by what is known of them, or read at once.
func (t *Tx) moveCopy(a Audit, was Copy, p pair.Pair, by string) error {
	st, err := t.StrayAt(a.Store, was.Set, p.At)
	if err != nil {
		return err
	}
	f, err := t.File(was.File)
	if err != nil {
		return err
	}
	var want []byte
	if err := t.row(`SELECT blake3 FROM version WHERE file = $1 AND n = $2`, []any{f.ID, f.Version}, &want); err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return err
	}
	c := was
	c.At = p.At
	// A volume or service that spells a name in its own way has not touched the bytes.
	same := st.Size == was.Size && st.ModTime == was.ModTime && (p.Why == pair.Form || p.Why == pair.Case)
	switch {
	case !st.Digest.IsZero():
		c.Size, c.ModTime, c.Due = st.Size, st.ModTime, time.Time{}
		if st.Digest == fixity.DigestOf(fixity.BLAKE3, want) {
			c.State, c.Held, c.Wrong = fixity.Intact, f.Version, fixity.Digest{}
		}
	case !st.Reported.IsZero():
		if c, err = t.withReport(c, f, fixity.Report{Path: p.At, Size: st.Size, ModTime: st.ModTime, Digest: st.Reported}, t.now); err != nil {
			return err
		}
		c.Size, c.ModTime = st.Size, st.ModTime
	case !same || was.State == fixity.Missing || was.State == fixity.Misplaced:
		c.Size, c.ModTime, c.Due = st.Size, st.ModTime, time.Time{}
	}
	if err := t.DropStray(a.Store, was.Set, p.At); err != nil {
		return err
	}
	if err := t.PutCopy(was, c); err != nil {
		return err
	}
	return t.Rejudge(was.File, a.ID, by, a.Store, &seenAs{})
}

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

// proofQuota is what is left of the bytes that may be read of a store in a day, for
// strays that are to be read in their turn.
func (t *Tx) proofQuota(a Audit) (policy.Quota, error) {
	rule, _ := t.l.o.Rules.Store(a.Store)
	if rule.ReadADay <= 0 {
		return policy.Quota{}, nil
	}
	used, err := t.ServiceRead(a.Store, t.now)
	if err != nil {
		return policy.Quota{}, err
	}
	due, err := t.dueStrayBytes(a.Store)
	return policy.Quota{ADay: rule.ReadADay, Used: used + due}, err
}

// dueStrayBytes are the bytes of a store's strays that are to be read.
func (t *Tx) dueStrayBytes(store string) (n int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(size), 0) AS BIGINT) FROM stray WHERE store = $1 AND due = 1`, []any{store}, &n)
	return n, err
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
