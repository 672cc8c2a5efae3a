package acts

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// ItemFile is a file of an item with the copy that it is taken from.
type ItemFile struct {
	Path    string // SET/PATH
	ModTime time.Time
	Open    func(ctx context.Context) (fixity.Reader, error)
}

// ItemFiles yields the files of an item, in the order of SET/PATH, each from a store
// that was shown to hold its current version: from arrivals where it is intact
// there. A file of which no such copy can be read ends it with an error: what leaves
// the house is whole, or doesn't leave.
func (e *Env) ItemFiles(ctx context.Context, item string) iter.Seq2[ItemFile, error] {
	return func(yield func(ItemFile, error) bool) {
		var fs []ledger.File
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { fs, err = t.FilesOfItem(item); return err }); err != nil {
			yield(ItemFile{}, err)
			return
		}
		fs = slices.DeleteFunc(fs, func(f ledger.File) bool { return !f.Retired.IsZero() })
		if len(fs) == 0 {
			yield(ItemFile{}, fmt.Errorf("no file of item %q is under care: %w", item, fixity.ErrNotFound))
			return
		}
		slices.SortFunc(fs, func(a, b ledger.File) int { return strings.Compare(a.Set+"/"+a.Path, b.Set+"/"+b.Path) })
		for _, f := range fs {
			x, err := e.itemFile(ctx, f)
			if !yield(x, err) || err != nil {
				return
			}
		}
	}
}

func (e *Env) itemFile(ctx context.Context, f ledger.File) (ItemFile, error) {
	name := f.Set + "/" + ledger.DisplayPath(f.Path)
	var copies []ledger.Copy
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { copies, err = t.Copies(f.ID); return err }); err != nil {
		return ItemFile{}, err
	}
	arrivals, _ := e.Rules.Arrivals(f.Set)
	slices.SortStableFunc(copies, func(a, b ledger.Copy) int { return b2i(b.Store == arrivals.Name) - b2i(a.Store == arrivals.Name) })
	last := fmt.Errorf("%s: no intact copy of it is known: %w", name, fixity.ErrRefused)
	for _, c := range copies {
		if f.Version == 0 || c.Held != f.Version || (c.State != fixity.Intact && c.State != fixity.Editing) || !e.listableStore(c.Store) {
			continue
		}
		root, err := e.Root(c.Store, c.Set, fixity.Bypassed)
		if err != nil {
			return ItemFile{}, err
		}
		x, err := root.Stat(ctx, c.At)
		if errors.Is(err, fixity.ErrVanished) || errors.Is(err, fixity.ErrAway) {
			last = fmt.Errorf("%s in %s: %w", name, c.Store, err)
			continue
		}
		if err != nil {
			return ItemFile{}, fmt.Errorf("%s in %s: %w", name, c.Store, err)
		}
		return ItemFile{f.Set + "/" + f.Path, x.ModTime, func(ctx context.Context) (fixity.Reader, error) { return root.Open(ctx, x, 0) }}, nil
	}
	return ItemFile{}, last
}

// WantedDigests are the SHA-256 that an item's files should have, by SET/PATH.
func (e *Env) WantedDigests(ctx context.Context, item string) (map[string]fixity.Digest, error) {
	out := map[string]fixity.Digest{}
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.FilesOfItem(item)
		if err != nil {
			return err
		}
		for _, f := range fs {
			vs, err := t.Versions(f.ID)
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
