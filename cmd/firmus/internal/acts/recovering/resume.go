package recovering

import (
	"context"
	"errors"
	"path"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

// resume ends what an earlier order began that was killed: a new file that is in its place
// already is not put there again, nor is it kept as if it were the damaged one. It is
// recorded if that is lacking, and then read as any other. What was not in its place yet
// stays planned.
func (a Acts) resume(ctx context.Context, u *stores.Used, xs []*Item, o Order) error {
	for _, x := range xs {
		if !slices.Contains(u.Here, x.Set) {
			continue
		}
		var r ledger.Recovery
		var done, ok, meanwhile bool
		if err := a.Ledger.View(ctx, func(t *ledger.Tx) error {
			now, err := t.Copies.At(x.Store, x.Set, x.copy.At)
			if errors.Is(err, fixity.ErrNotFound) || err == nil && now.Condition() != x.copy.Condition() {
				meanwhile, err = isWhole(t, x)
				return err
			}
			if err == nil {
				r, done, ok, err = t.Copies.RecoveryBegun(x.seen.File.ID, x.Finding, x.Store, x.Set)
			}
			return err
		}); err != nil {
			return err
		}
		if meanwhile {
			x.State, x.Why = NotDone, "it was put right meanwhile, by another order or by hand: it is intact there now"
			o.done()
			continue
		}
		if !ok {
			continue
		}
		root, err := u.Root(x.Set, fixity.Bypassed)
		if err != nil || !lies(ctx, root, x.place, x.version) {
			if context.Cause(ctx) != nil {
				return context.Cause(ctx)
			}
			continue
		}
		if o.Reason != "" {
			r.Reason = o.Reason
		}
		if err := a.takeUp(ctx, u, root, x, r, done); err != nil {
			return err
		}
		o.done()
	}
	return a.proveRecovered(ctx, u, xs)
}

// isWhole says that the store of an item holds it as it should by now.
func isWhole(t *ledger.Tx, x *Item) (bool, error) {
	all, err := t.Copies.Of(x.seen.File.ID)
	return slices.ContainsFunc(all, func(c ledger.Copy) bool {
		return c.Store == x.Store && c.Carrier == 0 && c.State == fixity.Intact && c.Held == x.version.N
	}), err
}

// sweepCutOff clears away the new file of a recovery that a kill cut off, whichever order
// comes next: the last one that was ordered in the store wasn't done.
func (a Acts) sweepCutOff(ctx context.Context, u *stores.Used) error {
	var ordered, done ledger.Event
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if ordered, err = t.Log.Last(fixity.RecoveryOrdered, u.Rule.Name); errors.Is(err, fixity.ErrNotFound) {
			return nil
		}
		if err == nil {
			done, err = t.Log.Last(fixity.Recovered, u.Rule.Name)
		}
		if errors.Is(err, fixity.ErrNotFound) {
			err = nil
		}
		return err
	}); err != nil || ordered.Seq <= done.Seq {
		return err
	}
	return a.Sweep(ctx, u, u.Here)
}

// lies says whether a file with the version's bytes lies at the path, by a reading.
func lies(ctx context.Context, root stores.Root, at string, v ledger.Version) bool {
	e, err := root.Stat(ctx, at)
	if err != nil || e.Size != v.Size {
		return false
	}
	f, err := root.Open(ctx, e, 0)
	if err != nil {
		return false
	}
	defer f.Close()
	same, err := isVersion(ctx, f, v)
	return err == nil && same
}

// takeUp makes a copy that is in its place already due at once; done: that is recorded.
func (a Acts) takeUp(ctx context.Context, u *stores.Used, root stores.Root, x *Item, r ledger.Recovery, done bool) error {
	if i := slices.IndexFunc(x.plan.Donors, func(d ledger.Copy) bool { return d.Store == r.From && x.others[d.File] == r.Other }); i >= 0 {
		x.From = a.from(x, x.plan.Donors[i])
	} else if r.From != "" && r.Place == "" {
		x.From = Shown{Store: r.From, Size: x.version.Size} // it was joined, or a disc gave it
	}
	if done {
		x.State, x.Kept = Unread, ""
		if r.Kept != "" {
			x.Kept = a.Path(x.Store, x.Set, r.Kept)
		}
		return a.Ledger.Tx(ctx, a.Now(), func(t *ledger.Tx) error {
			_, _, err := t.Copies.Touched(x.Store, x.Set, x.copy.At, true)
			return err
		})
	}
	r.At = x.place
	if x.Way == repair.MoveBack {
		r.From, r.Place = "", x.foundAt
	}
	p := puttingBack{}
	if x.Way == repair.Replace {
		all, err := a.keptIn(ctx, u, x.Set)
		if err != nil {
			return err
		}
		for _, k := range all {
			if path.Base(path.Dir(k.at)) == x.keep() && strings.HasSuffix(k.at, "."+x.keptAs()) {
				p.kept = k.at
			}
		}
	}
	return a.recovered(ctx, root, x, r, p)
}
