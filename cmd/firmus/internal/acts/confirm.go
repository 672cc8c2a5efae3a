package acts

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Confirming is a root whose listings may be old or partial: what one doesn't show
// is asked for once more before it may be called missing.
type Confirming interface {
	// ConfirmGone looks again for what a listing doesn't show, and says by path what it
	// finds of each. An error that wraps fixity.ErrIncomplete says that the listing is
	// not to be believed.
	ConfirmGone(ctx context.Context, gone []ledger.ServiceItem) (found map[string]ledger.SecondLook, err error)
	// Items are the files and folders of the set with their ids, in the order of their
	// paths, by the newest listing. The path "" comes first: the store's folder. A
	// folder's path ends in a slash.
	Items(ctx context.Context) iter.Seq2[ledger.ServiceItem, error]
	// Public are the paths of the files that whoever has a link may read, without an account.
	Public(ctx context.Context) iter.Seq2[string, error]
	// Remarks are what a person should know of the newest listing: two things of one
	// name, files of an account that may be closed, what lies in the bin.
	Remarks(ctx context.Context) ([]string, error)
}

// confirmGone has a service asked again for what its listing didn't show.
func (e Acts) confirmGone(ctx context.Context, u *stores.Used, a ledger.Audit) error {
	for _, set := range a.Sets {
		root, err := u.Root(set, a.Cache)
		if err != nil {
			return err
		}
		c, ok := stores.Inner(root).(Confirming)
		if !ok {
			continue
		}
		var gone []ledger.ServiceItem
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) error { gone, err = t.Audits.GonePaths(a, set); return err }); err != nil {
			return err
		}
		if err := e.noteItems(ctx, a.Store, set, stores.EachSlowly(ctx, root, c.Items)); err != nil {
			return err
		}
		remarks, err := stores.Slowly(ctx, root, c.Remarks)
		if err != nil && !errors.Is(err, fixity.ErrIncomplete) {
			return err
		}
		if err := e.notePublic(ctx, a, set, stores.EachSlowly(ctx, root, c.Public)); err != nil {
			return err
		}
		for _, r := range remarks {
			e.Sayf("store %s, set %s: %s", a.Store, set, r)
		}
		if len(gone) == 0 {
			continue
		}
		found, err := stores.Slowly(ctx, root, func(ctx context.Context) (map[string]ledger.SecondLook, error) { return c.ConfirmGone(ctx, gone) })
		switch {
		case err == nil:
			if err := e.Ledger.Record(e.Now, e.By).SecondLook(ctx, a, set, found); err != nil {
				return err
			}
		case errors.Is(err, fixity.ErrIncomplete) && !errors.Is(err, fixity.ErrAway):
			if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Audits.Distrust(a.ID, set, err.Error()) }); err != nil {
				return err
			}
		default:
			return err
		}
	}
	return nil
}

// publicNamed is how many items of restricted files that everybody may read are named.
const publicNamed = 5

// notePublic remarks which restricted files of a set a service gives to whoever has a link.
func (e Acts) notePublic(ctx context.Context, a ledger.Audit, set string, paths iter.Seq2[string, error]) error {
	var restricted ledger.Restricted
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { restricted, err = t.Register.Restricted(); return err }); err != nil || restricted.None() {
		return err
	}
	x := fixity.Fact{Is: fixity.Public, Store: a.Store, Set: set}
	for path, err := range paths {
		if errors.Is(err, fixity.ErrIncomplete) {
			break
		}
		if err != nil {
			return fmt.Errorf("what of %s everybody may read: %w", a.Store, err)
		}
		if !restricted.File(set, path) {
			continue
		}
		x.Count++
		if item, _, ok := strings.Cut(path, "/"); ok && len(x.Places) < publicNamed && !slices.Contains(x.Places, fixity.Path(item)) {
			x.Places = append(x.Places, fixity.Path(item))
		}
	}
	if x.Count == 0 {
		return nil
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Audits.NotePublic(a.ID, x) })
}

// noteItems keeps the ids of a service's files, those that are new or have changed.
// Both sides come in the order of their paths. An incomplete listing is the audit's
// to tell; what it showed is noted.
func (e Acts) noteItems(ctx context.Context, store, set string, items iter.Seq2[ledger.ServiceItem, error]) error {
	var known, fresh []ledger.ServiceItem
	after, end := "", false
	flush := func() error {
		if len(fresh) == 0 {
			return nil
		}
		batch := fresh
		fresh = nil
		return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
			for _, x := range batch {
				if err := t.Services.PutItem(store, set, x); err != nil {
					return err
				}
			}
			return nil
		})
	}
	for x, err := range items {
		if errors.Is(err, fixity.ErrIncomplete) {
			break
		}
		if err != nil {
			return fmt.Errorf("ids of what lies in %s: %w", store, err)
		}
		for {
			if len(known) == 0 && !end {
				if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { known, err = t.Services.Items(store, set, after, 1000); return err }); err != nil {
					return err
				}
				if end = len(known) < 1000; len(known) > 0 {
					after = known[len(known)-1].Path
				}
			}
			if len(known) == 0 || known[0].Path >= x.Path {
				break
			}
			known = known[1:]
		}
		if len(known) == 0 || known[0] != x {
			fresh = append(fresh, x)
		}
		if len(fresh) == 1000 {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}
