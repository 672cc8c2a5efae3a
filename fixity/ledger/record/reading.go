package record

import (
	"bytes"
	"compress/flate"
	"database/sql"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"

	"firmus/fixity"
	"firmus/fixity/ledger/mlog"
)

// ResultLine is one reading as the record keeps it: file, version it was shown to
// hold (0: none), strength, cache, outcome and time in nanoseconds, by blanks.
func ResultLine(r fixity.Result) string {
	return fmt.Sprintf("%d %d %s %s %s %d", r.File, r.Version, fixity.Read, r.Cache, r.Outcome, nanos(r.At))
}

// Line is a result line read back.
type Line struct {
	File, Version int64
	Strength      fixity.Strength
	Cache         fixity.Cache
	Outcome       fixity.Outcome
	At            int64 // nanoseconds since 1970 UTC
}

// lineWords are the vocabulary of result lines, so that a line that is read back takes no memory
// of its own for them.
var lineWords = func() map[string]string {
	out := map[string]string{}
	for _, w := range []string{string(fixity.Read), string(fixity.Reported), string(fixity.Bypassed), string(fixity.Dropped), string(fixity.Unknown), string(fixity.Allowed),
		string(fixity.ReadIntact), string(fixity.ReadEarlier), string(fixity.ReadDiffers), string(fixity.ReadUnsteady), string(fixity.ReadUnreadable)} {
		out[w] = w
	}
	return out
}()

// ParseLine reads a result line back.
func ParseLine(s string) (l Line, err error) {
	var f [6]string
	n, rest, more := 0, s, true
	for ; more && n < len(f); n++ {
		f[n], rest, more = strings.Cut(rest, " ")
	}
	if n < len(f) || more {
		return Line{}, fmt.Errorf("result line %q has %d fields, not 6", s, strings.Count(s, " ")+1)
	}
	for i, to := range []*int64{&l.File, &l.Version, &l.At} {
		if *to, err = strconv.ParseInt(f[[3]int{0, 1, 5}[i]], 10, 64); err != nil {
			return Line{}, fmt.Errorf("result line %q: %w", s, err)
		}
	}
	word := func(s string) string {
		if w, ok := lineWords[s]; ok {
			return w
		}
		return strings.Clone(s)
	}
	l.Strength, l.Cache, l.Outcome = fixity.Strength(word(f[2])), fixity.Cache(word(f[3])), fixity.Outcome(word(f[4]))
	return l, nil
}

// packers are kept: one takes some 600 KB, and a commit packs the lines of many folders.
var packers = sync.Pool{New: func() any {
	w, _ := flate.NewWriter(io.Discard, flate.BestSpeed) // the level is valid
	return w
}}

func packLines(lines []string) []byte {
	var b bytes.Buffer
	w := packers.Get().(*flate.Writer)
	defer packers.Put(w)
	w.Reset(&b)
	for _, l := range lines {
		io.WriteString(w, l+"\n")
	}
	w.Close()
	return b.Bytes()
}

// maxPacked bounds what a packed row may unfold to: a damaged one must not fill
// the memory. A row has at most some hundred lines of some dozen bytes.
const maxPacked = 16 << 20

func unpackLines(b []byte) ([]string, error) {
	r := unpackers.Get().(io.ReadCloser)
	defer unpackers.Put(r)
	if err := r.(flate.Resetter).Reset(bytes.NewReader(b), nil); err != nil {
		return nil, fmt.Errorf("unpack result lines: %w", err)
	}
	text, err := io.ReadAll(io.LimitReader(r, maxPacked))
	if err != nil {
		return nil, fmt.Errorf("unpack result lines: %w", err)
	}
	if len(text) == 0 {
		return nil, nil
	}
	return strings.Split(strings.TrimSuffix(string(text), "\n"), "\n"), nil
}

// unpackers are kept: one takes 40 KB.
var unpackers = sync.Pool{New: func() any { return flate.NewReader(nil) }}

// appendLines appends the result lines that a row holds.
func appendLines(out []Line, packed []byte) ([]Line, error) {
	lines, err := unpackLines(packed)
	for _, s := range lines {
		l, err := ParseLine(s)
		if err != nil {
			return out, err
		}
		out = append(out, l)
	}
	return out, err
}

// AddReading keeps the result lines of one commit; an event accounts for them later.
func (t *Tx) AddReading(audit, shard int64, lines []string) (int64, error) {
	id, err := t.nextID("reading")
	if err != nil {
		return 0, err
	}
	low, high, err := rangeOf(lines)
	if err != nil {
		return 0, err
	}
	_, err = t.exec(`INSERT INTO reading (id, audit, shard, event, n, lines, low, high) VALUES ($1, $2, $3, -1, $4, $5, $6, $7)`,
		id, audit, shard, len(lines), packLines(lines), low, high)
	return id, err
}

// rangeOf are the first and the last number of a file that result lines are about; 0 and -1
// if there are none.
func rangeOf(lines []string) (low, high int64, err error) {
	high = -1
	for i, s := range lines {
		l, err := ParseLine(s)
		if err != nil {
			return 0, -1, err
		}
		if low, high = min(low, l.File), max(high, l.File); i == 0 {
			low = l.File
		}
	}
	return low, high, nil
}

// RangeReadings notes of readings which files they are about, if that isn't noted yet.
func (t *Tx) RangeReadings() error {
	const page = 1000
	type row struct{ id, low, high int64 }
	for after := int64(0); ; {
		var rows []row
		if err := t.rows(`SELECT id, lines FROM reading WHERE id > $1 AND high < 0 AND n > 0 ORDER BY id LIMIT $2`, []any{after, page}, func(r *sql.Rows) error {
			var x row
			var packed []byte
			if err := r.Scan(&x.id, &packed); err != nil {
				return err
			}
			// What can't be read is for Verify to tell: it may be about any file.
			x.high = math.MaxInt64
			if lines, err := unpackLines(packed); err == nil {
				if low, high, err := rangeOf(lines); err == nil {
					x.low, x.high = low, high
				}
			}
			rows = append(rows, x)
			return nil
		}); err != nil {
			return err
		}
		for _, x := range rows {
			if _, err := t.exec(`UPDATE reading SET low = $2, high = $3 WHERE id = $1`, x.id, x.low, x.high); err != nil {
				return err
			}
			after = x.id
		}
		if len(rows) < page {
			return nil
		}
	}
}

// SliceEvent makes the event of a slice: it accounts for all readings of the shard
// that no event does yet, also those of a slice that was killed. It is the zero
// Event if there are none.
func (t Log) SliceEvent(e Event, shard int64) (Event, error) {
	var tree mlog.Lines
	counts := map[string]int64{}
	err := t.rows(`SELECT id, lines FROM reading WHERE shard = $1 AND event = -1 ORDER BY id`, []any{shard}, func(r *sql.Rows) error {
		var id int64
		var b []byte
		if err := r.Scan(&id, &b); err != nil {
			return err
		}
		lines, err := unpackLines(b)
		if err != nil {
			return err
		}
		for _, l := range lines {
			tree.Add([]byte(l))
			p, err := ParseLine(l)
			if err != nil {
				return err
			}
			counts[string(p.Outcome)]++
		}
		e.readings = append(e.readings, id)
		return nil
	})
	if err != nil || len(e.readings) == 0 {
		return Event{}, err
	}
	root := tree.Root()
	e.Data = map[string]any{"shard": shard, "lines": tree.Len(), "root": root.String(), "outcomes": counts}
	return e, nil
}

// ReadingsOf calls each for the result lines of one audit, in the order they were
// written. each may ask the ledger: no cursor is open then.
func (t Log) ReadingsOf(audit int64, each func(event int64, l Line) error) error {
	const page = 100
	type row struct {
		id, event int64
		packed    []byte
	}
	for after := int64(0); ; {
		var rows []row
		if err := t.rows(`SELECT id, event, lines FROM reading WHERE audit = $1 AND id > $2 ORDER BY id LIMIT $3`, []any{audit, after, page}, func(r *sql.Rows) error {
			var x row
			err := r.Scan(&x.id, &x.event, &x.packed)
			rows = append(rows, x)
			return err
		}); err != nil {
			return err
		}
		for _, x := range rows {
			lines, err := appendLines(nil, x.packed)
			if err != nil {
				return err
			}
			for _, l := range lines {
				if err := each(x.event, l); err != nil {
					return err
				}
			}
			after = x.id
		}
		if len(rows) < page {
			return nil
		}
	}
}

// ReadingsFrom calls each for the result lines of all audits from one on, in the order they
// were written: those that one commit wrote, with the event that accounts for them. each may
// not ask the ledger. Lines that went with a lost ledger are not there.
func (t Log) ReadingsFrom(audit int64, each func(audit, event int64, lines []Line)) error {
	var out []Line
	return t.rows(`SELECT audit, event, lines FROM reading WHERE audit >= $1 AND n > 0 ORDER BY id`, []any{audit}, func(r *sql.Rows) error {
		var id, event int64
		var packed []byte
		if err := r.Scan(&id, &event, &packed); err != nil {
			return err
		}
		var err error
		if out, err = appendLines(out[:0], packed); err == nil {
			each(id, event, out)
		}
		return err
	})
}

// HasReadings says that the event accounts for readings.
func (e Event) HasReadings() bool { return len(e.readings) > 0 }
