package record

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger/mlog"
)

// sealed is what Verify reads of an event's leaf.
type sealed struct {
	Event
	Data struct {
		Shard      float64           `json:"shard"`
		Root       string            `json:"root"`
		Stated     int64             `json:"stated"`
		StatedRoot string            `json:"stated_root"`
		Rows       []json.RawMessage `json:"rows"`
	} `json:"data"`
}

// verifyStated checks that an event's statements are those that were recorded, and
// takes them.
func (t Log) verifyStated(e sealed, f *fold) error {
	if wholeState(e.Verb) {
		if err := f.forget(); err != nil {
			return err
		}
	}
	var tree mlog.Lines
	if err := t.eachStated(e.Seq, func(line string) error {
		tree.Add([]byte(line))
		return f.add(e.Seq, line)
	}); err != nil {
		return err
	}
	if tree.Len() == 0 && e.Data.Stated > 0 {
		return errLinesLost
	}
	if tree.Len() != e.Data.Stated || tree.Len() > 0 && tree.Root().String() != e.Data.StatedRoot {
		return fmt.Errorf("event %d: its statements about rows are not those that were recorded: %w", e.Seq, ErrRewritten)
	}
	for _, r := range e.Data.Rows {
		if err := f.add(e.Seq, string(r)); err != nil {
			return err
		}
	}
	return nil
}

// eachStated calls each for the packed statements of an event; of -1, those that none
// accounts for yet.
func (t Log) eachStated(seq int64, each func(line string) error) error {
	return t.rows(`SELECT n, lines FROM stated WHERE event = $1 ORDER BY id`, []any{seq}, func(r *sql.Rows) error {
		var n int
		var b []byte
		if err := r.Scan(&n, &b); err != nil {
			return err
		}
		lines, err := unpackLines(b)
		if err != nil || len(lines) != n {
			return fmt.Errorf("event %d: its statements about rows can't be read: %w", seq, errors.Join(ErrRewritten, err))
		}
		for _, l := range lines {
			if err := each(l); err != nil {
				return err
			}
		}
		return nil
	})
}

// verifyRows holds every vouched table against what the record said last of each row,
// and gives how many rows there are.
func (t Log) verifyRows(f *fold) (rows int64, err error) {
	if err := t.eachStated(-1, func(l string) error { return f.add(-1, l) }); err != nil {
		return 0, err
	}
	for _, v := range inOrder() {
		n, err := t.verifyTable(v, f)
		if err != nil {
			return rows, err
		}
		rows += n
	}
	for part, of := range partOf {
		v := vouched[of]
		var same []string
		for _, k := range v.key {
			same = append(same, "o."+k.name+" = p."+k.name)
		}
		var n int64
		if err := t.row(`SELECT count(*) FROM `+part+` p WHERE NOT EXISTS (SELECT 1 FROM `+of+` o WHERE `+strings.Join(same, " AND ")+`)`, nil, &n); err != nil {
			return rows, err
		}
		if n > 0 {
			return rows, fmt.Errorf("table %s holds %d rows of no row of %s: %w", part, n, of, ErrRewritten)
		}
	}
	return rows, nil
}

func (t Log) verifyTable(v *table, f *fold) (n int64, err error) {
	for after := []any(nil); ; {
		rows, err := t.page(v, after, foldRows)
		if err != nil {
			return n, err
		}
		if len(rows) == 0 {
			break
		}
		begins := make([]string, len(rows))
		for i, r := range rows {
			begins[i] = string(v.begin(r.key))
		}
		say, err := f.of(begins)
		if err != nil {
			return n, err
		}
		for i, r := range rows {
			s, known := say[begins[i]]
			switch {
			case !known:
				return n, fmt.Errorf("%s is in the ledger, and the record doesn't know it: %w", t.rowName(v, r.line), ErrRewritten)
			case s.hash == "":
				return n, fmt.Errorf("%s is in the ledger, and by %s of the record it is gone: %w", t.rowName(v, r.line), eventName(s.seq), ErrRewritten)
			case s.hash != string(lineHash(r.line)):
				return n, t.differs(v, r.line, begins[i], s.seq)
			}
		}
		n += int64(len(rows))
		after = rows[len(rows)-1].key
	}
	want, err := f.rows(v.name)
	if err != nil || n == want {
		return n, err
	}
	return n, t.findLacking(v, f)
}

// findLacking names the first row of a table that the record tells of and that isn't
// there.
func (t Log) findLacking(v *table, f *fold) error {
	for row := ""; ; {
		begins, seqs, err := f.after(v.name, row)
		if err != nil {
			return err
		}
		if len(begins) == 0 {
			return fmt.Errorf("table %s has fewer rows than the record: %w", v.name, ErrRewritten)
		}
		for i, b := range begins {
			key, err := v.parseKey(b)
			if err != nil {
				return err
			}
			line, err := t.stateOf(v, key)
			if err != nil {
				return err
			}
			if line == "" {
				return fmt.Errorf("%s stands in %s of the record and isn't in the ledger: %w", t.rowName(v, t.saidLine(seqs[i], b)), eventName(seqs[i]), ErrRewritten)
			}
		}
		row = begins[len(begins)-1]
	}
}

// parseKey reads a row's key back from the beginning of its statement.
func (v *table) parseKey(begin string) ([]any, error) {
	d := json.NewDecoder(strings.NewReader(begin + "]"))
	d.UseNumber()
	var parts []any
	if err := d.Decode(&parts); err != nil || len(parts) != len(v.key)+1 {
		return nil, fmt.Errorf("%.100q names no row of %s: %w", begin, v.name, ErrRewritten)
	}
	key := make([]any, len(v.key))
	for i, f := range v.key {
		switch x := parts[i+1].(type) {
		case json.Number:
			n, err := x.Int64()
			if err != nil {
				return nil, err
			}
			key[i] = n
		case string:
			key[i] = x
			if f.kind == bytesOf {
				key[i] = pathIn(x)
			}
		}
	}
	return key, nil
}

// saidLine is the statement that the record made of a row in an event, "" if it can't
// be had.
func (t Log) saidLine(seq int64, begin string) (line string) {
	take := func(l string) error {
		if b, _, _, err := splitStatement(l); err == nil && b == begin {
			line = l
		}
		return nil
	}
	_ = t.eachStated(seq, take)
	_ = t.Each(seq, 1, func(e Event) error {
		var in sealed
		if seq < 0 || e.Seq != seq || json.Unmarshal(e.leaf, &in) != nil {
			return nil
		}
		for _, r := range in.Data.Rows {
			_ = take(string(r))
		}
		return nil
	})
	return line
}

// differs says which columns of a row are not what the record says.
func (t Log) differs(v *table, line, begin string, seq int64) error {
	is, was := columnsIn(line), columnsIn(t.saidLine(seq, begin))
	var what []string
	for _, f := range v.cols {
		if !bytes.Equal(is[f.name], was[f.name]) {
			what = append(what, fmt.Sprintf("%s is %s and was %s", f.name, shortly(is[f.name]), shortly(was[f.name])))
		}
	}
	return fmt.Errorf("%s is not what %s of the record says: %s: %w", t.rowName(v, line), eventName(seq), strings.Join(what, "; "), ErrRewritten)
}

func columnsIn(line string) map[string]json.RawMessage {
	var parts []json.RawMessage
	out := map[string]json.RawMessage{}
	if json.Unmarshal([]byte(line), &parts) == nil && len(parts) > 0 {
		_ = json.Unmarshal(parts[len(parts)-1], &out) // of a row that is gone there are none
	}
	return out
}

// shortly is a value as an error tells it.
func shortly(b json.RawMessage) string {
	switch {
	case len(b) == 0:
		return "nothing"
	case len(b) > 100:
		return strings.ToValidUTF8(string(b[:100]), "") + "…"
	}
	return string(b)
}

func eventName(seq int64) string {
	if seq < 0 {
		return "what waits for the next event"
	}
	return fmt.Sprintf("event %d", seq)
}

// rowName names a row for a person: its table and key, and the file it is about.
func (t Log) rowName(v *table, line string) string {
	begin, _, _, err := splitStatement(line)
	if err != nil {
		return "a row of " + v.name
	}
	key, err := v.parseKey(begin)
	if err != nil {
		return "a row of " + v.name
	}
	var b strings.Builder
	b.WriteString(v.name)
	for i, f := range v.key {
		switch x := key[i].(type) {
		case []byte:
			fmt.Fprintf(&b, " %s %q", f.name, display(string(x)))
		case string:
			fmt.Fprintf(&b, " %s %q", f.name, x)
		default:
			fmt.Fprintf(&b, " %s %d", f.name, x)
		}
	}
	cols := columnsIn(line)
	file := int64(0)
	if v.name == "version" || v.name == "note" {
		file, _ = key[0].(int64)
	} else {
		_ = json.Unmarshal(cols["file"], &file)
	}
	set, path := cols["set_name"], cols["path"]
	if file != 0 && path == nil {
		var set string
		var p []byte
		if err := t.row(`SELECT set_name, path FROM file WHERE id = $1`, []any{file}, &set, &p); err == nil {
			fmt.Fprintf(&b, " (%s/%s)", set, display(string(p)))
		} else if !errors.Is(err, fixity.ErrNotFound) {
			return b.String()
		}
	}
	if path != nil {
		var s, p string
		_, _ = json.Unmarshal(set, &s), json.Unmarshal(path, &p)
		fmt.Fprintf(&b, " (%s/%s)", s, display(string(pathIn(p))))
	}
	return b.String()
}

// display is a path as an error carries it.
func display(p string) string { return strings.ToValidUTF8(p, "\ufffd") }
