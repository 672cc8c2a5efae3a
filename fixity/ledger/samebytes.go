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

// mostSame is how many copies SameBytes gives: one that is whole is enough.
const mostSame = 20

// sameBytes finds copies that hold a version with a digest, of files under care besides one.
var sameBytes = `SELECT i.file, i.store, i.carrier FROM version v JOIN file f ON f.id = v.file JOIN instance i ON i.file = v.file AND i.held = v.n
	WHERE substr(v.blake3, 1, 8) = $2 AND v.blake3 = $1 AND v.file <> $3 AND f.retired_at = 0 AND i.same_as = '' AND ` + inStates("i.state", care.HoldsVersion) + `
	ORDER BY i.file, i.store, i.carrier LIMIT $4`

// SameBytes are copies of other files under care that hold the very bytes of a file's
// version, with where each lies. An empty file has none: its bytes are no recording.
func (t Copies) SameBytes(file, version int64) (out []Copy, err error) {
	if version == 0 {
		return nil, nil
	}
	var size int64
	var b3 []byte
	if err := t.row(`SELECT size, blake3 FROM version WHERE file = $1 AND n = $2`, []any{file, version}, &size, &b3); err != nil || size == 0 {
		return nil, err
	}
	type key struct {
		file    int64
		store   string
		carrier int64
	}
	keys, err := list(t.Tx, sameBytes, []any{b3, b3[:8], file, mostSame}, func(r row) (k key, err error) {
		return k, r.Scan(&k.file, &k.store, &k.carrier)
	})
	if err != nil {
		return nil, err
	}
	of := map[int64][]Copy{}
	for _, k := range keys {
		if of[k.file] == nil {
			if of[k.file], err = t.Of(k.file); err != nil {
				return nil, err
			}
		}
		i := slices.IndexFunc(of[k.file], func(c Copy) bool { return c.Store == k.store && c.Carrier == k.carrier })
		if i < 0 {
			continue
		}
		c := of[k.file][i]
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
// hang on it.
func (t Findings) judgeSame() error {
	files := maps.Clone(t.judged)
	for id := range t.before {
		if _, ok := files[id]; !ok {
			files[id] = judging{by: t.l.o.By}
		}
	}
	if len(files) == 0 {
		return nil
	}
	var one int64
	if err := t.row(`SELECT id FROM finding WHERE settled = '' AND file <> 0 LIMIT 1`, nil, &one); errors.Is(err, fixity.ErrNotFound) || errors.Is(err, sql.ErrNoRows) {
		return nil
	} else if err != nil {
		return err
	}
	again := map[int64]judging{}
	if err := database.Among(0, slices.Sorted(maps.Keys(files)), func(places string, some []any) error {
		return t.rows(haveFindings+` AND m.file IN (`+places+`)`, some, func(r *sql.Rows) error {
			var changed, id int64
			err := r.Scan(&changed, &id)
			again[id] = files[changed]
			return err
		})
	}); err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(again)) {
		if err := t.Rejudge(id, again[id].audit, again[id].by, "", nil); err != nil {
			return err
		}
	}
	return nil
}

// haveFindings finds, for versions of files, the other files whose version has the same
// bytes and about which a finding is open.
const haveFindings = `SELECT m.file, v.file FROM version m JOIN version v ON substr(v.blake3, 1, 8) = substr(m.blake3, 1, 8) AND v.blake3 = m.blake3 AND v.file <> m.file
	JOIN file f ON f.id = v.file AND f.version = v.n JOIN finding d ON d.file = v.file AND d.settled = '' AND d.kind <> 'unfinished'
	WHERE m.size > 0`

// judging is who judged a file in a transaction, and in which audit.
type judging struct {
	audit int64
	by    string
}
