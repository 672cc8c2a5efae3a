package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"path/filepath"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/cmd/firmus/internal/watch"
	"firmus/cmd/firmus/internal/web"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// parts is the daemon under one configuration.
type parts struct {
	d *Daemon
	a *App
	// configured is the configuration with the stores that the ledger says are retired.
	configured *config.Config
	log        *slog.Logger
	runner     *schedule.Runner
	watcher    *watch.Watcher
	desk       *watch.Desk
	letters    *letters.Letters // nil: none are sent
	odd        oddClock
	metrics    *metrics.Metrics
	handler    http.Handler
	site       *site.Site
	closed     func(time.Time) bool
	survey     survey
	visits     visits
	joined     bool // it is one of the hosts that share the ledger

	ctx    context.Context
	cancel context.CancelFunc
	mu     sync.Mutex // of wg, ended and here
	wg     sync.WaitGroup
	ended  bool
	here   []string // the stores that were found last, where hosts share the ledger
	others []string // what was said of stores that other hosts have
}

func (s *parts) now() time.Time {
	if s.d.o.Now != nil {
		return s.d.o.Now()
	}
	return time.Now()
}

// spawn begins something that stop waits for, unless it has begun to.
func (s *parts) spawn(do func()) (begun bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.ended {
		s.wg.Go(do)
	}
	return !s.ended
}

// prepare opens and checks everything that the parts need, and begins nothing.
func prepare(ctx context.Context, d *Daemon, cfg *config.Config) (*parts, error) {
	s := &parts{d: d, log: d.o.Log, configured: cfg}
	begun, err := ledger.Begun(ctx, ledger.Options{Path: filepath.Join(cfg.State, "ledger.db"), URL: cfg.Ledger.URL, State: cfg.State})
	if err != nil {
		return nil, err
	}
	// A daemon that had a ledger makes no other, whatever has become of it.
	s.a, err = Open(ctx, Options{Works: s.works(cfg), Version: VersionOf(d.o.Build), Times: d.o.Shared, Config: cfg, Now: d.o.Now, By: d.o.By, MustExist: d.had.Load(), Say: func(f string, args ...any) { s.log.Info("note", "text", fmt.Sprintf(f, args...)) }})
	if (errors.Is(err, fixity.ErrNotFound) || backups.IsLost(err)) && d.had.Load() {
		err = fmt.Errorf("%w: nothing lies at %s: %w", ledger.ErrGone, cfg.State, err)
	}
	if err != nil {
		return nil, err
	}
	s.a.Acts.Turns.Lasting = true
	if !begun {
		s.log.Warn("there was no ledger: a new one was begun, and nothing is under care. If there was one before, stop the daemon and look at the state folder", "ledger", s.a.Ledger.Where())
	}
	if d.o.Opened != nil {
		d.o.Opened(s.a)
	}
	if err := needsOf(s.a.Config).Check(ctx, s.a.Ledger); err != nil {
		s.a.Close()
		return nil, err
	}
	if err := s.wire(); err != nil {
		s.a.Close()
		return nil, err
	}
	return s, nil
}

func (s *parts) wire() error {
	cfg := s.a.Config
	var spans [][2]string
	for _, x := range cfg.Closed {
		spans = append(spans, [2]string{x.First, x.Last})
	}
	s.closed = schedule.Days(spans)
	s.runner = &schedule.Runner{
		Book: clocked{schedule.InLedger{Ledger: s.a.Ledger, Job: ledger.FiringAudit, Now: s.now}, s}, Now: s.now, Log: s.log, By: s.d.o.By,
		Jobs: s.jobs(), Tick: s.d.o.Beat, Asked: s.a.Host != nil,
		Quiet: func() time.Duration { return s.watcher.Quiet() },
		Ran: func(store string, r schedule.Result, took time.Duration) {
			s.metrics.AuditEnded(store, r.Outcome, took)
			s.survey.again(store)
		},
	}
	s.watcher = &watch.Watcher{Roots: s.roots(), Now: s.now, NoTelling: s.d.o.Listed, Event: func(e watch.Event) { s.metrics.Noticed(e.Store); s.desk.Event(e) },
		Said: func(r watch.Root, told bool, why string) {
			if told && why == "" {
				s.log.Info("watched", "store", r.Store, "set", r.Set)
				return
			}
			s.log.Warn("listed every ten minutes instead of watched", "store", r.Store, "set", r.Set, "why", why)
		}}
	s.desk = s.newDesk()
	var err error
	if s.letters, err = s.a.Letters(s.letterOptions); errors.Is(err, fixity.ErrNotFound) {
		s.letters = nil
	} else if err != nil {
		return err
	}
	var stores []string
	for _, x := range cfg.Stores {
		stores = append(stores, x.Name)
	}
	var shown http.Handler
	if s.metrics, shown, err = metrics.Serve(s.d.o.Build, stores, ledger.FiringOutcomes, s.facts); err != nil {
		return err
	}
	mux := http.NewServeMux()
	web.Health(mux, func() error { return s.runner.Alive() }, s.ready)
	mux.Handle("GET /metrics", web.Here(shown))
	if s.site, err = s.pages(); err != nil {
		return err
	}
	mux.Handle("/", s.site)
	s.handler = mux
	return nil
}

// ready says that the ledger is open and the schedule runs.
func (s *parts) ready(ctx context.Context) error {
	if s.ctx == nil || s.ctx.Err() != nil {
		return errors.New("stopping")
	}
	if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) error { _, err := t.Log.Count(); return err }); err != nil {
		if errors.Is(err, ledger.ErrGone) {
			return err
		}
		return fmt.Errorf("the ledger doesn't answer: %w", err)
	}
	if s.survey.unwritable() {
		return errors.New("the ledger can't be written to")
	}
	if err := s.rightClock(ctx); err != nil {
		return err
	}
	if s.a.Host != nil {
		if err := s.a.Host.Idle(); err != nil {
			return fmt.Errorf("this host takes no work: %w", err)
		}
	}
	return s.runner.Alive()
}

// start begins everything.
func (s *parts) start() {
	s.ctx, s.cancel = context.WithCancel(context.Background())
	s.spawn(s.runner.Begin(s.ctx))
	s.workShared()
	s.spawn(func() { s.watcher.Run(s.ctx) })
	s.spawn(func() { s.desk.Run(s.ctx) })
	s.spawn(func() { watch.Visits(s.ctx, cmp.Or(s.d.o.Look, watch.LookEvery), s.visitors(), s.came, s.left) })
	s.spawn(func() { s.survey.run(s) })
	s.spawn(s.followRecord)
	s.spawn(s.guardLedger)
	s.spawn(s.checkRecord)
	s.spawn(s.drawDiscs)
	s.spawn(s.followRegister)
	s.spawn(func() { s.site.Warm(s.ctx) })
	s.watchDrives()
	for _, st := range s.a.Config.Stores {
		if st.Kind == config.Cloud && s.a.Acts.Reaches(st.Name) {
			s.spawn(func() { s.followChanges(st) })
		}
	}
	if s.letters == nil {
		s.log.Warn("no letters are sent: the configuration has no [mail]")
	}
}

// pause waits, or until the parts stop.
func (s *parts) pause(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-s.ctx.Done():
	}
}

// stopWithin is how long the parts may take to stop. What hangs in the system then
// is left behind: what it has done is in the ledger.
const stopWithin = 8 * time.Second

// stop ends everything, and closes the ledger once nothing uses it: requests wait for the parts
// that come next.
func (s *parts) stop() {
	answered := s.d.web.Hold()
	s.mu.Lock()
	s.ended = true
	s.mu.Unlock()
	s.cancel()
	done := make(chan struct{})
	go func() {
		if s.a.Host != nil {
			s.a.Host.Stop()
		}
		s.wg.Wait()
		answered()
		close(done)
	}()
	select {
	case <-done:
	case <-time.After(stopWithin):
		s.log.Warn("something doesn't answer; stopped without waiting for it")
	}
	if err := s.a.Close(); err != nil {
		s.log.Warn("the ledger was not closed cleanly", "error", err)
	}
}

// jobs are the stores' turns.
func (s *parts) jobs() []schedule.Job {
	var out []schedule.Job
	for _, st := range s.a.Config.Stores {
		if st.Schedule == "" {
			continue // discs are put in by hand
		}
		times, err := schedule.Parse(st.Schedule, time.Local)
		out = append(out, schedule.Job{Store: st.Name, Bad: err, Plan: planOf(st, times, s.closed),
			Run: func(ctx context.Context, _ ledger.Firing) schedule.Result {
				r := acts.Of(s.acts(true, false)).Turn(ctx, st.Name, false)
				if r.Outcome == ledger.FiringDone {
					s.drill(ctx, st.Name, true)
				}
				return r
			}})
	}
	return out
}

// drill brings some files of a store back as a proof, where that was asked for and is due.
// What can't be done now is tried after the next audit.
func (s *parts) drill(ctx context.Context, store string, windows bool) {
	d, done, err := recovering.Of(s.acts(windows, false)).DrillIfDue(ctx, store)
	switch {
	case err != nil && ctx.Err() == nil:
		s.log.Warn("files could not be brought back as a proof; tried again after the next audit", "store", store, "error", err)
	case done && d.Away != "":
		s.log.Info("no files were brought back as a proof; tried again after the next audit", "store", store, "why", d.Away)
	case done:
		s.log.Info("files were brought back as a proof", "store", store, "files", d.Files, "proved", d.Proved, "took", d.Took)
	}
}

func planOf(st config.Store, times schedule.Times, closed func(time.Time) bool) schedule.Plan {
	return schedule.Plan{Times: times, Window: schedule.Window(st.Window), Closed: closed}
}

func (s *parts) roots() []watch.Root {
	_, litter, err := rulesOf(s.a.Config)
	if err != nil {
		return nil // Open has been through it
	}
	var out []watch.Root
	for _, st := range s.a.Config.Stores {
		if st.Kind != config.Disk || !s.a.Acts.Reaches(st.Name) {
			continue
		}
		for _, r := range st.Sets {
			out = append(out, watch.Root{Store: st.Name, Set: r.Set, Path: r.Path, LeaveOut: litter[r.Set].Match})
		}
	}
	return out
}
