package ledger

import (
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
)

// Audit is one run over a store.
type Audit struct {
	ID         int64
	Store      string
	Kind       string // Plain, Intake, FollowUp
	Sets       []string
	Set, Under string // what counts; "" is everything
	Full       bool
	Cache      fixity.Cache
	Phase      fixity.Phase
	By         string
	Began      time.Time
	Run        time.Time // when the person or the clock ordered this run of it
	Complete   bool
}

// Kinds of an audit. Stored: never change one.
const (
	Plain    = "audit"
	Intake   = "intake"    // lists only: the strays are then taken in
	FollowUp = "follow-up" // reads only: the other copies of files with a new finding
)

const auditColumns = `id, store, kind, sets, scope, full_read, cache, phase, by_name, began_at, run_at, complete`

func scanAudit(r row) (Audit, error) {
	var a Audit
	var sets, sc, cache, phase string
	var full, began, run, complete int64
	if err := r.Scan(&a.ID, &a.Store, &a.Kind, &sets, &sc, &full, &cache, &phase, &a.By, &began, &run, &complete); err != nil {
		return Audit{}, err
	}
	a.Sets, a.Full, a.Cache, a.Phase, a.Complete = strings.Fields(sets), full != 0, fixity.Cache(cache), fixity.Phase(phase), complete != 0
	a.Set, a.Under = splitScope(sc)
	a.Began, a.Run = fromNanos(began), fromNanos(run)
	return a, nil
}

// Get reads one audit.
func (t Audits) Get(id int64) (Audit, error) {
	a, err := scanAudit(t.one(`SELECT `+auditColumns+` FROM audit WHERE id = $1`, id))
	return a, notFound(err)
}

// TakeUpWithin is how long after it was cut off a full audit is taken up again
// rather than begun anew (command-line contract).
const TakeUpWithin = 24 * time.Hour

// Begin starts an audit, or takes up a full one of the same scope that was
// cut off: then what was read in it counts as read. Its listing is always anew.
func (t Audits) Begin(a Audit) (_ Audit, takenUp bool, err error) {
	var open []Audit
	if err := t.rows(`SELECT `+auditColumns+` FROM audit WHERE store = $1 AND kind = $2 AND ended_at = 0 ORDER BY id`, []any{a.Store, a.Kind}, func(r *sql.Rows) error {
		x, err := scanAudit(r)
		open = append(open, x)
		return err
	}); err != nil {
		return Audit{}, false, err
	}
	if a.Run.IsZero() {
		a.Run = t.now
	}
	a.Phase = fixity.PhaseList
	for i, old := range open {
		if err := t.closeShards(old); err != nil {
			return Audit{}, false, err
		}
		last := i == len(open)-1
		if last && a.Full && old.Full && old.Set == a.Set && old.Under == a.Under && t.now.Sub(old.Run).Abs() < TakeUpWithin {
			a.ID, a.Began = old.ID, old.Began
			_, err = t.exec(`UPDATE audit SET phase = $2, run_at = $3, cache = $4, by_name = $5, sets = $6 WHERE id = $1`,
				a.ID, string(a.Phase), nanos(a.Run), string(a.Cache), a.By, strings.Join(a.Sets, " "))
			return a, true, err
		}
		// It will never be ended.
		if _, err := t.exec(`UPDATE audit SET phase = $2, ended_at = $3 WHERE id = $1`, old.ID, string(fixity.PhaseCutOff), nanos(t.now)); err != nil {
			return Audit{}, false, err
		}
	}
	if a.ID, err = t.NextID("audit"); err != nil {
		return Audit{}, false, err
	}
	a.Began = t.now
	_, err = t.exec(`INSERT INTO audit (id, store, kind, sets, scope, full_read, cache, phase, by_name, began_at, run_at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		a.ID, a.Store, a.Kind, strings.Join(a.Sets, " "), scope(a.Set, a.Under), b2i(a.Full), string(a.Cache), string(a.Phase), a.By, nanos(a.Began), nanos(a.Run))
	return a, false, err
}

// closeShards accounts for what the shards of an earlier run have read, and
// removes them.
func (t Audits) closeShards(a Audit) error {
	var ids []int64
	if err := t.rows(`SELECT id FROM shard WHERE audit = $1`, []any{a.ID}, func(r *sql.Rows) error {
		var id int64
		err := r.Scan(&id)
		ids = append(ids, id)
		return err
	}); err != nil {
		return err
	}
	for _, id := range ids {
		e, err := t.record.SliceEvent(Event{Verb: fixity.Audited, By: a.By, Store: a.Store, Audit: a.ID}, id)
		if err != nil {
			return err
		}
		if e.HasReadings() {
			t.Event(e)
		}
	}
	for _, q := range []string{`DELETE FROM shard WHERE audit = $1`, `DELETE FROM difference WHERE audit = $1`, `DELETE FROM read_first WHERE audit = $1`} {
		if _, err := t.exec(q, a.ID); err != nil {
			return err
		}
	}
	return nil
}

// AddShards plans the pieces of an audit: the given first-level folders of a set
// and those in which the ledger knows something. It gives how many there are.
func (t Audits) AddShards(a Audit, set string, tops []string) (int, error) {
	all := map[string]bool{"": true}
	for _, s := range tops {
		all[s] = true
	}
	for _, q := range []string{
		`SELECT DISTINCT top FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0`,
		`SELECT DISTINCT top FROM stray WHERE store = $1 AND set_name = $2`,
	} {
		if err := t.rows(q, []any{a.Store, set}, func(r *sql.Rows) error {
			var b []byte
			err := r.Scan(&b)
			all[string(b)] = true
			return err
		}); err != nil {
			return 0, err
		}
	}
	id, err := t.nextIDs("shard", int64(len(all)))
	if err != nil {
		return 0, err
	}
	for _, s := range slices.Sorted(maps.Keys(all)) {
		if _, err := t.exec(`INSERT INTO shard (id, audit, store, set_name, top, phase, cursor) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			id, a.ID, a.Store, set, []byte(s), string(fixity.PhaseList), []byte{}); err != nil {
			return 0, err
		}
		id++
	}
	return len(all), nil
}

// ahead are a store's copies that are due ahead of all others and were seen there.
const ahead = `store = $1 AND carrier = 0 AND due_at < 0 AND size >= 0`

// AnyAhead says that copies in a store are due ahead of all others.
func (t Audits) AnyAhead(store string) (bool, error) {
	var n int64
	err := t.row(`SELECT count(*) FROM (SELECT 1 FROM instance WHERE `+ahead+` LIMIT 1) AS one`, []any{store}, &n)
	return n > 0, err
}

// CountRead counts the copies that an audit has read.
func (t Audits) CountRead(audit int64) (n int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(n), 0) AS BIGINT) FROM reading WHERE audit = $1`, []any{audit}, &n)
	return n, err
}

// BeginFollowUp starts an audit that reads, without listing, the copies in a store
// that are due ahead of all others. It gives false if there are none.
func (t Audits) BeginFollowUp(store string, sets []string, cache fixity.Cache, by string) (Audit, bool, error) {
	type place struct {
		set string
		top []byte
	}
	var places []place
	if err := t.rows(`SELECT DISTINCT set_name, top FROM instance WHERE `+ahead+` ORDER BY set_name, top`, []any{store}, func(r *sql.Rows) error {
		var p place
		err := r.Scan(&p.set, &p.top)
		if slices.Contains(sets, p.set) {
			places = append(places, p)
		}
		return err
	}); err != nil || len(places) == 0 {
		return Audit{}, false, err
	}
	a, _, err := t.Begin(Audit{Store: store, Kind: FollowUp, Cache: cache, By: by})
	if err != nil {
		return Audit{}, false, err
	}
	a.Phase = fixity.PhaseRead
	if _, err := t.exec(`UPDATE audit SET phase = $2 WHERE id = $1`, a.ID, string(a.Phase)); err != nil {
		return Audit{}, false, err
	}
	id, err := t.nextIDs("shard", int64(len(places)))
	if err != nil {
		return Audit{}, false, err
	}
	for i, p := range places {
		if _, err := t.exec(`INSERT INTO shard (id, audit, store, set_name, top, phase, cursor) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			id+int64(i), a.ID, store, p.set, append([]byte{}, p.top...), string(fixity.PhaseRead), []byte{}); err != nil {
			return Audit{}, false, err
		}
	}
	a, err = t.putFirst(a)
	return a, true, err
}

// OpenShards are the shards of an audit that are in a phase, by set and folder.
func (t Audits) OpenShards(audit int64, p fixity.Phase) ([]fixity.Job, error) {
	return list(t.Tx, `SELECT id FROM shard WHERE audit = $1 AND phase = $2 ORDER BY set_name, top`, []any{audit, string(p)}, func(r row) (fixity.Job, error) {
		j := fixity.Job{Audit: audit}
		err := r.Scan(&j.Shard)
		return j, err
	})
}

// claim reads where a shard stands.
func (t Audits) claim(j fixity.Job) (fixity.Shard, error) {
	a, err := t.Get(j.Audit)
	if err != nil {
		return fixity.Shard{}, fmt.Errorf("audit %d: %w", j.Audit, err)
	}
	s := fixity.Shard{ID: j.Shard, Audit: j.Audit, Full: a.Full, Cache: a.Cache, Under: a.Under}
	var topB, cursor []byte
	var phase string
	err = t.row(`SELECT attempt, store, set_name, top, phase, cursor FROM shard WHERE id = $1 AND audit = $2`,
		[]any{j.Shard, j.Audit}, &s.Attempt, &s.Store, &s.Set, &topB, &phase, &cursor)
	if err != nil {
		return fixity.Shard{}, fmt.Errorf("shard %d: %w", j.Shard, err)
	}
	s.Top, s.Phase, s.Cursor = string(topB), fixity.Phase(phase), string(cursor)
	// A folder's first name is its shard's; one of the root's own files has none.
	rootFile := s.Top == "" && !strings.Contains(a.Under, "/")
	s.Counts = (a.Set == "" || a.Set == s.Set) && (a.Under == "" || rootFile || top(a.Under+"/") == s.Top)
	return s, nil
}

// moveShard moves a claimed shard on, if nobody did since: attempt, cursor and phase
// are those of the claim. Otherwise the whole transaction must be given up.
func (t Audits) moveShard(s fixity.Shard, to fixity.Phase, cursor string, listed, leftOut, read, bytes int64, trouble string) error {
	n, err := t.exec(`UPDATE shard SET attempt = attempt + 1, phase = $4, cursor = $5, listed = listed + $6, left_out = left_out + $7, read = read + $8, bytes = bytes + $9,
			complete = CASE WHEN $10 = '' THEN complete ELSE 0 END, trouble = CASE WHEN $10 = '' THEN trouble ELSE $10 END
		WHERE id = $1 AND attempt = $2 AND cursor = $3 AND phase = $11`,
		s.ID, s.Attempt, []byte(s.Cursor), string(to), []byte(cursor), listed, leftOut, read, bytes, trouble, string(s.Phase))
	if err == nil && n == 0 {
		return fixity.ErrLost
	}
	return err
}

// movePhase moves an audit from a phase to the next; false if another process did,
// or if a shard still waits in it: no conclusion is drawn from half a listing.
func (t Audits) movePhase(audit int64, from, to fixity.Phase) (bool, error) {
	n, err := t.exec(`UPDATE audit SET phase = $3 WHERE id = $1 AND phase = $2
		AND NOT EXISTS (SELECT 1 FROM shard WHERE audit = $1 AND phase = $2)`, audit, string(from), string(to))
	return n > 0, err
}

// Progress is what the shards of an audit have done so far in this run.
type Progress struct {
	Listed, LeftOut, Read, Bytes int64
	Complete                     bool
	Trouble                      []string
}

// Progress sums up an audit's shards, those in its scope for the files counted.
func (t Audits) Progress(a Audit) (Progress, error) {
	p := Progress{Complete: true}
	err := t.rows(`SELECT set_name, top, listed, left_out, read, bytes, complete, trouble FROM shard WHERE audit = $1 ORDER BY set_name, top`, []any{a.ID}, func(r *sql.Rows) error {
		var set, trouble string
		var topB []byte
		var listed, leftOut, read, bytes, complete int64
		if err := r.Scan(&set, &topB, &listed, &leftOut, &read, &bytes, &complete, &trouble); err != nil {
			return err
		}
		p.Listed, p.LeftOut, p.Read, p.Bytes = p.Listed+listed, p.LeftOut+leftOut, p.Read+read, p.Bytes+bytes
		if trouble != "" {
			p.Trouble = append(p.Trouble, trouble)
		}
		p.Complete = p.Complete && complete != 0
		return nil
	})
	return p, err
}

// ReadByOpen counts the readings that a store's audit which has not ended has
// committed so far.
func (t Audits) ReadByOpen(store string) (n int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(r.n), 0) AS BIGINT) FROM audit a JOIN reading r ON r.audit = a.id WHERE a.store = $1 AND a.kind = $2 AND a.ended_at = 0 AND r.n > 0`, []any{store, Plain}, &n)
	return n, err
}
