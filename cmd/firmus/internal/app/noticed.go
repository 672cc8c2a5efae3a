package app

import (
	"context"
	"errors"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// nowhere is a path that nothing under care can have: an audit of it lists a whole
// set, concludes, and reads nothing but what is due ahead of all others.
const nowhere = ".firmus"

func (s *session) newDesk() *watch.Desk {
	return &watch.Desk{Orders: deskOrders{s}, Now: time.Now, Log: s.log, First: s.d.o.TakeInFirst,
		Master: func(set string) bool { x, ok := s.a.Config.Set(set); return ok && x.Role == fixity.Master },
		Rest: func(store, set string) time.Duration {
			if st, _ := s.a.Config.Store(store); !st.Arrivals {
				return 0
			}
			return s.rest(set)
		}}
}

// rest is how long a new file of a set must be at rest before it is taken in.
func (s *session) rest(set string) time.Duration {
	if s.d.o.Rest > 0 {
		return s.d.o.Rest
	}
	if x, _ := s.a.Config.Set(set); x.Role == fixity.Access {
		return max(time.Duration(x.Editing), time.Minute)
	}
	return watch.MasterRest
}

// deskOrders are what the desk orders.
type deskOrders struct{ s *session }

func (o deskOrders) Touched(ctx context.Context, store, set string, paths []string) (seen, unknown bool, err error) {
	x, _ := o.s.a.Config.Set(set)
	st, _ := o.s.a.Config.Store(store)
	// A service's log names each file whose bytes were exchanged: wherever they lie, they
	// are read by the next look.
	ahead := x.Role == fixity.Master || st.Kind == config.Cloud
	var strange []string
	err = o.s.a.Ledger.Tx(ctx, time.Now(), func(t *ledger.Tx) error {
		for _, p := range paths {
			n, expected, err := t.Touched(store, set, p, ahead)
			if err != nil {
				return err
			}
			seen = seen || n > 0
			if expected == 0 {
				strange = append(strange, p)
			}
		}
		return nil
	})
	if err != nil {
		return seen, true, err
	}
	if !st.Arrivals {
		return seen, false, nil // what is new there is nobody's to take in
	}
	root, err := o.s.a.Acts.Root(store, set, fixity.Bypassed)
	if err != nil {
		return seen, true, err
	}
	for _, p := range strange {
		e, err := root.Stat(ctx, p)
		if errors.Is(err, fixity.ErrVanished) || err == nil && e.Type != fixity.File {
			continue
		}
		return seen, true, nil
	}
	return seen, false, nil
}

func (o deskOrders) Look(ctx context.Context, store, set string, about []watch.Event) error {
	s := o.s
	return failure(s.runner.Order(ctx, store, true, func(ctx context.Context) schedule.Result {
		ctx, env, after := s.through(ctx, s.gate(false, about...))
		defer after()
		rs, err := env.Audit(ctx, acts.AuditOrder{Stores: []string{store}, Set: set, Under: folderOf(about)})
		return audited(rs, err)
	}))
}

// folderOf is the path, or the folder, in which all of the events lie; nowhere if they
// lie all over the set. What is due there is read, too: a file that has come back.
func folderOf(about []watch.Event) string {
	if len(about) == 0 {
		return nowhere
	}
	under := about[0].Path
	for _, e := range about[1:] {
		for e.Path != under && !strings.HasPrefix(e.Path, under+"/") {
			i := strings.LastIndexByte(under, '/')
			if i < 0 {
				return nowhere
			}
			under = under[:i]
		}
	}
	return under
}

func (o deskOrders) TakeIn(ctx context.Context) (next time.Time, err error) {
	s := o.s
	empty := false
	if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { empty, err = t.Empty(); return err }); err != nil {
		return time.Time{}, err
	}
	if empty { // the first time is for a person to say
		s.log.Warn("nothing is under care yet: \"firmus intake\" begins it")
		return time.Time{}, nil
	}
	arrivals := ""
	for _, st := range s.a.Config.Stores {
		if st.Arrivals {
			arrivals = st.Name
			break
		}
	}
	err = failure(s.runner.Order(ctx, arrivals, false, func(ctx context.Context) schedule.Result {
		var res schedule.Result
		res, next = s.takeIn(ctx)
		return res
	}))
	return next, err
}

func (s *session) takeIn(ctx context.Context) (_ schedule.Result, next time.Time) {
	ctx, env, after := s.through(ctx, s.gate(false))
	defer after()
	now := time.Now()
	res, err := env.Intake(ctx, acts.IntakeOrder{Ripe: func(store, set string, x ledger.Stray) bool {
		ok, at := watch.Settled(s.a.Acts.Where(store, set), x.Path, time.Unix(0, x.ModTime), s.rest(set), now)
		if !ok && (next.IsZero() || at.Before(next)) {
			next = at
		}
		return ok
	}})
	if res.Taken > 0 || len(res.Trouble) > 0 {
		s.log.Info("taken in", "files", res.Taken, "bytes", res.Bytes, "agreed", res.Agreed, "one_place_only", res.OneOnly, "disputed", res.Disputed, "trouble", len(res.Trouble))
	}
	for _, w := range res.Warnings {
		s.log.Info("note", "text", w)
	}
	switch {
	case errors.Is(err, fixity.ErrBusy):
		return schedule.Result{Outcome: ledger.FiringBusy, Trouble: err.Error()}, next
	case errors.Is(err, fixity.ErrAway):
		return schedule.Result{Outcome: ledger.FiringAway, Trouble: err.Error()}, next
	case err != nil:
		return schedule.Result{Outcome: ledger.FiringFailed, Trouble: err.Error()}, next
	}
	return schedule.Result{Outcome: ledger.FiringDone}, next
}

// visitors are the stores that may come and go.
func (s *session) visitors() []watch.Visitor {
	var out []watch.Visitor
	for _, st := range s.a.Config.Stores {
		if st.Kind != config.Disk {
			continue
		}
		v := watch.Visitor{Store: st.Name, Here: func(ctx context.Context) bool { return s.here(ctx, st) }}
		for _, r := range st.Sets {
			v.Roots = append(v.Roots, r.Path)
		}
		out = append(out, v)
	}
	return out
}

// here says that a store's marker, or where it has none something, lies in a root.
func (s *session) here(ctx context.Context, st config.Store) bool {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	for _, r := range st.Sets {
		root, err := s.a.Acts.Root(st.Name, r.Set, fixity.Bypassed)
		if err != nil {
			continue
		}
		if id, err := root.Identify(ctx); err == nil && (id.Marked() || !st.Marker && !id.Empty || st.Visiting && !id.Empty) {
			return true
		}
	}
	return false
}

func (s *session) left(store string) {
	s.visits.set(store, false)
	s.log.Info("a store has gone", "store", store)
}

// came deals with a store that has come.
func (s *session) came(store string, first bool) {
	st, _ := s.a.Config.Store(store)
	s.visits.set(store, st.Visiting)
	s.spawn(func() {
		s.drives.of(s.ctx, store)
		switch {
		case st.Visiting:
			s.visit(store, first)
		case !first:
			s.log.Info("a store has come back", "store", store)
			r := s.runner.Order(s.ctx, store, false, func(ctx context.Context) schedule.Result { return s.audit(ctx, store, false, s.gate(false)) })
			s.log.Info("audit ended", "store", store, "outcome", r.Outcome, "trouble", r.Trouble)
			s.survey.again(store)
		}
	})
}
