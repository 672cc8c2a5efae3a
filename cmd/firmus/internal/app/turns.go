package app

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// gate holds reading within what stores allow. Windows are for what the clock orders:
// what a person or a drive that has come waits for is done at once.
func (s *session) gate(windows bool, but ...watch.Event) *schedule.Gate {
	g := &schedule.Gate{Now: time.Now,
		Rate:    func(store string) int64 { st, _ := s.a.Config.Store(store); return int64(st.Rate) },
		Growing: func(store string) string { return s.watcher.Growing(s.drives.shared(store), but...) },
		Read:    func(store string, n int64) { s.metrics.Read(store, n) },
		Paused: func(store, recording string) {
			s.metrics.Paused(store, recording != "")
			if recording != "" {
				s.log.Info("reading waits while a recording grows on the drive", "store", store)
			} else {
				s.log.Info("reading goes on", "store", store)
			}
		}}
	if windows {
		g.Window = func(store string) schedule.Window {
			st, _ := s.a.Config.Store(store)
			return schedule.Window(st.Window)
		}
	}
	return g
}

// through gives acts whose reading goes through a gate, and what to call afterwards.
func (s *session) through(ctx context.Context, g *schedule.Gate) (context.Context, *acts.Env, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	pass := g.Pass(ctx, cancel)
	env := *s.a.Acts
	env.Watch = pass.Watch(func(sh fixity.Shard, text string) {
		s.log.Debug("note", "store", sh.Store, "set", sh.Set, "text", text)
	})
	return ctx, &env, func() {
		cancel(nil)
		s.paces(pass.Paces())
	}
}

// leastPaced is how much must have been read for it to say how fast a store is.
const leastPaced = 16 << 20

func (s *session) paces(ms map[string]schedule.Measure) {
	for store, m := range ms {
		if m.Bytes < leastPaced || m.Took <= 0 {
			continue
		}
		ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		if err := s.a.Ledger.Tx(ctx, time.Now(), func(t *ledger.Tx) error { return t.AddPace(store, m.Bytes, m.Took) }); err != nil {
			s.log.Warn("how fast the store was read could not be noted", "store", store, "error", err)
		}
		cancel()
	}
}

// audit audits a store.
func (s *session) audit(ctx context.Context, store string, full bool, g *schedule.Gate) schedule.Result {
	runCtx, env, after := s.through(ctx, g)
	rs, err := env.Audit(runCtx, acts.AuditOrder{Stores: []string{store}, Full: full})
	windowed := errors.Is(context.Cause(runCtx), schedule.ErrWindow)
	after()
	if windowed {
		return schedule.Result{Outcome: ledger.FiringDone, Trouble: "its window closed; what is left is due another day"}
	}
	return audited(rs, err)
}

// audited is what the audit of one store gave.
func audited(rs []acts.AuditResult, err error) schedule.Result {
	switch {
	case errors.Is(err, fixity.ErrBusy):
		return schedule.Result{Outcome: ledger.FiringBusy, Trouble: err.Error()}
	case err != nil:
		return schedule.Result{Outcome: ledger.FiringFailed, Trouble: err.Error()}
	case len(rs) == 0:
		return schedule.Result{Outcome: ledger.FiringFailed, Trouble: "nothing was audited"}
	}
	return resultOf(rs[0])
}

func resultOf(r acts.AuditResult) schedule.Result {
	switch {
	case r.Busy:
		return schedule.Result{Outcome: ledger.FiringBusy, Trouble: strings.Join(r.Trouble, "; ")}
	case len(r.Away) > 0 && !r.Promised:
		return schedule.Result{Outcome: ledger.FiringAway, Trouble: strings.Join(r.Away, "; ")}
	case len(r.Trouble) > 0:
		return schedule.Result{Outcome: ledger.FiringUnfinished, Trouble: strings.Join(r.Trouble, "; ")}
	case len(r.Away) > 0:
		return schedule.Result{Outcome: ledger.FiringDone, Trouble: "away, as may be"}
	case r.PutOff > 0:
		return schedule.Result{Outcome: ledger.FiringDone, Trouble: "the day's bytes are read; goes on tomorrow"}
	}
	return schedule.Result{Outcome: ledger.FiringDone}
}

// failure is a result as an error, nil if it was done.
func failure(r schedule.Result) error {
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

// driveNames remembers which stores lie on one drive: asking may hang.
type driveNames struct {
	ask func(ctx context.Context, store string) string
	mu  sync.Mutex
	m   map[string]string
}

func (d *driveNames) of(ctx context.Context, store string) string {
	name := d.ask(ctx, store)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.m == nil {
		d.m = map[string]string{}
	}
	if name != "" {
		d.m[store] = name
	}
	return name
}

// shared says which stores lie on the drive of one, as far as is known.
func (d *driveNames) shared(store string) func(other string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	name := d.m[store]
	return func(other string) bool {
		d.mu.Lock()
		defer d.mu.Unlock()
		return other == store || name != "" && d.m[other] == name
	}
}
