package ledger

import (
	"database/sql"
	"errors"
	"maps"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/database"
)

// mostSame is how many copies SameBytes gives: one that is whole is enough. No more than half
// of them are of one file, so that some are left for each file that asks.
const mostSame = 20

// sameBytes finds versions with a digest, behind one in the order of their key, that a copy of
// their file, which is under care, may hold.
var sameBytes = `SELECT v.file, v.n FROM version v JOIN file f ON f.id = v.file
	WHERE substr(v.blake3, 1, 8) = $2 AND v.blake3 = $1 AND v.file >= $3 AND (v.file > $3 OR v.n > $4) AND f.retired_at = 0
		AND EXISTS (SELECT 1 FROM instance i WHERE i.file = v.file AND i.held = v.n AND i.same_as = '' AND ` + inStates("i.state", care.HoldsVersion) + `)
	ORDER BY v.file, v.n LIMIT 50`

// SameBytes are copies of other files under care that count, and hold the very bytes of a
// file's version, with where each lies. An empty file has none: its bytes are no recording.
func (t Copies) SameBytes(file, version int64) ([]Copy, error) {
	if t.judged != nil {
		t.same = nil // the transaction may have changed a copy since
	}
	return t.knownSame(file, version)
}

// knownSame is SameBytes as it was when the transaction first asked for these bytes: what it
// changed since is told once it ends (judgeSame).
func (t Copies) knownSame(file, version int64) ([]Copy, error) {
	if version == 0 {
		return nil, nil
	}
	var size int64
	var b3 []byte
	if err := t.row(`SELECT size, blake3 FROM version WHERE file = $1 AND n = $2`, []any{file, version}, &size, &b3); err != nil || size == 0 {
		return nil, err
	}
	all, err := t.sameAsKnown(b3)
	return slices.DeleteFunc(slices.Clone(all), func(c Copy) bool { return c.File == file }), err
}

func (t Copies) sameAsKnown(b3 []byte) (all []Copy, err error) {
	all, ok := t.same[string(b3)]
	if !ok {
		if all, err = t.WithBytes(b3, nil); err != nil {
			return nil, err
		}
		if t.same == nil {
			t.Tx.same = map[string][]Copy{}
		}
		t.same[string(b3)] = all
	}
	return all, nil
}

// WithBytes are copies of files under care that count and hold the bytes with a digest, in the
// order of the files, with where each lies; besides those of files that but names, if it isn't
// nil. They are up to mostSame.
func (t Copies) WithBytes(b3 []byte, but func(file int64) bool) (out []Copy, err error) {
	type key struct{ file, n int64 }
	for last := (key{}); ; {
		keys, err := list(t.Tx, sameBytes, []any{b3, b3[:8], last.file, last.n}, func(r row) (k key, err error) {
			return k, r.Scan(&k.file, &k.n)
		})
		if err != nil || len(keys) == 0 {
			return out, err
		}
		for _, k := range keys {
			if last = k; but != nil && but(k.file) {
				continue
			}
			of, err := t.holding(k.file, k.n)
			if err != nil {
				return nil, err
			}
			if out = append(out, of[:min(len(of), mostSame/2)]...); len(out) >= mostSame {
				return out[:mostSame], nil
			}
		}
	}
}

// holding are the copies of a file that count as ones of a version, with where each lies.
func (t Copies) holding(file, version int64) (out []Copy, err error) {
	copies, err := t.Of(file)
	if err != nil {
		return nil, err
	}
	rules, err := t.Stores.Rules()
	if err != nil {
		return nil, err
	}
	for _, c := range copies {
		if !rules.Counts(c, version) {
			continue
		}
		if c.State == fixity.Misplaced {
			holds, err := t.Findings.holdsElsewhere(c, c.Held)
			if err != nil {
				return nil, err
			}
			at, err := t.Findings.openFor(c.Store, c.Set, c.Carrier, c.File)
			if errors.Is(err, fixity.ErrNotFound) || err == nil && (!holds || at.FoundAt == "") {
				continue
			}
			if err != nil {
				return nil, err
			}
			c.At = at.FoundAt
		}
		out = append(out, c)
	}
	return out, nil
}

// Names are what the files of copies are called, SET/PATH by number.
func (t Files) Names(copies []Copy) (map[int64]string, error) {
	out := map[int64]string{}
	for _, c := range copies {
		f, err := t.Get(c.File)
		if err != nil {
			return nil, err
		}
		out[c.File] = f.Set + "/" + DisplayPath(f.Path)
	}
	return out, nil
}

// tellSame says, for a finding's facts, which copies of other files have the bytes.
func (t Findings) tellSame(copies []Copy) (out []fixity.SameBytes, err error) {
	for _, c := range copies {
		f, err := t.Files.Get(c.File)
		if err != nil {
			return nil, err
		}
		out = append(out, fixity.SameBytes{Set: f.Set, Path: fixity.Path(f.Path), Store: c.Store, Disc: c.Disc})
	}
	return out, nil
}

// judgeSame judges the open findings of files anew that have the bytes of a file of which
// the transaction changed what is known: whether an intact copy of the bytes is known may
// hang on it. A file that the transaction judged itself is judged again in the same name; any
// other in that of the first of the files that changed. One for which the same copies would
// be named as are isn't judged again.
func (t Findings) judgeSame() error {
	if len(t.judged)+len(t.before) == 0 {
		return nil
	}
	var one int64
	if err := t.row(`SELECT id FROM finding WHERE settled = '' AND file <> 0 LIMIT 1`, nil, &one); errors.Is(err, fixity.ErrNotFound) {
		return nil
	} else if err != nil {
		return err
	}
	t.Tx.same = nil
	changed, begins, err := t.changedBytes()
	if err != nil {
		return err
	}
	again := map[int64]string{}
	if err := database.Among(0, begins, func(places string, some []any) error {
		return t.rows(haveFindings+` AND substr(v.blake3, 1, 8) IN (`+places+`)`, some, func(r *sql.Rows) error {
			var id int64
			var b3 []byte
			err := r.Scan(&id, &b3)
			if x, ok := changed[string(b3)]; ok && (x.several || x.file != id) {
				again[id] = string(b3)
			}
			return err
		})
	}); err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(again)) {
		j, stays, err := t.judgedAs(id, changed[again[id]], []byte(again[id]))
		if err == nil && !stays {
			err = t.Rejudge(id, j.audit, j.by, "", nil)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// changedAs says which files that have certain bytes were changed.
type changedAs struct {
	file    int64 // the first of them
	several bool
	judging
	told *[]fixity.SameBytes // which copies have the bytes, once that was looked up
}

// changedBytes are the digests of the files of which the transaction changed what is known, and
// with what they begin.
func (t Findings) changedBytes() (map[string]*changedAs, [][]byte, error) {
	files := slices.AppendSeq(slices.Collect(maps.Keys(t.judged)), maps.Keys(t.before))
	slices.Sort(files)
	out, begins := map[string]*changedAs{}, map[string]bool{}
	err := database.Among(0, slices.Compact(files), func(places string, some []any) error {
		return t.rows(`SELECT file, blake3 FROM version WHERE size > 0 AND file IN (`+places+`) ORDER BY file`, some, func(r *sql.Rows) error {
			var id int64
			var b3 []byte
			if err := r.Scan(&id, &b3); err != nil {
				return err
			}
			x, ok := out[string(b3)]
			if ok {
				x.several = x.several || x.file != id
				return nil
			}
			x = &changedAs{file: id, judging: judging{by: t.l.o.By}}
			if j, ok := t.judged[id]; ok {
				x.judging = j
			}
			out[string(b3)], begins[string(b3[:8])] = x, true
			return nil
		})
	})
	var first [][]byte
	for _, b := range slices.Sorted(maps.Keys(begins)) {
		first = append(first, []byte(b))
	}
	return out, first, err
}

// judgedAs says in whose name a file is judged again that has the bytes of files that
// changed, and whether what is known of it stays as it is.
func (t Findings) judgedAs(id int64, x *changedAs, b3 []byte) (j judging, stays bool, err error) {
	j, here := t.judged[id]
	if here && !j.asked {
		return j, true, nil // it didn't hang on others
	}
	if !here {
		j = x.judging
	}
	all, err := t.Copies.sameAsKnown(b3)
	if err != nil || slices.ContainsFunc(all, func(c Copy) bool { return c.File == id }) {
		return j, false, err
	}
	if here {
		return j, slices.EqualFunc(j.same, all, func(a, b Copy) bool {
			return a.File == b.File && a.Store == b.Store && a.Carrier == b.Carrier && a.At == b.At
		}), nil
	}
	if x.told == nil {
		told, err := t.tellSame(all)
		if err != nil {
			return j, false, err
		}
		x.told = &told
	}
	open, err := t.where(`WHERE file = $1 AND settled = '' AND kind <> 'unfinished'`, id)
	stays = !slices.ContainsFunc(open, func(f Finding) bool { return len(f.IntactIn) == 0 && !slices.Equal(f.Facts.SameBytes, *x.told) })
	return j, stays, err
}

// haveFindings finds the files whose version has one of some digests and about which a
// finding is open.
const haveFindings = `SELECT DISTINCT v.file, v.blake3 FROM version v JOIN file f ON f.id = v.file AND f.version = v.n JOIN finding d ON d.file = v.file
	WHERE d.settled = '' AND d.kind <> 'unfinished'`

// judging is who judged a file in a transaction, and in which audit.
type judging struct {
	audit int64
	by    string
	asked bool   // whether another file has the bytes
	same  []Copy // which were found to
}
