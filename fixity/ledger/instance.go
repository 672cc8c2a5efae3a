package ledger

import (
	"database/sql"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/database"
)

// Copy is one file in one store, or on one disc. What it is after something was seen
// is decided by package care alone; this package keeps it.
type Copy = care.Copy

const copyColumns = `store, set_name, carrier, at, file, held, state, since, size, mtime, reported_at, reported_ok, read_at, read_ok, read_cache, due_at, wrong, settled_as, same_as, inode_at, told_as, reported_by, sole`

func scanCopy(r row) (Copy, error) {
	var c Copy
	var at, wrong []byte
	var state, cache, basis string
	var since, reportedAt, reportedOK, readAt, readOK, due, sole int64
	if err := r.Scan(&c.Store, &c.Set, &c.Carrier, &at, &c.File, &c.Held, &state, &since, &c.Size, &c.ModTime,
		&reportedAt, &reportedOK, &readAt, &readOK, &cache, &due, &wrong, &c.SettledAs, &c.SameAs, &c.InodeAt, &c.ToldAs, &basis, &sole); err != nil {
		return Copy{}, err
	}
	c.At, c.State, c.Since, c.Due, c.Basis = string(at), fixity.State(state), fromNanos(since), fromNanos(due), fixity.Basis(basis)
	c.Sole = sole != 0
	c.Read = fixity.Evidence{Strength: fixity.Read, At: fromNanos(readAt), OK: readOK != 0, Cache: fixity.Cache(cache)}
	c.Reported = fixity.Evidence{Strength: fixity.Reported, At: fromNanos(reportedAt), OK: reportedOK != 0}
	if len(wrong) > 0 {
		c.Wrong = fixity.DigestOf(fixity.BLAKE3, wrong)
	}
	return c, nil
}

// Of are all copies of a file that are expected somewhere, by store.
func (t Copies) Of(file int64) ([]Copy, error) {
	out, err := t.where(`WHERE file = $1 ORDER BY store, carrier`, file)
	if err != nil {
		return nil, err
	}
	for i := range out {
		if out[i].Carrier == 0 {
			continue
		}
		if err := t.Discs.about(&out[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (t Copies) where(where string, args ...any) ([]Copy, error) {
	return list(t.Tx, `SELECT `+copyColumns+` FROM instance `+where, args, scanCopy)
}

// At reads the copy that lies or should lie at a path.
func (t Copies) At(store, set, at string) (Copy, error) {
	c, err := scanCopy(t.one(`SELECT `+copyColumns+` FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0 AND top = $3 AND at = $4`,
		store, set, []byte(top(at)), []byte(at)))
	return c, notFound(err)
}

// Put writes a copy, new or known, and keeps the tallies. was is the zero Copy
// for a new one; it may lie elsewhere than c.
func (t Copies) Put(was, c Copy) error {
	if err := t.shown(was, c); err != nil {
		return err
	}
	if was.Store != "" && was.At != c.At {
		t.Manifests.owes(was)
		if _, err := t.exec(`DELETE FROM instance WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at = $5`,
			was.Store, was.Set, was.Carrier, []byte(top(was.At)), []byte(was.At)); err != nil {
			return err
		}
	}
	c = t.counted(was, c)
	if was.Store == "" || was.At != c.At {
		if err := t.makeWay(c); err != nil {
			return err
		}
	}
	if err := errors.Join(t.aged(was, -1), t.aged(c, 1)); err != nil {
		return err
	}
	_, err := t.exec(insertCopy+` VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24)
		ON CONFLICT (store, set_name, carrier, top, at) DO UPDATE SET file = $6, held = $7, state = $8, since = $9, size = $10, mtime = $11,
			reported_at = $12, reported_ok = $13, read_at = $14, read_ok = $15, read_cache = $16, due_at = $17, wrong = $18, settled_as = $19, same_as = $20, inode_at = $21, told_as = $22, reported_by = $23, sole = $24`,
		copyRow(c)...)
	if err != nil {
		return fmt.Errorf("copy in %s: %w", c.Store, err)
	}
	return nil
}

const insertCopy = `INSERT INTO instance (store, set_name, carrier, top, at, file, held, state, since, size, mtime,
	reported_at, reported_ok, read_at, read_ok, read_cache, due_at, wrong, settled_as, same_as, inode_at, told_as, reported_by, sole)`

func copyRow(c Copy) []any {
	return []any{c.Store, c.Set, c.Carrier, []byte(top(c.At)), []byte(c.At), c.File, c.Held, string(c.State), nanos(c.Since), c.Size, c.ModTime,
		nanos(c.Reported.At), b2i(c.Reported.OK), nanos(c.Read.At), b2i(c.Read.OK), string(c.Read.Cache), nanos(c.Due), c.Wrong.Bytes(), c.SettledAs, c.SameAs, c.InodeAt, c.ToldAs, string(c.Basis), b2i(c.Sole)}
}

// counted is c with the time of its state. The tallies know it then, and its manifest is owed.
func (t Copies) counted(was, c Copy) Copy {
	if was.State != c.State || was.Since.IsZero() {
		c.Since = t.now
		if c.Condition() != c.SettledAs {
			c.SettledAs = ""
		}
		if c.Condition() != c.ToldAs {
			c.ToldAs = ""
		}
	}
	if was.Store == "" || was.At != c.At || was.File != c.File {
		t.Manifests.owes(c)
	}
	t.moved(c.Store, c.Set, was.State, c.State, was.Size, c.Size)
	return c
}

// PutNew writes copies of files that have none in the same places.
func (t Copies) PutNew(all []Copy) error {
	folders := map[Copy][]any{} // places by what their keys have in common
	var order []Copy
	for _, c := range all {
		k := Copy{Store: c.Store, Set: c.Set, Carrier: c.Carrier, At: top(c.At)}
		if folders[k] == nil {
			order = append(order, k)
		}
		folders[k] = append(folders[k], []byte(c.At))
	}
	taken := map[Copy]bool{}
	for _, k := range order {
		if err := database.Among(4, folders[k], func(places string, some []any) error {
			return t.rows(`SELECT at FROM instance WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at IN (`+places+`)`,
				append([]any{k.Store, k.Set, k.Carrier, []byte(k.At)}, some...), func(r *sql.Rows) error {
					var at []byte
					err := r.Scan(&at)
					taken[Copy{Store: k.Store, Set: k.Set, Carrier: k.Carrier, At: string(at)}] = true
					return err
				})
		}); err != nil {
			return err
		}
	}
	var rows [][]any
	for _, c := range all {
		if taken[Copy{Store: c.Store, Set: c.Set, Carrier: c.Carrier, At: c.At}] {
			if err := t.Put(Copy{}, c); err != nil { // another file's copy makes way
				return err
			}
			continue
		}
		c = t.counted(Copy{}, c)
		if err := errors.Join(t.shown(Copy{}, c), t.aged(c, 1)); err != nil {
			return err
		}
		rows = append(rows, copyRow(c))
	}
	return t.insert(insertCopy, rows)
}

// makeWay is for a copy c whose place another file's copy has in the ledger: that
// file was renamed, and this store has not followed. Of two files one can lie
// there; the other is awaited where it should be from now on.
func (t Copies) makeWay(c Copy) error {
	old, err := scanCopy(t.one(`SELECT `+copyColumns+` FROM instance WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at = $5`,
		c.Store, c.Set, c.Carrier, []byte(top(c.At)), []byte(c.At)))
	if errors.Is(err, sql.ErrNoRows) || err == nil && old.File == c.File {
		return nil
	}
	if err != nil {
		return err
	}
	f, err := t.Files.Get(old.File)
	if err != nil {
		return err
	}
	if f.Path == c.At {
		return fmt.Errorf("%q in %s is the place of file %d: %w", c.At, c.Store, f.ID, fixity.ErrRefused)
	}
	moved, _ := care.After(old, care.Displaced{To: f.Path}, t.careRules(f, old.Store))
	if err := t.Put(old, moved); err != nil {
		return err
	}
	return t.Findings.Rejudge(f.ID, 0, t.l.o.By, "", nil)
}

func (t Copies) drop(c Copy) error {
	if err := errors.Join(t.shown(c, Copy{}), t.aged(c, -1)); err != nil {
		return err
	}
	t.moved(c.Store, c.Set, c.State, "", c.Size, 0)
	t.Manifests.owes(c)
	_, err := t.exec(`DELETE FROM instance WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at = $5`,
		c.Store, c.Set, c.Carrier, []byte(top(c.At)), []byte(c.At))
	return err
}

// MakeDue makes the copies of a file in all stores but one due at once, ahead of all
// that is merely due: those aside that have been read since, and discs, which a person
// must fetch.
func (t Copies) MakeDue(file int64, except string, since time.Time) error {
	copies, err := t.Of(file)
	if err != nil {
		return err
	}
	for _, c := range copies {
		if c.Store == except {
			continue
		}
		if err := t.see(c, care.Wanted{Since: since}); err != nil {
			return err
		}
	}
	return nil
}

// see makes of a copy what it is after a piece of evidence that rests on nothing but its
// store's promises, and of which nothing else follows.
func (t Copies) see(was Copy, e care.Evidence) error {
	rule, _ := t.l.o.Rules.Store(was.Store)
	c, _ := care.After(was, e, care.Given{Now: t.now, Store: rule})
	if c == was {
		return nil
	}
	return t.Put(was, c)
}

// follow is see for the copy at a path; nothing if an act has dealt with it meanwhile.
func (t Copies) follow(store, set, at string, e care.Evidence) error {
	c, err := t.At(store, set, at)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	return t.see(c, e)
}

// careRules are what package care must know of a file to decide about its copy in a store.
func (t Copies) careRules(f File, store string) care.Given {
	rule, _ := t.l.o.Rules.Store(store)
	set, _ := t.l.o.Rules.Set(f.Set)
	return care.Given{Now: t.now, Store: rule, Role: set.Role, Current: f.Version, Vouched: f.Vouched,
		Editing: care.InWindow(set, f.Finished, f.Changed, t.now),
		InPlace: func(at string) bool { return t.inPlace(store, at, f) }}
}

// Tally is how many copies of a store's set are in a state, and their bytes.
type Tally struct {
	Store, Set   string
	State        fixity.State
	Files, Bytes int64
}

// Tallies reads the counts kept up by each transaction, in the order of store, set
// and state; empty ones are left out.
func (t Copies) Tallies() ([]Tally, error) {
	return list(t.Tx, `SELECT store, set_name, state, files, bytes FROM tally WHERE files <> 0 ORDER BY store, set_name, state`, nil, func(r row) (Tally, error) {
		var x Tally
		var s string
		err := r.Scan(&x.Store, &x.Set, &s, &x.Files, &x.Bytes)
		x.State = fixity.State(s)
		return x, err
	})
}
