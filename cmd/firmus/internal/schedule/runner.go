package schedule

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Job is one store's turn.
type Job struct {
	Store string
	Plan  Plan
	// Bad is why the plan can't be followed; nil if it can.
	Bad error
	// Run does the work, and ends soon after ctx does.
	Run func(ctx context.Context, f ledger.Firing) Result
}

// Result is what a run has given.
type Result struct {
	Outcome string // one of ledger.FiringOutcomes
	Trouble string // for people
}

// Err is the result as an error, nil if it was done.
func (r Result) Err() error {
	switch r.Outcome {
	case ledger.FiringDone:
		return nil
	case ledger.FiringBusy:
		return fmt.Errorf("%s: %w", r.Trouble, fixity.ErrBusy)
	case ledger.FiringAway:
		return fmt.Errorf("%s: %w", r.Trouble, fixity.ErrAway)
	}
	return errors.New(r.Outcome + ": " + r.Trouble)
}

// Runner follows the plans. Each store has a loop of its own, so that one that
// hangs doesn't stop the others.
type Runner struct {
	Book Book
	Jobs []Job
	Now  func() time.Time
	Log  *slog.Logger
	By   string
	// Quiet is for how long nothing has changed in the stores; nil: for ever.
	Quiet func() time.Duration
	// Ran is told of each run; may be nil.
	Ran func(store string, r Result, took time.Duration)
	// Asked: what is to be done is begun by Turn alone. Run only looks how things stand.
	Asked bool
	// Tick overrides the constant; for tests.
	Tick time.Duration

	mu     sync.Mutex
	at     map[string]bool // stores whose turn it is
	up     time.Time
	states map[string]State
}

// State is how things stand with a store's schedule.
type State struct {
	Store   string
	Next    time.Time // zero: never
	LastRun time.Time // begun last
	LastOK  time.Time // done last
	Outcome string    // of the newest
	Missed  int64     // times that nobody kept, made up by the newest run
	Running bool
	Waits   string // for what, if it isn't just the next time
	Trouble string // why the schedule can't be followed
	Beat    time.Time
}

// tick is how long a loop sleeps at most: a computer that was asleep, or a clock
// that was set, is noticed within it.
const tick = time.Minute

// StopWithin is how long Run waits for its loops after its context has ended. One
// that is stuck in the system is left behind.
const StopWithin = 7 * time.Second

// Run follows the plans until ctx ends.
func (r *Runner) Run(ctx context.Context) { r.Begin(ctx)() }

// Begin follows the plans until ctx ends, and counts as alive from now on. What it returns
// waits for the end.
func (r *Runner) Begin(ctx context.Context) (wait func()) {
	r.mu.Lock()
	r.up = r.Now()
	r.states = map[string]State{}
	r.mu.Unlock()
	var wg sync.WaitGroup
	for _, j := range r.Jobs {
		r.note(j.Store, func(s *State) {
			if j.Bad != nil {
				s.Trouble = j.Bad.Error()
			}
		})
		if j.Bad != nil {
			r.Log.Error("this store's schedule can't be followed", "store", j.Store, "error", j.Bad)
			continue
		}
		wg.Go(func() { r.loop(ctx, j) })
	}
	return func() {
		ended := make(chan struct{})
		go func() { wg.Wait(); close(ended) }()
		<-ctx.Done()
		select {
		case <-ended:
		case <-time.After(StopWithin):
			r.Log.Warn("a store doesn't answer; stopped without waiting for it")
		}
	}
}

// States are how things stand, in the order of the jobs.
func (r *Runner) States() []State {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []State
	for _, j := range r.Jobs {
		if s, ok := r.states[j.Store]; ok {
			out = append(out, s)
		}
	}
	return out
}

// Alive says that every loop has come round lately or works. It names one that hasn't.
func (r *Runner) Alive() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.states == nil {
		return errors.New("the schedule isn't running")
	}
	for _, j := range r.Jobs {
		if s := r.states[j.Store]; j.Bad == nil && !s.Running && r.Now().Sub(s.Beat) > 5*r.tick() && r.Now().Sub(r.up) > 5*r.tick() {
			return fmt.Errorf("the schedule of store %s has not come round since %s", j.Store, s.Beat.UTC().Format(time.RFC3339))
		}
	}
	return nil
}

func (r *Runner) tick() time.Duration {
	if r.Tick > 0 {
		return r.Tick
	}
	return tick
}

func (r *Runner) note(store string, change func(*State)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.states[store]
	s.Store = store
	change(&s)
	r.states[store] = s
}

func (r *Runner) loop(ctx context.Context, j Job) {
	for ctx.Err() == nil {
		wait := r.once(ctx, j, !r.Asked)
		select {
		case <-ctx.Done():
		case <-time.After(min(wait, r.tick())):
		}
	}
}

// Wants names the stores for which something is to be done now; none if that can't be told.
func (r *Runner) Wants(ctx context.Context) (stores []string) {
	for _, j := range r.Jobs {
		if j.Bad != nil {
			continue
		}
		if last, _, err := r.Book.Last(ctx, j.Store); err == nil || never(err) {
			if j.Plan.Step(r.moment(last, err)).Do != Wait {
				stores = append(stores, j.Store)
			}
		}
	}
	return stores
}

// Turn does what is to be done for a store, and returns when that has ended. While another one
// does it, it does nothing.
func (r *Runner) Turn(ctx context.Context, store string) {
	for _, j := range r.Jobs {
		if j.Store != store || j.Bad != nil {
			continue
		}
		r.mu.Lock()
		ready, busy := r.states != nil, r.at[store]
		if ready && !busy {
			if r.at == nil {
				r.at = map[string]bool{}
			}
			r.at[store] = true
		}
		r.mu.Unlock()
		if !ready || busy {
			return
		}
		r.once(ctx, j, true)
		r.mu.Lock()
		delete(r.at, store)
		r.mu.Unlock()
	}
}

func (r *Runner) moment(last ledger.Firing, err error) Moment {
	r.mu.Lock()
	up := r.up
	r.mu.Unlock()
	m := Moment{Now: r.Now(), Up: up, Quiet: Idle, Last: last, Never: never(err)}
	if r.Quiet != nil {
		m.Quiet = r.Quiet()
	}
	return m
}

// once decides, does what is to be done if it may, and says how long to wait then.
func (r *Runner) once(ctx context.Context, j Job, may bool) time.Duration {
	last, done, err := r.Book.Last(ctx, j.Store)
	if err != nil && !never(err) {
		return r.troubled(ctx, j, err)
	}
	m := r.moment(last, err)
	step := j.Plan.Step(m)
	waited := ""
	r.note(j.Store, func(s *State) {
		waited = s.Waits
		s.Beat, s.LastRun, s.LastOK, s.Outcome, s.Missed = m.Now, last.Tried, done, last.Outcome, last.Missed
		s.Waits, s.Next = step.Why, j.Plan.Times.Next(m.Now)
		if step.Do == Wait && step.Until.Before(s.Next) {
			s.Next = step.Until
		}
	})
	if step.Why != "" && step.Why != waited {
		r.Log.Info("an audit waits", "store", j.Store, "why", step.Why, "until", step.Until.UTC())
	}
	if !may && step.Do != Wait {
		r.untroubled(j)
		return tick
	}
	switch step.Do {
	case Begin:
		f := ledger.Firing{Store: j.Store, Due: m.Now, By: r.By}
		var won bool
		if f, won, err = r.Book.Take(ctx, f, false); err == nil && won {
			err = r.Book.End(ctx, f, ledger.FiringBegun, "")
		}
	case Run:
		f := ledger.Firing{Store: j.Store, Due: step.Due, Missed: step.Missed, By: r.By}
		if last.Ended.IsZero() {
			err = r.Book.End(ctx, last, ledger.FiringUnfinished, "a later time has come")
		}
		if err == nil {
			err = r.take(ctx, j, f, false)
		}
	case Again:
		err = r.take(ctx, j, last, true)
	default:
		r.untroubled(j)
		return step.Until.Sub(m.Now)
	}
	if err != nil {
		return r.troubled(ctx, j, err)
	}
	r.untroubled(j)
	return time.Second // somebody else may be just beginning the same
}

func (r *Runner) take(ctx context.Context, j Job, f ledger.Firing, again bool) error {
	f, won, err := r.Book.Take(ctx, f, again)
	if err != nil || !won {
		return err
	}
	began := r.Now()
	late := began.Sub(f.Due)
	r.Log.Info("audit begins", "store", j.Store, "due", f.Due.UTC(), "makes_up", f.Missed, "late", late.Round(time.Second), "again", again)
	r.note(j.Store, func(s *State) { s.Running, s.LastRun, s.Waits = true, began, "" })
	res := j.Run(ctx, f)
	if cause := context.Cause(ctx); cause != nil {
		res = Result{ledger.FiringStopped, cause.Error()}
	}
	took := r.Now().Sub(began)
	r.note(j.Store, func(s *State) { s.Running, s.Beat = false, r.Now() })
	level := slog.LevelInfo
	if res.Outcome != ledger.FiringDone && res.Outcome != ledger.FiringStopped {
		level = slog.LevelWarn
	}
	r.Log.Log(context.WithoutCancel(ctx), level, "audit ended", "store", j.Store, "outcome", res.Outcome, "took", took.Round(time.Millisecond), "trouble", res.Trouble)
	if r.Ran != nil {
		r.Ran(j.Store, res, took)
	}
	keep, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	return r.Book.End(keep, f, res.Outcome, res.Trouble)
}

// troubled says that the schedule can't be followed just now.
func (r *Runner) troubled(ctx context.Context, j Job, err error) time.Duration {
	if ctx.Err() != nil {
		return tick
	}
	text := err.Error()
	said := false
	r.note(j.Store, func(s *State) { said, s.Trouble, s.Beat = s.Trouble == text, text, r.Now() })
	if !said {
		r.Log.Error("the schedule can't be followed just now; tried again each minute", "store", j.Store, "error", err)
	}
	return tick
}

func (r *Runner) untroubled(j Job) {
	was := ""
	r.note(j.Store, func(s *State) { was, s.Trouble = s.Trouble, "" })
	if was != "" {
		r.Log.Info("the schedule is followed again", "store", j.Store)
	}
}
