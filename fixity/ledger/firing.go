package ledger

import (
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
)

// Firing is a time at which the clock orders something.
type Firing struct {
	Job     string    // FiringAudit, FiringVisit, FiringVerify
	Store   string    // "" if the job is of no store
	Due     time.Time // by the schedule
	Missed  int64     // earlier times that it makes up
	Tries   int64     // how often it was begun
	Tried   time.Time // when it was begun last
	By      string
	Ended   time.Time // zero: it runs, is to be tried again, or was cut off
	Outcome string    // of the last try
	Trouble string    // what was wrong, or why it was not done; for people
}

// Jobs of the clock. Stored: never change one.
const (
	FiringAudit = "audit"
	FiringVisit = "visit" // a visiting store has come
	// FiringVerify is a check of the whole record, of no store.
	FiringVerify = "verify"
	// FiringTold is a letter about what such a check has found, where hosts share a ledger: its
	// trouble is what was told, "" that the record is whole again.
	FiringTold = "verify-told"
)

// Outcomes of a firing. Stored: never change one.
const (
	FiringBegun      = "begun" // the schedule was begun; nothing was done
	FiringDone       = "done"
	FiringAway       = "away"       // the store was not there
	FiringUnfinished = "unfinished" // something could not be read
	FiringFailed     = "failed"
	FiringBusy       = "busy"    // somebody else works on the store: to be tried again
	FiringStopped    = "stopped" // the daemon was stopped: to be tried again
	// FiringBroken ends a check of the record: it is not what was written.
	FiringBroken = "broken"
)

// FiringOutcomes is every outcome of what a store's clock orders.
var FiringOutcomes = []string{FiringBegun, FiringDone, FiringAway, FiringUnfinished, FiringFailed, FiringBusy, FiringStopped}

// Win takes a time of the schedule, and gives it as it was taken. It is false if
// somebody else has it, and then nothing was changed. Times of the same job that lie in the
// future were taken by a clock that was wrong, and are forgotten.
func (t Clock) Win(f Firing) (Firing, bool, error) {
	if _, err := t.exec(`DELETE FROM firing WHERE job = $1 AND store = $2 AND due_at > $3`, f.Job, f.Store, nanos(t.now.Add(Apart))); err != nil {
		return f, false, err
	}
	n, err := t.exec(`INSERT INTO firing (job, store, due_at, missed, tries, tried_at, by_name) VALUES ($1, $2, $3, $4, 1, $5, $6)
		ON CONFLICT DO NOTHING`, f.Job, f.Store, nanos(f.Due), f.Missed, nanos(t.now), f.By)
	f.Tries = 1
	return f, n > 0, err
}

// TryAgain takes a firing that has not ended for another try, and gives it as it
// was taken. It is false if it has ended, or somebody else took it since f was read.
func (t Clock) TryAgain(f Firing) (Firing, bool, error) {
	n, err := t.exec(`UPDATE firing SET tries = tries + 1, tried_at = $5, by_name = $6, outcome = '', trouble = ''
		WHERE job = $1 AND store = $2 AND due_at = $3 AND tries = $4 AND ended_at = 0`,
		f.Job, f.Store, nanos(f.Due), f.Tries, nanos(t.now), f.By)
	f.Tries++
	return f, n > 0, err
}

// End notes what a try has given. FiringBusy and FiringStopped leave the
// firing to be tried again. If somebody else has taken the firing for another try
// since, or has ended it, that stands: nothing is written.
func (t Clock) End(f Firing, outcome, trouble string) error {
	ended := nanos(t.now)
	if outcome == FiringBusy || outcome == FiringStopped {
		ended = 0
	}
	_, err := t.exec(`UPDATE firing SET outcome = $4, trouble = $5, ended_at = $6 WHERE job = $1 AND store = $2 AND due_at = $3 AND tries = $7 AND ended_at = 0`,
		f.Job, f.Store, nanos(f.Due), outcome, trouble, ended, f.Tries)
	return err
}

const firingColumns = `job, store, due_at, missed, tries, tried_at, by_name, ended_at, outcome, trouble`

func scanFiring(r row) (Firing, error) {
	var f Firing
	var due, tried, ended int64
	if err := r.Scan(&f.Job, &f.Store, &due, &f.Missed, &f.Tries, &tried, &f.By, &ended, &f.Outcome, &f.Trouble); err != nil {
		return Firing{}, err
	}
	f.Due, f.Tried, f.Ended = fromNanos(due), fromNanos(tried), fromNanos(ended)
	return f, nil
}

// Last is the newest time of a job that was taken; fixity.ErrNotFound if
// none ever was.
func (t Clock) Last(job, store string) (Firing, error) {
	f, err := scanFiring(t.one(`SELECT `+firingColumns+` FROM firing WHERE job = $1 AND store = $2 ORDER BY due_at DESC LIMIT 1`, job, store))
	return f, notFound(err)
}

// LastBy is Last without the times that lie in the future of now: a clock that was wrong took
// them, and nothing would be due until then.
func (t Clock) LastBy(job, store string, now time.Time) (Firing, error) {
	f, err := scanFiring(t.one(`SELECT `+firingColumns+` FROM firing WHERE job = $1 AND store = $2 AND due_at <= $3 ORDER BY due_at DESC LIMIT 1`, job, store, nanos(now.Add(Apart))))
	return f, notFound(err)
}

// LastEnded is the newest time of a job that has ended; fixity.ErrNotFound if none has.
func (t Clock) LastEnded(job, store string) (Firing, error) {
	f, err := scanFiring(t.one(`SELECT `+firingColumns+` FROM firing WHERE job = $1 AND store = $2 AND ended_at <> 0 ORDER BY due_at DESC LIMIT 1`, job, store))
	return f, notFound(err)
}

// Since are those due since a time, the oldest first. What was told (FiringTold) was never due.
func (t Clock) Since(since time.Time) ([]Firing, error) {
	return list(t.Tx, `SELECT `+firingColumns+` FROM firing WHERE due_at >= $1 AND job <> $2 ORDER BY due_at, job, store`, []any{nanos(since), FiringTold}, scanFiring)
}

// ForgetBefore removes those that were due before a time and have ended.
func (t Clock) ForgetBefore(before time.Time) error {
	_, err := t.exec(`DELETE FROM firing WHERE due_at < $1 AND ended_at <> 0
		AND due_at < (SELECT max(f.due_at) FROM firing f WHERE f.job = firing.job AND f.store = firing.store)`, nanos(before))
	return err
}

// Pace is what reading a store's files has taken.
type Pace struct {
	Bytes int64
	Took  time.Duration
	At    time.Time
}

// Pace reads a store's pace, the zero one if it isn't known.
func (t Clock) Pace(store string) (Pace, error) {
	var p Pace
	var took, at int64
	err := t.row(`SELECT bytes, took, at FROM pace WHERE store = $1`, []any{store}, &p.Bytes, &took, &at)
	if errors.Is(err, fixity.ErrNotFound) {
		return Pace{}, nil
	}
	p.Took, p.At = time.Duration(took), fromNanos(at)
	return p, err
}

// AddPace adds a run to a store's pace: what was known before counts half.
func (t Clock) AddPace(store string, bytes int64, took time.Duration) error {
	if bytes <= 0 || took <= 0 {
		return fmt.Errorf("pace of %s: %d bytes in %s: %w", store, bytes, took, fixity.ErrRefused)
	}
	_, err := t.exec(`INSERT INTO pace (store, bytes, took, at) VALUES ($1, $2, $3, $4)
		ON CONFLICT (store) DO UPDATE SET bytes = pace.bytes / 2 + $2, took = pace.took / 2 + $3, at = $4`,
		store, bytes, int64(took), nanos(t.now))
	return err
}

// LastDone is when a job of a store was done last, the zero time if it never was.
func (t Clock) LastDone(job, store string) (time.Time, error) {
	var at int64
	err := t.row(`SELECT coalesce(max(ended_at), 0) FROM firing WHERE job = $1 AND store = $2 AND outcome = $3`, []any{job, store, FiringDone}, &at)
	return fromNanos(at), err
}
