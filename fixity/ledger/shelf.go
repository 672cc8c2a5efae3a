package ledger

import (
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Kinds of discs. Stored: never change one.
const (
	AudioDisc = "audio"
	DataDisc  = "data"
)

// Disc is a disc on the shelf. What isn't known is blank.
type Disc struct {
	ID       int64
	Store    string
	Number   string // as it is written on the disc, normalised
	Twin     string // "A", "B" …: one of several of the same contents
	Part     int    // 0: the only one
	Kind     string
	Box      string
	Blank    string // brand
	Burned   string // when, as typed
	Label    string // what else is written on it
	TOC      string // id of its table of contents, once it was seen
	Control  bool   // it is read first, to look at the drive
	Baseline []byte // what a first reading gave, where nothing older is known
	Added    time.Time
	By       string
	Retired  time.Time
}

// Name is the disc as people call it: "QD-0031 A".
func (d Disc) Name() string {
	s := d.Number
	if d.Part > 0 {
		s += fmt.Sprintf(" part %d", d.Part)
	}
	if d.Twin != "" {
		s += " " + d.Twin
	}
	return s
}

// BoxName is a box's name without the word before it: people write "Box 2" or "Box2" where
// a box is asked for.
func BoxName(s string) string {
	s = strings.TrimSpace(s)
	if len(s) <= len("box") || !strings.EqualFold(s[:len("box")], "box") || unicode.IsLetter([]rune(s[len("box"):])[0]) {
		return s
	}
	if rest := strings.TrimLeft(s[len("box"):], " .:#-"); rest != "" {
		return rest
	}
	return s
}

// DiscFile is what was burned of one file.
type DiscFile struct {
	N             int // 1 is the first
	File, Version int64
	Name          string // on a data disc, its path below the folder that was burned
}

const discColumns = `id, store, number, twin, part, kind, box, blank, burned, label, toc, control, baseline, added_at, added_by, retired_at`

func scanDisc(r row) (Disc, error) {
	var d Disc
	var control, added, retired int64
	err := r.Scan(&d.ID, &d.Store, &d.Number, &d.Twin, &d.Part, &d.Kind, &d.Box, &d.Blank, &d.Burned, &d.Label, &d.TOC, &control, &d.Baseline, &added, &d.By, &retired)
	d.Control, d.Added, d.Retired = control != 0, fromNanos(added), fromNanos(retired)
	return d, err
}

// Get reads a disc by its id; fixity.ErrNotFound if there is none.
func (t Discs) Get(id int64) (Disc, error) {
	d, err := scanDisc(t.one(`SELECT `+discColumns+` FROM disc WHERE id = $1`, id))
	return d, notFound(err)
}

// All are all discs on the shelf, in the order of their numbers.
func (t Discs) All() ([]Disc, error) {
	return t.where(`WHERE retired_at = 0 ORDER BY number, part, twin`)
}

// Any says that there is a disc on the shelf.
func (t Discs) Any() (bool, error) {
	var n int64
	err := t.row(`SELECT count(*) FROM (SELECT 1 FROM disc WHERE retired_at = 0 LIMIT 1) AS one`, nil, &n)
	return n > 0, err
}

// Numbered are the discs on the shelf that have a number: twins and parts.
func (t Discs) Numbered(number string) ([]Disc, error) {
	return t.where(`WHERE number = $1 AND retired_at = 0 ORDER BY part, twin`, number)
}

func (t Discs) where(where string, args ...any) ([]Disc, error) {
	return list(t.Tx, `SELECT `+discColumns+` FROM disc `+where, args, scanDisc)
}

// FilesOn are what was burned on a disc, in its order.
func (t Discs) FilesOn(disc int64) ([]DiscFile, error) {
	return list(t.Tx, `SELECT n, file, version, name FROM disc_file WHERE disc = $1 ORDER BY n`, []any{disc}, func(r row) (DiscFile, error) {
		var f DiscFile
		var name []byte
		err := r.Scan(&f.N, &f.File, &f.Version, &name)
		f.Name = string(name)
		return f, err
	})
}

// Add registers a disc and what was burned on it. Each file is awaited there until
// the disc is read. fixity.ErrRefused if there is a disc of that number, twin and part
// already, or a file stands in it twice.
func (t Discs) Add(d Disc, files []DiscFile, by, reason string) (Disc, error) {
	same, err := t.Numbered(d.Number)
	if err != nil {
		return d, err
	}
	for _, o := range same {
		if o.Twin == d.Twin && o.Part == d.Part {
			return d, fmt.Errorf("disc %s is registered already: %w", d.Name(), fixity.ErrRefused)
		}
	}
	if d.ID, err = t.NextID("disc"); err != nil {
		return d, err
	}
	d.Added, d.By = t.now, by
	if _, err := t.exec(`INSERT INTO disc (`+discColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, 0)`,
		d.ID, d.Store, d.Number, d.Twin, d.Part, d.Kind, d.Box, d.Blank, d.Burned, d.Label, d.TOC, b2i(d.Control), d.Baseline, nanos(d.Added), d.By); err != nil {
		return d, err
	}
	seen := map[int64]bool{}
	for i, f := range files {
		x, err := t.Files.Get(f.File)
		if err != nil {
			return d, err
		}
		if seen[f.File] {
			return d, fmt.Errorf("%s/%s stands on disc %s twice: %w", x.Set, DisplayPath(x.Path), d.Name(), fixity.ErrRefused)
		}
		seen[f.File] = true
		if _, err := t.exec(`INSERT INTO disc_file (disc, n, file, version, name) VALUES ($1, $2, $3, $4, $5)`, d.ID, i+1, f.File, f.Version, []byte(f.Name)); err != nil {
			return d, err
		}
		if !x.Retired.IsZero() {
			continue
		}
		if err := t.Copies.Put(Copy{}, Copy{Store: d.Store, Set: x.Set, Carrier: d.ID, At: x.Path, File: f.File, State: fixity.Awaited, Size: -1, Due: care.Never}); err != nil {
			return d, err
		}
	}
	t.Event(Event{Verb: fixity.DiscAdded, By: by, Store: d.Store, Reason: reason,
		Data: map[string]any{"disc": d.Name(), "id": d.ID, "kind": d.Kind, "files": len(files)}})
	return d, nil
}

// Retire takes a disc off the shelf: nothing is expected on it any more.
func (t Discs) Retire(d Disc, by, reason string) error {
	open, err := t.Findings.where(`WHERE carrier = $1 AND carrier <> 0 AND settled = '' ORDER BY id`, d.ID)
	if err != nil {
		return err
	}
	for _, f := range open {
		if err := t.Findings.settle(f, fixity.Overtaken, by, reason); err != nil {
			return err
		}
	}
	files, err := t.FilesOn(d.ID)
	if err != nil {
		return err
	}
	for _, f := range files {
		c, err := t.copyOn(d.ID, f.File)
		if errors.Is(err, fixity.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		if err := t.Copies.drop(c); err != nil {
			return err
		}
		if err := t.Findings.Rejudge(f.File, 0, by, "", nil); err != nil {
			return err
		}
	}
	if _, err := t.exec(`UPDATE disc SET retired_at = $2 WHERE id = $1`, d.ID, nanos(t.now)); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.DiscRetired, By: by, Store: d.Store, Reason: reason, Data: map[string]any{"disc": d.Name(), "id": d.ID}})
	return nil
}

// copyOn is the copy of a file on a disc; fixity.ErrNotFound if none is expected there.
func (t Discs) copyOn(disc, file int64) (Copy, error) {
	all, err := t.Copies.Of(file)
	if err != nil {
		return Copy{}, err
	}
	for _, c := range all {
		if c.Carrier == disc {
			return c, nil
		}
	}
	return Copy{}, fixity.ErrNotFound
}

// Doubt makes a disc due at once, until its next check: it was read for a file, and not all
// of the file could be read.
func (t Discs) Doubt(disc, file int64) error {
	c, err := t.copyOn(disc, file)
	if err != nil {
		return err
	}
	was := c
	c.Due = care.AtOnce
	return t.Copies.Put(was, c)
}

// Doubted says that a disc is due by Doubt.
func (t Discs) Doubted(disc int64) (is bool, err error) {
	err = t.row(`SELECT EXISTS (SELECT 1 FROM disc_file d JOIN instance i ON i.file = d.file AND i.carrier = d.disc WHERE d.disc = $1 AND i.due_at < 0)`, []any{disc}, &is)
	return is, err
}

// nameOf is what people call a disc; "" for 0.
func (t Discs) nameOf(id int64) (string, error) {
	if id == 0 {
		return "", nil
	}
	d, err := t.Get(id)
	if errors.Is(err, fixity.ErrNotFound) {
		return fmt.Sprintf("disc %d", id), nil
	}
	return d.Name(), err
}

// about fills in what is known of a copy on a disc besides its row.
func (t Discs) about(c *Copy) error {
	var part int
	var number, twin, kind string
	err := t.row(`SELECT d.number, d.twin, d.part, d.kind, f.version FROM disc d JOIN disc_file f ON f.disc = d.id WHERE d.id = $1 AND f.file = $2`,
		[]any{c.Carrier, c.File}, &number, &twin, &part, &kind, &c.Burned)
	if err != nil {
		return fmt.Errorf("disc %d, file %d: %w", c.Carrier, c.File, err)
	}
	c.Disc, c.Lesser = Disc{Number: number, Twin: twin, Part: part}.Name(), kind == AudioDisc
	return nil
}

// OnDisc are the open findings about a disc and what is on it, the oldest first.
func (t Findings) OnDisc(disc int64) ([]Finding, error) {
	return t.where(`WHERE carrier = $1 AND carrier <> 0 AND settled = '' ORDER BY id`, disc)
}

// FileDuration is a file under care and how long its recording is; 0 if that isn't known.
type FileDuration struct {
	File     int64
	Path     string
	Duration time.Duration
}

// Durations are those of the files of a set, in path order.
func (t Files) Durations(set string) ([]FileDuration, error) {
	return list(t.Tx, `SELECT f.id, f.path, coalesce(v.duration, 0) FROM file f JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE f.set_name = $1 AND f.retired_at = 0 ORDER BY f.path`, []any{set}, func(r row) (FileDuration, error) {
		var x FileDuration
		var p []byte
		var d int64
		err := r.Scan(&x.File, &p, &d)
		x.Path, x.Duration = string(p), time.Duration(d)
		return x, err
	})
}

// ShelfWeek is what was seen of the shelf since a time.
type ShelfWeek struct {
	Discs     int64
	Read      int64 // since then
	Bad       []Disc
	NeverRead int64
	Oldest    time.Time // newest reading of the disc that was not read for the longest, of those that were
	Next      []Disc    // drawn to be read in this month, and not read since
}

// Since sums up the discs since a time. Bad are those whose newest check, made since
// then, was none of the verdicts that are good.
func (t Discs) Since(since time.Time, good func(DiscCheck) bool) (ShelfWeek, error) {
	var w ShelfWeek
	all, err := t.All()
	if err != nil {
		return w, err
	}
	draws, err := t.Draws()
	if err != nil {
		return w, err
	}
	drawn := map[int64]time.Time{}
	for _, x := range draws {
		if x.Month == t.now.UTC().Format("2006-01") {
			drawn[x.Disc] = x.At
		}
	}
	for _, d := range all {
		w.Discs++
		c, err := t.LastCheck(d.ID)
		if at, ok := drawn[d.ID]; ok && (err != nil || c.Ended.Before(at)) {
			w.Next = append(w.Next, d)
		}
		if errors.Is(err, fixity.ErrNotFound) {
			w.NeverRead++
			continue
		}
		if err != nil {
			return w, err
		}
		if w.Oldest.IsZero() || c.Ended.Before(w.Oldest) {
			w.Oldest = c.Ended
		}
		if c.Ended.Before(since) {
			continue
		}
		w.Read++
		if !good(c) {
			w.Bad = append(w.Bad, d)
		}
	}
	return w, nil
}

// GoodCheck says that nothing needs to be done about a disc after a check: its verdict
// says so, or a decision covers it.
func GoodCheck(c DiscCheck, decisions []DiscDecision) bool {
	switch c.Verdict {
	case fixity.DiscIntact, fixity.DiscBaseline, fixity.DiscSaysNothing, fixity.DiscAlike:
		return true
	}
	return slices.ContainsFunc(decisions, func(d DiscDecision) bool { return d.Covers(c) })
}

// MoveStore gives all discs of a store to another: the shelf has got a name of its own in
// the configuration.
func (t Discs) MoveStore(from, to, by string) error {
	var n int64
	if err := t.row(`SELECT count(*) FROM disc WHERE store = $1`, []any{from}, &n); err != nil || n == 0 {
		return err
	}
	if err := t.rows(`SELECT set_name, state, count(*), CAST(sum(CASE WHEN size < 0 THEN 0 ELSE size END) AS BIGINT) FROM instance
		WHERE store = $1 AND carrier <> 0 GROUP BY set_name, state`, []any{from}, func(r *sql.Rows) error {
		var set, state string
		var files, bytes int64
		if err := r.Scan(&set, &state, &files, &bytes); err != nil {
			return err
		}
		for store, sign := range map[string]int64{from: -1, to: 1} {
			k := tallyKey{store, set, fixity.State(state)}
			d := t.tally[k]
			t.tally[k] = tallyDelta{d.files + sign*files, d.bytes + sign*bytes}
		}
		return nil
	}); err != nil {
		return err
	}
	files, err := list(t.Tx, `SELECT DISTINCT f.file FROM disc d JOIN disc_file f ON f.disc = d.id WHERE d.store = $1`, []any{from}, func(r row) (id int64, err error) {
		err = r.Scan(&id)
		return id, err
	})
	if err != nil {
		return err
	}
	for _, id := range files {
		if err := t.Copies.affects(id); err != nil {
			return err
		}
	}
	for _, q := range []string{
		`UPDATE disc SET store = $2 WHERE store = $1`,
		`UPDATE instance SET store = $2 WHERE store = $1 AND carrier <> 0`,
		`UPDATE finding SET store = $2 WHERE store = $1 AND carrier <> 0`,
	} {
		if _, err := t.exec(q, from, to); err != nil {
			return err
		}
	}
	if _, err := t.exec(`UPDATE store SET retired_at = $2 WHERE name = $1 AND retired_at = 0`, from, nanos(t.now)); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.StoreReplaced, By: by, Store: from, Data: map[string]any{"to": to, "discs": n}})
	return nil
}
