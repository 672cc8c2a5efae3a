package acts

import (
	"context"
	"errors"
	"slices"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Change is something that a service's log tells of: it is no evidence.
type Change struct {
	Set, Path string // Set "": only its id is known
	ID        string
	Dir       bool
	Bytes     bool // it was added, or holds other bytes
}

// Changes are what a service's log tells of since a token.
type Changes struct {
	List   []Change
	Unsure bool // more may have changed
	Token  string
}

// Follower follows a service's log of changes in a store: changed files are due then, and
// the store is listed and judged as at night.
type Follower struct {
	Acts
	Store  string
	Folder string // in the service
	// Ask gives what has changed since a token, "" for now.
	Ask func(ctx context.Context, token string) (Changes, error)
	// Tell is told of each change: a file that holds other bytes by its path, so that it is
	// read; anything else as a reason to list the set, with path "".
	Tell func(set, path string)

	token string // up to which the log was followed; "" is what the ledger says
	kept  string // in the ledger
}

// Once asks what has changed since the last time, tells of it, says how much that is, and
// notes up to when the log was followed: a moment before what was just told, since that has
// yet to be looked at. After a kill it is told again.
func (f *Follower) Once(ctx context.Context) (told int, c Changes, err error) {
	empty := false
	if err := f.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if empty, err = t.Log.Empty(); err == nil && f.token == "" {
			f.token, err = t.Services.LogToken(f.Store, f.Folder)
			f.kept = f.token
		}
		return err
	}); err != nil || empty {
		return 0, c, err // while nothing is under care nothing can happen to it
	}
	if c, err = f.Ask(ctx, f.token); err != nil {
		return 0, c, err
	}
	if told, err = f.tell(ctx, c); err != nil {
		return told, c, err
	}
	keep := c.Token
	if told > 0 && f.token != "" {
		keep = f.token
	}
	f.token = c.Token
	if keep == f.kept {
		return told, c, nil
	}
	if err := f.Ledger.Tx(ctx, f.Now(), func(t *ledger.Tx) error { return t.Services.PutLogToken(f.Store, f.Folder, keep) }); err != nil {
		return told, c, err
	}
	f.kept = keep
	return told, c, nil
}

func (f *Follower) tell(ctx context.Context, c Changes) (told int, err error) {
	rule, _ := f.Rules.Store(f.Store)
	tell := func(set, path string) {
		if slices.Contains(rule.Sets, set) {
			f.Tell(set, path)
			told++
		}
	}
	for _, x := range c.List {
		if x.Set == "" { // only its id is known
			err := f.Ledger.View(ctx, func(t *ledger.Tx) (err error) { x.Set, x.Path, err = t.Services.PlaceOfID(f.Store, x.ID); return err })
			if errors.Is(err, fixity.ErrNotFound) {
				continue
			}
			if err != nil {
				return told, err
			}
		}
		switch {
		case x.Path != "" && f.LeftOut(x.Set, x.Path, x.Dir):
		case x.Bytes && !x.Dir && x.Path != "":
			tell(x.Set, x.Path)
		default:
			tell(x.Set, "")
		}
	}
	if c.Unsure {
		for _, set := range rule.Sets {
			tell(set, "")
		}
	}
	return told, nil
}
