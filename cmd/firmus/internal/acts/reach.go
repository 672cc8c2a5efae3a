package acts

import (
	"context"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// reportPresence opens or ends the finding that a store is away, and says whether
// it is away beyond what was promised.
func (e Acts) reportPresence(ctx context.Context, p stores.Presence) (broken bool, err error) {
	name := p.Rule.Name
	broken = len(p.Away) > 0 && !e.mayBeAway(p.Rule, p.Known) || len(p.Foreign) > 0 || p.Lacks()
	return broken, e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if !broken {
			return t.Findings.Clear(name, "", fixity.OfStore, fixity.Away, "", fixity.IntactAgain, e.By)
		}
		return t.Findings.Found(fixity.Finding{Subject: fixity.OfStore, Kind: fixity.Away, Urgency: fixity.AtRisk, Store: name, Count: p.Lost, IntactIn: []string{},
			Facts: fixity.Facts{Seen: p.Away}}, care.StepNone, 0, e.By)
	})
}

// mayBeAway says that a store that isn't there now keeps what was promised of it.
func (e Acts) mayBeAway(rule care.Store, known ledger.Store) bool {
	// A service is there from the first day on, or its credential is no good.
	promised := rule.Visiting || known.Adopted.IsZero() && rule.Kind != archive.CloudKind
	since := lastSeen(known)
	return promised && (since.IsZero() || !care.Waited(since, e.Now(), rule.ExpectWithin))
}

// lastSeen is when a store was there last, or else when the ledger first knew of it.
func lastSeen(known ledger.Store) time.Time {
	if known.Seen.IsZero() {
		return known.First
	}
	return known.Seen
}

// joinBatch is how many files a transaction of join works through.
const joinBatch = 500

// join has a store that was added to the configuration later, or to which a set was,
// await what is under care there: from its first listing on what lies at a file's place
// is its copy. It works in batches; after a kill the next audit goes on.
func (e Acts) join(ctx context.Context, p stores.Presence) error {
	sets := slices.Clone(p.Here)
	if p.Adopted() { // its root for a set may still be empty
		sets = append(sets, p.First...)
	}
	for _, set := range sets {
		lacks := int64(0)
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { lacks, err = t.Stores.Lacks(p.Rule.Name, set); return err }); err != nil {
			return err
		}
		for after := int64(0); lacks > 0; {
			var last int64
			if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
				last, err = t.Stores.Join(p.Rule.Name, set, after, joinBatch)
				return err
			}); err != nil {
				return err
			}
			if last == 0 {
				break
			}
			after = last
		}
		if lacks > 0 {
			e.Sayf("store %s joins: what is under care in set %s (%d) is awaited there from now on", p.Rule.Name, set, lacks)
		}
	}
	return nil
}

// AdoptStore makes the folders that are configured for a store that store again,
// by a person's word: their markers are written anew.
func (e Acts) AdoptStore(ctx context.Context, name, reason string) ([]string, error) {
	rule, ok := e.Rules.Store(name)
	if !ok {
		return nil, e.NoStore(ctx, name)
	}
	if rule.Kind == archive.OpticalKind {
		return nil, fmt.Errorf("store %s keeps discs. Each disc is known by what it holds, so nothing is to be adopted: %w", name, fixity.ErrRefused)
	}
	if err := e.NoteStores(ctx); err != nil {
		return nil, err
	}
	var done []string
	err := e.Stores().Use(ctx, name, stores.Purpose{Unseen: true}, func(ctx context.Context, u *stores.Used) error {
		known, err := e.Stores().Known(ctx, name)
		if err != nil {
			return err
		}
		id, err := e.Stores().Identity(ctx, known)
		if err != nil {
			return err
		}
		for _, set := range rule.Sets {
			if err := e.adoptSet(ctx, u, set, id, reason); err != nil {
				return err
			}
			done = append(done, set)
		}
		return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Stores.ForgetMounts(name) })
	})
	return done, err
}

func (e Acts) adoptSet(ctx context.Context, u *stores.Used, set string, id fixity.Identity, reason string) error {
	name := u.Rule.Name
	root, err := u.Root(set, fixity.Bypassed)
	if err != nil {
		return err
	}
	found, err := root.Identify(ctx)
	if err != nil {
		return fmt.Errorf("store %s, set %s at %s: %w", name, set, e.Where(name, set), err)
	}
	id.Set = set
	if u.Rule.Kind == archive.CloudKind {
		id = found
	} else if !e.NoMarker(name) {
		if other, err := e.Stores().Displaced(ctx, root, name); err != nil || other != "" {
			if err == nil {
				err = fmt.Errorf("%s: %w", report.Unmarked(name, other), fixity.ErrRefused)
			}
			return fmt.Errorf("store %s, set %s at %s: %w", name, set, e.Where(name, set), err)
		}
		if err := root.TakeOver(ctx, id); err != nil {
			return fmt.Errorf("store %s: write its marker to %s: %w", name, e.Where(name, set), err)
		}
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := t.Stores.Adopt(name, set, id, e.By, reason); err != nil {
			return err
		}
		return t.Findings.Clear(name, "", fixity.OfStore, fixity.Away, "", fixity.Overtaken, e.By)
	})
}
