package hosts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A job has shards that take so long together, or so many, unless one alone takes longer: of
// thousands of small folders each would cost more to hand out than to read. An audit is cut
// into so many parts that several hosts get about as much.
const (
	jobLeast   = time.Second
	jobMost    = time.Minute
	jobParts   = 12
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
	jobs, err := h.jobsOf(ctx, a, p, windows)
	if err != nil || len(jobs) == 0 {
		return err
	}
	var handed, had time.Time // when all jobs were handed out last, and when a host had the store
	had = time.Now()
	s, _ := h.store(a.Store)
	trouble := ""
	for wait := 20 * time.Millisecond; ; wait = min(2*wait, 200*time.Millisecond) {
		err := h.workOnce(ctx, a, p, jobs, &handed, &had)
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
			had = time.Now() // nobody could say so
		}
		if time.Since(had) > h.o.Rescue {
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

func (h *Host) workOnce(ctx context.Context, a ledger.Audit, p fixity.Phase, jobs []river.InsertManyParams, handed, had *time.Time) error {
	var waiting int64
	if err := h.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) { waiting, err = t.Audits.Waiting(a.ID, p); return err }); err != nil {
		return err
	}
	if waiting == 0 {
		return errDone
	}
	if time.Since(*handed) < h.o.Look {
		return nil
	}
	// What waits, or is being done, isn't handed out twice; what was lost is handed out anew.
	var ids []int64
	if err := h.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) { ids, err = t.Audits.WaitingShards(a.ID, p); return err }); err != nil {
		return err
	}
	waits := map[int64]bool{}
	for _, id := range ids {
		waits[id] = true
	}
	var open []river.InsertManyParams
	for _, j := range jobs {
		if slices.ContainsFunc(j.Args.(sliceArgs).Shards, func(id int64) bool { return waits[id] }) {
			open = append(open, j)
		}
	}
	if len(open) > 0 {
		rs, err := h.client.InsertMany(ctx, open)
		if err != nil {
			return err
		}
		for _, r := range rs {
			if n := len(r.Job.Errors); n >= failsAtMost {
				return fmt.Errorf("store %s: %w %d times, the last time: %s", a.Store, errFails, n, r.Job.Errors[n-1].Error)
			}
		}
	}
	*handed = time.Now()
	others, err := h.Having(ctx, a.Store)
	if err != nil {
		return err
	}
	if s, _ := h.store(a.Store); len(others) > 0 || h.o.Work != nil && s.On(h.o.Name) && h.here(ctx, a.Store) {
		*had = time.Now()
	}
	return nil
}

// jobsOf cuts what waits into jobs.
func (h *Host) jobsOf(ctx context.Context, a ledger.Audit, p fixity.Phase, windows bool) ([]river.InsertManyParams, error) {
	var pieces []ledger.Piece
	rate := int64(unknownRate)
	if err := h.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if pieces, err = t.Audits.Pieces(a.ID, p); err != nil {
			return err
		}
		pace, err := t.Clock.Pace(a.Store)
		if err == nil && pace.Took > 0 {
			rate = max(int64(float64(pace.Bytes)/pace.Took.Seconds()), 1)
		}
		return err
	}); err != nil {
		return nil, err
	}
	s, _ := h.store(a.Store)
	if s.Rate > 0 {
		rate = min(rate, s.Rate)
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
		job.Seconds = (h.o.Slice + h.o.Grace).Seconds() + 3*float64(longest)/float64(rate)
		out = append(out, river.InsertManyParams{Args: job, InsertOpts: once(queueOf(a.Store), later)})
		long, longest = 0, 0
	}
	takes := func(x ledger.Piece) time.Duration {
		return time.Duration(float64(x.Bytes)/float64(rate)*float64(time.Second)) + time.Duration(x.Files)*fileTakes
	}
	all := time.Duration(0)
	for _, x := range pieces {
		all += takes(x)
	}
	most := min(max(all/jobParts, jobLeast), jobMost)
	for _, x := range pieces {
		if len(job.Shards) == 0 || long+takes(x) > most || len(job.Shards) == shardsAJob {
			end()
			job = sliceArgs{Audit: a.ID, Phase: string(p), First: x.Shard, Store: a.Store, Windows: windows}
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
