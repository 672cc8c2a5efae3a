package app

import (
	"context"
	"errors"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
)

// changesEvery is how often a service is asked what has changed: one call of it, where
// nothing has.
const changesEvery = 10 * time.Minute

// followChanges follows the log of a store until the daemon's parts stop, or there is none.
func (s *parts) followChanges(st config.Store) {
	every := s.d.o.Changes
	if every <= 0 {
		every = changesEvery
	}
	said := "" // trouble
	f := &acts.Follower{Acts: s.a.Acts, Store: st.Name, Folder: st.Folder, Ask: func(ctx context.Context, token string) (acts.Changes, error) {
		return s.a.clouds.Changes(ctx, st, token)
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
		case errors.Is(err, fixity.ErrRefused) && !errors.Is(err, clouds.ErrCredential):
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
