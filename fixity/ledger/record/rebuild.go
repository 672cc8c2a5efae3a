package record

import (
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity"
	"firmus/fixity/ledger/mlog"
)

// Import makes the events of a lost ledger this one's record, so that the log goes on and
// earlier checkpoints still hold. The record goes as far as no event lacks; the numbers of
// those beyond, and of those in more, other copies of the event files, are never given
// again. It is refused unless this ledger has just begun. The result lines of readings are
// not in event files; Verify says of how many events they lack.
func (t *Tx) Import(g Gathered, by string, more ...Gathered) error {
	if err := t.importEvents(g); err != nil {
		return err
	}
	for _, x := range append(more, g) {
		if err := t.Jump(x); err != nil {
			return err
		}
	}
	data := map[string]any{"events": g.Events}
	if g.Beyond+g.Torn > 0 {
		data["beyond"], data["torn"] = g.Beyond, g.Torn
	}
	t.Event(Event{Verb: fixity.LedgerRebuilt, By: by, Data: data})
	return nil
}

func (t Log) importEvents(g Gathered) error {
	var size, files int64
	if err := t.row(`SELECT size FROM log_head`, nil, &size); err != nil {
		return err
	}
	if err := t.row(`SELECT count(*) FROM file`, nil, &files); err != nil {
		return err
	}
	if size > 1 || files > 0 {
		return fmt.Errorf("this ledger has begun its own record: %w", fixity.ErrRefused)
	}
	if g.Events == 0 {
		return fmt.Errorf("the event files hold no beginning of a record: %w", fixity.ErrRefused)
	}
	for _, q := range []string{`DELETE FROM event`, `DELETE FROM log_hash`, `DELETE FROM record_key`} {
		if _, err := t.exec(q); err != nil {
			return err
		}
	}
	if err := t.takeOverRecord(g.events[0]); err != nil {
		return err
	}
	hashes := hashReader{t.tx, map[int64]tlog.Hash{}}
	for seq := range g.Events {
		if err := t.importEvent(g.events[seq], hashes); err != nil {
			return fmt.Errorf("event %d: %w", seq, err)
		}
	}
	root, err := mlog.Root(g.Events, hashes)
	if err != nil {
		return err
	}
	_, err = t.exec(`UPDATE log_head SET size = $1, root = $2 WHERE id = 1`, g.Events, root[:])
	return err
}

// takeOverRecord gives this ledger the identity of the lost one, by its first event.
func (t Log) takeOverRecord(first Event) error {
	id, _ := first.Data["holdings"].(string)
	if first.Verb != fixity.LedgerBegun || id == "" {
		return fmt.Errorf("the event files don't begin at the record's beginning: %w", fixity.ErrRefused)
	}
	if _, err := t.exec(`UPDATE holdings SET id = $1, begun = $2`, id, nanos(first.At)); err != nil {
		return err
	}
	_, err := t.exec(`UPDATE log_head SET origin = $1 WHERE id = 1`, OriginOf(id))
	return err
}

func (t Log) importEvent(e Event, hashes hashReader) error {
	if err := t.appendLeaf(e, hashes); err != nil {
		return err
	}
	if k := e.key(); k != "" {
		if err := t.putKey(k, e.Seq); err != nil {
			return err
		}
	}
	if s, _ := e.Data["root"].(string); s == "" {
		return nil
	}
	// The slice's result lines are gone with the ledger; its leaf still has their root.
	id, err := t.nextID("reading")
	if err != nil {
		return err
	}
	shard, _ := e.Data["shard"].(float64)
	_, err = t.exec(`INSERT INTO reading (id, audit, shard, event, n, lines) VALUES ($1, $2, $3, $4, -1, $5)`, id, e.Audit, int64(shard), e.Seq, []byte{})
	return err
}

// Rebuilding is what the record says of the latest time that this ledger was made anew.
type Rebuilding struct {
	At     time.Time // zero: never
	Events int64     // of the lost record that it goes on from; 0: it began a new one
	Lost   string    // the holdings of the lost ledger, where a new record began and it was known
}

// Rebuilding reads the event that tells of it.
func (t Log) Rebuilding() (r Rebuilding, err error) {
	_, err = t.where(`seq = (SELECT max(seq) FROM event WHERE verb = $1)`, func(e Event) error {
		data := e.Told()
		n, _ := data["events"].(float64)
		r.At, r.Events = e.At, int64(n)
		r.Lost, _ = data["lost"].(string)
		return nil
	}, string(fixity.LedgerRebuilt))
	return r, err
}
