package acts

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// StoreCheck says whether a root could be audited now.
type StoreCheck struct {
	Store, Set string
	OK         bool
	Detail     string
}

// CheckStores looks at each root without changing anything: nothing is adopted. That a
// visiting store isn't there is all right for as long as its promise runs.
func (e *Env) CheckStores(ctx context.Context) ([]StoreCheck, error) {
	var out []StoreCheck
	for _, s := range e.Rules.Stores {
		if !e.listable(s.Kind) {
			continue
		}
		known, err := e.known(ctx, s.Name)
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return nil, err
		}
		for _, set := range s.Sets {
			c := StoreCheck{Store: s.Name, Set: set}
			if c.OK, c.Detail, err = e.checkRoot(ctx, known, s.Name, set); err != nil {
				return nil, err
			}
			c.Detail = e.Where(s.Name, set) + ": " + c.Detail
			out = append(out, c)
		}
	}
	return out, nil
}

func (e *Env) checkRoot(ctx context.Context, known ledger.Store, store, set string) (bool, string, error) {
	root, err := e.Root(store, set, fixity.Bypassed)
	if errors.Is(err, fixity.ErrAway) { // a credential that can't be used
		return false, err.Error(), nil
	}
	if err != nil {
		return false, "", err
	}
	idCtx, cancel := context.WithTimeoutCause(ctx, time.Minute, fmt.Errorf("it has not answered for a minute: %w", fixity.ErrAway))
	defer cancel()
	rule, _ := e.Rules.Store(store)
	away := func(why string) (bool, string, error) {
		if !rule.Visiting || !e.mayBeAway(rule, known) {
			return false, why, nil
		}
		by := ""
		if since := lastSeen(known); !since.IsZero() {
			by = ", and is expected by " + since.Add(rule.ExpectWithin).UTC().Format("2006-01-02")
		}
		return true, fmt.Sprintf("not here now, as may be: it visits%s (%s)", by, why), nil
	}
	id, err := root.Identify(idCtx)
	if err != nil {
		return away(err.Error())
	}
	adopted := false
	for _, r := range known.Roots {
		adopted = adopted || r.Set == set && !r.Adopted.IsZero()
	}
	marked := id.Marked() && id.Store == known.Identity && id.Holdings == known.Holdings
	switch {
	case rule.Kind == cloudKind && known.Identity != "" && known.Identity != id.Store:
		return false, "the folder is another one than before", nil
	case rule.Kind == cloudKind:
		if f, ok := e.Rules.Filing(store, set); ok {
			return true, "there; " + f.Words(), nil
		}
		return true, "there", nil
	case e.NoMarker(store) && adopted:
		return true, "there; told by its files", nil
	case adopted && marked && id.Empty:
		return false, "nothing but the marker lies there", nil
	case adopted && marked:
		return true, "there", nil
	case adopted && id.Marked():
		return false, "the marker there is of another store", nil
	case adopted && id.Empty:
		return away("nothing lies there")
	case adopted:
		return false, "the store's marker is not there", nil
	case id.Empty:
		return true, "empty, and not adopted yet", nil
	case !id.Writable && !e.NoMarker(store):
		return false, "not adopted yet, and nothing can be written there: set marker = false", nil
	}
	return true, "there, and not adopted yet", nil
}
