package acts

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
)

// madeUp is what was done about the manifests of a store.
type madeUp struct {
	Written  int
	Warnings []string
	trouble  []folderTrouble
}

// folderTrouble is why a folder's manifest could not be looked at or written. It stays
// owed.
type folderTrouble struct{ set, folder, text string }

// note keeps what is wrong with one folder, so that the others come to their turn. It
// gives back what concerns them all: an interruption, or a ledger that is busy.
func (m *madeUp) note(ctx context.Context, set, folder, store, what string, err error) error {
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case errors.Is(err, fixity.ErrBusy) || errors.Is(err, ledger.ErrDamaged):
		return err
	}
	for _, t := range m.trouble {
		if t.set == set && t.folder == folder {
			return nil // it was not looked at, and is not written for the same reason
		}
	}
	m.trouble = append(m.trouble, folderTrouble{set, folder, fmt.Sprintf(
		"the manifest of %s in %s could not be %s; the next intake or audit tries again: %v", describeFolder(set, folder), store, what, err)})
	return nil
}

// troubleShown is how many folders are named whose manifests could not be written.
const troubleShown = 5

// Trouble says in words what could not be done within a set and below a path; "" is all.
func (m *madeUp) Trouble(set, under string) (out []string) {
	more := 0
	for _, t := range m.trouble {
		switch {
		case set != "" && set != t.set || !audit.InScope(under, manifestPath(t.folder)):
		case len(out) < troubleShown:
			out = append(out, t.text)
		default:
			more++
		}
	}
	if more > 0 {
		out = append(out, fmt.Sprintf("and those of %d more folders", more))
	}
	return out
}

// writesInto says that Firmus keeps manifests in a store.
func (e *Env) writesInto(store string) bool {
	s, ok := e.Rules.Store(store)
	return ok && s.Manifests && e.listable(s.Kind) && s.Kind != cloudKind
}

// writeOwed writes the manifests that a store is owed in some of its sets. The caller
// holds the store's lock. A folder that isn't there gets none before it is; one that
// can't be written is noted in m, and the others are written all the same.
func (e *Env) writeOwed(ctx context.Context, store string, sets []string, m *madeUp) error {
	if !e.writesInto(store) {
		return nil
	}
	owed, err := e.owed(ctx, store)
	if err != nil {
		return err
	}
	roots, folders := map[string]Root{}, map[string][]string{}
	for _, set := range sets {
		if !slices.ContainsFunc(owed, func(o ledger.OwedManifest) bool { return o.Set == set }) {
			continue
		}
		if roots[set], err = e.Root(store, set, fixity.Bypassed); err != nil {
			return err
		}
		if folders[set], err = roots[set].Shards(ctx); err != nil {
			delete(roots, set)
			if err := m.note(ctx, set, "", store, "written", err); err != nil {
				return err
			}
		}
	}
	for _, o := range owed {
		root, there := roots[o.Set]
		if !there {
			continue
		}
		if _, lies := slices.BinarySearch(folders[o.Set], o.Folder); !lies {
			if err := e.forgiveManifest(ctx, o); err != nil {
				return err
			}
			continue
		}
		wrote, warnings, err := e.writeManifest(ctx, root, o)
		m.Warnings = append(m.Warnings, warnings...)
		if wrote {
			m.Written++
		}
		if err := m.note(ctx, o.Set, o.Folder, store, "written", err); err != nil {
			return err
		}
		if errors.Is(err, fixity.ErrAway) {
			delete(roots, o.Set)
		}
	}
	return nil
}

// forgiveManifest ends what is owed to a folder that isn't there, if no copy is
// expected in it any more.
func (e *Env) forgiveManifest(ctx context.Context, o ledger.OwedManifest) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		left, err := t.ManifestLines(o.Store, o.Set, o.Folder, "", 1)
		if err != nil || len(left) > 0 {
			return err
		}
		return t.PaidManifest(o)
	})
}

func (e *Env) owed(ctx context.Context, store string) (out []ledger.OwedManifest, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		out, err = t.OwedManifests(store)
		return err
	})
	return out, err
}

// makeUp writes what is owed in all stores that are there and free, and adds what was
// done to made, by store. In a store that another process works on, that one makes it
// up when it ends.
func (e *Env) makeUp(ctx context.Context, made map[string]*madeUp) error {
	for _, s := range e.Rules.Stores {
		if !e.writesInto(s.Name) {
			continue
		}
		owed, err := e.owed(ctx, s.Name)
		if err != nil {
			return err
		}
		if len(owed) == 0 {
			continue
		}
		if made[s.Name] == nil {
			made[s.Name] = &madeUp{}
		}
		if err := e.makeUpIn(ctx, s.Name, made[s.Name]); err != nil && !errors.Is(err, fixity.ErrBusy) && !errors.Is(err, fixity.ErrAway) {
			return err
		}
	}
	return nil
}

func (e *Env) makeUpIn(ctx context.Context, store string, m *madeUp) error {
	unlock, err := e.lock(ctx, store, 0)
	if err != nil {
		return err
	}
	defer unlock()
	p, err := e.reach(ctx, store, false)
	if err != nil {
		return err
	}
	return e.writeOwed(ctx, store, p.Here, m)
}

// makeUpSaying is makeUp after an act of a person, whose result has no room for it.
func (e *Env) makeUpSaying(ctx context.Context) error {
	made := map[string]*madeUp{}
	err := e.makeUp(ctx, made)
	e.sayMadeUp(made)
	return err
}

func (e *Env) sayMadeUp(made map[string]*madeUp) {
	for _, store := range slices.Sorted(maps.Keys(made)) {
		for _, w := range slices.Concat(made[store].Warnings, made[store].Trouble("", "")) {
			e.say("%s", w)
		}
	}
}
