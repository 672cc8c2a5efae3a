package record

import (
	"bufio"
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"firmus/fixity"
)

// Gathered are the events of event files, in whatever order their lines stood: a wrong
// clock puts an event into another month's file, a power cut tears the last line.
type Gathered struct {
	Holdings string // by the first event; "" if that lacks
	Events   int64  // so many follow one another from the record's beginning
	Beyond   int64  // and so many more stand behind a gap
	Torn     int64  // lines that are no event
	events   map[int64]Event
}

// EventText is what the event files in a folder say, one after another in the order of
// their months. It is empty if there are none. A last line that was torn ends with its
// file.
func EventText(dir string) ([]byte, error) {
	names, err := filepath.Glob(filepath.Join(dir, "*.jsonl"))
	if err != nil {
		return nil, fmt.Errorf("event files in %s: %w", dir, err)
	}
	var all []byte
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			return nil, fmt.Errorf("event files: %w", err)
		}
		all = append(append(all, text...), '\n')
	}
	return all, nil
}

// GatherEvents reads event files, one event a line. What is no event is counted, and
// lacks. Of two lines with one number the first is kept, unless they differ: then the
// record ends before it, for nobody can say which is right.
func GatherEvents(lines io.Reader) (Gathered, error) {
	g := Gathered{events: map[int64]Event{}}
	twofold := map[int64]bool{}
	r := bufio.NewReaderSize(lines, 1<<16)
	for {
		line, err := r.ReadBytes('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return g, fmt.Errorf("event files: %w", err)
		}
		line = bytes.Trim(line, "\x00\r\n") // after a power cut a file may end in zeros
		var e Event
		switch {
		case len(line) == 0:
		case json.Unmarshal(line, &e) != nil || e.Verb == "":
			g.Torn++
		default:
			e.leaf = line
			if old, ok := g.events[e.Seq]; !ok {
				g.events[e.Seq] = e
			} else if !bytes.Equal(old.leaf, line) {
				twofold[e.Seq] = true
			}
		}
		if err != nil {
			break
		}
	}
	for {
		if _, ok := g.events[g.Events]; !ok || twofold[g.Events] {
			break
		}
		g.Events++
	}
	g.Beyond = int64(len(g.events)) - g.Events
	if g.Events > 0 {
		g.Holdings, _ = g.events[0].Data["holdings"].(string)
	}
	return g, nil
}

// counted are the counters whose numbers stand in events.
var counted = map[string]bool{"file": true, "finding": true, "audit": true, "shard": true, "received": true, "disc": true}

// numbers are the greatest that the events name, by counter.
func (g Gathered) numbers() map[string]int64 {
	out := map[string]int64{}
	see := func(name string, n any) {
		switch n := n.(type) {
		case int64:
			out[name] = max(out[name], n)
		case float64: // of JSON
			out[name] = max(out[name], int64(n))
		}
	}
	for _, e := range g.events {
		see("file", e.File)
		see("finding", e.Finding)
		see("audit", e.Audit)
		see("shard", e.Data["shard"])
		see("received", e.Data["received"])
		if e.Verb == fixity.DiscAdded || e.Verb == fixity.DiscRetired {
			see("disc", e.Data["id"])
		}
	}
	return out
}

// Lost are events of event files that a ledger doesn't have.
type Lost struct {
	Events      int64
	First, Last time.Time // of them; zero if there are none
}

// LostFrom are the events that differ from the record of t, or go beyond it.
func (g Gathered) LostFrom(t Log) (l Lost, err error) {
	for _, seq := range slices.Sorted(maps.Keys(g.events)) {
		e := g.events[seq]
		var leaf []byte
		err := t.row(`SELECT leaf FROM event WHERE seq = $1`, []any{seq}, &leaf)
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return l, err
		}
		if bytes.Equal(leaf, e.leaf) {
			continue
		}
		l.Events++
		if l.First.IsZero() || e.At.Before(l.First) {
			l.First = e.At
		}
		if e.At.After(l.Last) {
			l.Last = e.At
		}
	}
	return l, nil
}

// Jump makes the counters go on behind the greatest numbers that events name.
func (t *Tx) Jump(g Gathered) error { return t.JumpTo(g.numbers()) }

// JumpTo makes counters go on behind some numbers.
func (t *Tx) JumpTo(to map[string]int64) error {
	for name, n := range to {
		if n <= 0 {
			continue
		}
		if _, err := t.exec(`INSERT INTO counter (name, value) VALUES ($1, $2)
			ON CONFLICT (name) DO UPDATE SET value = CASE WHEN counter.value < $2 THEN $2 ELSE counter.value END`, name, n); err != nil {
			return err
		}
	}
	return nil
}

// Numbers go on behind those that may have been given after the backup: so far where
// nothing says how many those were. A letter's number is part of its Message-ID, by which
// mail programs know letters again.
const (
	jumpUnknown = 100
	jumpLetters = 1000
)

// JumpOthers moves on the counters whose numbers stand in no event.
func (t *Tx) JumpOthers(lost int64, unknown bool) error {
	names := map[string]bool{"incident": true, "letter": true, "disc_check": true, "disc_decision": true}
	maps.Copy(names, counted) // one that was never given has no row yet
	if err := t.rows(`SELECT name FROM counter`, nil, func(r *sql.Rows) error {
		var n string
		err := r.Scan(&n)
		names[n] = true
		return err
	}); err != nil {
		return err
	}
	for n := range names {
		by := int64(0)
		if unknown {
			by = jumpUnknown
		}
		if !counted[n] {
			by += lost
		}
		if n == "letter" {
			by += jumpLetters
		}
		if by == 0 {
			continue
		}
		if _, err := t.exec(`INSERT INTO counter (name, value) VALUES ($1, $2) ON CONFLICT (name) DO UPDATE SET value = counter.value + $2`, n, by); err != nil {
			return err
		}
	}
	return nil
}
