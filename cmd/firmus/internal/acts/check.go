package acts

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// StoreCheck says whether a root could be audited now.
type StoreCheck struct {
	Store, Set string
	OK         bool
	Away       bool // it is not here now, as may be: nothing of it was looked at
	Detail     string
	Other      bool // what is there is another store's
}

// CheckStores looks at each root without changing anything: nothing is adopted. That a
// visiting store isn't there is all right for as long as its promise runs.
func (e Acts) CheckStores(ctx context.Context) ([]StoreCheck, error) {
	var out []StoreCheck
	for _, s := range e.Rules.Stores {
		if !e.Listable(s.Kind) {
			continue
		}
		known, err := e.Stores().Known(ctx, s.Name)
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return nil, err
		}
		for _, set := range s.Sets {
			c, err := e.checkRoot(ctx, known, s.Name, set)
			if err != nil {
				return nil, err
			}
			if c.Store, c.Set = s.Name, set; s.Kind != archive.CloudKind && !strings.HasPrefix(c.Detail, "NOT FOUND") {
				c.Detail = e.Where(s.Name, set) + ": " + c.Detail
			}
			out = append(out, c)
		}
	}
	return out, nil
}

func (e Acts) checkRoot(ctx context.Context, known ledger.Store, store, set string) (StoreCheck, error) {
	root, err := e.Stores().Root(store, set, fixity.Bypassed)
	if errors.Is(err, fixity.ErrAway) { // a credential that can't be used
		return StoreCheck{Detail: err.Error()}, nil
	}
	if err != nil {
		return StoreCheck{}, err
	}
	rule, _ := e.Rules.Store(store)
	away := func(why string) (StoreCheck, error) {
		if !rule.Visiting || !e.mayBeAway(rule, known) {
			return StoreCheck{Detail: why}, nil
		}
		by := ""
		if since := lastSeen(known); !since.IsZero() {
			by = ", and is expected by " + since.Add(rule.ExpectWithin).UTC().Format("2 Jan 2006")
		}
		return StoreCheck{OK: true, Away: true, Detail: fmt.Sprintf("not here now, as may be: it visits%s (%s)", by, why)}, nil
	}
	adopted := false
	for _, r := range known.Roots {
		adopted = adopted || r.Set == set && !r.Adopted.IsZero()
	}
	id, err := root.Identify(ctx)
	if errors.Is(err, fs.ErrNotExist) && !rule.Visiting {
		return StoreCheck{Detail: "NOT FOUND: " + report.Fact(e.Stores().NoFolder(rule, set, adopted))}, nil
	}
	if err != nil {
		return away(err.Error())
	}
	marked := id.Marked() && id.Store == known.Identity && id.Holdings == known.Holdings
	switch {
	case rule.Kind == archive.CloudKind && known.Identity != "" && known.Identity != id.Store:
		return StoreCheck{Detail: "the folder is another one than before", Other: true}, nil
	case rule.Kind == archive.CloudKind:
		if f, ok := e.Rules.Filing(store, set); ok {
			return StoreCheck{OK: true, Detail: "there; " + f.Words()}, nil
		}
		return StoreCheck{OK: true, Detail: "there"}, nil
	case e.NoMarker(store) && adopted:
		return StoreCheck{OK: true, Detail: "there; told by its files"}, nil
	case adopted && marked && id.Empty:
		return StoreCheck{Detail: "nothing but the marker lies there"}, nil
	case adopted && marked:
		return StoreCheck{OK: true, Detail: "there"}, nil
	case adopted && id.Marked():
		return StoreCheck{Detail: "the marker there is of another store", Other: true}, nil
	case adopted && id.Empty:
		return away("nothing lies there")
	}
	other, err := e.Stores().Displaced(ctx, root, store)
	switch {
	case err != nil:
		return away(err.Error())
	case adopted || other != "":
		return StoreCheck{Detail: report.Unmarked(store, other)}, nil
	case id.Empty:
		return StoreCheck{OK: true, Detail: "empty, and not adopted yet"}, nil
	case !id.Writable && !e.NoMarker(store):
		return StoreCheck{Detail: "not adopted yet, and nothing can be written there: set marker = false"}, nil
	}
	return StoreCheck{OK: true, Detail: "there, and not adopted yet"}, nil
}
