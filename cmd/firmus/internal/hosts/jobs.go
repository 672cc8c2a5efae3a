package hosts

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/fixity/ledger"
)

// unlimited is how often a job may be tried: what can't be done now can be later.
const unlimited = math.MaxInt16

// Priorities: what was found not to be as it should be is looked into first.
const (
	first = 1
	later = 2
)

// Kinds of jobs. Stored in River's tables: never change one.
type (
	// sliceArgs is a part of an audit. Each shard is in one that lives (phase.handOut); two with
	// the same first one are refused by the table itself.
	sliceArgs struct {
		Audit   int64    `json:"audit" river:"unique"`
		Phase   string   `json:"phase" river:"unique"`
		First   int64    `json:"first" river:"unique"`
		Shards  []int64  `json:"shards"`
		Store   string   `json:"store"`
		Sets    []string `json:"sets"`
		Windows bool     `json:"windows"`
		Seconds float64  `json:"seconds"` // that its largest file may take, besides Slice and Grace
	}
	followArgs struct {
		Store string `json:"store" river:"unique"`
		Cache string `json:"cache"`
	}
	// turnArgs has a host that reaches a store do what the clock asks for there.
	turnArgs struct {
		Store string `json:"store" river:"unique"`
	}
	// compareArgs has a host compare a finding's copy with an intact one.
	compareArgs struct {
		Finding int64 `json:"finding" river:"unique"`
	}
	clockArgs struct{}
	choreArgs struct {
		Name string `json:"name" river:"unique"`
	}
)

func (sliceArgs) Kind() string   { return "slice" }
func (followArgs) Kind() string  { return "follow-up" }
func (compareArgs) Kind() string { return "compare" }
func (turnArgs) Kind() string    { return "turn" }
func (clockArgs) Kind() string   { return "clock" }
func (choreArgs) Kind() string   { return "chore" }

// once is a job that isn't handed out again while it waits or is being done.
func once(queue string, priority int) *river.InsertOpts {
	return &river.InsertOpts{Queue: queue, Priority: priority, MaxAttempts: unlimited, UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: alive}}
}

// alive are the states of jobs that wait or are being done.
var alive = []rivertype.JobState{rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRunning, rivertype.JobStateRetryable, rivertype.JobStateScheduled}

const clockQueue = "clock"

var plainName = expr.Once(`^[a-z0-9]+([-_][a-z0-9]+)*$`)

// queueOf is the queue of a store's jobs, queueFor that of jobs for one host, choreQueue that of a
// chore.
func queueOf(store string) string   { return queueName("store", store) }
func queueFor(host string) string   { return queueName("host", host) }
func choreQueue(name string) string { return queueName("chore", name) }

// queueName is a queue's name. River's names are narrower than ours.
func queueName(of, name string) string {
	if plainName().MatchString(name) {
		return of + "-" + name
	}
	f := fnv.New64a()
	_, _ = f.Write([]byte(name)) // never fails
	return fmt.Sprintf("%s-x%x", of, f.Sum64())
}

// setUp registers what this host does. All hosts know all kinds: a leader gives up jobs of
// kinds that it doesn't know.
func (h *Host) setUp(c *river.Config) {
	c.Workers = river.NewWorkers()
	river.AddWorker(c.Workers, &sliceWorker{h: h})
	river.AddWorker(c.Workers, &followWorker{h: h})
	river.AddWorker(c.Workers, &turnWorker{h: h})
	river.AddWorker(c.Workers, &clockWorker{h: h})
	river.AddWorker(c.Workers, &choreWorker{h: h})
	river.AddWorker(c.Workers, &compareWorker{h: h})
	c.Queues = map[string]river.QueueConfig{clockQueue: {MaxWorkers: 1}, queueFor(h.o.Name): {MaxWorkers: 1}}
	for _, s := range h.o.Stores {
		if s.On(h.o.Name) {
			c.Queues[queueOf(s.Name)] = river.QueueConfig{MaxWorkers: 1} // its drive has one reader
			h.takes[queueOf(s.Name)] = true
		}
	}
	c.PeriodicJobs = append(c.PeriodicJobs, river.NewPeriodicJob(river.PeriodicInterval(h.o.Beat), func() (river.JobArgs, *river.InsertOpts) {
		return clockArgs{}, once(clockQueue, first)
	}, &river.PeriodicJobOpts{RunOnStart: true}))
	for _, x := range h.o.Work.Chores {
		if x.can() == nil {
			c.Queues[choreQueue(x.Name)] = river.QueueConfig{MaxWorkers: 1}
			h.takes[choreQueue(x.Name)] = true
		}
		if x.Every == 0 {
			continue
		}
		c.PeriodicJobs = append(c.PeriodicJobs, river.NewPeriodicJob(river.PeriodicInterval(x.Every), func() (river.JobArgs, *river.InsertOpts) {
			return choreArgs{x.Name}, once(choreQueue(x.Name), first)
		}, &river.PeriodicJobOpts{RunOnStart: true}))
	}
	c.RetryPolicy = soon{h.o.Retry}
}

// soon has what failed tried again after a while that is always the same.
type soon struct{ after time.Duration }

// NextRetry implements river.ClientRetryPolicy.
func (s soon) NextRetry(*rivertype.JobRow) time.Time { return time.Now().Add(s.after) }

// After so long a job is tried again that another use of the store, or its absence, kept
// from being done.
const (
	busyAgain = 2 * time.Second
	awayAgain = 15 * time.Second
)

// choose takes those chores that this host can do now, and work on those stores that it finds or that
// no other host has; the rest it leaves to others. A host that takes a part and can't do it holds it up.
func (h *Host) choose(ctx context.Context) error {
	if h.o.Work == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, answersWithin)
	defer cancel()
	for _, x := range h.o.Work.Chores {
		why := x.can()
		changed, err := h.take(ctx, choreQueue(x.Name), why == nil)
		if err != nil {
			return fmt.Errorf("chore %s: %w", x.Name, err)
		}
		if changed && why != nil {
			h.o.Log.Warn("a chore is left to other hosts", "chore", x.Name, "why", why)
		}
	}
	h.mu.Lock()
	has := h.has
	h.mu.Unlock()
	for _, s := range h.o.Stores {
		if !s.On(h.o.Name) {
			continue
		}
		here := slices.Contains(has, s.Name)
		if !here {
			others, err := h.Having(ctx, s.Name)
			if err != nil {
				return err
			}
			here = len(others) == 0
		}
		changed, err := h.take(ctx, queueOf(s.Name), here)
		if err != nil {
			return fmt.Errorf("store %s: %w", s.Name, err)
		}
		if changed && !here {
			h.o.Log.Warn("a store that isn't found here is left to other hosts", "store", s.Name)
		}
	}
	return nil
}

// endsWithin is how long is waited for the end of a job when no more of its queue are taken.
const endsWithin = time.Second

// take begins or ends to take the jobs of a queue. changed: it hadn't, or had. One that can't be
// ended in time takes no more, and has to be ended once more before it can begin again.
func (h *Host) take(ctx context.Context, queue string, want bool) (changed bool, err error) {
	if h.takes[queue] == want && !h.ends[queue] {
		return false, nil
	}
	if h.takes[queue] {
		h.ends[queue] = true
		in, cancel := context.WithTimeout(ctx, endsWithin)
		defer cancel()
		if err := h.client.Queues().Remove(in, queue); err != nil {
			if ctx.Err() == nil && in.Err() != nil {
				return false, nil // what is being done comes to its end first
			}
			return false, err
		}
		delete(h.ends, queue)
		h.takes[queue] = false
	}
	if want {
		if err := h.client.Queues().Add(queue, river.QueueConfig{MaxWorkers: 1}); err != nil {
			return false, err
		}
		h.takes[queue] = true
	}
	return true, nil
}

// about is by chance up to a half more or less, so that it isn't always the same host that takes
// a job which it can't do.
func about(d time.Duration) time.Duration { return d/2 + rand.N(d) }

// outcome is how a job ends that gave an error, or none.
func (h *Host) outcome(ctx context.Context, err error) error {
	switch {
	case err == nil, errors.Is(err, fixity.ErrNotFound):
		return nil // what it was for is over
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		h.o.Log.Warn("a job takes longer than was thought; it gets longer", "error", err)
		return err // counts as a try
	case ctx.Err() != nil && !errors.Is(context.Cause(ctx), fixity.ErrBusy):
		return river.JobSnooze(0) // given back: the host stops
	case errors.Is(err, ledger.ErrClock):
		select {
		case h.clockWrong <- struct{}{}:
		default:
		}
		return river.JobSnooze(about(busyAgain))
	case errors.Is(err, fixity.ErrLost), errors.Is(err, stores.ErrGivesWay):
		return river.JobSnooze(time.Second)
	case errors.Is(err, fixity.ErrBusy):
		return river.JobSnooze(about(busyAgain))
	case errors.Is(err, stores.ErrWindow):
		return river.JobSnooze(about(time.Minute))
	case errors.Is(err, fixity.ErrAway):
		return river.JobSnooze(about(awayAgain))
	}
	h.o.Log.Warn("a job failed; tried again", "error", err)
	return err
}

type sliceWorker struct {
	river.WorkerDefaults[sliceArgs]
	h *Host
}

// mostDoubled is how often a job's time is doubled at most.
const mostDoubled = 8

// may is how long a job may take: as long as this host reads in one, and its largest file; at each
// try that failed twice as long, since what it was thought to take may be wrong.
func (w *sliceWorker) may(j *river.Job[sliceArgs]) time.Duration {
	return (w.h.o.Slice + w.h.o.Grace + time.Duration(j.Args.Seconds*float64(time.Second))) << max(min(j.Attempt-1, mostDoubled), 0)
}

// Timeout is when River may take the job for stuck, and hand it out anew.
func (w *sliceWorker) Timeout(j *river.Job[sliceArgs]) time.Duration { return w.may(j) + w.h.o.Rescue }

// Work implements river.Worker.
func (w *sliceWorker) Work(ctx context.Context, j *river.Job[sliceArgs]) error {
	h, a := w.h, j.Args
	if open, err := h.open(ctx, a); err != nil || !open {
		return h.outcome(ctx, err)
	}
	kept, known, free, err := h.place(ctx, a.Store)
	if err != nil {
		return h.outcome(kept, err)
	}
	defer free()
	limit, cancel := context.WithTimeoutCause(kept, w.may(j), errLong)
	defer cancel()
	of := h.meter(limit, a.Store, fixity.Phase(a.Phase), known)
	began, files := time.Now(), 0
	left, err := h.o.Work.Slice(limit, acts.Part{Audit: a.Audit, Store: a.Store, Sets: a.Sets, Shards: a.Shards, Phase: fixity.Phase(a.Phase)}, a.Windows, func(int64) bool {
		files++
		if files > 1 && time.Since(began) >= h.o.Slice {
			return true
		}
		of.files.Add(1)
		return false
	})
	of.end(limit, err)
	if err == nil && left > 0 {
		return river.JobSnooze(0)
	}
	return h.outcome(limit, err)
}

// open says that the audit is in the phase for which the job was handed out, and some of its
// shards, too.
func (h *Host) open(ctx context.Context, a sliceArgs) (open bool, err error) {
	err = h.o.Ledger.View(ctx, func(t *ledger.Tx) error {
		n, err := t.Audits.Waiting(a.Audit, fixity.Phase(a.Phase), a.Shards...)
		if err != nil || n == 0 {
			return err
		}
		now, err := t.Audits.Get(a.Audit)
		open = err == nil && now.Phase == fixity.Phase(a.Phase)
		return err
	})
	return open, err
}

// hold takes a lock of the hosts' at once, or gives fixity.ErrBusy. The context ends if the
// lock is lost.
func (h *Host) hold(ctx context.Context, name string) (_ context.Context, free func(), err error) {
	free, still, err := h.o.Ledger.HoldOwn(ctx, name, h.who(), 0, h.o.Now)
	if err != nil {
		return ctx, nil, err
	}
	ctx, free = h.o.Ledger.While(ctx, free, still)
	return ctx, free, nil
}

type followWorker struct {
	river.WorkerDefaults[followArgs]
	h *Host
}

// Timeout is an hour: what is due ahead of others is a file's other copies.
func (w *followWorker) Timeout(*river.Job[followArgs]) time.Duration { return time.Hour }

// Work implements river.Worker.
func (w *followWorker) Work(ctx context.Context, j *river.Job[followArgs]) error {
	return w.h.outcome(ctx, w.h.o.Work.FollowUp(ctx, j.Args.Store, fixity.Cache(j.Args.Cache)))
}

type compareWorker struct {
	river.WorkerDefaults[compareArgs]
	h *Host
}

// Timeout is an hour: two files are read.
func (w *compareWorker) Timeout(*river.Job[compareArgs]) time.Duration { return time.Hour }

// Work implements river.Worker. What can't be compared isn't tried again: what the block sums
// said stands, and the next audit asks anew.
func (w *compareWorker) Work(ctx context.Context, j *river.Job[compareArgs]) error {
	err := w.h.o.Work.Compare(ctx, j.Args.Finding)
	if err == nil || errors.Is(err, fixity.ErrBusy) || ctx.Err() != nil {
		return w.h.outcome(ctx, err)
	}
	w.h.o.Log.Warn("a damaged copy could not be compared with an intact one", "finding", j.Args.Finding, "error", err)
	return nil
}

type turnWorker struct {
	river.WorkerDefaults[turnArgs]
	h *Host
}

// Work implements river.Worker. A host that doesn't find the store leaves its turn to one that
// does.
func (w *turnWorker) Work(ctx context.Context, j *river.Job[turnArgs]) error {
	others, err := w.h.Having(ctx, j.Args.Store)
	if err != nil {
		return w.h.outcome(ctx, err)
	}
	if len(others) > 0 && !w.h.here(ctx, j.Args.Store) {
		return river.JobSnooze(about(busyAgain))
	}
	free, err := w.h.o.Ledger.LockOwn(ctx, turnLock(j.Args.Store), w.h.who(), 0, w.h.o.Now)
	if errors.Is(err, fixity.ErrBusy) {
		return nil // it is being done
	}
	if err != nil {
		return w.h.outcome(ctx, err)
	}
	w.h.o.Work.Turn(j.Args.Store, free)
	return nil
}

// turnLock is held by who does what the clock asked for in a store, also after the audit has
// ended: what follows takes its time.
func turnLock(store string) string { return "turn-" + store }

type clockWorker struct {
	river.WorkerDefaults[clockArgs]
	h *Host
}

// Work implements river.Worker.
func (w *clockWorker) Work(ctx context.Context, _ *river.Job[clockArgs]) error {
	for _, s := range w.h.o.Work.Wants(ctx) {
		held, _, err := w.h.o.Ledger.HeldOwn(ctx, turnLock(s))
		if err == nil && !held {
			held, _, err = w.h.o.Ledger.HeldOwn(ctx, acts.AuditLock(s)) // a person's
		}
		if err != nil {
			return w.h.outcome(ctx, err)
		}
		if held {
			continue // a host is at it
		}
		if _, err := w.h.client.Insert(ctx, turnArgs{s}, once(queueOf(s), first)); err != nil {
			return w.h.outcome(ctx, err)
		}
	}
	return nil
}

type choreWorker struct {
	river.WorkerDefaults[choreArgs]
	h *Host
}

// Work implements river.Worker. It begins the chore and doesn't wait for its end, so that a
// host that dies blocks it for a minute and not for longer: what it held dies with it.
func (w *choreWorker) Work(ctx context.Context, j *river.Job[choreArgs]) error {
	h := w.h
	i := slices.IndexFunc(h.o.Work.Chores, func(x Chore) bool { return x.Name == j.Args.Name && x.Do != nil })
	if i < 0 {
		return river.JobSnooze(about(awayAgain)) // another version's
	}
	x := h.o.Work.Chores[i]
	free, still, err := h.o.Ledger.HoldOwn(ctx, "chore-"+x.Name, h.who(), 0, h.o.Now)
	if errors.Is(err, fixity.ErrBusy) {
		return nil // it is being done
	}
	if err != nil {
		return h.outcome(ctx, err)
	}
	h.spawn(func(ctx context.Context) {
		ctx, free := h.o.Ledger.While(ctx, free, still)
		defer free()
		if err := x.Do(ctx); err != nil && !errors.Is(err, fixity.ErrBusy) && ctx.Err() == nil {
			h.o.Log.Error("a chore that one host does for all failed; tried again", "chore", x.Name, "error", err)
		}
	})
	return nil
}
