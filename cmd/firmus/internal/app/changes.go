package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/cloud"
)

// changesEvery is how often a service is asked what has changed: one call of it, where
// nothing has.
const changesEvery = 10 * time.Minute

// errCredential says that a store's credential can't be used; another one may come.
var errCredential = errors.New("the credential can't be used")

// follower asks a service now and then what has changed in a store. What it says is no
// evidence: it makes changed files due, and has the store listed and judged as at night.
type follower struct {
	s     *session
	st    config.Store
	token string // up to which the log was followed; "" is what the ledger says
	kept  string // in the ledger
	said  string // trouble
}

// followChanges follows the log of a store until the session ends, or there is none.
func (s *session) followChanges(st config.Store) {
	every := s.d.o.Changes
	if every <= 0 {
		every = changesEvery
	}
	f := &follower{s: s, st: st}
	for s.ctx.Err() == nil {
		err := f.once(s.ctx)
		switch {
		case s.ctx.Err() != nil:
			return
		case errors.Is(err, fixity.ErrRefused) && !errors.Is(err, errCredential):
			s.log.Info("the service doesn't tell of changes: they are found by audits", "store", st.Name, "why", err)
			return
		case err == nil && f.said != "":
			f.said = ""
			s.log.Info("changes in the cloud are followed again", "store", st.Name)
		case err != nil && !errors.Is(err, fixity.ErrBusy) && err.Error() != f.said:
			f.said = err.Error()
			s.log.Warn("changes in the cloud can't be followed; tried again", "store", st.Name, "every", every, "error", err)
		}
		select {
		case <-s.ctx.Done():
		case <-time.After(every):
		}
	}
}

// once asks what has changed since the last time, hands it on, and notes up to when the
// log was followed: a moment before what was just handed on, since that has yet to be
// looked at. After a kill it is told again.
func (f *follower) once(ctx context.Context) error {
	empty := false
	if err := f.s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if empty, err = t.Empty(); err == nil && f.token == "" {
			f.token, err = t.LogToken(f.st.Name, f.st.Folder)
			f.kept = f.token
		}
		return err
	}); err != nil || empty {
		return err // while nothing is under care nothing can happen to it
	}
	st, err := f.s.a.clouds.store(f.st)
	if err != nil {
		return fmt.Errorf("%w: %w", errCredential, err)
	}
	w, err := st.Changes(ctx, f.token)
	if err != nil {
		if errors.Is(err, cloud.ErrBlind) {
			f.s.a.clouds.forget(f.st.Name)
		}
		return err
	}
	told, err := f.tell(ctx, w)
	if err != nil {
		return err
	}
	keep := w.Token
	if told > 0 && f.token != "" {
		keep = f.token
	}
	f.token = w.Token
	if keep == f.kept {
		return nil
	}
	if err := f.s.a.Ledger.Tx(ctx, time.Now(), func(t *ledger.Tx) error { return t.PutLogToken(f.st.Name, f.st.Folder, keep) }); err != nil {
		return err
	}
	f.kept = keep
	return nil
}

// tell hands on what has changed, and gives how much that is: what holds other bytes by
// its path, so that it is read; anything else as a reason to list.
func (f *follower) tell(ctx context.Context, w cloud.Warnings) (told int, err error) {
	_, litter, err := rulesOf(f.s.a.Config)
	if err != nil {
		return 0, err
	}
	event := func(e watch.Event) {
		e.Store = f.st.Name
		if slices.ContainsFunc(f.st.Sets, func(r config.Root) bool { return r.Set == e.Set }) {
			f.s.metrics.Noticed(e.Store)
			f.s.desk.Event(e)
			told++
		}
	}
	for _, x := range w.List {
		if x.Set == "" { // only its id is known
			err := f.s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { x.Set, x.Path, err = t.PlaceOfID(f.st.Name, x.ID); return err })
			if errors.Is(err, fixity.ErrNotFound) {
				continue
			}
			if err != nil {
				return told, err
			}
		}
		if l, ok := litter[x.Set]; ok && x.Path != "" && l.Match(x.Path, x.Dir) {
			continue
		}
		bytes := !x.Dir && x.Path != "" && (x.What == cloud.WasChanged || x.What == cloud.WasAdded)
		if bytes {
			event(watch.Event{Set: x.Set, Path: x.Path})
		} else {
			event(watch.Event{Set: x.Set, Any: true})
		}
	}
	if w.Unsure {
		for _, r := range f.st.Sets {
			event(watch.Event{Set: r.Set, Any: true})
		}
	}
	if told > 0 {
		f.s.log.Info("the service tells of changes", "store", f.st.Name, "changes", len(w.List), "more_possible", w.Unsure)
	}
	return told, nil
}
