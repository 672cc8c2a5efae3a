package app

import (
	"context"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/web"
)

// Stepped is a daemon whose parts come round when a test says so. What they do is the
// daemon's own: its turns, its intake, its visits, its letters.
type Stepped struct {
	*parts
	unlock func()
}

// Step opens everything as RunDaemon does, and begins nothing.
func Step(ctx context.Context, o DaemonOptions) (*Stepped, error) {
	d := &Daemon{o: o, again: make(chan struct{}, 1), rules: make(chan struct{}, 1)}
	d.followed.Store(-1)
	d.web = &web.Server{Log: o.Log, Down: d.down(), Again: o.again()}
	cfg, err := o.Load()
	if err != nil {
		return nil, err
	}
	s, unlock, err := d.begin(ctx, cfg)
	if err != nil {
		return nil, err
	}
	d.had.Store(true)
	d.s = s
	s.ctx, s.cancel = context.WithCancel(ctx)
	ended, end := context.WithCancel(ctx)
	end()
	s.runner.Run(ended) // its loops end at once; Turn does what is to be done
	return &Stepped{s, unlock}, nil
}

// App is the archive that it has open.
func (s *Stepped) App() *App { return s.a }

// Turns does what the schedule asks for by now. It says whether anything was.
func (s *Stepped) Turns() (any bool) {
	for range 3 { // a schedule that begins now; a run of before that has not ended
		stores := s.runner.Wants(s.ctx)
		if len(stores) == 0 {
			return any
		}
		any = true
		for _, store := range stores {
			s.runner.Turn(s.ctx, store)
		}
	}
	return any
}

// Noticed is what the watch of a store's folders does when files have changed there.
func (s *Stepped) Noticed(store, set string, paths []string) error {
	o := deskOrders{s.parts}
	seen, _, err := o.Touched(s.ctx, store, set, paths)
	if err != nil || !seen {
		return err
	}
	if x, _ := s.a.Config.Set(set); x.Role != "master" {
		return nil
	}
	return o.Look(s.ctx, store, set, nil)
}

// TakeIn takes in what has settled, and says when more will have; zero if nothing waits.
func (s *Stepped) TakeIn() (time.Time, error) {
	next, err := deskOrders{s.parts}.TakeIn(s.ctx)
	return next, err
}

// Visit is what happens when a visiting store has come.
func (s *Stepped) Visit(store string) {
	s.visits.set(store, true)
	s.a.Acts.LearnDrive(s.ctx, store)
	s.visit(store, false)
}

// Left is what happens when it has gone.
func (s *Stepped) Left(store string) { s.left(store) }

// Post writes the letters that are due, and sends them.
func (s *Stepped) Post() error { return s.postOnce(s.ctx) }

// CheckRecord has the whole record checked, if that wasn't done today.
func (s *Stepped) CheckRecord() error {
	_, _, err := acts.Of(s.acts(false, false)).CheckRecordIfDue(s.ctx)
	return err
}

// Survey finds out how the promises will be kept.
func (s *Stepped) Survey() {
	for _, st := range s.a.Config.Stores {
		if st.Kind != config.Optical {
			s.survey.look(s.parts, st)
		}
	}
}

// Stop ends it, as the daemon is ended.
func (s *Stepped) Stop() {
	s.parts.stop()
	s.unlock()
}
