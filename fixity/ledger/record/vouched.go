package record

import (
	"crypto/sha256"
	"database/sql"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"firmus/fixity/ledger/database"
)

// A table is vouched for when the record says what each of its rows holds: each
// transaction that changes such a row states it anew, and Verify holds the table
// against what was stated last.
//
// A statement is one line of JSON: the table, the row's key, and the columns that
// aren't zero or null. ["version",12,1,{"size":100,"blake3":"9f…"}]. Without the last
// part the row is gone. A column that is added later with a zero default needs no
// new statement of old rows.
type table struct {
	name string
	key  []field
	cols []field

	many int // the column of the key that tells most rows apart, where others are the same

	read string // SELECT of key and columns, without a condition
	byID string // condition for one row
	less string // condition for the rows after one
	sort string
}

type field struct {
	name string
	kind byte // of those below
}

const (
	number   = 'n'
	optional = 'o' // a number that may be null, which is not zero
	words    = 't'
	bytesOf  = 'p' // bytes: as text, or after a NUL in base64
	digits   = 'h' // bytes: in hexadecimal digits
	sum      = 's' // bytes or text that may be long: their SHA-256
)

// elsewhere are columns that are kept in another table, by its name.
var elsewhere = map[string]string{
	"blocks": `(SELECT b.sums FROM block b WHERE b.file = version.file AND b.n = version.n)`,
}

// parts say which column of which table it is, by the same names.
var parts = map[string]string{"blocks": "block.sums"}

// partOf is the vouched table whose rows a row of another belongs to, by the same key.
var partOf = map[string]string{"block": "version"}

// vouched are the tables that the record vouches for. What isn't here, and why, says
// NotVouched; a test fails for a column that stands in neither.
var vouched = tables([][3]string{
	{"file", "id:n", "set_name:t path:p fold:t item:p version:n vouched:n changed_at:n finished:n taken_at:n taken_by:t retired_at:n"},
	{"version", "file:n n:n", "size:n blake3:h sha256:h md5:h checksums:t samples:h duration:o sound:s reason:t by_name:t at:n blocks:s"},
	{"note", "file:n n:n seq:n", "code:t at:n length:n since:n until:n count:n"},
	{"finding", "id:n", `subject:t kind:t urgency:t step:t store:t set_name:t carrier:n file:n path:p found_at:p anatomy:t ranges:t ranges_more:n
		intact_in:t mergeable:n incident:n files:n audit:n opened_at:n settled:t settled_at:n settled_by:t reason:t facts:t version:n`},
	{"incident", "id:n", "kind:t store:t set_name:t audit:n files:n opened_at:n"},
	{"instance", "store:t set_name:t carrier:n top:p at:p", "file:n held:n state:t since:n wrong:h settled_as:t same_as:t told_as:t sole:n"},
	{"store", "name:t", "holdings:t identity:t adopted_at:n first_at:n retired_at:n"},
	{"store_set", "store:t set_name:t", "adopted_at:n filling:n"},
	{"received", "id:n", "source:t set_name:t folder:p at:n by_name:t done:n"},
	{"received_file", "received:n name:p", "clock:n path:p size:n blake3:h"},
	{"disc", "id:n", "store:t number:t twin:t part:n kind:t box:t blank:t burned:t label:t toc:t control:n baseline:s added_at:n added_by:t retired_at:n"},
	{"disc_file", "disc:n n:n", "file:n version:n name:p"},
	{"disc_check", "id:n", `disc:n toc:t began_at:n ended_at:n by_name:t drive:t speed:n written:t proved:t verdict:t sectors:n at_once:n retried:n doubtful:n
		unreadable:n gain:o map:s looked:s result:s event:n control:n`},
	{"register_version", "n:n", "at:n by_name:t source:t sheet:t columns:s file:h held:h lines:s rows:n added:n deleted:n changed:n moved:n"},
	{"level_statement", "id:n", "point:t day:t words:t by_name:t at:n withdrawn_at:n withdrawn_by:t reason:t"},
	{"disc_decision", "id:n", "verdict:t gain:o within:n reason:t by_name:t at:n"},
})

// Begun are the vouched columns, as TABLE.COLUMN, that begin as something where an insert leaves
// them out; all others begin as zero or null.
var Begun = []string{"finding.ranges", "finding.intact_in", "finding.files", "finding.facts"}

// NotVouched is what Verify doesn't hold against the record, in words.
var NotVouched = []string{
	"letters and what was told of a finding",
	"the rows of the register (each version has its digest), and what follows from them",
	"who may open the pages, and who has them open",
	"tallies and the counts of a day, which can be counted again",
	"when a copy was read or reported last, its size and time, and when its turn is next",
	"what lies in a store under no one's care",
	"the text of manifests",
	"how far an audit, the schedule, a backup or a service's log has come",
	"which volume a store was last seen on",
	"what the configuration says of a store: kind, place and folder",
}

func tables(specs [][3]string) map[string]*table {
	out := map[string]*table{}
	for _, s := range specs {
		v := &table{name: s[0], key: fields(s[1]), cols: fields(s[2])}
		if last := len(v.key) - 1; v.key[last].kind == bytesOf {
			v.many = last
		}
		var keys, marks, both, all []string
		for i, f := range v.key {
			keys, marks = append(keys, f.name), append(marks, "$"+strconv.Itoa(i+1))
			both = append(both, f.name+" = "+marks[i])
		}
		all = append(all, keys...)
		for _, f := range v.cols {
			if e := elsewhere[f.name]; e != "" {
				all = append(all, e)
				continue
			}
			all = append(all, f.name)
		}
		v.read = "SELECT " + strings.Join(all, ", ") + " FROM " + v.name
		v.byID = " WHERE " + strings.Join(both, " AND ")
		v.sort = " ORDER BY " + strings.Join(keys, ", ")
		v.less = " WHERE (" + strings.Join(keys, ", ") + ") > (" + strings.Join(marks, ", ") + ")"
		out[v.name] = v
	}
	return out
}

func fields(s string) []field {
	var out []field
	for _, f := range strings.Fields(s) {
		name, kind, _ := strings.Cut(f, ":")
		out = append(out, field{name, kind[0]})
	}
	return out
}

// row is one row of a vouched table: its key, and its statement.
type row struct {
	key  []any
	line string
}

// scanner gives what reads a row as it is now and states it: one row after the other.
func (v *table) scanner() func(r interface{ Scan(...any) error }) (row, error) {
	into := make([]any, 0, len(v.key)+len(v.cols))
	for _, f := range append(v.key[:len(v.key):len(v.key)], v.cols...) {
		switch f.kind {
		case number, optional:
			into = append(into, new(sql.NullInt64))
		case words:
			into = append(into, new(sql.NullString))
		default:
			into = append(into, new([]byte))
		}
	}
	var b []byte
	return func(r interface{ Scan(...any) error }) (out row, err error) {
		if err := r.Scan(into...); err != nil {
			return row{}, err
		}
		out, b = v.stated(into, b[:0])
		return out, nil
	}
}

// stated is a row that was read, and its statement; b is memory to write it in.
func (v *table) stated(into []any, b []byte) (row, []byte) {
	var out row
	for i := range v.key {
		switch x := into[i].(type) {
		case *sql.NullInt64:
			out.key = append(out.key, x.Int64)
		case *sql.NullString:
			out.key = append(out.key, x.String)
		case *[]byte:
			out.key = append(out.key, append([]byte{}, *x...)) // not nil, which is NULL
		}
	}
	b = v.statement(append(b, v.begin(out.key)...), func(i int) string { return v.cols[i].value(into[len(v.key)+i]) })
	out.line = string(b)
	return out, b
}

// statement appends the columns of a row to the beginning of its statement: value is each as the
// statement has it.
func (v *table) statement(b []byte, value func(i int) string) []byte {
	b = append(b, ",{"...)
	for i, f := range v.cols {
		if s := value(i); s != "" {
			if b[len(b)-1] != '{' {
				b = append(b, ',')
			}
			b = append(append(append(append(b, '"'), f.name...), `":`...), s...)
		}
	}
	return append(b, "}]"...)
}

// begin is the beginning of a row's statement, which tells it from all other rows.
func (v *table) begin(key []any) []byte {
	b := append(append([]byte(`["`), v.name...), '"')
	for i, k := range key {
		b = append(b, ',')
		switch x := k.(type) {
		case int64:
			b = strconv.AppendInt(b, x, 10)
		case string:
			b = append(b, quoted(x)...)
		case []byte:
			b = append(b, field{kind: v.key[i].kind}.value(&x)...)
			if len(x) == 0 {
				b = append(b, `""`...)
			}
		}
	}
	return b
}

// value is a column's value as a statement has it, "" for none.
func (f field) value(x any) string {
	switch x := x.(type) {
	case *sql.NullInt64:
		if !x.Valid || x.Int64 == 0 && f.kind == number {
			return ""
		}
		return strconv.FormatInt(x.Int64, 10)
	case *sql.NullString:
		if x.String == "" {
			return ""
		}
		return quoted(x.String)
	case *[]byte:
		b := *x
		switch {
		case len(b) == 0:
			return ""
		case f.kind == digits:
			return `"` + hex.EncodeToString(b) + `"`
		case f.kind == sum:
			s := sha256.Sum256(b)
			return `"` + hex.EncodeToString(s[:]) + `"`
		case utf8.Valid(b):
			return quoted(string(b))
		}
		return quoted("\x00" + base64.StdEncoding.EncodeToString(b))
	}
	panic(fmt.Sprintf("a column of type %T", x))
}

// given is value of a column that an argument of an insert becomes; false if the argument isn't of
// the column's own type, so that a database may make another one of it.
func (f field) given(arg any) (string, bool) {
	switch x := arg.(type) {
	case nil:
		return "", true
	case int64:
		return f.value(&sql.NullInt64{Int64: x, Valid: true}), f.kind == number || f.kind == optional
	case int:
		return f.given(int64(x))
	case *int64:
		if x == nil {
			return "", true
		}
		return f.given(*x)
	case string:
		if f.kind == sum {
			return f.given([]byte(x))
		}
		return f.value(&sql.NullString{String: x, Valid: true}), f.kind == words
	case []byte:
		return f.value(&x), f.kind == bytesOf || f.kind == digits || f.kind == sum
	}
	return "", false
}

// quoted is a text in JSON, as encoding/json also has it inside an event.
func quoted(s string) string {
	if asItIs(s) {
		return `"` + s + `"`
	}
	b, _ := json.Marshal(s) // a string never fails
	return string(b)
}

// asItIs says that a text stands in JSON as it is, but for its quotes.
func asItIs(s string) bool {
	for i := range len(s) {
		switch c := s[i]; {
		case c < ' ' || c >= utf8.RuneSelf:
			return false
		case c == '"' || c == '\\' || c == '<' || c == '>' || c == '&':
			return false
		}
	}
	return true
}

// splitStatement parts a statement into the beginning, which names the row, its table,
// and whether the row is there. No string in it can hold the mark that is looked for,
// as its quotes are escaped.
func splitStatement(line string) (begin, of string, there bool, err error) {
	begin, _, there = strings.Cut(line, `,{"`)
	if !there {
		if begin, there = strings.CutSuffix(line, `,{}]`); !there {
			begin = strings.TrimSuffix(line, "]")
		}
	}
	of, _, ok := strings.Cut(strings.TrimPrefix(begin, `["`), `"`)
	if !ok || vouched[of] == nil {
		return "", "", false, fmt.Errorf("%.100q is no statement about a row", line)
	}
	return begin, of, there, nil
}

// stateOf is the statement of a row as it is now, "" if it isn't there.
func (t *tx) stateOf(v *table, key []any) (string, error) {
	r, err := v.scanner()(t.one(v.read+v.byID, key...))
	if err == sql.ErrNoRows {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("row of %s: %w", v.name, err)
	}
	return r.line, nil
}

// statesOf are the statements of rows as they are now, by their beginnings; those that
// aren't there lack. Rows whose keys differ in one column only are read together.
func (t *tx) statesOf(rows []noted) (map[string]string, error) {
	type alike struct {
		in     *table
		key    []any // but for one column
		values []any // of that one
	}
	var all []*alike
	by := map[string]*alike{}
	for _, n := range rows {
		key := slices.Clone(n.key)
		key[n.in.many] = nil
		name := string(n.in.begin(key))
		if by[name] == nil {
			by[name] = &alike{in: n.in, key: key}
			all = append(all, by[name])
		}
		by[name].values = append(by[name].values, n.key[n.in.many])
	}
	now := make(map[string]string, len(rows))
	for _, a := range all {
		v, scan := a.in, a.in.scanner()
		where, args := " WHERE ", []any(nil)
		for i, f := range v.key {
			if i != v.many {
				args = append(args, a.key[i])
				where += f.name + " = $" + strconv.Itoa(len(args)) + " AND "
			}
		}
		if err := database.Among(len(args), a.values, func(places string, some []any) error {
			return t.rows(v.read+where+v.key[v.many].name+" IN ("+places+")", append(slices.Clip(args), some...), func(r *sql.Rows) error {
				x, err := scan(r)
				now[string(v.begin(x.key))] = x.line
				return err
			})
		}); err != nil {
			return nil, fmt.Errorf("rows of %s: %w", v.name, err)
		}
	}
	return now, nil
}

// page is the next rows of a vouched table after a key, in its order; nil begins.
func (t *tx) page(v *table, after []any, n int) (out []row, err error) {
	q := v.read + v.sort + " LIMIT " + strconv.Itoa(n)
	if after != nil {
		q = v.read + v.less + v.sort + " LIMIT " + strconv.Itoa(n)
	}
	scan := v.scanner()
	err = t.rows(q, append([]any(nil), after...), func(r *sql.Rows) error {
		x, err := scan(r)
		out = append(out, x)
		return err
	})
	return out, err
}

// pathIn reads back the bytes of a path in a statement.
func pathIn(s string) []byte {
	if b64, ok := strings.CutPrefix(s, "\x00"); ok {
		if b, err := base64.StdEncoding.DecodeString(b64); err == nil {
			return b
		}
	}
	return []byte(s)
}
