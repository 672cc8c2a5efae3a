package acts

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// Presence is how a store was found.
type Presence struct {
	Rule  policy.Store
	Known ledger.Store
	Here  []string // sets whose root is there and is the store's
	Away  []string // why other roots are not; empty if nothing is expected there
	Lost  int64    // files expected in the roots that are away
	First []string // sets whose root was never adopted and still isn't
	// Foreign says of roots whose marker is of other holdings which those are: nothing may
	// be written there, nor taken for this store's.
	Foreign []string
}

// Adopted says that at least one root is the store's.
func (p Presence) Adopted() bool { return !p.Known.Adopted.IsZero() }

// samples is how many known files tell a store without a marker; at least half of
// them must be there with their size.
const samples = 50

// adoptTries bounds how many expected files are looked for in a folder that may be
// a store seen for the first time.
const adoptTries = 10_000

// reach finds out whether a store is there and is the right one, root by root. A
// root that is seen for the first time is adopted once an expected file lies at
// its path with its size; adoptAny adopts it as soon as anything lies there.
func (e *Env) reach(ctx context.Context, name string, adoptAny bool) (Presence, error) {
	rule, _ := e.Rules.Store(name)
	p := Presence{Rule: rule}
	var err error
	if p.Known, err = e.known(ctx, name); err != nil {
		return p, err
	}
	for _, set := range rule.Sets {
		if err := e.reachRoot(ctx, &p, set, adoptAny); err != nil {
			return p, err
		}
		if p.Known, err = e.known(ctx, name); err != nil {
			return p, err
		}
	}
	if len(p.Here) == 0 {
		return p, nil
	}
	return p, e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.SeenStore(name) })
}

func (e *Env) known(ctx context.Context, name string) (s ledger.Store, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		s, err = t.Store(name)
		return err
	})
	return s, err
}

func (e *Env) reachRoot(ctx context.Context, p *Presence, set string, adoptAny bool) error {
	store := p.Rule.Name
	root, rootErr := e.Root(store, set, fixity.Bypassed)
	if rootErr != nil && !errors.Is(rootErr, fixity.ErrAway) {
		return rootErr
	}
	var held, all int64
	var err error
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		held, all, err = t.Expected(store, set)
		return err
	}); err != nil {
		return err
	}
	was := false // the root was adopted
	for _, r := range p.Known.Roots {
		was = was || r.Set == set && !r.Adopted.IsZero()
	}
	away := func(format string, args ...any) {
		first := !was && held == 0
		if first {
			p.First = append(p.First, set)
		}
		// A root of a known store that never held anything isn't away: its files are
		// awaited one by one. In a store that was never seen all are, as a whole.
		if was || held > 0 || all > 0 && !p.Adopted() {
			p.Away = append(p.Away, fmt.Sprintf("%s (%s): ", e.Where(store, set), set)+fmt.Sprintf(format, args...))
			p.Lost += max(held, 0)
		}
	}
	if rootErr != nil { // a credential that can't be used
		away("%v", rootErr)
		return nil
	}
	idCtx, cancel := context.WithTimeoutCause(ctx, time.Minute, fmt.Errorf("it has not answered for a minute: %w", fixity.ErrAway))
	defer cancel()
	id, err := root.Identify(idCtx)
	switch {
	case context.Cause(ctx) != nil:
		return context.Cause(ctx)
	case err != nil && (errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrDenied)):
		away("%v", err)
		return nil
	case err != nil:
		return err
	case p.Rule.Kind == cloudKind:
		return e.reachCloud(ctx, p, set, id, was, away)
	case e.NoMarker(store):
		return e.reachBySample(ctx, p, root, set, id, was, away)
	case id.Marked():
		return e.reachMarked(ctx, p, root, set, id, was, held, away)
	case was:
		away("the store's marker is not there: another drive, or an empty folder where the drive should be mounted. If it is the store, say so with \"firmus store adopt %s\"", store)
		return nil
	case id.Empty:
		away("nothing lies there")
		return nil
	case !adoptAny:
		if ok, err := e.anyExpected(ctx, root, store, set, adoptTries, 1); err != nil || !ok {
			if err == nil {
				away("none of the expected files lies there")
			}
			return err
		}
	}
	return e.adoptRoot(ctx, p, root, set, "its files are there")
}

func (e *Env) reachMarked(ctx context.Context, p *Presence, root Root, set string, id fixity.Identity, was bool, held int64, away func(string, ...any)) error {
	store := p.Rule.Name
	known := p.Known.Identity != ""
	id, err := e.ownMarker(ctx, root, set, id)
	if err != nil {
		return err
	}
	ours, err := e.ownHoldings(ctx)
	if err != nil {
		return err
	}
	foreign := id.Holdings != ours && (!known || id.Holdings != p.Known.Holdings)
	switch {
	case foreign:
		text := fmt.Sprintf("%s (%s): its marker is of other holdings (%s), or of an earlier ledger of these. Nothing is written there. If it is this store all the same, say so with \"firmus store adopt %s\"",
			e.Where(store, set), set, id.Holdings, store)
		p.Foreign, p.Away = append(p.Foreign, text), append(p.Away, text)
		p.Lost += max(held, 0)
		return nil
	case id.Set != set:
		away("its marker says that it holds the set %q", id.Set)
		return nil
	case known && (id.Store != p.Known.Identity || id.Holdings != p.Known.Holdings):
		away("its marker is of another store. If it is this one, say so with \"firmus store adopt %s\"", store)
		return nil
	case id.Empty && held > 0:
		away("nothing but the marker lies there, where %d files are expected", held)
		return nil
	case was:
		p.Here = append(p.Here, set)
		return nil
	}
	p.Here = append(p.Here, set)
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		return t.Adopt(store, set, id, e.By, "its marker was there")
	})
}

func (e *Env) ownHoldings(ctx context.Context) (id string, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { id, err = t.Holdings(); return err })
	return id, err
}

// ownMarker makes the marker of a lost ledger ours while that ledger is made anew
// without its record; else it gives back what is there. Nothing but Rebuild does that.
func (e *Env) ownMarker(ctx context.Context, root Root, set string, id fixity.Identity) (fixity.Identity, error) {
	if e.lost == nil || id.Set != set {
		return id, nil
	}
	ours, err := e.ownHoldings(ctx)
	if err != nil || id.Holdings == ours {
		return id, err
	}
	if *e.lost == "" { // the arrivals store is reached first
		*e.lost = id.Holdings
	}
	if *e.lost != id.Holdings {
		return id, nil
	}
	own := fixity.Identity{Holdings: ours, Store: id.Store, Set: set}
	if err := root.TakeOver(ctx, own); err != nil {
		return id, fmt.Errorf("take over the marker of the lost ledger: %w", err)
	}
	id.Holdings = ours
	e.say("set %s: took over the marker of the lost ledger", set)
	return id, nil
}

// reachCloud tells a store that a service keeps by the ids of its folder and drive:
// the configuration names the folder, so nothing else can be meant.
func (e *Env) reachCloud(ctx context.Context, p *Presence, set string, id fixity.Identity, was bool, away func(string, ...any)) error {
	if p.Known.Identity != "" && id.Store != p.Known.Identity {
		away("the folder is another one than before. If that is meant, say so with \"firmus store adopt %s\"", p.Rule.Name)
		return nil
	}
	p.Here = append(p.Here, set)
	if was {
		return nil
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		return t.Adopt(p.Rule.Name, set, id, e.By, "the configuration names its folder")
	})
}

// reachBySample tells a store on which nothing can be written by its files.
func (e *Env) reachBySample(ctx context.Context, p *Presence, root Root, set string, id fixity.Identity, was bool, away func(string, ...any)) error {
	need := 2 // at least every second one
	if !was {
		need = samples
	}
	if !id.Empty {
		ok, err := e.anyExpected(ctx, root, p.Rule.Name, set, samples, need)
		if err != nil {
			return err
		}
		if ok {
			p.Here = append(p.Here, set)
			if was {
				return nil
			}
			return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
				return t.Adopt(p.Rule.Name, set, fixity.Identity{}, e.By, "its files are there")
			})
		}
	}
	away("too few of the known files lie there with their size")
	return nil
}

// anyExpected looks for up to n of the files a root should hold, and says whether
// at least one in every oneIn of them, and one at all, is there with its size.
func (e *Env) anyExpected(ctx context.Context, root Root, store, set string, n, oneIn int) (bool, error) {
	var sample []fixity.Known
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		sample, err = t.SampleFiles(store, set, n)
		return err
	}); err != nil {
		return false, err
	}
	found := 0
	for _, k := range sample {
		x, err := root.Stat(ctx, k.Path)
		if err == nil && x.Type == fixity.File && x.Size == k.Size {
			found++
		}
		if oneIn == 1 && found > 0 {
			return true, nil
		}
		if context.Cause(ctx) != nil {
			return false, context.Cause(ctx)
		}
	}
	return found > 0 && found*oneIn >= len(sample), nil
}

// adoptRoot writes the store's marker into a root.
func (e *Env) adoptRoot(ctx context.Context, p *Presence, root Root, set, reason string) error {
	id, err := e.identity(ctx, p.Known)
	if err != nil {
		return err
	}
	id.Set = set
	if err := root.Adopt(ctx, id); err != nil {
		return fmt.Errorf("store %s: write its marker to %s (if nothing can be written there, set marker = false): %w", p.Rule.Name, e.Where(p.Rule.Name, set), err)
	}
	p.Here = append(p.Here, set)
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Adopt(p.Rule.Name, set, id, e.By, reason) })
}

// identity is the store's own, or a new one if it was never adopted.
func (e *Env) identity(ctx context.Context, known ledger.Store) (fixity.Identity, error) {
	if known.Identity != "" {
		return fixity.Identity{Holdings: known.Holdings, Store: known.Identity}, nil
	}
	id := fixity.Identity{Store: ledger.NewID()}
	err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		id.Holdings, err = t.Holdings()
		return err
	})
	return id, err
}

// reportPresence opens or ends the finding that a store is away, and says whether
// it is away beyond what was promised.
func (e *Env) reportPresence(ctx context.Context, p Presence) (broken bool, err error) {
	name := p.Rule.Name
	broken = len(p.Away) > 0 && !e.mayBeAway(p.Rule, p.Known) || len(p.Foreign) > 0
	return broken, e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if !broken {
			return t.Clear(name, "", fixity.OfStore, fixity.Away, "", fixity.IntactAgain, e.By)
		}
		return t.Report(fixity.Finding{Subject: fixity.OfStore, Kind: fixity.Away, Urgency: fixity.AtRisk, Store: name, Count: p.Lost, IntactIn: []string{},
			Detail: strings.Join(p.Away, "; ")}, policy.StepNone, 0, e.By)
	})
}

// mayBeAway says that a store that isn't there now keeps what was promised of it.
func (e *Env) mayBeAway(rule policy.Store, known ledger.Store) bool {
	// A service is there from the first day on, or its credential is no good.
	promised := rule.Visiting || known.Adopted.IsZero() && rule.Kind != cloudKind
	since := lastSeen(known)
	return promised && (since.IsZero() || !policy.Waited(since, e.Now(), rule.ExpectWithin))
}

// lastSeen is when a store was there last, or else when the ledger first knew of it.
func lastSeen(known ledger.Store) time.Time {
	if known.Seen.IsZero() {
		return known.First
	}
	return known.Seen
}

// AdoptStore makes the folders that are configured for a store that store again,
// by a person's word: their markers are written anew.
func (e *Env) AdoptStore(ctx context.Context, name, reason string) ([]string, error) {
	rule, ok := e.Rules.Store(name)
	if !ok {
		return nil, fmt.Errorf("store %q is not in the configuration: %w", name, fixity.ErrRefused)
	}
	if rule.Kind == opticalKind {
		return nil, fmt.Errorf("store %s keeps discs. Each disc is known by what it holds, so nothing is to be adopted: %w", name, fixity.ErrRefused)
	}
	if err := e.noteStores(ctx); err != nil {
		return nil, err
	}
	unlock, err := e.lock(ctx, name, 0)
	if err != nil {
		return nil, err
	}
	defer unlock()
	known, err := e.known(ctx, name)
	if err != nil {
		return nil, err
	}
	id, err := e.identity(ctx, known)
	if err != nil {
		return nil, err
	}
	var done []string
	for _, set := range rule.Sets {
		root, err := e.Root(name, set, fixity.Bypassed)
		if err != nil {
			return done, err
		}
		found, err := root.Identify(ctx)
		if err != nil {
			return done, fmt.Errorf("store %s, set %s at %s: %w", name, set, e.Where(name, set), err)
		}
		id.Set = set
		if rule.Kind == cloudKind {
			id = found
		} else if !e.NoMarker(name) {
			if err := root.TakeOver(ctx, id); err != nil {
				return done, fmt.Errorf("store %s: write its marker to %s: %w", name, e.Where(name, set), err)
			}
		}
		if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
			if err := t.Adopt(name, set, id, e.By, reason); err != nil {
				return err
			}
			return t.Clear(name, "", fixity.OfStore, fixity.Away, "", fixity.Overtaken, e.By)
		}); err != nil {
			return done, err
		}
		done = append(done, set)
	}
	return done, nil
}
