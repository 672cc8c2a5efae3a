package record

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity"
	"firmus/fixity/ledger/mlog"
)

// ErrRewritten: the record isn't the one that was written.
var ErrRewritten = mlog.ErrRewritten

// Verified is what Verify looked at.
type Verified struct {
	Events   int64     `json:"events"`
	Readings int64     `json:"readings"` // result lines accounted for by events
	Lacking  int64     `json:"lacking"`  // events whose result lines were lost with an earlier ledger
	Rows     int64     `json:"rows"`     // rows of other tables that are what the record says
	Since    int64     `json:"since"`    // the event that stated what the ledger held before; 0 if its record has done so from its beginning
	SinceAt  time.Time `json:"-"`        // of that event
	Began    time.Time `json:"-"`        // when the record's first event was written
	Root     tlog.Hash `json:"-"`
}

// Verify reads the whole record and checks that every event's columns and result
// lines are those of its hashed bytes, that the bytes are those the log's tree was
// built over, and that the head is that tree's. Then it holds what the ledger knows
// against what the record says of it: each row of the tables that are vouched for
// (files, versions, findings, copies, acts, discs) must be what was stated last. The
// error wraps ErrRewritten and says which event, or which row and what of it. It holds
// no more than a page of events or rows in memory.
//
// A record cut back to an earlier state, or replaced as a whole, is consistent in
// itself: only CheckAgainst with an earlier checkpoint finds that.
func (t Log) Verify(ctx context.Context) (v Verified, err error) {
	f, err := newFold(ctx)
	if err != nil {
		return v, err
	}
	defer f.close()
	var size int64
	var root []byte
	if err := t.row(`SELECT size, root FROM log_head`, nil, &size, &root); errors.Is(err, fixity.ErrNotFound) {
		return v, fmt.Errorf("the record has no head: %w", ErrRewritten)
	} else if err != nil {
		return v, fmt.Errorf("head of the record: %w", err)
	}
	var rebuilt int64 // events before this one were imported
	if err := t.row(`SELECT coalesce(max(seq), 0) FROM event WHERE verb = $1`, []any{string(fixity.LedgerRebuilt)}, &rebuilt); err != nil {
		return v, err
	}
	hashes, keys := hashReader{t.tx, nil}, map[string]int64{}
	for page := int64(0); ; {
		var events []Event
		if err := t.Each(page, 500, func(e Event) error { events = append(events, e); return nil }); err != nil {
			return v, err
		}
		if len(events) == 0 {
			break
		}
		for _, e := range events {
			if e.Seq != v.Events {
				return v, fmt.Errorf("event %d is lacking: %w", v.Events, ErrRewritten)
			}
			n, err := t.verifyEvent(e, hashes, f)
			if errors.Is(err, errLinesLost) && e.Seq < rebuilt {
				v.Lacking, err = v.Lacking+1, nil
			}
			if err != nil {
				return v, err
			}
			if public := e.key(); public != "" {
				keys[public] = e.Seq
			}
			if e.Seq == 0 {
				v.Began = e.At
			}
			v.Events++
			v.Readings += n
			if wholeState(e.Verb) {
				v.Since, v.SinceAt = e.Seq, e.At
			}
		}
		page = v.Events
	}
	if err := errors.Join(t.verifyOrigin(), t.verifyKeys(keys), t.verifyUnasked()); err != nil {
		return v, err
	}
	if v.Events != size {
		return v, fmt.Errorf("the record has %s and its head says %d: %w", fixity.Count(v.Events, "event"), size, ErrRewritten)
	}
	var hashCount int64
	if err := t.row(`SELECT count(*) FROM log_hash`, nil, &hashCount); err != nil {
		return v, err
	}
	if want := tlog.StoredHashIndex(0, size); hashCount != want {
		return v, fmt.Errorf("the record keeps %d hashes, not %d: %w", hashCount, want, ErrRewritten)
	}
	got := emptyRoot[:]
	if size > 0 {
		h, err := mlog.Root(size, hashes)
		if err != nil {
			return v, err
		}
		got = h[:]
	}
	copy(v.Root[:], got)
	if !bytes.Equal(got, root) {
		return v, fmt.Errorf("the record's head is not that of its %s: %w", fixity.Count(size, "event"), ErrRewritten)
	}
	var orphans int64
	if err := t.row(`SELECT count(*) FROM reading WHERE event >= $1 OR event < -1`, []any{size}, &orphans); err != nil {
		return v, err
	}
	if orphans > 0 {
		return v, fmt.Errorf("result lines name an event that isn't there: %w", ErrRewritten)
	}
	if err := t.row(`SELECT count(*) FROM stated WHERE event >= $1 OR event < -1`, []any{size}, &orphans); err != nil {
		return v, err
	}
	if orphans > 0 {
		return v, fmt.Errorf("statements about rows name an event that isn't there: %w", ErrRewritten)
	}
	v.Rows, err = t.verifyRows(f)
	return v, err
}

// verifyOrigin holds the names that the ledger goes by against its first event. A
// record that was rebuilt from backups has the first event that it had.
func (t Log) verifyOrigin() error {
	var origin, holdings string
	var begun int64
	var leaf []byte
	if err := t.row(`SELECT l.origin, h.id, h.begun, e.leaf FROM log_head l, holdings h, event e WHERE e.seq = 0`, nil, &origin, &holdings, &begun, &leaf); err != nil {
		if errors.Is(err, fixity.ErrNotFound) {
			return fmt.Errorf("the record has no beginning: %w", ErrRewritten)
		}
		return err
	}
	var first Event
	if err := json.Unmarshal(leaf, &first); err != nil {
		return fmt.Errorf("event 0 can't be read: %w: %w", ErrRewritten, err)
	}
	if id, _ := first.Data["holdings"].(string); id != holdings || OriginOf(id) != origin || nanos(first.At) != begun {
		return fmt.Errorf("the record began as that of the holdings %q, and goes by the name %q now: %w", id, origin, ErrRewritten)
	}
	return nil
}

// errLinesLost: an imported event whose result lines were lost with its ledger.
var errLinesLost = fmt.Errorf("its result lines are not at hand: %w", ErrRewritten)

func (t Log) verifyEvent(e Event, hashes tlog.HashReader, f *fold) (lines int64, err error) {
	if err := mlog.CheckRecord(e.Seq, e.leaf, hashes); err != nil {
		return 0, err
	}
	var in sealed
	if err := json.Unmarshal(e.leaf, &in); err != nil {
		return 0, fmt.Errorf("event %d can't be read: %w: %w", e.Seq, ErrRewritten, err)
	}
	if in.Seq != e.Seq || nanos(in.At) != nanos(e.At) || in.Verb != e.Verb || in.By != e.By || in.Store != e.Store ||
		in.Set != e.Set || in.File != e.File || in.Finding != e.Finding || in.Audit != e.Audit || in.Reason != e.Reason {
		return 0, fmt.Errorf("event %d: a column is not what was hashed: %w", e.Seq, ErrRewritten)
	}
	if err := t.verifyStated(in, f); err != nil {
		return 0, err
	}
	var tree mlog.Lines
	err = t.rows(`SELECT n, lines, audit, shard, low, high FROM reading WHERE event = $1 ORDER BY id`, []any{e.Seq}, func(r *sql.Rows) error {
		var n int
		var b []byte
		var ofAudit, ofShard, low, high int64
		if err := r.Scan(&n, &b, &ofAudit, &ofShard, &low, &high); err != nil {
			return err
		}
		if ofAudit != e.Audit || ofShard != int64(in.Data.Shard) {
			return fmt.Errorf("event %d: its result lines are said to be of another audit: %w", e.Seq, ErrRewritten)
		}
		if n < 0 && len(b) == 0 {
			return errLinesLost
		}
		ls, err := unpackLines(b)
		if err != nil || len(ls) != n {
			return fmt.Errorf("event %d: its result lines can't be read: %w", e.Seq, errors.Join(ErrRewritten, err))
		}
		for _, l := range ls {
			tree.Add([]byte(l))
		}
		if first, last, err := rangeOf(ls); err != nil || first != low || last != high {
			return fmt.Errorf("event %d: its result lines are said to be about other files: %w", e.Seq, errors.Join(ErrRewritten, err))
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	want := in.Data.Root
	root := tree.Root()
	if tree.Len() == 0 && want == "" {
		return 0, nil
	}
	if want != root.String() {
		return 0, fmt.Errorf("event %d: its result lines are not those that were recorded: %w", e.Seq, ErrRewritten)
	}
	return tree.Len(), nil
}

// CheckAgainst says whether today's record is a continuation of an earlier
// checkpoint. One of another record, or not signed by k, is fixity.ErrRefused; after
// a key was made anew in this run the signature of an older one isn't looked at.
func (t Log) CheckAgainst(checkpoint []byte, k Key) (mlog.Checkpoint, error) {
	c, err := mlog.Parse(checkpoint)
	if err != nil {
		return c, fmt.Errorf("%w: %w", err, fixity.ErrRefused)
	}
	now, err := t.head()
	if err != nil {
		return c, err
	}
	if c.Origin != now.Origin {
		return c, fmt.Errorf("the checkpoint is of the record %q, this one is %q: %w", c.Origin, now.Origin, fixity.ErrRefused)
	}
	earlier, err := t.keys()
	if err != nil {
		return c, err
	}
	if c, err = k.open(checkpoint, earlier); err != nil {
		return c, fmt.Errorf("the checkpoint was not signed by this record's key, so it proves nothing: %w: %w", err, fixity.ErrRefused)
	}
	return c, mlog.CheckExtends(c, now.Size, hashReader{t.tx, nil})
}

// Checkpoint is the record's state of now, signed.
func (t Log) Checkpoint(k Key) ([]byte, error) {
	c, err := t.head()
	if err != nil {
		return nil, fmt.Errorf("checkpoint: %w", err)
	}
	return mlog.Sign(c, k.signer)
}

// Prove makes a proof, checkable by a stranger, that event seq is in the record.
func (t Log) Prove(k Key, seq int64) (mlog.Proof, error) {
	leaf, err := t.LeafAt(seq)
	if errors.Is(err, fixity.ErrNotFound) {
		err = fmt.Errorf("event %d: %w", seq, err)
	}
	if err != nil {
		return mlog.Proof{}, err
	}
	text, err := t.Checkpoint(k)
	if err != nil {
		return mlog.Proof{}, err
	}
	return mlog.Prove(seq, leaf, text, hashReader{t.tx, nil})
}
