package archive

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// RulesNow are the rules with where the stores lie now: looked at this moment, and for
// those that aren't there as they were last seen. Nothing is written.
func (e *Archive) RulesNow(ctx context.Context) (care.Rules, error) {
	_, volumes, err := e.volumes(ctx)
	return e.Rules.OnVolumes(volumes), err
}

func (e *Archive) volumes(ctx context.Context) (kept, now map[care.RootOf]string, err error) {
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { kept, err = t.Stores.Volumes(); return err }); err != nil {
		return nil, nil, err
	}
	return kept, care.VolumesOf(kept, e.Stores().Lie(ctx), ledger.NewID), nil
}

// NoteVolumes keeps where the stores lie, and says when stores turn out to lie on one
// volume. Copies are counted by it from then on.
func (e *Archive) NoteVolumes(ctx context.Context) error {
	kept, now, err := e.volumes(ctx)
	if err != nil || maps.Equal(kept, now) {
		return err
	}
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Stores.PutVolumes(now) }); err != nil {
		return fmt.Errorf("note where the stores lie: %w", err)
	}
	was := map[string]bool{}
	for _, x := range e.Rules.OnVolumes(kept).Shared() {
		was[x.Words()] = true
	}
	for _, x := range e.Rules.OnVolumes(now).Shared() {
		if !was[x.Words()] {
			e.Sayf("%s", x.Words())
		}
	}
	return nil
}

// SameFile says that two paths in roots are two names of one file. Where the system
// doesn't tell, or either isn't there, they are not known to be.
func SameFile(ctx context.Context, a any, atA string, b any, atB string) (bool, error) {
	x, ok := a.(stores.Identified)
	y, ok2 := b.(stores.Identified)
	if !ok || !ok2 {
		return false, nil
	}
	one, err := x.FileID(ctx, atA)
	if err != nil || one == "" {
		return false, passable(ctx, err)
	}
	two, err := y.FileID(ctx, atB)
	return err == nil && one == two, passable(ctx, err)
}

// passable is the error of a look that failed: none but that the act was stopped.
func passable(ctx context.Context, err error) error {
	if err != nil && context.Cause(ctx) != nil {
		return context.Cause(ctx)
	}
	return nil
}

// NoteNames finds copies that are one file under two names, in stores that share a file
// system: they are one copy, always. A file system can't be shared by others, so
// nothing is looked at where none is. Files are compared now; no number of a file is kept.
func (e *Archive) NoteNames(ctx context.Context) error {
	for _, set := range e.Rules.Sets {
		in := e.together(ctx, set.Name)
		if len(in) < 2 {
			continue
		}
		for after := ""; ; {
			var page []ledger.File
			if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
				return t.Files.Each(set.Name, after, namesPage, func(f ledger.File) error { page = append(page, f); return nil })
			}); err != nil {
				return err
			}
			if err := e.namesOf(ctx, set.Name, in, page); err != nil {
				return err
			}
			if len(page) < namesPage {
				break
			}
			after = page[len(page)-1].Path
		}
	}
	return nil
}

const namesPage = 500

// together are the stores whose roots of a set lie on a file system that another
// store's root of that set lies on too, in the configuration's order, arrivals first.
func (e *Archive) together(ctx context.Context, set string) []string {
	byDevice := map[string][]string{}
	for r, l := range e.Stores().Lie(ctx) {
		if r.Set == set && l.Device != "" {
			byDevice[l.Device] = append(byDevice[l.Device], r.Store)
		}
	}
	var out []string
	for _, s := range e.Rules.Stores {
		for _, on := range byDevice {
			if len(on) > 1 && slices.Contains(on, s.Name) {
				out = append(out, s.Name)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b string) int {
		x, _ := e.Rules.Store(a)
		y, _ := e.Rules.Store(b)
		return First(x.Arrivals, y.Arrivals)
	})
	return out
}

// namesOf compares the copies of a page of files, and records what is new.
func (e *Archive) namesOf(ctx context.Context, set string, in []string, page []ledger.File) error {
	roots := map[string]stores.Root{}
	for _, s := range in {
		root, err := e.Stores().Root(s, set, fixity.Bypassed)
		if err != nil {
			return err
		}
		roots[s] = root
	}
	type found struct {
		copy ledger.Copy
		same string
	}
	all := make([][]ledger.Copy, len(page))
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		for i, f := range page {
			if all[i], err = t.Copies.Of(f.ID); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err
	}
	var changed []found
	for _, copies := range all {
		first := map[string]string{} // file's identity -> the store in which it was seen first
		for _, s := range in {
			for _, c := range copies {
				if c.Store != s || c.Carrier != 0 || !c.Seen() {
					continue
				}
				x, ok := roots[s].(stores.Identified)
				if !ok {
					continue
				}
				id, err := x.FileID(ctx, c.At)
				if err := passable(ctx, err); err != nil {
					return err
				}
				if errors.Is(err, fixity.ErrAway) {
					return nil // it went: what was known stays
				}
				if err != nil || id == "" {
					continue // it isn't there: what was known stays
				}
				same := first[id]
				if same == "" {
					first[id] = s
				}
				if c.SameAs != same {
					changed = append(changed, found{c, same})
				}
			}
		}
	}
	if len(changed) == 0 {
		return nil
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, x := range changed {
			now, err := t.Copies.At(x.copy.Store, x.copy.Set, x.copy.At)
			if errors.Is(err, fixity.ErrNotFound) || err == nil && now.File != x.copy.File {
				continue // what lies there is another one by now
			}
			if err != nil {
				return err
			}
			fresh, err := t.Copies.SetSameAs(now, x.same)
			if err != nil {
				return err
			}
			if !fresh {
				continue
			}
			if x.same != "" {
				e.Sayf("%s/%s in %s is the very file that %s has, under a second name (a hard link): the two are one copy. Copy the file's bytes there instead",
					x.copy.Set, ledger.DisplayPath(x.copy.At), x.copy.Store, x.same)
			}
			if err := t.Findings.Rejudge(x.copy.File, 0, e.By, "", nil); err != nil {
				return err
			}
		}
		return nil
	})
}
