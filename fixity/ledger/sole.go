package ledger

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/care"
)

// soleReading says whether a file's version is what one reading of one copy gave and nothing
// else stands behind it (care.Sole), with the highest number of a version of the file.
func (t Audits) soleReading(f File) (is bool, newest int64, err error) {
	copies, err := t.Copies.Of(f.ID)
	if err != nil {
		return false, 0, err
	}
	rules, err := t.Stores.Rules()
	if err != nil || !care.Sole(rules, f.Version, f.Vouched, copies) {
		return false, 0, err
	}
	newest, err = t.Files.newestVersion(f.ID)
	return true, newest, err
}

// outvoted tells that version n took the place of a file's version, which was what its only
// reading gave, since two later readings agree. Nobody ever had the bytes of that reading, so
// discs that were burned meanwhile were burned from version n, and no editing window begins.
func (t Audits) outvoted(s fixity.Shard, f File, n int64, x fixity.Result, by string, seen *seenAs) error {
	first, err := t.Files.Version(f.ID, f.Version)
	if err != nil {
		return err
	}
	if _, err := t.exec(`UPDATE disc_file SET version = $3 WHERE file = $1 AND version = $2`, f.ID, f.Version, n); err != nil {
		return err
	}
	if _, err := t.exec(`UPDATE file SET changed_at = $2 WHERE id = $1`, f.ID, nanos(f.Changed)); err != nil {
		return err
	}
	fact := fixity.Fact{Is: fixity.FirstOther, At: fixity.Instants(first.At), Cache: x.Cache}
	for _, w := range x.Seen {
		if w.Is == fixity.SameWrong {
			fact.At, fact.Cache = append(fact.At, w.At...), w.Cache
		}
	}
	seen.facts = append(seen.facts, fact)
	t.Event(Event{Verb: fixity.Outvoted, By: by, Store: s.Store, Set: s.Set, File: f.ID, Audit: s.Audit, Data: map[string]any{"version": n}})
	a, err := t.Get(s.Audit)
	if err != nil {
		return err
	}
	if err := t.Copies.MakeDue(f.ID, s.Store, a.Run); err != nil {
		return err
	}
	return t.Findings.Rejudge(f.ID, s.Audit, by, s.Store, seen)
}

// waited has copies read at once that were in dispute with a file's version while one reading
// stood behind it: now there are two, and what they hold is told.
func (t Copies) waited(file int64) error {
	copies, err := t.Of(file)
	if err != nil {
		return err
	}
	for _, c := range copies {
		if c.State != fixity.Disputed {
			continue
		}
		if err := t.see(c, care.Wanted{Since: t.now.Add(1)}); err != nil { // whenever it was read
			return err
		}
	}
	return nil
}

// outvotedThere does the same for a copy that lies elsewhere, by what was read there of the
// file. false: the version stands.
func (t Audits) outvotedThere(s fixity.Shard, st Stray, copies []Copy, x fixity.Result, by string, seen *seenAs) (bool, error) {
	f, err := t.Files.Get(st.File)
	if err != nil {
		return false, err
	}
	for _, was := range copies {
		if was.Store != s.Store || was.Set != s.Set || !was.Sole {
			continue
		}
		rules := t.Copies.careRules(f, s.Store)
		if rules.Sole, rules.Newest, err = t.soleReading(f); err != nil {
			return false, err
		}
		c, follows := care.After(was, care.Outvoted{Size: x.Size, ModTime: x.ModTime, At: x.At}, rules)
		if !follows.Outvoted {
			return false, nil
		}
		n, err := t.Files.newVersion(f.ID, VersionOf(x.Size, x.Sums, x.Blocks, by, ""), false, s.Store, true)
		if err != nil {
			return false, err
		}
		if n != c.Held {
			return false, fmt.Errorf("version %d of file %d was to be %d", n, f.ID, c.Held)
		}
		if err := t.Copies.Put(was, c); err != nil {
			return false, err
		}
		x.Seen = []fixity.Fact{{Is: fixity.SameWrong, At: fixity.Instants(x.At), Cache: x.Cache}}
		return true, t.outvoted(s, f, n, x, by, seen)
	}
	return false, nil
}
