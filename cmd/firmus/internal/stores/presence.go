package stores

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Presence is how a store was found.
type Presence struct {
	Rule  care.Store
	Known ledger.Store
	Here  []string      // sets whose root is there and is the store's
	Away  []fixity.Fact // why other roots are not; empty if nothing is expected there
	Lost  int64         // files expected in the roots that are away
	First []string      // sets whose root was never adopted and still isn't
	// Foreign says of roots whose marker is of other holdings which those are: nothing may
	// be written there, nor taken for this store's.
	Foreign []fixity.Fact
}

// Adopted says that at least one root is the store's.
func (p Presence) Adopted() bool { return !p.Known.Adopted.IsZero() }

// samples is how many known files tell a store without a marker; at least half of
// them must be there with their size.
const samples = 50

// adoptTries bounds how many expected files are looked for in a folder that may be
// a store seen for the first time.
const adoptTries = 10_000

// adoptsWithin is how long another host may take that adopts the same root.
const adoptsWithin = 10 * time.Second

// reach finds out whether a store is there and is the right one, root by root. A
// root that is seen for the first time is adopted once an expected file lies at
// its path with its size; adoptAny adopts it as soon as anything lies there.
func (s Stores) reach(ctx context.Context, name string, adoptAny bool) (Presence, error) {
	rule, _ := s.Rules.Store(name)
	p := Presence{Rule: rule}
	var err error
	if p.Known, err = s.Known(ctx, name); err != nil || !p.Known.Retired.IsZero() {
		return p, err // only a person takes a retired store up again
	}
	for _, set := range rule.Sets {
		if err := s.reachRoot(ctx, &p, set, adoptAny); err != nil {
			return p, err
		}
		if p.Known, err = s.Known(ctx, name); err != nil {
			return p, err
		}
	}
	if len(p.Here) == 0 {
		return p, nil
	}
	return p, s.Ledger.Tx(ctx, s.Now(), func(t *ledger.Tx) error { return t.Stores.Seen(name) })
}

// Lacks says that a root doesn't exist at all, though nothing promises that it may come
// and go.
func (p Presence) Lacks() bool {
	return slices.ContainsFunc(p.Away, func(x fixity.Fact) bool { return x.Is == fixity.NoFolder })
}

// NoFolder says of a root that no folder lies at its path. was: one did.
func (s Stores) NoFolder(rule care.Store, set string, was bool) fixity.Fact {
	others := 0
	for _, o := range s.Rules.Stores {
		if o.Name != rule.Name && o.Holds(set) && o.Follows == "" {
			others++
		}
	}
	why := fixity.Fact{Is: fixity.NoFolder}
	switch {
	case was:
		why.Code = fixity.WasThere
	case others == 1:
		why.Code = fixity.OnlyOne
	}
	return s.ofRoot(why, rule.Name, set)
}

// Known is what the ledger knows of a store.
func (s Stores) Known(ctx context.Context, name string) (known ledger.Store, err error) {
	err = s.Ledger.View(ctx, func(t *ledger.Tx) (err error) { known, err = t.Stores.Get(name); return err })
	return known, err
}

func (s Stores) reachRoot(ctx context.Context, p *Presence, set string, adoptAny bool) error {
	store := p.Rule.Name
	root, rootErr := s.Root(store, set, fixity.Bypassed)
	if rootErr != nil && !errors.Is(rootErr, fixity.ErrAway) {
		return rootErr
	}
	var held, all int64
	var err error
	if err := s.Ledger.View(ctx, func(t *ledger.Tx) error {
		held, all, err = t.Stores.Expected(store, set)
		return err
	}); err != nil {
		return err
	}
	was := false // the root was adopted
	for _, r := range p.Known.Roots {
		was = was || r.Set == set && !r.Adopted.IsZero()
	}
	away := func(why fixity.Fact) {
		first := !was && held == 0
		if first {
			p.First = append(p.First, set)
		}
		// A root of a known store that never held anything isn't away: its files are
		// awaited one by one. In a store that was never seen all are, as a whole.
		if was || held > 0 || all > 0 && !p.Adopted() {
			p.Away = append(p.Away, s.ofRoot(why, store, set))
			p.Lost += max(held, 0)
		}
	}
	if rootErr != nil { // a credential that can't be used
		away(failed(rootErr))
		return nil
	}
	id, err := root.Identify(ctx)
	switch {
	case context.Cause(ctx) != nil:
		return context.Cause(ctx)
	case errors.Is(err, fs.ErrNotExist) && !p.Rule.Visiting:
		// A path is mistyped, or a drive isn't there: that is no store that is to come.
		p.Away = append(p.Away, s.NoFolder(p.Rule, set, was))
		p.Lost += max(held, 0)
		return nil
	case err != nil && (errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrDenied)):
		away(failed(err))
		return nil
	case err != nil:
		return err
	case p.Rule.Kind == cloudKind:
		return s.reachCloud(ctx, p, set, id, was, held, away)
	case s.NoMarker(store):
		return s.reachBySample(ctx, p, root, set, id, was, away)
	case id.Marked():
		return s.reachMarked(ctx, p, root, set, id, was, held, away)
	}
	other, err := s.Displaced(ctx, root, store)
	switch {
	case errors.Is(err, fixity.ErrAway), errors.Is(err, fixity.ErrDenied):
		away(failed(err))
		return nil
	case err != nil:
		return err
	case was || other != "":
		away(fixity.Fact{Is: fixity.NoMarker, Other: other})
		return nil
	case id.Empty:
		away(fixity.Fact{Is: fixity.Nothing})
		return nil
	case !adoptAny:
		if ok, err := s.anyExpected(ctx, root, store, set, adoptTries, 1); err != nil || !ok {
			if err == nil {
				away(fixity.Fact{Is: fixity.NoneKnown})
			}
			return err
		}
	}
	return s.adoptRoot(ctx, p, root, set, adoptAny)
}

func (s Stores) reachMarked(ctx context.Context, p *Presence, root Root, set string, id fixity.Identity, was bool, held int64, away func(fixity.Fact)) error {
	store := p.Rule.Name
	known := p.Known.Identity != ""
	id, err := s.ownMarker(ctx, root, set, id)
	if err != nil {
		return err
	}
	ours, err := s.ownHoldings(ctx)
	if err != nil {
		return err
	}
	foreign := id.Holdings != ours && (!known || id.Holdings != p.Known.Holdings)
	switch {
	case foreign:
		why := s.ofRoot(fixity.Fact{Is: fixity.OtherOwner, Said: []string{id.Holdings}}, store, set)
		p.Foreign, p.Away = append(p.Foreign, why), append(p.Away, why)
		p.Lost += max(held, 0)
		return nil
	case id.Set != set:
		away(fixity.Fact{Is: fixity.OtherSet, Said: []string{id.Set}})
		return nil
	case known && (id.Store != p.Known.Identity || id.Holdings != p.Known.Holdings):
		away(fixity.Fact{Is: fixity.OtherStore})
		return nil
	case id.Empty && held > 0:
		away(fixity.Fact{Is: fixity.OnlyMarker, Count: held})
		return nil
	case was:
		p.Here = append(p.Here, set)
		return nil
	}
	p.Here = append(p.Here, set)
	return s.Ledger.Tx(ctx, s.Now(), func(t *ledger.Tx) error {
		return t.Stores.Adopt(store, set, id, s.By, "its marker was there")
	})
}

func (s Stores) ownHoldings(ctx context.Context) (id string, err error) {
	err = s.Ledger.View(ctx, func(t *ledger.Tx) (err error) { id, err = t.Stores.Holdings(); return err })
	return id, err
}

// ownMarker makes the marker of a lost ledger ours while that ledger is made anew
// without its record; else it gives back what is there. Nothing but Rebuild does that.
func (s Stores) ownMarker(ctx context.Context, root Root, set string, id fixity.Identity) (fixity.Identity, error) {
	if s.Lost == nil || id.Set != set {
		return id, nil
	}
	ours, err := s.ownHoldings(ctx)
	if err != nil || id.Holdings == ours {
		return id, err
	}
	if *s.Lost == "" { // the arrivals store is reached first
		*s.Lost = id.Holdings
	}
	if *s.Lost != id.Holdings {
		return id, nil
	}
	own := fixity.Identity{Holdings: ours, Store: id.Store, Set: set}
	if err := root.TakeOver(ctx, own); err != nil {
		return id, fmt.Errorf("take over the marker of the lost ledger: %w", err)
	}
	id.Holdings = ours
	s.say("set %s: took over the marker of the lost ledger", set)
	return id, nil
}

// reachCloud tells a store that a service keeps by the ids of its folder and drive:
// the configuration names the folder, so nothing else can be meant.
// One that shows nothing where files are expected is away, as a drive is.
func (s Stores) reachCloud(ctx context.Context, p *Presence, set string, id fixity.Identity, was bool, held int64, away func(fixity.Fact)) error {
	if p.Known.Identity != "" && id.Store != p.Known.Identity {
		away(fixity.Fact{Is: fixity.OtherFolder})
		return nil
	}
	if id.Empty && held > 0 {
		away(fixity.Fact{Is: fixity.Emptied, Count: held})
		return nil
	}
	p.Here = append(p.Here, set)
	if was {
		return nil
	}
	return s.Ledger.Tx(ctx, s.Now(), func(t *ledger.Tx) error {
		return t.Stores.Adopt(p.Rule.Name, set, id, s.By, "the configuration names its folder")
	})
}

// reachBySample tells a store on which nothing can be written by its files.
func (s Stores) reachBySample(ctx context.Context, p *Presence, root Root, set string, id fixity.Identity, was bool, away func(fixity.Fact)) error {
	need := 2 // at least every second one
	if !was {
		need = samples
	}
	if !id.Empty {
		ok, err := s.anyExpected(ctx, root, p.Rule.Name, set, samples, need)
		if err != nil {
			return err
		}
		if ok {
			p.Here = append(p.Here, set)
			if was {
				return nil
			}
			return s.Ledger.Tx(ctx, s.Now(), func(t *ledger.Tx) error {
				return t.Stores.Adopt(p.Rule.Name, set, fixity.Identity{}, s.By, "its files are there")
			})
		}
	}
	away(fixity.Fact{Is: fixity.FewKnown})
	return nil
}

// anyExpected looks for up to n of the files a root should hold, and says whether
// at least one in every oneIn of them, and one at all, is there with its size.
func (s Stores) anyExpected(ctx context.Context, root Root, store, set string, n, oneIn int) (bool, error) {
	var sample []fixity.Known
	if err := s.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		sample, err = t.Stores.SampleFiles(store, set, n)
		return err
	}); err != nil {
		return false, err
	}
	sizes := map[string][]int64{}
	for _, k := range sample {
		sizes[k.Path] = append(sizes[k.Path], k.Size)
	}
	found := 0
	enough := func() bool { return found > 0 && (oneIn == 1 || found*oneIn >= len(sizes)) }
	for path, of := range sizes {
		x, err := root.Stat(ctx, path)
		if err == nil && x.Type == fixity.File && slices.Contains(of, x.Size) {
			found++
		}
		if enough() {
			return true, nil
		}
		if context.Cause(ctx) != nil {
			return false, context.Cause(ctx)
		}
	}
	// The store may spell the names in another way, or file the set in one: what lies there
	// is listed, and each name looked for as the pairing does.
	wanted := map[string][]int64{}
	filing, files := s.Rules.Filing(store, set)
	for path, of := range sizes {
		wanted[ledger.Fold(path)] = of
		if key, ok := filing.OfFile(ledger.Form(path)); files && ok {
			wanted["="+key] = of
		}
	}
	found = 0
	tops, err := root.Shards(ctx)
	if err != nil {
		return false, nil // the audit tells of it, once the store is known to be there
	}
	for _, top := range append([]string{""}, tops...) {
		for x, err := range root.List(ctx, top) {
			if err != nil {
				break // what is there may be enough
			}
			name := ledger.Fold(x.Path)
			if key, ok := filing.OfObject(ledger.Form(x.Path)); files && ok && wanted[name] == nil {
				name = "=" + key
			}
			if x.Type == fixity.File && slices.Contains(wanted[name], x.Size) {
				delete(wanted, name)
				if found++; enough() {
					return true, nil
				}
			}
		}
		if context.Cause(ctx) != nil {
			return false, context.Cause(ctx)
		}
	}
	return false, nil
}

// adoptRoot writes the store's marker into a root. Of several hosts one does, which need not have
// the same drive: the others look again.
func (s Stores) adoptRoot(ctx context.Context, p *Presence, root Root, set string, adoptAny bool) error {
	free, err := s.Ledger.LockOwn(ctx, "adopt-"+p.Rule.Name, s.Who(), adoptsWithin, s.Now)
	if err != nil {
		return err
	}
	defer free()
	now, err := s.Known(ctx, p.Rule.Name)
	if err != nil {
		return err
	}
	if of := func(r ledger.Root) bool { return r.Set == set && !r.Adopted.IsZero() }; slices.ContainsFunc(now.Roots, of) && !slices.ContainsFunc(p.Known.Roots, of) {
		p.Known = now
		return s.reachRoot(ctx, p, set, adoptAny)
	}
	id, err := s.Identity(ctx, now)
	if err != nil {
		return err
	}
	id.Set = set
	if err := root.Adopt(ctx, id); err != nil {
		return fmt.Errorf("store %s: write its marker to %s (if nothing can be written there, set marker = false): %w", p.Rule.Name, s.Where(p.Rule.Name, set), err)
	}
	p.Here = append(p.Here, set)
	return s.Ledger.Tx(ctx, s.Now(), func(t *ledger.Tx) error { return t.Stores.Adopt(p.Rule.Name, set, id, s.By, "its files are there") })
}

// Displaced is another store whose marker lies in a root, while that store is not at its own
// place: its drive is here, then, or a copy of it. "": there is none. If that store is at its
// place, a mirror brought its marker along, and that says nothing.
func (s Stores) Displaced(ctx context.Context, root Root, store string) (string, error) {
	names, err := root.Names(ctx, "")
	if err != nil {
		return "", err
	}
	for _, o := range s.Rules.Stores {
		if o.Name == store || !slices.Contains(names, fixity.MarkerPrefix+o.Name) {
			continue
		}
		known, err := s.Known(ctx, o.Name)
		if err != nil {
			return "", err
		}
		// A marker that says something else is of other holdings, or of a store that was replaced.
		text, err := root.ReadFile(ctx, fixity.MarkerPrefix+o.Name, maxMarker)
		if err != nil || known.Identity == "" || !bytes.Contains(text, []byte(known.Identity)) {
			continue
		}
		if !s.atHome(ctx, o, known) {
			return o.Name, nil
		}
	}
	return "", nil
}

// maxMarker is how much of another store's marker is read, in bytes; it has some hundred.
const maxMarker = 64 << 10

// atHome says that a store's own marker lies at one of its places.
func (s Stores) atHome(ctx context.Context, rule care.Store, known ledger.Store) bool {
	return slices.ContainsFunc(rule.Sets, func(set string) bool {
		root, err := s.Root(rule.Name, set, fixity.Bypassed)
		if err != nil {
			return false
		}
		id, err := root.Identify(ctx)
		return err == nil && id.Store == known.Identity
	})
}

// Identity is the store's own, or a new one if it was never adopted.
func (s Stores) Identity(ctx context.Context, known ledger.Store) (fixity.Identity, error) {
	if known.Identity != "" {
		return fixity.Identity{Holdings: known.Holdings, Store: known.Identity}, nil
	}
	id := fixity.Identity{Store: ledger.NewID()}
	err := s.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		id.Holdings, err = t.Stores.Holdings()
		return err
	})
	return id, err
}

// ofRoot says of which root a fact is.
func (s Stores) ofRoot(why fixity.Fact, store, set string) fixity.Fact {
	why.Store, why.Set, why.Root = store, set, s.Where(store, set)
	return why
}

// failed is an error of a root that can't be reached.
func failed(err error) fixity.Fact {
	why := fixity.Fact{Is: fixity.RootFails, Said: []string{err.Error()}}
	if errors.Is(err, fixity.ErrBlind) {
		why.Is = fixity.SignedOut
	}
	return why
}
