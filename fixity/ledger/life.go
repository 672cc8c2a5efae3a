package ledger

import (
	"database/sql"
	"errors"
	"fmt"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Holds is a version of a file that has certain bytes.
type Holds struct {
	File    File
	Version int64
	Current bool // it is the file's version now, and the file is under care
}

// ByDigest are the versions that have these bytes, those of files under care first.
func (t Files) ByDigest(blake3 fixity.Digest) ([]Holds, error) {
	type hit struct{ file, n int64 }
	var hits []hit
	if blake3.IsZero() {
		return nil, nil
	}
	if err := t.rows(`SELECT file, n FROM version WHERE substr(blake3, 1, 8) = $2 AND blake3 = $1 ORDER BY file, n DESC`, []any{blake3.Bytes(), blake3.Bytes()[:8]}, func(r *sql.Rows) error {
		var h hit
		err := r.Scan(&h.file, &h.n)
		hits = append(hits, h)
		return err
	}); err != nil {
		return nil, err
	}
	var current, rest []Holds
	for _, h := range hits {
		f, err := t.Get(h.file)
		if err != nil {
			return nil, err
		}
		x := Holds{File: f, Version: h.n, Current: f.Version == h.n && f.Retired.IsZero()}
		if x.Current {
			current = append(current, x)
		} else {
			rest = append(rest, x)
		}
	}
	return append(current, rest...), nil
}

// Under are the files under care at or below a path of a set; "" is all.
func (t Files) Under(set, path string) ([]File, error) {
	low, high := below(path)
	return list(t.Tx, `SELECT `+fileColumns+` FROM file WHERE set_name = $1 AND retired_at = 0 AND (path >= $2 AND path < $3 OR path = $4) ORDER BY path`,
		[]any{set, low, high, []byte(path)}, scanFile)
}

// AnyUnder says whether a file under care of a set lies at or below a path.
func (t Files) AnyUnder(set, path string) (bool, error) {
	low, high := below(path)
	var id int64
	err := t.row(`SELECT id FROM file WHERE set_name = $1 AND retired_at = 0 AND (path >= $2 AND path < $3 OR path = $4) LIMIT 1`,
		[]any{set, low, high, []byte(path)}, &id)
	if errors.Is(err, fixity.ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}

// RetireBy ends the care of a file by a person's order. Its open findings end
// with it.
func (t Files) RetireBy(f File, by, reason string) error {
	if err := t.StillFile(f); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.Retired, By: by, Set: f.Set, File: f.ID, Reason: reason})
	if err := t.overtake(f.ID, by, reason); err != nil {
		return err
	}
	return t.Retire(f.ID)
}

// overtake ends the open findings about a file.
func (t Files) overtake(file int64, by, reason string) error {
	open, err := t.Findings.where(`WHERE file = $1 AND settled = '' ORDER BY id`, file)
	if err != nil {
		return err
	}
	for _, o := range open {
		if err := t.Findings.settle(o, fixity.Overtaken, by, reason); err != nil {
			return err
		}
	}
	return nil
}

// Replace says that one file took another's place with the same samples: the
// old one is retired, and its event names the new one.
func (t Files) Replace(old, new File, samples fixity.Digest, by, reason string) error {
	for _, f := range []File{old, new} {
		if err := t.StillFile(f); err != nil {
			return err
		}
	}
	t.Event(Event{Verb: fixity.ReplacedBy, By: by, Set: old.Set, File: old.ID, Reason: reason,
		Data: map[string]any{"new": new.ID, "new_path": DisplayPath(new.Path), "samples": samples.String()}})
	t.Event(Event{Verb: fixity.ReplacedBy, By: by, Set: new.Set, File: new.ID, Reason: reason, Data: map[string]any{"old": old.ID, "old_path": DisplayPath(old.Path)}})
	if err := t.overtake(old.ID, by, reason); err != nil {
		return err
	}
	return t.Retire(old.ID)
}

// Forget ends what is known of a store's copies of a set, "" for all sets: a retired store
// expects nothing any more; a replaced one awaits all of it anew, and nothing in it counts
// until it has been read. It works through n files after a number and gives the
// last; 0 when none is left. may is asked for each file in this transaction; its error
// ends it, and nothing of this call is written.
func (t Stores) Forget(store, set string, retire bool, after int64, n int, by, reason string, may func(File) error) (last int64, err error) {
	var files []int64
	if err := t.rows(`SELECT DISTINCT file FROM instance WHERE store = $1 AND file > $2 AND ($4 = '' OR set_name = $4) ORDER BY file LIMIT $3`, []any{store, after, n, set}, func(r *sql.Rows) error {
		var id int64
		err := r.Scan(&id)
		files = append(files, id)
		return err
	}); err != nil {
		return 0, err
	}
	for _, id := range files {
		if err := t.forgetCopies(store, id, retire, by, reason, may); err != nil {
			return 0, fmt.Errorf("file %d: %w", id, err)
		}
		last = id
	}
	return last, nil
}

func (t Stores) forgetCopies(store string, file int64, retire bool, by, reason string, may func(File) error) error {
	f, err := t.Files.Get(file)
	if err != nil {
		return err
	}
	if err := may(f); err != nil {
		return err
	}
	copies, err := t.Copies.Of(file)
	if err != nil {
		return err
	}
	for _, c := range copies {
		if c.Store != store || c.Carrier != 0 {
			continue // discs are retired one by one
		}
		open, err := t.Findings.openFor(c.Store, c.Set, c.Carrier, file)
		if err != nil && err != fixity.ErrNotFound {
			return err
		}
		if err == nil {
			if err := t.Findings.settle(open, fixity.Overtaken, by, reason); err != nil {
				return err
			}
		}
		if retire {
			if err := t.Copies.drop(c); err != nil {
				return err
			}
			continue
		}
		anew, _ := care.After(c, care.StoreReplaced{To: f.Path}, t.Copies.careRules(f, store))
		if err := t.Copies.Put(c, anew); err != nil {
			return err
		}
	}
	return t.Findings.Rejudge(file, 0, by, "", nil)
}

// End records that a store, or a set of it, was retired, or a store replaced, after Forget.
// What was known of its strays and its other findings ends. set is "" for all of a store.
func (t Stores) End(store, set string, retire bool, by, reason string) error {
	open, err := t.Findings.where(`WHERE store = $1 AND settled = '' AND file = 0 AND ($2 = '' OR set_name = $2) ORDER BY id`, store, set)
	if err != nil {
		return err
	}
	for _, f := range open {
		if err := t.Findings.settle(f, fixity.Overtaken, by, reason); err != nil {
			return err
		}
	}
	verb := fixity.StoreReplaced
	if retire {
		if err := t.Findings.rehomeUnfinished(store, by); err != nil {
			return err
		}
		verb = fixity.StoreRetired
		if _, err := t.exec(`DELETE FROM manifest_owed WHERE store = $1 AND ($2 = '' OR set_name = $2)`, store, set); err != nil {
			return err
		}
	}
	for _, q := range []string{
		`DELETE FROM stray WHERE store = $1 AND ($2 = '' OR set_name = $2)`,
		`DELETE FROM manifest WHERE store = $1 AND ($2 = '' OR set_name = $2)`, // where its folders were there may be none now
		`UPDATE store_set SET adopted_at = 0, listed_complete_at = 0, filling = 0 WHERE store = $1 AND ($2 = '' OR set_name = $2)`,
	} {
		if _, err := t.exec(q, store, set); err != nil {
			return err
		}
	}
	if set == "" {
		if _, err := t.exec(`UPDATE store SET adopted_at = 0, identity = '', holdings = '' WHERE name = $1`, store); err != nil {
			return err
		}
		if retire {
			if _, err := t.exec(`UPDATE store SET retired_at = $2 WHERE name = $1`, store, nanos(t.now)); err != nil {
				return err
			}
		}
	}
	t.Tx.filling = nil
	t.Event(Event{Verb: verb, By: by, Store: store, Set: set, Reason: reason})
	return nil
}
