package ledger

import (
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/database"
	"firmus/fixity/pair"
)

// concludeStrays reports what lies in a store under no one's care, and ends the
// findings about what no longer does. In arrivals it is new, not a finding.
func (t Audits) concludeStrays(a Audit, set string, unclear unclear, by string) error {
	rule, _ := t.l.o.Rules.Store(a.Store)
	arrivals, _ := t.l.o.Rules.Arrivals(set)
	for afterTop, after := "", ""; ; {
		page, err := t.Strays.Each(a.Store, set, afterTop, after, 1000)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return t.Strays.endFindings(a.Store, set, by)
		}
		for _, s := range page {
			afterTop, after = top(s.Path), s.Path
			if s.File != 0 || s.Peace {
				continue
			}
			if rule.Arrivals {
				// What is new here waits for intake; but a conflict copy isn't taken in.
				if other, err := t.Strays.ConflictOf(set, s.Path); err != nil || other == "" {
					if err != nil {
						return err
					}
					continue
				}
				if err := t.Strays.report(a.Store, set, s, unclear.at[s.Path], a.ID, by); err != nil {
					return err
				}
				continue
			}
			// It waits in arrivals as well: it will be taken in with that one.
			if _, err := t.Strays.At(arrivals.Name, set, s.Path); err == nil {
				continue
			}
			if followed, err := t.followRename(a, set, s, by); err != nil || followed {
				if err != nil {
					return err
				}
				continue
			}
			if err := t.Strays.report(a.Store, set, s, unclear.at[s.Path], a.ID, by); err != nil {
				return err
			}
		}
	}
}

// endFindings ends the findings about what doesn't lie in a store under no one's care any more.
func (t Strays) endFindings(store, set, by string) error {
	return t.ofOpen(store, set, func(f Finding) error {
		st, err := t.At(store, set, f.Path)
		switch gone := errors.Is(err, fixity.ErrNotFound); {
		case err != nil && !gone:
			return err
		case gone || st.File != 0 || st.Peace:
			return t.Findings.settle(f, fixity.Overtaken, by, "")
		}
		return nil
	})
}

// ofOpen calls each for the open findings about what lies in a root under no one's care.
func (t Strays) ofOpen(store, set string, each func(Finding) error) error {
	open, err := t.Findings.where(`WHERE store = $1 AND set_name = $2 AND subject = 'stray' AND settled = '' ORDER BY id`, store, set)
	for _, f := range open {
		if err := each(f); err != nil {
			return err
		}
	}
	return err
}

// report opens or refreshes the finding about a stray, or ends it; also is what else is known of it.
func (t Strays) report(store, set string, s Stray, also []fixity.Fact, audit int64, by string) error {
	x, of, err := t.bytesOf(store, set, s)
	if err != nil {
		return err
	}
	rule, _ := t.l.o.Rules.Store(store)
	v := care.JudgeStray(x, rule.ExpectWithin, t.now)
	if !v.Finding {
		return t.Findings.Clear(store, set, fixity.OfStray, v.Kind, s.Path, fixity.Overtaken, by)
	}
	if x.Of {
		also = append([]fixity.Fact{{Is: fixity.BytesOf, Set: of.Set, Places: []fixity.Path{fixity.Path(of.Path)}}}, also...)
	}
	f := fixity.Finding{Subject: fixity.OfStray, Kind: v.Kind, Urgency: v.Urgency, Store: store, Set: set, Path: s.Path, IntactIn: v.IntactIn, Count: 1,
		Facts: fixity.Facts{Seen: append([]fixity.Fact{{Is: fixity.StraySince, Bytes: s.Size, At: fixity.Instants(s.First)}}, also...)}}
	return t.Findings.Found(f, v.Step, audit, by)
}

// bytesOf is what care must know of a stray, and the file under care of its set whose bytes it
// was read to have; of several, one whose own copy in the store has its bytes too, at a place of its own.
func (t Strays) bytesOf(store, set string, s Stray) (x care.Stray, of File, err error) {
	x.Since = s.First
	holds, err := t.Files.ByDigest(s.Digest)
	for _, h := range holds {
		if err != nil || x.Spare || h.File.Set != set || !h.File.Retired.IsZero() {
			continue
		}
		var copies []Copy
		copies, err = t.Copies.Of(h.File.ID)
		x.Of, of = true, h.File
		x.Spare = slices.ContainsFunc(copies, func(c Copy) bool {
			return c.Store == store && c.Carrier == 0 && c.State != fixity.Misplaced && care.HoldsVersion(c.State)
		})
	}
	return x, of, err
}

// renamed is the copy that a store has elsewhere, or had, of the file whose place a stray
// lies at: the file was renamed. ok is false if there is none.
func (t Audits) renamed(a Audit, set string, s Stray) (f File, c Copy, ok bool, err error) {
	if f, err = t.Files.At(set, s.Path); err != nil {
		if errors.Is(err, fixity.ErrNotFound) {
			err = nil
		}
		return f, c, false, err
	}
	copies, err := t.Copies.Of(f.ID)
	for _, c := range copies {
		if c.Store == a.Store && c.Carrier == 0 && !t.Copies.inPlace(c.Store, c.At, f) {
			return f, c, true, err
		}
	}
	return f, c, false, err
}

// holds is the version of a file that a stray was read, or is reported, to hold, 0 if it is
// none; known is false if nothing says what it holds.
func (t Audits) holds(f File, s Stray) (version int64, known bool, err error) {
	switch {
	case !s.Digest.IsZero():
		version, err = t.Files.versionWith(f.ID, s.Digest)
		return version, true, err
	case !s.Reported.IsZero():
		n, basis, err := t.versionReported(f.ID, fixity.ServiceReport{Size: s.Size, Digest: s.Reported, Basis: fixity.BasisOf(s.Reported.Algorithm)})
		return n, basis.Says(), err
	}
	return 0, false, nil
}

// wantRenamed has what lies at the new place of a file that was renamed read, unless it is
// known what it holds.
func (t Audits) wantRenamed(a Audit, set string) error {
	var at []string
	if err := t.rows(`SELECT s.at FROM stray s JOIN file f ON f.set_name = s.set_name AND f.path = s.at AND f.retired_at = 0
		WHERE s.store = $1 AND s.set_name = $2 AND s.peace = 0 AND s.blake3 IS NULL ORDER BY s.at`, []any{a.Store, set}, func(r *sql.Rows) error {
		var p []byte
		err := r.Scan(&p)
		at = append(at, string(p))
		return err
	}); err != nil {
		return err
	}
	for _, p := range at {
		s, err := t.Strays.At(a.Store, set, p)
		if err != nil {
			return err
		}
		f, _, ok, err := t.renamed(a, set, s)
		if err != nil {
			return err
		}
		if _, known, err := t.holds(f, s); err != nil || !ok || known {
			if err != nil {
				return err
			}
			continue
		}
		if err := t.Strays.want(a.Store, set, p); err != nil {
			return err
		}
	}
	return nil
}

// followRename says that a stray lies where a file under care should, and needs no finding: a
// rename that was accepted has been carried out here, by copying. It is the copy from now on,
// if it was shown to hold no less than what lies at the old place; until it has been read the
// copy stays there.
func (t Audits) followRename(a Audit, set string, s Stray, by string) (bool, error) {
	f, c, ok, err := t.renamed(a, set, s)
	if err != nil || !ok {
		return false, err
	}
	stays := c.Seen() && c.State != fixity.Missing
	version, known, err := t.holds(f, s)
	if err != nil {
		return false, err
	}
	if stays && (version == 0 || version < c.Held) {
		return !known, nil
	}
	if err := t.moveCopy(a, c, pair.Pair{File: f.ID, At: s.Path}, by); err != nil || !stays || c.State == fixity.Misplaced {
		return true, err
	}
	return true, t.Strays.leftBy(c)
}

// leftBy notes what a copy leaves at its place when it has got another one. What it was last
// read to hold is known; else it is to be read.
func (t Strays) leftBy(c Copy) error {
	var b3 []byte
	if c.Read.OK && c.Wrong.IsZero() && c.Held > 0 && !c.DueNow() {
		v, err := t.Files.Version(c.File, c.Held)
		if err != nil {
			return err
		}
		b3 = v.BLAKE3.Bytes()
	}
	_, err := t.exec(`INSERT INTO stray (store, set_name, top, at, size, mtime, first_at, blake3, due) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`,
		c.Store, c.Set, []byte(top(c.At)), []byte(c.At), c.Size, c.ModTime, nanos(t.now), b3, b2i(b3 == nil))
	return err
}

// want has what lies at a path read by this audit.
func (t Strays) want(store, set, at string) error {
	_, err := t.exec(`UPDATE stray SET due = 1 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`, store, set, []byte(top(at)), []byte(at))
	return err
}

// put notes what lies somewhere under no one's care; if it changed, what was
// known of its bytes is forgotten. Where a service reports a digest, that says
// whether it has.
func (t Strays) put(store, set string, es ...fixity.Entry) error {
	const same = `stray.size = excluded.size AND (stray.reported = excluded.reported AND excluded.reported <> ''
		OR stray.mtime = excluded.mtime AND (stray.reported = '' OR excluded.reported = ''))`
	const rest = ` ON CONFLICT (store, set_name, top, at) DO UPDATE SET size = excluded.size, mtime = excluded.mtime, reported = excluded.reported,
		blake3 = CASE WHEN ` + same + ` THEN stray.blake3 END, file = CASE WHEN ` + same + ` THEN stray.file ELSE 0 END,
		peace = CASE WHEN ` + same + ` THEN stray.peace ELSE 0 END`
	for len(es) > 0 {
		var rows [][]any
		in := map[string]bool{} // a statement may change each row once, and a service shows a name twice
		for _, e := range es {
			if in[e.Path] {
				break
			}
			in[e.Path] = true
			rows = append(rows, []any{store, set, []byte(top(e.Path)), []byte(e.Path), e.Size, nanos(e.ModTime), nanos(t.now), e.Reported.String()})
		}
		es = es[len(rows):]
		if err := database.Insert(`INSERT INTO stray (store, set_name, top, at, size, mtime, first_at, reported)`, rest, rows, t.exec); err != nil {
			return fmt.Errorf("stray in %s: %w", store, err)
		}
	}
	return nil
}

// Stray is something that lies in a store under no one's care.
type Stray struct {
	Path    string
	Size    int64
	ModTime int64
	First   time.Time
	Digest  fixity.Digest // zero if it was not read
	// Reported is the digest that the service which keeps it reports; zero if none does.
	Reported fixity.Digest
	File     int64 // the misplaced file whose bytes these are
	Peace    bool
}

const strayColumns = `at, size, mtime, first_at, blake3, reported, file, peace`

func scanStray(r row) (Stray, error) {
	var s Stray
	var at, b3 []byte
	var first, peace int64
	var reported string
	if err := r.Scan(&at, &s.Size, &s.ModTime, &first, &b3, &reported, &s.File, &peace); err != nil {
		return Stray{}, err
	}
	s.Reported = fixity.DigestIn(reported)
	s.Path, s.First, s.Peace = string(at), fromNanos(first), peace != 0
	if len(b3) > 0 {
		s.Digest = fixity.DigestOf(fixity.BLAKE3, b3)
	}
	return s, nil
}

// Each is the next page, by folder and path, of a root's strays.
func (t Strays) Each(store, set, afterTop, after string, limit int) ([]Stray, error) {
	return list(t.Tx, `SELECT `+strayColumns+` FROM stray WHERE store = $1 AND set_name = $2 AND (top, at) > ($3, $4) ORDER BY top, at LIMIT $5`,
		[]any{store, set, []byte(afterTop), []byte(after), limit}, scanStray)
}

// Lying is what lies in a folder of a root under no one's care.
type Lying struct {
	Folder string // the first folder; "" for the root's own files
	Files  int64
	Bytes  int64
	Since  time.Time // the first of them was seen then
}

// Lies is what lies in a root under no one's care and isn't left in peace, by folder, what
// lies there longest first: n folders at most.
func (t Strays) Lies(store, set string, n int) ([]Lying, error) {
	return list(t.Tx, `SELECT top, count(*), CAST(sum(size) AS BIGINT), min(first_at) FROM stray WHERE store = $1 AND set_name = $2 AND peace = 0 AND file = 0
		GROUP BY top ORDER BY min(first_at), top LIMIT $3`, []any{store, set, n}, func(r row) (l Lying, err error) {
		var folder []byte
		var since int64
		err = r.Scan(&folder, &l.Files, &l.Bytes, &since)
		l.Folder, l.Since = string(folder), fromNanos(since)
		return l, err
	})
}

// New is how many bytes a store holds at those paths of a set at which something new lies in
// arrivals.
func (t Strays) New(store, set, arrivals string) (n int64, err error) {
	err = t.row(`SELECT CAST(COALESCE(sum(s.size), 0) AS BIGINT) FROM stray a JOIN stray s ON s.store = $1 AND s.set_name = a.set_name AND s.top = a.top AND s.at = a.at
		WHERE a.store = $3 AND a.set_name = $2 AND a.peace = 0 AND a.file = 0`, []any{store, set, arrivals}, &n)
	return n, err
}

// At reads the stray at a path; fixity.ErrNotFound if none is known there.
func (t Strays) At(store, set, at string) (Stray, error) {
	s, err := scanStray(t.one(`SELECT `+strayColumns+` FROM stray WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
		store, set, []byte(top(at)), []byte(at)))
	return s, notFound(err)
}

// Drop forgets a stray, as it has come under care.
func (t Strays) Drop(store, set, at string) error { return t.DropAll(store, set, []string{at}) }

// DropAll forgets the strays at some paths, as they have come under care: what was told of
// them ends.
func (t Strays) DropAll(store, set string, paths []string) error {
	if err := t.ofOpen(store, set, func(f Finding) error {
		if !slices.Contains(paths, f.Path) {
			return nil
		}
		return t.Findings.settle(f, fixity.Overtaken, t.l.o.By, "")
	}); err != nil {
		return err
	}
	return t.inFolders(store, set, paths, func(key []any, in string) error {
		_, err := t.exec(`DELETE FROM stray WHERE store = $1 AND set_name = $2 AND top = $3 AND at`+in, key...)
		return err
	})
}

// Take forgets the strays at some paths that lie there under no one's care and were not
// left in peace, and gives their paths.
func (t Strays) Take(store, set string, paths []string) (map[string]bool, error) {
	return t.some(store, set, paths, `DELETE FROM stray WHERE file = 0 AND peace = 0 AND`, ` RETURNING at`)
}

// Known are those of some paths at which a stray is known.
func (t Strays) Known(store, set string, paths []string) (map[string]bool, error) {
	return t.some(store, set, paths, `SELECT at FROM stray WHERE`, ``)
}

func (t Strays) some(store, set string, paths []string, begin, end string) (map[string]bool, error) {
	out := map[string]bool{}
	err := t.inFolders(store, set, paths, func(key []any, in string) error {
		return t.rows(begin+` store = $1 AND set_name = $2 AND top = $3 AND at`+in+end, key, func(r *sql.Rows) error {
			var at []byte
			err := r.Scan(&at)
			out[string(at)] = true
			return err
		})
	})
	return out, err
}

// inFolders has ask called for the paths of each folder, some at a time: with the rest of
// the condition and all that stands in it.
func (t Strays) inFolders(store, set string, paths []string, ask func(key []any, in string) error) error {
	by := map[string][][]byte{}
	for _, p := range paths {
		by[top(p)] = append(by[top(p)], []byte(p))
	}
	for _, folder := range slices.Sorted(maps.Keys(by)) {
		if err := database.Among(3, by[folder], func(places string, some []any) error {
			return ask(append([]any{store, set, []byte(folder)}, some...), ` IN (`+places+`)`)
		}); err != nil {
			return err
		}
	}
	return nil
}

// ReadSoon has what lies at a path read by the next audit, if it is a misplaced file's.
func (t Strays) ReadSoon(store, set, at string) error {
	_, err := t.exec(`UPDATE stray SET due = 1 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4 AND file <> 0`, store, set, []byte(top(at)), []byte(at))
	return err
}

// LeaveInPeace says that a stray is known and wanted: it isn't reported until it changes.
func (t Strays) LeaveInPeace(store, set, at string) error {
	_, err := t.exec(`UPDATE stray SET peace = 1 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`, store, set, []byte(top(at)), []byte(at))
	return err
}

// ConflictOf is the path of the file under care of which the one at a path is a conflict
// copy by its name; "" if it is none.
func (t Strays) ConflictOf(set, path string) (string, error) {
	for _, p := range care.ConflictsOf(path) {
		_, err := t.Files.At(set, p)
		if err == nil {
			return p, nil
		}
		if !errors.Is(err, fixity.ErrNotFound) {
			return "", err
		}
	}
	return "", nil
}
