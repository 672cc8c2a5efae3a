package hosts

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A job has shards that take so long together, or so many, unless one alone takes longer: of
// thousands of small folders each would cost more to hand out than to read. Where several hosts
// have the store, a phase is cut into so many parts for each of them that they end at about the
// same time; where one has, into none: each job's end waits for its last commit.
const (
	jobLeast   = time.Second
	jobMost    = time.Minute
	jobParts   = 4
	shardsAJob = 1000
	fileTakes  = time.Millisecond // besides the time of its bytes
)

// unknownRate is what a store is thought to give, in bytes a second, before it was measured.
const unknownRate = 1 << 20

// Takes implements archive.Share. The error wraps fixity.ErrRefused if a command may not lead:
// it is of another version, its configuration or its clock is another.
func (h *Host) Takes(ctx context.Context, store string) (bool, error) {
	s, ok := h.store(store)
	if !ok {
		return false, nil
	}
	if h.o.Work != nil && s.On(h.o.Name) {
		return true, nil
	}
	running, err := h.running(ctx)
	if err != nil || !slices.ContainsFunc(running, func(x ledger.Host) bool { return s.On(x.Name) }) {
		return false, err
	}
	return true, h.mayLead(ctx, running)
}

// mayLead compares a command with the hosts that run, as Join does a host.
func (h *Host) mayLead(ctx context.Context, running []ledger.Host) error {
	if h.o.Work != nil {
		return nil
	}
	for _, x := range running {
		if err := h.Agrees(x); err != nil {
			return err
		}
	}
	ahead, err := h.o.Ledger.Ahead(ctx, h.o.Now)
	if said := Clocks([]ledger.Host{{Name: h.o.Name, Ahead: ahead}}); err == nil && len(said) > 0 {
		err = fmt.Errorf("%s: %w", said[0], fixity.ErrRefused)
	}
	return err
}

// Having implements archive.Share.
func (h *Host) Having(ctx context.Context, store string) (out []string, err error) {
	running, err := h.running(ctx)
	for _, x := range running {
		if x.Name != h.o.Name && slices.Contains(x.Has, store) {
			out = append(out, x.Name)
		}
	}
	return out, err
}

// here says that the store is found where it should be on this host.
func (h *Host) here(ctx context.Context, store string) bool {
	return slices.Contains(h.o.Work.Here(ctx), store)
}

// Work implements archive.Share. While the database is away it waits.
func (h *Host) Work(ctx context.Context, a ledger.Audit, p fixity.Phase, windows bool) error {
	w := &phase{h: h, a: a, p: p, windows: windows, had: time.Now()}
	s, _ := h.store(a.Store)
	trouble := ""
	for wait := 20 * time.Millisecond; ; wait = min(2*wait, 200*time.Millisecond) {
		err := w.once(ctx)
		switch {
		case err == errDone:
			return nil
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case errors.Is(err, errFails):
			return err
		case windows && s.Open != nil && !s.Open(h.o.Now()):
			return fmt.Errorf("store %s: %w", a.Store, stores.ErrWindow)
		case err != nil && err.Error() != trouble:
			trouble = err.Error()
			h.o.Log.Warn("an audit waits for the database", "store", a.Store, "error", err)
		case err == nil && trouble != "":
			trouble = ""
			h.o.Log.Info("the audit goes on", "store", a.Store)
		}
		if err != nil {
			w.had = time.Now() // nobody could say so
		}
		if time.Since(w.had) > h.o.Rescue {
			return errAway(a.Store, s.Hosts)
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(wait):
		}
	}
}

var (
	errDone  = errors.New("nothing waits any more")
	errFails = errors.New("a part of the audit failed")
)

// failsAtMost is how often a part of an audit may fail before the audit ends with what it says:
// often enough for its time to be doubled as often as it may be.
const failsAtMost = mostDoubled + 4

// phase is a phase of an audit that is being handed out.
type phase struct {
	h       *Host
	a       ledger.Audit
	p       fixity.Phase
	windows bool

	last   int64     // the shard that was seen waiting last
	handed time.Time // when it was made sure last that all that waits is handed out
	had    time.Time // when a host had the store last
}

// once hands out what waits and isn't handed out; errDone if nothing waits.
func (w *phase) once(ctx context.Context) error {
	if err := w.h.o.Ledger.View(ctx, func(t *ledger.Tx) error {
		// One is asked for by its number, and not all of them are counted each time.
		if n, err := t.Audits.Waiting(w.a.ID, w.p, w.last); err != nil || n > 0 {
			return err
		}
		var err error
		w.last, err = t.Audits.LastWaiting(w.a.ID, w.p)
		return err
	}); errors.Is(err, fixity.ErrNotFound) {
		return errDone
	} else if err != nil {
		return err
	}
	if time.Since(w.handed) < w.h.o.Look {
		return nil
	}
	having, err := w.h.Having(ctx, w.a.Store)
	if err != nil {
		return err
	}
	if s, _ := w.h.store(w.a.Store); w.h.o.Work != nil && s.On(w.h.o.Name) && w.h.here(ctx, w.a.Store) {
		having = append(having, w.h.o.Name)
	}
	if len(having) > 0 {
		w.had = time.Now()
	}
	if err := w.handOut(ctx, len(having)); err != nil {
		return err
	}
	w.handed = time.Now()
	return nil
}

// handOut makes jobs of what waits and is in no job that lives. It is done in one transaction
// under a lock, so that a shard is in one such job of its phase, whoever hands out.
func (w *phase) handOut(ctx context.Context, hosts int) error {
	tx, err := w.h.pool.Begin(ctx)
	if err != nil {
		return err
	}
	defer tx.Rollback(context.WithoutCancel(ctx)) // no effect after Commit
	if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1, $2)`, handsOut, int32(w.a.ID)); err != nil {
		return err
	}
	live, err := w.live(ctx, tx)
	if err != nil {
		return err
	}
	var ids []int64
	if err := w.h.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) { ids, err = t.Audits.WaitingShards(w.a.ID, w.p); return err }); err != nil {
		return err
	}
	open := map[int64]bool{}
	for _, id := range ids {
		if !live[id] {
			open[id] = true
		}
	}
	if len(open) == 0 {
		return nil
	}
	jobs, err := w.jobs(ctx, open, hosts)
	if err == nil && len(jobs) > 0 {
		_, err = w.h.client.InsertManyTx(ctx, tx, jobs)
	}
	if err != nil {
		return err
	}
	return tx.Commit(ctx)
}

// handsOut and an audit's number are the lock under which its parts are handed out.
const handsOut = int32(0x68616e64) // "hand"

// mostLive is how many jobs of a store are looked at; each has up to a thousand shards.
const mostLive = 10_000

// live are the shards of the phase that are in a job which waits or is being done. The error
// wraps errFails if one failed too often.
func (w *phase) live(ctx context.Context, tx pgx.Tx) (map[int64]bool, error) {
	r, err := w.h.client.JobListTx(ctx, tx, river.NewJobListParams().Kinds(sliceArgs{}.Kind()).Queues(queueOf(w.a.Store)).States(alive...).First(mostLive))
	if err != nil {
		return nil, err
	}
	in := map[int64]bool{}
	for _, j := range r.Jobs {
		var x sliceArgs
		if err := json.Unmarshal(j.EncodedArgs, &x); err != nil {
			return nil, fmt.Errorf("job %d: %w", j.ID, err)
		}
		if x.Audit != w.a.ID || x.Phase != string(w.p) {
			continue
		}
		if n := len(j.Errors); n >= failsAtMost {
			return nil, fmt.Errorf("store %s: %w %d times, the last time: %s", w.a.Store, errFails, n, j.Errors[n-1].Error)
		}
		for _, id := range x.Shards {
			in[id] = true
		}
	}
	return in, nil
}

// jobs cuts shards that wait into jobs, for so many hosts.
func (w *phase) jobs(ctx context.Context, open map[int64]bool, hosts int) ([]river.InsertManyParams, error) {
	var pieces []ledger.Piece
	rate := int64(unknownRate)
	if err := w.h.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if pieces, err = t.Audits.Pieces(w.a.ID, w.p); err != nil {
			return err
		}
		pace, err := t.Clock.Pace(w.a.Store)
		if err == nil && pace.Took > 0 {
			rate = max(int64(float64(pace.Bytes)/pace.Took.Seconds()), 1)
		}
		return err
	}); err != nil {
		return nil, err
	}
	pieces = slices.DeleteFunc(pieces, func(x ledger.Piece) bool { return !open[x.Shard] })
	s, _ := w.h.store(w.a.Store)
	if s.Rate > 0 {
		rate = min(rate, s.Rate)
	}
	takes := func(x ledger.Piece) time.Duration {
		return time.Duration(float64(x.Bytes)/float64(rate)*float64(time.Second)) + time.Duration(x.Files)*fileTakes
	}
	all := time.Duration(0)
	for _, x := range pieces {
		all += takes(x)
	}
	most := jobMost
	if hosts > 1 {
		most = min(max(all/time.Duration(hosts*jobParts), jobLeast), jobMost)
	}
	var out []river.InsertManyParams
	var job sliceArgs
	var long time.Duration
	var longest int64
	end := func() {
		if len(job.Shards) == 0 {
			return
		}
		// A file that is begun just before the minute is over is read to its end, and may be
		// read twice and once more.
		job.Seconds = 3 * float64(longest) / float64(rate)
		out = append(out, river.InsertManyParams{Args: job, InsertOpts: once(queueOf(w.a.Store), later)})
		long, longest = 0, 0
	}
	for _, x := range pieces {
		if len(job.Shards) == 0 || long+takes(x) > most || len(job.Shards) == shardsAJob {
			end()
			job = sliceArgs{Audit: w.a.ID, Phase: string(w.p), First: x.Shard, Store: w.a.Store, Windows: w.windows}
		}
		job.Shards = append(job.Shards, x.Shard)
		if !slices.Contains(job.Sets, x.Set) {
			job.Sets = append(job.Sets, x.Set)
		}
		long, longest = long+takes(x), max(longest, x.Longest)
	}
	end()
	return out, nil
}

// followedWithin is how long is waited for what is read ahead of all others: then it is read
// later.
const followedWithin = 10 * time.Minute

// FollowUp implements archive.Share.
func (h *Host) FollowUp(ctx context.Context, store string, cache fixity.Cache) error {
	until := time.Now().Add(followedWithin)
	for {
		r, err := h.client.Insert(ctx, followArgs{store, string(cache)}, once(queueOf(store), first))
		if err == nil {
			err = h.await(ctx, r.Job.ID, until)
		}
		if err != nil {
			return fmt.Errorf("have store %s read: %w", store, err)
		}
		if !r.UniqueSkippedAsDuplicate {
			return nil
		} // else the one that was handed out before may have begun too early
	}
}

// Compare implements archive.Share. Each host that runs has said which stores it has found; of
// those that can do it the first by its name does.
func (h *Host) Compare(ctx context.Context, finding int64, bad string, good []string) error {
	running, err := h.running(ctx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(running, func(x ledger.Host) bool {
		return slices.Contains(x.Has, bad) && slices.ContainsFunc(good, func(g string) bool { return slices.Contains(x.Has, g) })
	})
	if i < 0 {
		return fmt.Errorf("no host that runs has found both store %s and %s: %w", bad, strings.Join(good, " or "), fixity.ErrAway)
	}
	r, err := h.client.Insert(ctx, compareArgs{finding}, once(queueFor(running[i].Name), first))
	if err == nil {
		err = h.await(ctx, r.Job.ID, time.Now().Add(followedWithin))
	}
	if err != nil {
		return fmt.Errorf("have %s compare them: %w", running[i].Name, err)
	}
	return nil
}

// await waits for the end of a job.
func (h *Host) await(ctx context.Context, job int64, until time.Time) error {
	for time.Now().Before(until) {
		j, err := h.client.JobGet(ctx, job)
		if err != nil {
			return err
		}
		switch j.State {
		case rivertype.JobStateCompleted, rivertype.JobStateCancelled, rivertype.JobStateDiscarded:
			return nil
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(100 * time.Millisecond):
		}
	}
	return fmt.Errorf("%w: what is due at once wasn't read yet", fixity.ErrBusy)
}
