package acts

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// ItemFile is a file of an item with the copy that it is taken from.
type ItemFile struct {
	Path    string // SET/PATH
	ModTime time.Time
	Open    func(ctx context.Context) (fixity.Reader, error) // until the next one is asked for
}

// ItemFiles yields the files of an item, in the order of SET/PATH, each from a store
// that was shown to hold its current version: from arrivals where it is intact
// there. A file of which no such copy can be read ends it with an error: what leaves
// the house is whole, or doesn't leave.
func (e Acts) ItemFiles(ctx context.Context, item string) iter.Seq2[ItemFile, error] {
	return func(yield func(ItemFile, error) bool) {
		var fs []ledger.File
		var items []string
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			if fs, err = t.Files.OfItem(item); err == nil && len(fs) == 0 {
				items, err = t.Files.Items()
			}
			return err
		}); err != nil {
			yield(ItemFile{}, err)
			return
		}
		fs = slices.DeleteFunc(fs, func(f ledger.File) bool { return !f.Retired.IsZero() })
		if len(fs) == 0 {
			yield(ItemFile{}, fmt.Errorf("no file of item %q is under care%s: %w", item, spelling.Ask(item, items), fixity.ErrNotFound))
			return
		}
		slices.SortFunc(fs, func(a, b ledger.File) int { return strings.Compare(a.Set+"/"+a.Path, b.Set+"/"+b.Path) })
		for _, f := range fs {
			if !e.itemFile(ctx, f, yield) {
				return
			}
		}
	}
}

// Restricted says that a recording of an item isn't for everybody.
func (e Acts) Restricted(ctx context.Context, item string) (is bool, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		r, err := t.Register.Restricted()
		if err != nil || r.None() {
			return err
		}
		fs, err := t.Files.OfItem(item)
		is = slices.ContainsFunc(fs, func(f ledger.File) bool { return f.Retired.IsZero() && r.File(f.Set, f.Path) })
		return err
	})
	return is, err
}

// itemFile yields one of them, and says whether to go on.
func (e Acts) itemFile(ctx context.Context, f ledger.File, yield func(ItemFile, error) bool) (more bool) {
	name := f.Set + "/" + ledger.DisplayPath(f.Path)
	var copies []ledger.Copy
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { copies, err = t.Copies.Of(f.ID); return err }); err != nil {
		yield(ItemFile{}, err)
		return false
	}
	arrivals, _ := e.Rules.Arrivals(f.Set)
	slices.SortStableFunc(copies, func(a, b ledger.Copy) int { return archive.First(a.Store == arrivals.Name, b.Store == arrivals.Name) })
	last := fmt.Errorf("%s: no intact copy of it is known: %w", name, fixity.ErrRefused)
	for _, c := range copies {
		if !e.Rules.IsOf(c, f.Version) || !care.Whole(c.State) || !e.ListableStore(c.Store) {
			continue
		}
		yielded := false
		err := e.UseBeside(ctx, c.Store, func(ctx context.Context, u *stores.Used) error {
			root, err := u.Root(c.Set, fixity.Bypassed)
			if err != nil {
				return err
			}
			x, err := root.Stat(ctx, c.At)
			if err != nil {
				return err
			}
			yielded = true
			more = yield(ItemFile{f.Set + "/" + f.Path, x.ModTime, func(ctx context.Context) (fixity.Reader, error) { return root.Open(ctx, x, 0) }}, nil)
			return nil
		})
		if yielded {
			return more
		}
		last = fmt.Errorf("%s in %s: %w", name, c.Store, err)
		if !errors.Is(err, fixity.ErrVanished) && !errors.Is(err, fixity.ErrAway) {
			break
		}
	}
	yield(ItemFile{}, last)
	return false
}

// WantedDigests are the SHA-256 that an item's files should have, by SET/PATH.
func (e Acts) WantedDigests(ctx context.Context, item string) (map[string]fixity.Digest, error) {
	out := map[string]fixity.Digest{}
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.Files.OfItem(item)
		if err != nil {
			return err
		}
		for _, f := range fs {
			vs, err := t.Files.Versions(f.ID)
			if err != nil {
				return err
			}
			for _, v := range vs {
				if v.N == f.Version && f.Retired.IsZero() {
					out[f.Set+"/"+f.Path] = v.SHA256
				}
			}
		}
		return nil
	})
	return out, err
}
