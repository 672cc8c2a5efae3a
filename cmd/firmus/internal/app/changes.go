package app

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
	"firmus/replicas/cloud"
)

// changesEvery is how often a service is asked what has changed: one call of it, where
// nothing has.
const changesEvery = 10 * time.Minute

// errCredential says that a store's credential can't be used; another one may come.
var errCredential = errors.New("the credential can't be used")

// followChanges follows the log of a store until the daemon's parts stop, or there is none.
func (s *parts) followChanges(st config.Store) {
	every := s.d.o.Changes
	if every <= 0 {
		every = changesEvery
	}
	said := "" // trouble
	f := &acts.Follower{Acts: s.a.Acts, Store: st.Name, Folder: st.Folder, Ask: func(ctx context.Context, token string) (acts.Changes, error) {
		return s.a.clouds.changes(ctx, st, token)
	},
		Tell: func(set, path string) {
			s.metrics.Noticed(st.Name)
			s.desk.Event(watch.Event{Store: st.Name, Set: set, Path: path, Any: path == ""})
		}}
	for s.ctx.Err() == nil {
		told, c, err := f.Once(s.ctx)
		if told > 0 {
			s.log.Info("the service tells of changes", "store", st.Name, "changes", len(c.List), "more_possible", c.Unsure)
		}
		switch {
		case s.ctx.Err() != nil:
			return
		case errors.Is(err, fixity.ErrRefused) && !errors.Is(err, errCredential):
			s.log.Info("the service doesn't tell of changes: they are found by audits", "store", st.Name, "why", err)
			return
		case err == nil && said != "":
			said = ""
			s.log.Info("changes in the cloud are followed again", "store", st.Name)
		case err != nil && !errors.Is(err, fixity.ErrBusy) && err.Error() != said:
			said = err.Error()
			s.log.Warn("changes in the cloud can't be followed; tried again", "store", st.Name, "every", every, "error", err)
		}
		s.pause(every)
	}
}

// changes are what a store's service tells of since a token.
func (c *clouds) changes(ctx context.Context, s config.Store, token string) (out acts.Changes, err error) {
	st, err := c.store(s)
	if err != nil {
		return out, fmt.Errorf("%w: %w", errCredential, err)
	}
	w, err := st.Changes(ctx, token)
	if err != nil {
		if errors.Is(err, cloud.ErrBlind) {
			c.forget(s.Name)
		}
		return out, err
	}
	out = acts.Changes{Unsure: w.Unsure, Token: w.Token}
	for _, x := range w.List {
		out.List = append(out.List, acts.Change{Set: x.Set, Path: x.Path, ID: x.ID, Dir: x.Dir, Bytes: x.What == cloud.WasChanged || x.What == cloud.WasAdded})
	}
	return out, nil
}
