package acts

import (
	"context"
	"errors"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// nowhere is a path that nothing under care can have: an audit of it lists a whole
// set, concludes, and reads nothing but what is due ahead of all others.
const nowhere = ".firmus"

// Touched makes files of a root that are said to have changed due: masters, and all that a
// service tells of, ahead of all others. The service's log names each file whose bytes
// were exchanged, so wherever they lie they are read by the next look. seen says that one
// of them was ever seen there; unknown that one lies there under no one's care, in a store
// in which new files appear.
func (e Acts) Touched(ctx context.Context, store, set string, paths []string) (seen, unknown bool, err error) {
	x, _ := e.Rules.Set(set)
	rule, _ := e.Rules.Store(store)
	ahead := x.Role == fixity.Master || rule.Kind == archive.CloudKind
	var strange []string
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, p := range paths {
			n, expected, err := t.Copies.Touched(store, set, p, ahead)
			if err != nil {
				return err
			}
			seen = seen || n > 0
			if expected == 0 {
				strange = append(strange, p)
			}
		}
		return nil
	}); err != nil {
		return seen, true, err
	}
	if !rule.Arrivals {
		return seen, false, nil // what is new there is nobody's to take in
	}
	root, err := e.Look(store, set, fixity.Bypassed)
	if err != nil {
		return seen, true, err
	}
	for _, p := range strange {
		x, err := root.Stat(ctx, p)
		if errors.Is(err, fixity.ErrVanished) || err == nil && x.Type != fixity.File {
			continue
		}
		return seen, true, nil
	}
	return seen, false, nil
}

// LookAt lists a set of a store and concludes, after something happened at paths. Of what
// is due it reads what lies in the folder that all of them are in, so also a file that
// has come back, and what is due ahead of all others.
func (e Acts) LookAt(ctx context.Context, store, set string, paths []string) ([]AuditResult, error) {
	return e.Audit(ctx, AuditOrder{Stores: []string{store}, Set: set, Under: commonFolder(paths)})
}

// commonFolder is the path, or the folder, in which all of the paths lie; nowhere if they
// lie all over the set.
func commonFolder(paths []string) string {
	if len(paths) == 0 {
		return nowhere
	}
	under := paths[0]
	for _, p := range paths[1:] {
		for p != under && !strings.HasPrefix(p, under+"/") {
			i := strings.LastIndexByte(under, '/')
			if i < 0 {
				return nowhere
			}
			under = under[:i]
		}
	}
	return under
}

// Here says that a store's marker, or where it has none something, lies in one of its roots.
func (e Acts) Here(ctx context.Context, store string) bool {
	rule, _ := e.Rules.Store(store)
	for _, set := range rule.Sets {
		root, err := e.Look(store, set, fixity.Bypassed)
		if err != nil {
			continue
		}
		if id, err := root.Identify(ctx); err == nil && (id.Marked() || !id.Empty && (e.NoMarker(store) || rule.Visiting)) {
			return true
		}
	}
	return false
}
