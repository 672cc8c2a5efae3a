package app

import (
	"context"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

func (s *parts) newDesk() *watch.Desk {
	return &watch.Desk{Orders: deskOrders{s}, Now: s.now, Log: s.log, First: s.d.o.TakeInFirst,
		Master: func(set string) bool { x, ok := s.a.Config.Set(set); return ok && x.Role == fixity.Master },
		Rest: func(store, set string) time.Duration {
			if st, _ := s.a.Config.Store(store); !st.Arrivals {
				return 0
			}
			return s.rest(set)
		}}
}

// rest is how long a new file of a set must be at rest before it is taken in.
func (s *parts) rest(set string) time.Duration {
	if s.d.o.Rest > 0 {
		return s.d.o.Rest
	}
	x, _ := s.a.Acts.Rules.Set(set)
	return x.Rest()
}

// deskOrders are what the desk orders.
type deskOrders struct{ s *parts }

func (o deskOrders) Touched(ctx context.Context, store, set string, paths []string) (seen, unknown bool, err error) {
	return o.s.a.Acts.Touched(ctx, store, set, paths)
}

func (o deskOrders) Look(ctx context.Context, store, set string, about []watch.Event) error {
	var paths []string
	for _, e := range about {
		paths = append(paths, e.Path)
	}
	return acts.Audited(acts.Of(o.s.acts(false, true, about...)).LookAt(ctx, store, set, paths)).Err()
}

func (o deskOrders) TakeIn(ctx context.Context) (next time.Time, err error) {
	s := o.s
	if err := s.rightClock(ctx); err != nil {
		return time.Time{}, err
	}
	empty := false
	if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { empty, err = t.Log.Empty(); return err }); err != nil {
		return time.Time{}, err
	}
	if empty { // the first time is for a person to say
		s.log.Warn("nothing is under care yet: \"firmus intake\" begins it")
		return time.Time{}, nil
	}
	res, next := s.takeIn(ctx)
	return next, res.Err()
}

func (s *parts) takeIn(ctx context.Context) (schedule.Result, time.Time) {
	now := s.now()
	res, err := receiving.Of(s.acts(false, false)).Intake(ctx, receiving.IntakeOrder{Ripe: func(store, set string, x ledger.Stray) (bool, time.Time) {
		return watch.Settled(s.a.Acts.Where(store, set), x.Path, time.Unix(0, x.ModTime), s.rest(set), now)
	}})
	if res.Taken > 0 || len(res.Trouble) > 0 {
		s.log.Info("taken in", "files", res.Taken, "bytes", res.Bytes, "agreed", res.Agreed, "one_place_only", res.OneOnly, "disputed", res.Disputed, "trouble", len(res.Trouble))
	}
	for _, w := range res.Warnings {
		s.log.Info("note", "text", w)
	}
	return acts.Ended(err), res.Next
}

// visitors are the stores that may come and go.
func (s *parts) visitors() []watch.Visitor {
	var out []watch.Visitor
	for _, st := range s.a.Config.Stores {
		if st.Kind != config.Disk || !s.a.Acts.Reaches(st.Name) {
			continue
		}
		v := watch.Visitor{Store: st.Name, Here: func(ctx context.Context) bool { return s.a.Acts.Here(ctx, st.Name) }}
		for _, r := range st.Sets {
			v.Roots = append(v.Roots, r.Path)
		}
		out = append(out, v)
	}
	return out
}

func (s *parts) left(store string) {
	s.visits.set(store, false)
	s.log.Info("a store has gone", "store", store)
}

// came deals with a store that has come.
func (s *parts) came(store string, first bool) {
	st, _ := s.a.Config.Store(store)
	s.visits.set(store, st.Visiting)
	s.spawn(func() {
		s.a.Acts.LearnDrive(s.ctx, store)
		switch {
		case st.Visiting:
			s.visit(store, first)
		case !first:
			s.log.Info("a store has come back", "store", store)
			r := acts.Of(s.acts(false, false)).Turn(s.ctx, store, false)
			s.log.Info("audit ended", "store", store, "outcome", r.Outcome, "trouble", r.Trouble)
			s.survey.again(store)
		}
	})
}
