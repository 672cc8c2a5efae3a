package ledger

import (
	"database/sql"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Working is what tells where a file is in the work.
type Working struct {
	File  File
	Sound time.Duration // of the version under care; 0: not known
	// Copies are those in stores; see EachWorking.
	Copies []Copy
	Discs  []int64 // their ids: those on the shelf that hold the version under care
	// Open are what is open about it, of each its number, kind, urgency and step.
	Open []WorkingFinding
}

// WorkingFinding is an open finding about a file, in short.
type WorkingFinding struct {
	ID      int64
	Store   string
	Kind    fixity.Kind
	Urgency fixity.Urgency
	Step    care.Step
}

// OfItemWorking are the files under care of an item, by set and path, with all their copies.
func (t Files) OfItemWorking(item string) ([]Working, error) {
	out, err := t.working(`AND item = $1`, []byte(item))
	if err != nil || len(out) == 0 {
		return out, err
	}
	at := map[int64]int{}
	for i := range out {
		at[out[i].File.ID] = i
	}
	cs, err := t.Copies.where(`WHERE carrier = 0 AND file IN (SELECT id FROM file WHERE item = $1 AND retired_at = 0) ORDER BY file, store`, []byte(item))
	for _, c := range cs {
		out[at[c.File]].Copies = append(out[at[c.File]].Copies, c)
	}
	return out, err
}

// mostAtOnce is how many files EachWorking reads at once, or those of one item.
const mostAtOnce = 2000

// EachWorking calls each for all files under care that belong to an item, those of some items
// at a time: by item, set and path. whole says that they have all their copies, by store, with
// their states and times alone; else they have those that are not intact.
func (t Files) EachWorking(whole bool, each func([]Working) error) error {
	type counted struct {
		item  []byte
		files int64
	}
	items, err := list(t.Tx, `SELECT item, CAST(sum(files) AS BIGINT) FROM item WHERE item <> $1 GROUP BY item ORDER BY item`, []any{[]byte{}}, func(r row) (x counted, err error) {
		err = r.Scan(&x.item, &x.files)
		return x, err
	})
	if err != nil {
		return err
	}
	copies, state := 1, ` AND state <> 'intact'`
	if whole {
		copies, state = len(t.l.Rules().Stores), ``
	}
	for len(items) > 0 {
		n, files := 1, items[0].files
		for n < len(items) && files+items[n].files <= mostAtOnce {
			files += items[n].files
			n++
		}
		part := []any{items[0].item, items[n-1].item}
		items = items[n:]
		out, err := t.working(`AND item >= $1 AND item <= $2`, part...)
		if err != nil {
			return err
		}
		at := make(map[int64]int, len(out))
		for i := range out {
			at[out[i].File.ID] = i
		}
		if err := t.rows(`SELECT file, store, state, since, read_at, reported_at FROM instance
			WHERE file IN (SELECT id FROM file WHERE retired_at = 0 AND item >= $1 AND item <= $2) AND carrier = 0`+state+` ORDER BY file, store`, part, func(r *sql.Rows) error {
			var c Copy
			var state string
			var since, read, reported int64
			if err := r.Scan(&c.File, &c.Store, &state, &since, &read, &reported); err != nil {
				return err
			}
			i := at[c.File]
			if out[i].Copies == nil {
				out[i].Copies = make([]Copy, 0, copies)
			}
			c.Set, c.State, c.Since, c.Read.At, c.Reported.At = out[i].File.Set, fixity.State(state), fromNanos(since), fromNanos(read), fromNanos(reported)
			out[i].Copies = append(out[i].Copies, c)
			return nil
		}); err != nil {
			return err
		}
		if err := each(out); err != nil {
			return err
		}
	}
	return nil
}

// working reads files with what is on discs and what is open of them.
func (t Files) working(which string, items ...any) ([]Working, error) {
	var out []Working
	at := map[int64]int{}
	if err := t.rows(`SELECT f.id, f.set_name, f.path, f.item, f.version, f.vouched, f.changed_at, f.finished, f.taken_at, f.taken_by, f.retired_at, COALESCE(v.duration, 0)
		FROM file f LEFT JOIN version v ON v.file = f.id AND v.n = f.version WHERE f.retired_at = 0 `+which+` ORDER BY f.item, f.set_name, f.path`, items, func(r *sql.Rows) error {
		var sound int64
		f, err := scanFile(scanMore{r, &sound})
		at[f.ID] = len(out)
		out = append(out, Working{File: f, Sound: time.Duration(sound)})
		return err
	}); err != nil {
		return nil, err
	}
	if err := t.rows(`SELECT f.id, d.id FROM file f JOIN disc_file b ON b.file = f.id AND b.version = f.version JOIN disc d ON d.id = b.disc
		WHERE f.retired_at = 0 AND d.retired_at = 0 `+which+` GROUP BY f.id, d.id, d.number, d.part, d.twin ORDER BY d.number, d.part, d.twin`, items, func(r *sql.Rows) error {
		var id, disc int64
		err := r.Scan(&id, &disc)
		if i, ok := at[id]; ok {
			out[i].Discs = append(out[i].Discs, disc)
		}
		return err
	}); err != nil {
		return nil, err
	}
	err := t.rows(`SELECT x.file, x.id, x.store, x.kind, x.urgency, x.step FROM finding x
		WHERE x.settled = '' AND x.file IN (SELECT id FROM file WHERE retired_at = 0 `+which+`) ORDER BY x.id`, items, func(r *sql.Rows) error {
		var file int64
		var x WorkingFinding
		var kind, urgency, step string
		err := r.Scan(&file, &x.ID, &x.Store, &kind, &urgency, &step)
		x.Kind, x.Urgency, x.Step = fixity.Kind(kind), fixity.Urgency(urgency), care.Step(step)
		if i, ok := at[file]; ok {
			out[i].Open = append(out[i].Open, x)
		}
		return err
	})
	return out, err
}

// scanMore scans a row's last column into one more place.
type scanMore struct {
	r    *sql.Rows
	more any
}

func (s scanMore) Scan(to ...any) error { return s.r.Scan(append(to, s.more)...) }
