package ledger

import (
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
)

const versionColumns = `n, at, by_name, source, sheet, columns, file, held, rows, added, deleted, changed, moved`

func scanVersion(r row) (v fixity.RegisterVersion, err error) {
	var at int64
	var file, held []byte
	err = r.Scan(&v.N, &at, &v.By, &v.From, &v.Sheet, &v.Columns, &file, &held, &v.Rows, &v.Added, &v.Deleted, &v.Changed, &v.Moved)
	v.At, v.File, v.Held = fromNanos(at), fixity.DigestOf(fixity.SHA256, file), fixity.DigestOf(fixity.SHA256, held)
	return v, err
}

// Version is the one in force (n is 0), or one by its number; fixity.ErrNotFound if there is
// none.
func (t Register) Version(n int64) (fixity.RegisterVersion, error) {
	v, err := scanVersion(t.one(`SELECT `+versionColumns+` FROM register_version WHERE $1 = 0 OR n = $1 ORDER BY n DESC LIMIT 1`, n))
	return v, notFound(err)
}

// Versions are up to n of them below a number (0: from the newest on), the newest first.
func (t Register) Versions(below int64, n int) ([]fixity.RegisterVersion, error) {
	return list(t.Tx, `SELECT `+versionColumns+` FROM register_version WHERE $1 = 0 OR n < $1 ORDER BY n DESC LIMIT $2`, []any{below, n}, scanVersion)
}

// VersionsSince are those that were read at or after a time, the oldest first.
func (t Register) VersionsSince(since time.Time) ([]fixity.RegisterVersion, error) {
	return list(t.Tx, `SELECT `+versionColumns+` FROM register_version WHERE at >= $1 ORDER BY n`, []any{nanos(since)}, scanVersion)
}

const registerRowColumns = `id, since, until, item, side, cells`

func scanRegisterRow(r row) (x fixity.RegisterRow, err error) {
	var item []byte
	err = r.Scan(&x.ID, &x.Since, &x.Until, &item, &x.Side, &x.Cells)
	x.Item = string(item)
	return x, err
}

// Rows are all rows of a version, from the top. They are held against the digest that the
// record has of them; the error wraps ErrDamaged if they aren't what was read.
func (t Register) Rows(v fixity.RegisterVersion) ([]fixity.RegisterRow, error) {
	var lines string
	if err := t.row(`SELECT lines FROM register_version WHERE n = $1`, []any{v.N}, &lines); err != nil {
		return nil, err
	}
	of := make(map[int64]fixity.RegisterRow, v.Rows)
	if err := t.rows(`SELECT `+registerRowColumns+` FROM register_row WHERE since <= $1 AND (until = 0 OR until >= $1)`, []any{v.N}, func(r *sql.Rows) error {
		x, err := scanRegisterRow(r)
		of[x.ID] = x
		return err
	}); err != nil {
		return nil, err
	}
	out := make([]fixity.RegisterRow, 0, len(of))
	err := eachRun(lines, func(line int, id int64) error {
		x, ok := of[id]
		if !ok {
			return fmt.Errorf("row %d of version %d of the register is gone: %w", id, v.N, ErrDamaged)
		}
		x.Line = line
		out = append(out, x)
		return nil
	})
	if err == nil && heldBy(out) != v.Held {
		err = fmt.Errorf("the rows of version %d of the register are not those that were read: %w", v.N, ErrDamaged)
	}
	return out, err
}

// heldBy is the digest of rows in their lines.
func heldBy(rows []fixity.RegisterRow) fixity.Digest {
	h := sha256.New()
	for _, x := range rows {
		fmt.Fprintf(h, "%d %d %s\n", x.Line, len(x.Cells), x.Cells)
	}
	return fixity.DigestOf(fixity.SHA256, h.Sum(nil))
}

// runs say which row stands in which line: "2:1:20000" are rows 1 to 20,000 in lines 2 to
// 20,001. Rows that are pushed down by a new one are one run still.
func runs(rows []fixity.RegisterRow) string {
	var b strings.Builder
	for i := 0; i < len(rows); {
		n := 1
		for i+n < len(rows) && rows[i+n].ID == rows[i].ID+int64(n) && rows[i+n].Line == rows[i].Line+n {
			n++
		}
		fmt.Fprintf(&b, "%d:%d:%d ", rows[i].Line, rows[i].ID, n)
		i += n
	}
	return b.String()
}

func eachRun(s string, do func(line int, id int64) error) error {
	for _, run := range strings.Fields(s) {
		var x [3]int64
		for i, f := range strings.SplitN(run, ":", 3) {
			n, err := strconv.ParseInt(f, 10, 64)
			if err != nil {
				return fmt.Errorf("lines of the register: %w: %w", err, ErrDamaged)
			}
			x[i] = n
		}
		for i := range x[2] {
			if err := do(int(x[0]+i), x[1]+i); err != nil {
				return err
			}
		}
	}
	return nil
}

// Keep makes what was read the version in force, and gives it. Rows that were there before,
// wherever they stand now, are kept once. ok is false if nothing differs from the version in
// force: then nothing is written.
func (t Register) Keep(v fixity.RegisterVersion, rows []fixity.RegisterRow) (out fixity.RegisterVersion, ok bool, err error) {
	was, err := t.Version(0)
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return v, false, err
	}
	v.Held = heldBy(rows)
	if err == nil && was.Held == v.Held && was.Columns == v.Columns && was.Sheet == v.Sheet {
		return was, false, nil
	}
	v.N, v.At, v.Rows = was.N+1, t.now, int64(len(rows))
	before := map[string][]fixity.RegisterRow{} // by their cells, from the top
	if was.N > 0 {
		old, err := t.Rows(was)
		if err != nil {
			return v, false, err
		}
		for _, x := range old {
			before[x.Cells] = append(before[x.Cells], x)
		}
	}
	var fresh []int
	for i := range rows {
		x := &rows[i]
		if same := before[x.Cells]; len(same) > 0 {
			x.ID, x.Since, x.Item, x.Side = same[0].ID, same[0].Since, same[0].Item, same[0].Side
			before[x.Cells] = same[1:]
			continue
		}
		x.Since = v.N
		fresh = append(fresh, i)
	}
	for _, left := range before {
		for _, x := range left {
			if _, err := t.exec(`UPDATE register_row SET until = $2 WHERE id = $1`, x.ID, was.N); err != nil {
				return v, false, err
			}
		}
	}
	if len(fresh) > 0 {
		first, err := t.nextIDs("register_row", int64(len(fresh)))
		if err != nil {
			return v, false, err
		}
		var come [][]any
		for k, i := range fresh {
			x := &rows[i]
			x.ID = first + int64(k)
			come = append(come, []any{x.ID, v.N, 0, []byte(x.Item), x.Side, x.Cells})
		}
		if err := t.insert(`INSERT INTO register_row (`+registerRowColumns+`)`, come); err != nil {
			return v, false, err
		}
	}
	if _, err := t.exec(`INSERT INTO register_version (n, at, by_name, source, sheet, columns, file, held, lines, rows, added, deleted, changed, moved)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
		v.N, nanos(v.At), v.By, v.From, v.Sheet, v.Columns, append([]byte{}, v.File.Bytes()...), v.Held.Bytes(), runs(rows), v.Rows, v.Added, v.Deleted, v.Changed, v.Moved); err != nil {
		return v, false, err
	}
	t.Event(Event{Verb: fixity.RegisterKept, By: v.By, Reason: v.Reason, Data: map[string]any{"version": v.N, "from": v.From, "file": v.File.Sum, "held": v.Held.Sum,
		"count": v.Rows, "added": v.Added, "deleted": v.Deleted, "changed": v.Changed, "moved": v.Moved}})
	return v, true, nil
}

// Tie notes what each row in force is about; by the rows' numbers.
func (t Register) Tie(rows []fixity.RegisterRow) error {
	was := map[int64]fixity.RegisterRow{}
	if err := t.rows(`SELECT `+registerRowColumns+` FROM register_row WHERE until = 0`, nil, func(r *sql.Rows) error {
		x, err := scanRegisterRow(r)
		was[x.ID] = x
		return err
	}); err != nil {
		return err
	}
	for _, x := range rows {
		if old := was[x.ID]; old.Item == x.Item && old.Side == x.Side {
			continue
		}
		if _, err := t.exec(`UPDATE register_row SET item = $2, side = $3 WHERE id = $1`, x.ID, []byte(x.Item), x.Side); err != nil {
			return err
		}
	}
	return nil
}

// OfItem are the rows in force that are about an item, without their lines.
func (t Register) OfItem(item string) ([]fixity.RegisterRow, error) {
	return list(t.Tx, `SELECT `+registerRowColumns+` FROM register_row WHERE until = 0 AND item = $1 ORDER BY id`, []any{[]byte(item)}, scanRegisterRow)
}

const saysColumns = `item, side, sheet, line, condition, restricted, unplayable, says`

func scanSays(r row) (x fixity.RegisterSays, err error) {
	var item []byte
	var restricted, unplayable int64
	err = r.Scan(&item, &x.Side, &x.Sheet, &x.Line, &x.Condition, &restricted, &unplayable, &x.Text)
	x.Item, x.Restricted, x.Unplayable = string(item), restricted != 0, unplayable != 0
	return x, err
}

// Says is what the register in force says of an item: of the whole of it, and of its sides.
func (t Register) Says(item string) ([]fixity.RegisterSays, error) {
	return list(t.Tx, `SELECT `+saysColumns+` FROM register_says WHERE item = $1 ORDER BY side`, []any{[]byte(item)}, scanSays)
}

// AllSays is what it says of all items, by item and side.
func (t Register) AllSays() ([]fixity.RegisterSays, error) {
	return list(t.Tx, `SELECT `+saysColumns+` FROM register_says ORDER BY item, side`, nil, scanSays)
}

// once says that the register in force says of an item that it can't be transferred again.
func (t Register) once(item string) (bool, error) {
	if item == "" {
		return false, nil
	}
	var n int64
	err := t.row(`SELECT count(*) FROM register_says WHERE item = $1 AND unplayable = 1`, []any{[]byte(item)}, &n)
	return n > 0, err
}

// anyOnce says that there is such an item.
func (t Register) anyOnce() (bool, error) {
	var n int64
	err := t.row(`SELECT count(*) FROM (SELECT 1 FROM register_says WHERE unplayable = 1 LIMIT 1) x`, nil, &n)
	return n > 0, err
}

// rejudge judges anew what is open about items of which the register says something else now:
// how urgent it is depends on that.
func (t Register) rejudge(items map[string]bool, by string) error {
	for _, item := range slices.Sorted(maps.Keys(items)) {
		files, err := list(t.Tx, `SELECT DISTINCT x.file FROM finding x JOIN file f ON f.id = x.file WHERE f.item = $1 AND x.settled = '' AND f.retired_at = 0 ORDER BY x.file`,
			[]any{[]byte(item)}, func(r row) (id int64, err error) { err = r.Scan(&id); return id, err })
		if err != nil {
			return err
		}
		for _, id := range files {
			if err := t.Findings.Rejudge(id, 0, by, "", nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// PutSays keeps what the register says; only what differs is written. Open findings about
// what can't be transferred again become more urgent, and others less.
func (t Register) PutSays(says []fixity.RegisterSays, by string) error {
	type of struct{ item, side string }
	was := map[of]fixity.RegisterSays{}
	all, err := t.AllSays()
	if err != nil {
		return err
	}
	for _, x := range all {
		was[of{x.Item, x.Side}] = x
	}
	other := map[string]bool{} // items of which it says something else
	for _, x := range says {
		k := of{x.Item, x.Side}
		x.Sheet, x.Condition, x.Text = storable(x.Sheet), storable(x.Condition), storable(x.Text)
		old, ok := was[k]
		delete(was, k)
		if ok && old == x {
			continue
		}
		if old.Unplayable != x.Unplayable {
			other[x.Item] = true
		}
		if _, err := t.exec(`INSERT INTO register_says (`+saysColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
			ON CONFLICT (item, side) DO UPDATE SET sheet = $3, line = $4, condition = $5, restricted = $6, unplayable = $7, says = $8`,
			[]byte(x.Item), x.Side, x.Sheet, x.Line, x.Condition, b2i(x.Restricted), b2i(x.Unplayable), x.Text); err != nil {
			return err
		}
	}
	for k, x := range was {
		if x.Unplayable {
			other[k.item] = true
		}
		if _, err := t.exec(`DELETE FROM register_says WHERE item = $1 AND side = $2`, []byte(k.item), k.side); err != nil {
			return err
		}
	}
	return t.rejudge(other, by)
}

// Reading is how the reading of the register stands; the zero value if none was tried.
func (t Register) Reading() (x fixity.RegisterReading, err error) {
	var read, tried, doubtedAt int64
	var file, doubted []byte
	err = t.row(`SELECT read_at, source, file, tried_at, trouble, rows, matched, waiting, open, ending, doubted, doubted_at FROM register_reading WHERE id = 1`, nil,
		&read, &x.From, &file, &tried, &x.Trouble, &x.Rows, &x.Matched, &x.Waiting, &x.Open, &x.Ending, &doubted, &doubtedAt)
	if errors.Is(err, fixity.ErrNotFound) {
		return fixity.RegisterReading{}, nil
	}
	x.ReadAt, x.TriedAt, x.DoubtedAt = fromNanos(read), fromNanos(tried), fromNanos(doubtedAt)
	if len(file) > 0 {
		x.File = fixity.DigestOf(fixity.SHA256, file)
	}
	if len(doubted) > 0 {
		x.Doubted = fixity.DigestOf(fixity.SHA256, doubted)
	}
	return x, err
}

// PutReading notes how the reading of the register stands.
func (t Register) PutReading(x fixity.RegisterReading) error {
	_, err := t.exec(`INSERT INTO register_reading (id, read_at, source, file, tried_at, trouble, rows, matched, waiting, open, ending, doubted, doubted_at)
		VALUES (1, $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
		ON CONFLICT (id) DO UPDATE SET read_at = $1, source = $2, file = $3, tried_at = $4, trouble = $5, rows = $6, matched = $7, waiting = $8, open = $9, ending = $10, doubted = $11, doubted_at = $12`,
		nanos(x.ReadAt), x.From, append([]byte{}, x.File.Bytes()...), nanos(x.TriedAt), storable(x.Trouble), x.Rows, x.Matched, x.Waiting, x.Open,
		x.Ending, append([]byte{}, x.Doubted.Bytes()...), nanos(x.DoubtedAt))
	return err
}

// storable is a text as both databases take it.
func storable(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\ufffd"), "\x00", "\ufffd")
}

// OfRegister is a file under care as the register is held against it.
type OfRegister struct {
	ID        int64
	Set, Path string
	TakenAt   time.Time
	Sound     time.Duration // of the version under care; 0: not known
}

// Files are all files under care, by set and path.
func (t Register) Files() ([]OfRegister, error) {
	return list(t.Tx, `SELECT f.id, f.set_name, f.path, f.taken_at, COALESCE(v.duration, 0) FROM file f LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE f.retired_at = 0 ORDER BY f.set_name, f.path`, nil, func(r row) (x OfRegister, err error) {
		var path []byte
		var taken, sound int64
		err = r.Scan(&x.ID, &x.Set, &path, &taken, &sound)
		x.Path, x.TakenAt, x.Sound = string(path), fromNanos(taken), time.Duration(sound)
		return x, err
	})
}

// OnDiscs are the files on each disc that wasn't retired, by the disc's number.
func (t Register) OnDiscs() (map[int64][]int64, error) {
	out := map[int64][]int64{}
	err := t.rows(`SELECT b.disc, b.file FROM disc_file b JOIN disc d ON d.id = b.disc WHERE d.retired_at = 0 ORDER BY b.disc, b.n`, nil, func(r *sql.Rows) error {
		var disc, file int64
		err := r.Scan(&disc, &file)
		out[disc] = append(out[disc], file)
		return err
	})
	return out, err
}
