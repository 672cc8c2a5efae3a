package record

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger/mlog"
)

const (
	// inlineStated is how many bytes of statements stand in an event itself. More go
	// into packed rows, and the event has their root: no leaf grows without bound.
	inlineStated = 16 << 10
	// A packed row of statements has at most so many lines, and about so many bytes.
	packedLines = 1000
	packedBytes = 1 << 20
)

// state makes the statements of the rows that the transaction has changed, and gives
// each to the event that is about it. Where the transaction has no event they are kept
// until the next one, which accounts for them: a reading that only refines a finding
// needs no event of its own.
func (t *tx) state() error {
	whole := slices.IndexFunc(t.events, func(e Event) bool { return wholeState(e.Verb) })
	if whole >= 0 {
		t.noted, t.notedAt = nil, nil // all is stated below
	}
	of := make([][]string, len(t.events))
	var none []string
	now, err := t.statesOf(slices.DeleteFunc(slices.Clone(t.noted), func(n noted) bool { return n.values != nil }))
	if err != nil {
		return err
	}
	var b []byte
	for _, n := range t.noted {
		line := now[n.begin]
		if n.values != nil {
			b = n.in.statement(append(b[:0], n.begin...), func(i int) string { return n.values[i] })
			line = string(b)
		}
		if line == n.was {
			continue
		}
		if line == "" {
			line = n.begin + "]"
		}
		if len(t.events) == 0 {
			none = append(none, line)
			continue
		}
		i := t.eventFor(n)
		of[i] = append(of[i], line)
	}
	if len(none) > 0 {
		_, err := t.packStated(none)
		return err
	}
	for i := range t.events {
		e := &t.events[i]
		if i == 0 {
			if err := t.takeStated(e); err != nil {
				return err
			}
		}
		if i == whole {
			e.data("schema", t.schema)
			if err := t.stateAll(e); err != nil {
				return err
			}
		}
		if err := t.giveStated(e, of[i]); err != nil {
			return err
		}
		if e.statedTree.Len() > 0 {
			e.data("stated", e.statedTree.Len())
			e.data("stated_root", e.statedTree.Root().String())
		}
	}
	return nil
}

// wholeState says that an event states all rows there are; nothing before it counts.
func wholeState(v fixity.Verb) bool { return v == fixity.LedgerStated || v == fixity.LedgerRebuilt }

// eventFor is the event of the transaction that a row is stated in: the newest about
// its finding or its file, or else the newest.
func (t *tx) eventFor(n noted) int {
	last := len(t.events) - 1
	if len(n.key) == 0 {
		return last
	}
	id, _ := n.key[0].(int64)
	for i := last; i >= 0; i-- {
		switch e := t.events[i]; n.in.name {
		case "finding":
			if e.Finding == id {
				return i
			}
		case "file", "version", "note":
			if e.File == id && !findingTurn(e.Verb) {
				return i
			}
		default:
			return last
		}
	}
	return last
}

// findingTurn says that an event is about a finding and no more.
func findingTurn(v fixity.Verb) bool {
	return v == fixity.FindingOpened || v == fixity.FindingChanged || v == fixity.FindingRaised || v == fixity.FindingSettled
}

func (e *Event) data(name string, value any) {
	if e.Data == nil {
		e.Data = map[string]any{}
	}
	e.Data[name] = value
}

// giveStated puts statements into an event: into its leaf, or, if they are many, into
// packed rows that it accounts for.
func (t *tx) giveStated(e *Event, lines []string) error {
	if len(lines) == 0 {
		return nil
	}
	size := 0
	for _, l := range lines {
		size += len(l) + 1
	}
	if size > inlineStated {
		ids, err := t.packStated(lines)
		for _, l := range lines {
			e.statedTree.Add([]byte(l))
		}
		e.stated = append(e.stated, ids...)
		return err
	}
	rows := make([]json.RawMessage, len(lines))
	for i, l := range lines {
		rows[i] = json.RawMessage(l)
	}
	e.data("rows", rows)
	return nil
}

// packStated keeps statements in packed rows that no event accounts for yet.
func (t *tx) packStated(lines []string) (ids []int64, err error) {
	for len(lines) > 0 {
		n, size := 0, 0
		for n < len(lines) && n < packedLines && (n == 0 || size+len(lines[n]) < packedBytes) {
			size += len(lines[n])
			n++
		}
		id, err := t.nextID("stated")
		if err != nil {
			return ids, err
		}
		if _, err := t.exec(`INSERT INTO stated (id, event, n, lines) VALUES ($1, -1, $2, $3)`, id, n, packLines(lines[:n])); err != nil {
			return ids, err
		}
		ids, lines = append(ids, id), lines[n:]
	}
	return ids, nil
}

// takeStated gives an event the statements that none accounts for yet. It must be the
// transaction's first: they are older than all that it states.
func (t *tx) takeStated(e *Event) error {
	return t.rows(`SELECT id, lines FROM stated WHERE event = -1 ORDER BY id`, nil, func(r *sql.Rows) error {
		var id int64
		var b []byte
		if err := r.Scan(&id, &b); err != nil {
			return err
		}
		lines, err := unpackLines(b)
		for _, l := range lines {
			e.statedTree.Add([]byte(l))
		}
		e.stated = append(e.stated, id)
		return err
	})
}

// stateAll states every row of every vouched table in an event.
func (t *tx) stateAll(e *Event) error {
	for _, v := range inOrder() {
		for after := []any(nil); ; {
			rows, err := t.page(v, after, packedLines)
			if err != nil || len(rows) == 0 {
				if err != nil {
					return err
				}
				break
			}
			lines := make([]string, len(rows))
			for i, r := range rows {
				lines[i] = r.line
				e.statedTree.Add([]byte(r.line))
			}
			ids, err := t.packStated(lines)
			if err != nil {
				return err
			}
			e.stated = append(e.stated, ids...)
			after = rows[len(rows)-1].key
		}
	}
	return nil
}

// inOrder are the vouched tables by name.
func inOrder() []*table {
	out := make([]*table, 0, len(vouched))
	for _, v := range vouched {
		out = append(out, v)
	}
	slices.SortFunc(out, func(a, b *table) int { return strings.Compare(a.name, b.name) })
	return out
}

// StateOnce states all there is in a ledger that an earlier version began, which
// recorded what was done and not what the rows held. It does nothing in any other, or
// if another process did it. What it states is what it finds: from then on the record
// vouches for it.
//
// A migration asks for it. Whoever else asks wants an edit vouched for: if the schema is
// the one of the newest event that stated all there was, nothing is done, and Verify says so.
func (t *Tx) StateOnce() error {
	if since, err := t.statedSchema(); err != nil || since >= t.schema {
		return err
	}
	n, err := t.exec(`DELETE FROM stated WHERE id = 0`)
	if err != nil || n == 0 {
		return err
	}
	t.events = append(t.events, Event{Verb: fixity.LedgerStated, By: t.by})
	return nil
}

// statedSchema is the schema's version of the newest event from which on the record
// vouches for all rows; 0 if that is of a time when events didn't tell it.
func (t *tx) statedSchema() (v int64, err error) {
	_, err = Log{t}.where(`seq = (SELECT max(seq) FROM event WHERE verb IN ($1, $2, $3))`, func(e Event) error {
		n, _ := e.Told()["schema"].(float64)
		v = int64(n)
		return nil
	}, string(fixity.LedgerBegun), string(fixity.LedgerStated), string(fixity.LedgerRebuilt))
	return v, err
}

// verifyUnasked says that the ledger asks for its rows to be vouched for as they are,
// and no migration did.
func (t *tx) verifyUnasked() error {
	var asked int64
	if err := t.row(`SELECT count(*) FROM stated WHERE event < -1 OR id <= 0`, nil, &asked); err != nil || asked == 0 {
		return err
	}
	since, err := t.statedSchema()
	if err == nil && since >= t.schema {
		err = fmt.Errorf("somebody asks in the database for all its rows to be vouched for as they are: %w", ErrRewritten)
	}
	return err
}

// statedBy is what an event has of statements.
type statedBy struct {
	stated []int64 // packed rows that the event accounts for
	// statedTree is over the lines in them.
	statedTree mlog.Lines
}
