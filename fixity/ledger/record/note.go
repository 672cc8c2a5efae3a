package record

import (
	"database/sql"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"firmus/fixity/expr"
)

// noted is a row of a vouched table that a transaction writes.
type noted struct {
	in    *table
	key   []any
	begin string // of its statement
	was   string // its statement before; "" if it wasn't there
	isNew bool   // the key was not there before this transaction, whatever it is now
	// values are its columns as a statement about it has them, if it was inserted in this
	// transaction and not written to since; nil: what it holds must be read.
	values []string
}

// A write is what a statement of SQL does to a vouched table.
type write struct {
	in     *table
	of     string     // table that is written, which may be a part of in
	insert [][]string // by row: values of the key's columns, as they stand in the statement
	plain  bool       // an insert that changes no row which is there
	given  [][]int    // of such a one, by row: which argument each vouched column takes, or one of those below; nil: that can't be told
	where  string     // condition of an update or a delete, with places numbered anew
	args   []int      // which of the statement's arguments those places are
	sets   []string   // by the key's columns: what an update makes of them; "" leaves them
}

const (
	isZero = -1 - iota // the column isn't in the statement
	isKept             // it isn't in the table, which is a part of another
)

var writes sync.Map // by the statement's text: *write, nil if it concerns no vouched column

// note looks at a statement before it runs and keeps what the rows that it will write
// are now. So nobody who writes to a vouched table needs to think of the record.
func (t *tx) note(query string, args []any) error {
	x, known := writes.Load(query)
	if !known {
		w, err := parseWrite(query)
		if err != nil {
			return err
		}
		x, _ = writes.LoadOrStore(query, w)
	}
	w := x.(*write)
	if w == nil {
		return nil
	}
	for i, values := range w.insert {
		key, err := w.keyOf(values, nil, args)
		if err != nil {
			return err
		}
		n, err := t.noteRow(w.in, key, w.plain && w.of == w.in.name)
		if err != nil {
			return err
		}
		if w.plain && w.given != nil {
			n.values = w.valuesOf(n.values, w.given[i], args)
		} else {
			n.values = nil
		}
	}
	if w.insert != nil {
		return nil
	}
	var some []any
	for _, i := range w.args {
		some = append(some, args[i])
	}
	var names []string
	for _, f := range w.in.key {
		names = append(names, f.name)
	}
	var keys [][]any
	scan := (&table{name: w.in.name, key: w.in.key}).scanner()
	err := t.rows("SELECT "+strings.Join(names, ", ")+" FROM "+w.of+w.where, some, func(rs *sql.Rows) error {
		r, err := scan(rs)
		keys = append(keys, r.key)
		return err
	})
	for _, k := range keys {
		if err != nil {
			return err
		}
		if err = t.noteWritten(w.in, k); err == nil && w.sets != nil {
			if k, err = w.keyOf(w.sets, k, args); err == nil {
				err = t.noteWritten(w.in, k)
			}
		}
	}
	return err
}

// noteWritten notes a row of which what it will hold isn't known.
func (t *tx) noteWritten(v *table, key []any) error {
	n, err := t.noteRow(v, key, false)
	if err == nil {
		n.values = nil
	}
	return err
}

// noteRow gives what is noted of a row, up to the next one that is noted.
func (t *tx) noteRow(v *table, key []any, isNew bool) (*noted, error) {
	begin := string(v.begin(key))
	if i, ok := t.notedAt[begin]; ok {
		return &t.noted[i], nil
	}
	n := noted{in: v, key: key, begin: begin, isNew: isNew}
	if !isNew {
		var err error
		if n.was, err = t.stateOf(v, key); err != nil {
			return nil, err
		}
	}
	if t.notedAt == nil {
		t.notedAt = map[string]int{}
	}
	t.notedAt[begin] = len(t.noted)
	t.noted = append(t.noted, n)
	return &t.noted[len(t.noted)-1], nil
}

// valuesOf are the columns of a row that an insert makes, or adds to; nil if that can't be
// told from the arguments. was is what was known of it.
func (w *write) valuesOf(was []string, given []int, args []any) []string {
	if w.of == w.in.name {
		was = make([]string, len(w.in.cols))
	} else if was == nil {
		return nil // a part of a row that must be read anyway
	}
	for i, from := range given {
		if from < 0 {
			continue
		}
		value, ok := w.in.cols[i].given(args[from])
		if !ok {
			return nil
		}
		was[i] = value
	}
	return was
}

// keyOf works out a row's key from the values in a statement: a place for an argument,
// a number, or nothing, which is the value in old.
func (w *write) keyOf(values []string, old, args []any) ([]any, error) {
	key := make([]any, len(values))
	for i, s := range values {
		var x any
		switch n, err := strconv.Atoi(strings.TrimPrefix(s, "$")); {
		case s == "":
			x = old[i]
		case err != nil || strings.HasPrefix(s, "$") && n > len(args):
			return nil, fmt.Errorf("write to %s: the record can't tell the row's key from %q", w.of, s)
		case strings.HasPrefix(s, "$"):
			x = args[n-1]
		default:
			x = n
		}
		switch y := x.(type) {
		case int64, string, []byte:
			key[i] = y
		case int:
			key[i] = int64(y)
		default:
			return nil, fmt.Errorf("write to %s: a key of type %T", w.of, x)
		}
	}
	return key, nil
}

var (
	writeTo = expr.Once(`^(INSERT INTO|UPDATE|DELETE FROM) ([a-z_]+) ?(.*)$`)
	inserts = expr.Once(`^\(([^)]*)\) VALUES \(([^)]*(?:\), \([^)]*)*)\)(.*)$`)
	places  = expr.Once(`\$[0-9]+`)
)

// parseWrite reads our own SQL, of which it knows just what we use; it refuses what it
// doesn't know of a vouched table. nil: no vouched column is written.
func parseWrite(query string) (*write, error) {
	m := writeTo().FindStringSubmatch(strings.Join(strings.Fields(query), " "))
	if m == nil {
		return nil, nil
	}
	w := &write{of: m[2]}
	if w.in = vouched[w.of]; w.in == nil {
		if w.in = vouched[partOf[w.of]]; w.in == nil {
			return nil, nil
		}
	}
	unknown := fmt.Errorf("write to %s: the record can't tell which rows %q writes", w.of, query)
	if m[1] == "INSERT INTO" {
		p := inserts().FindStringSubmatch(m[3])
		if p == nil {
			return nil, unknown
		}
		names := strings.Split(p[1], ", ")
		for _, r := range strings.Split(p[2], "), (") {
			values, key := strings.Split(r, ", "), make([]string, len(w.in.key))
			for k, f := range w.in.key {
				i := slices.Index(names, f.name)
				if i < 0 || len(values) != len(names) {
					return nil, unknown
				}
				key[k] = values[i]
			}
			w.insert = append(w.insert, key)
			w.given = append(w.given, w.columns(names, values))
		}
		w.plain = p[3] == ""
		if slices.ContainsFunc(w.given, func(g []int) bool { return g == nil }) {
			w.given = nil
		}
		return w, nil
	}
	rest, where, found := cutTop(m[3], " WHERE ")
	if m[1] == "DELETE FROM" {
		where, found = strings.CutPrefix(m[3], "WHERE ")
	} else {
		sets, ok := strings.CutPrefix(rest, "SET ")
		if !ok {
			return nil, unknown
		}
		changed, err := w.changes(sets)
		if err != nil || !changed {
			return nil, err
		}
	}
	if !found {
		return w, nil
	}
	w.where = " WHERE " + places().ReplaceAllStringFunc(where, func(s string) string {
		n, _ := strconv.Atoi(s[1:])
		i := slices.Index(w.args, n-1)
		if i < 0 {
			i = len(w.args)
			w.args = append(w.args, n-1)
		}
		return "$" + strconv.Itoa(i+1)
	})
	return w, nil
}

// columns says which argument each vouched column of a row takes that is inserted; nil if one of
// them is no argument, and not zero either.
func (w *write) columns(names, values []string) []int {
	out := make([]int, len(w.in.cols))
	for i, f := range w.in.cols {
		name, of := f.name, w.in.name
		if p, ok := parts[name]; ok {
			of, name, _ = strings.Cut(p, ".")
		}
		at := slices.Index(names, name)
		switch {
		case of != w.of:
			out[i] = isKept
		case at < 0 && slices.Contains(Begun, w.of+"."+name):
			return nil
		case at < 0:
			out[i] = isZero
		default:
			n, err := strconv.Atoi(strings.TrimPrefix(values[at], "$"))
			if err != nil || values[at][0] != '$' {
				return nil
			}
			out[i] = n - 1
		}
	}
	return out
}

// changes reads what an update sets: whether a vouched column is among it, and what
// becomes of the key.
func (w *write) changes(sets string) (any bool, err error) {
	for sets != "" {
		var one string
		one, sets, _ = cutTop(sets, ", ")
		name, value, ok := strings.Cut(one, " = ")
		if !ok {
			return false, fmt.Errorf("write to %s: the record can't read %q", w.of, one)
		}
		if i := slices.IndexFunc(w.in.key, func(f field) bool { return f.name == name }); i >= 0 {
			if w.sets == nil {
				w.sets = make([]string, len(w.in.key))
			}
			w.sets[i], any = value, true
		}
		any = any || w.of != w.in.name || slices.ContainsFunc(w.in.cols, func(f field) bool { return f.name == name })
	}
	return any, nil
}

// cutTop is strings.Cut at the first sep that stands outside all brackets.
func cutTop(s, sep string) (before, after string, found bool) {
	depth := 0
	for i := range len(s) {
		switch {
		case s[i] == '(':
			depth++
		case s[i] == ')':
			depth--
		case depth == 0 && strings.HasPrefix(s[i:], sep):
			return s[:i], s[i+len(sep):], true
		}
	}
	return s, "", false
}
