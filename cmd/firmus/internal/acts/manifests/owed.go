package manifests

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
)

// madeUp is what was done about the manifests of a store.
type Made struct {
	Written  int
	Warnings []string
	trouble  []folderTrouble
}

// folderTrouble is why a folder's manifest could not be looked at or written. It stays
// owed.
type folderTrouble struct{ set, folder, text string }

// note keeps what is wrong with one folder, so that the others come to their turn. It
// gives back what concerns them all: an interruption, or a ledger that is busy.
func (m *Made) note(ctx context.Context, set, folder, store, what string, err error) error {
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
func (m *Made) Trouble(set, under string) (out []string) {
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
		out = append(out, "and those of "+fixity.Count(more, "more folder"))
	}
	return out
}

// WriteOwed writes the manifests that a store is owed in some of its sets. A folder that
// isn't there gets none before it is; one that can't be written is noted in m, and the
// others are written all the same.
func (e Acts) WriteOwed(ctx context.Context, u *stores.Used, sets []string, m *Made) error {
	store := u.Rule.Name
	if !e.WritesInto(store) {
		return nil
	}
	owed, err := e.owed(ctx, store)
	if err != nil {
		return err
	}
	roots, folders := map[string]stores.Root{}, map[string][]string{}
	for _, set := range sets {
		if !slices.ContainsFunc(owed, func(o ledger.OwedManifest) bool { return o.Set == set }) {
			continue
		}
		if roots[set], err = u.Root(set, fixity.Bypassed); err != nil {
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
func (e Acts) forgiveManifest(ctx context.Context, o ledger.OwedManifest) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		left, err := t.Manifests.Lines(o.Store, o.Set, o.Folder, "", 1)
		if err != nil || len(left) > 0 {
			return err
		}
		return t.Manifests.Paid(o)
	})
}

func (e Acts) owed(ctx context.Context, store string) (out []ledger.OwedManifest, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		out, err = t.Manifests.Owed(store)
		return err
	})
	return out, err
}

// MakeUp writes what is owed in all stores that are there and free, and adds what was
// done to made, by store. In a store that another process works on, that one makes it
// up when it ends.
func (e Acts) MakeUp(ctx context.Context, made map[string]*Made) error {
	for _, s := range e.Rules.Stores {
		if !e.WritesInto(s.Name) {
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
			made[s.Name] = &Made{}
		}
		if err := e.Stores().Use(ctx, s.Name, archive.Soon, func(ctx context.Context, u *stores.Used) error {
			return e.WriteOwed(ctx, u, u.Here, made[s.Name])
		}); err != nil && !archive.StoreOnly(err) {
			return err
		}
	}
	return nil
}

// MakeUpSaying is makeUp after an act of a person, whose result has no room for it.
func (e Acts) MakeUpSaying(ctx context.Context) error {
	made := map[string]*Made{}
	err := e.MakeUp(ctx, made)
	e.Tell(made)
	return err
}

func (e Acts) Tell(made map[string]*Made) {
	for _, store := range slices.Sorted(maps.Keys(made)) {
		for _, w := range slices.Concat(made[store].Warnings, made[store].Trouble("", "")) {
			e.Sayf("%s", w)
		}
	}
}
