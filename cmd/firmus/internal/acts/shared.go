package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/manifests"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// An audit that hosts share is led by one of them, which holds AuditLock as long as it does.
// It begins the audit and concludes; what is listed and read between is done by whoever takes
// its shards. All of them share the store's lock, so that an act on the store alone, such as
// bringing files back, waits for the reading that goes on, and no slice begins meanwhile. From
// the listing to the conclusion the leader holds it too: nothing is changed there under it.

// AuditLock is the lock that is held by who leads the audit of a store.
func AuditLock(store string) string { return "audit-" + store }

// sharedWithin is how long the leader of an audit waits for an act on the store to end.
const sharedWithin = 10 * time.Minute

// auditShared leads an audit that hosts share.
func (e Acts) auditShared(ctx context.Context, name string, o AuditOrder, order time.Time, res *AuditResult) error {
	ctx, free, err := e.lead(ctx, name, o.Wait)
	if err != nil {
		return err
	}
	defer free()
	var a ledger.Audit
	p := stores.Purpose{Wait: max(o.Wait, time.Minute), Shares: true, Yields: true}
	if err := e.Stores().Use(ctx, name, p, func(ctx context.Context, u *stores.Used) error {
		if len(u.Away) > 0 {
			others, err := e.Share.Having(ctx, name)
			if err != nil {
				return err
			}
			if len(others) > 0 {
				return fmt.Errorf("store %s isn't found on %s, where this audit was to begin (%s); it is on %s: %w", name, e.Host, report.Facts(u.Away, nil), fixity.And(others), fixity.ErrAway)
			}
		}
		if a, err = e.meet(ctx, u, o, order, res); err == nil && len(a.Sets) > 0 {
			err = e.beginAudit(ctx, u, &a, res)
		}
		return err
	}); err != nil {
		return err
	}
	if len(a.Sets) > 0 {
		p.Wait = sharedWithin
		told := e.tellProgress(ctx, a)
		err = e.leadAudit(ctx, a, res, p)
		told()
	}
	res.Audit = a
	keep := context.WithoutCancel(ctx) // what was done is told also after an interruption
	return errors.Join(err, e.collect(keep, res, o, order))
}

// toldEvery is how often who ordered an audit is told how much hosts have read.
const toldEvery = time.Second

// tellProgress tells of what hosts read in an audit until its end, which is told once more.
func (e Acts) tellProgress(ctx context.Context, a ledger.Audit) (end func()) {
	if e.Progress.Elsewhere == nil {
		return func() {}
	}
	sofar := func() (files, bytes int64, err error) {
		err = e.Ledger.View(context.WithoutCancel(ctx), func(t *ledger.Tx) error { files, bytes, err = t.Hosts.ReadSoFar(a.ID); return err })
		return files, bytes, err
	}
	hadFiles, hadBytes, err := sofar() // of one that was taken up
	if err != nil {
		return func() {}
	}
	tell := func() {
		files, bytes, err := sofar()
		if err == nil && (files > hadFiles || bytes > hadBytes) { // else the database is away
			e.Progress.Elsewhere(a.Store, files-hadFiles, bytes-hadBytes)
			hadFiles, hadBytes = files, bytes
		}
	}
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case <-stop:
				tell()
				return
			case <-time.After(toldEvery):
				tell()
			}
		}
	}()
	return func() { close(stop); <-ended }
}

// holdsEvery is how often the leader of an audit looks whether it still is; holdsWithin how long a
// database may be silent that is asked for the lock.
const (
	holdsEvery  = time.Second
	holdsWithin = 10 * time.Second
)

// lead makes this the leader of a store's audits until free is called. If its lock is lost with
// the connection to the database it takes it again; the context ends if another one was faster.
func (e Acts) lead(ctx context.Context, name string, wait time.Duration) (_ context.Context, free func(), err error) {
	hold := func(wait time.Duration) (func(), func(context.Context) error, error) {
		in, stop := context.WithTimeout(ctx, wait+holdsWithin)
		defer stop()
		return e.Ledger.HoldOwn(in, AuditLock(name), e.Stores().Who(), wait, e.Now)
	}
	unlock, still, err := hold(0)
	var held *ledger.LockedError
	if errors.As(err, &held) && (wait > 0 || e.Order.Hurry) {
		if e.Order.Hurry {
			wait = max(wait, givesWayWithin)
			if done, err := e.Ledger.LockOwn(ctx, AuditLock(name)+wanted, e.Stores().Who(), 0, e.Now); err == nil {
				defer done()
			} // else another one is in a hurry, too
		}
		unlock, still, err = hold(wait)
	}
	if errors.As(err, &held) {
		return ctx, nil, fmt.Errorf("store %s is %w: %s audits it", name, fixity.ErrBusy, held.Holder)
	}
	if err != nil {
		return ctx, nil, err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		defer func() { unlock() }()
		for lost := false; ; {
			select {
			case <-ctx.Done():
				return
			case <-time.After(holdsEvery):
			}
			if !lost {
				if still(ctx) == nil {
					if e.Order.Windows && e.wantedAudit(ctx, name) {
						cancel(stores.ErrGivesWay)
					}
					continue
				}
				unlock()
				lost, unlock = true, func() {}
			}
			free, again, err := hold(0)
			switch {
			case err == nil:
				lost, unlock, still = false, free, again
			case errors.As(err, &held):
				cancel(fmt.Errorf("store %s is %w: while the database was away %s began to audit it", name, fixity.ErrBusy, held.Holder))
			}
		}
	}()
	return ctx, func() { cancel(nil); <-ended }, nil
}

// wanted is what the name of the lock ends in that is held by who waits for an audit's end
// because something changed; givesWayWithin is how long it waits.
const (
	wanted         = ".wanted"
	givesWayWithin = 30 * time.Second
)

// wantedAudit says that a host waits for the end of a store's audit, and that none has given way
// on this host lately.
func (e Acts) wantedAudit(ctx context.Context, name string) bool {
	held, _, err := e.Ledger.HeldOwn(ctx, AuditLock(name)+wanted)
	return err == nil && held && e.Turns != nil && e.Turns.MayGiveWay(AuditLock(name), e.Now())
}

// leadAudit takes a shared audit from phase to phase.
func (e Acts) leadAudit(ctx context.Context, a ledger.Audit, res *AuditResult, p stores.Purpose) error {
	if err := e.leadListing(ctx, a, p); err != nil {
		return err
	}
	for _, phase := range []fixity.Phase{fixity.PhaseFirst, fixity.PhaseRead} {
		if err := e.Share.Work(ctx, a, phase, e.Order.Windows); err != nil {
			return err
		}
		if err := e.Ledger.Record(e.Now, e.By).Advance(ctx, a.ID, phase); err != nil {
			return err
		}
	}
	// What began it anew meanwhile has closed its shards.
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		now, err := t.Audits.Get(a.ID)
		if err == nil && now.Phase != fixity.PhaseDone {
			err = fmt.Errorf("store %s is %w: its audit was begun anew by another process", a.Store, fixity.ErrBusy)
		}
		return err
	}); err != nil {
		return err
	}
	return e.useAll(ctx, a, p, func(ctx context.Context, u *stores.Used) error {
		return manifests.Of(e.Archive).Check(ctx, u, a, &res.manifests)
	})
}

// leadListing has all listed and what a conclusion needs read, and concludes, while nobody has
// the store alone.
func (e Acts) leadListing(ctx context.Context, a ledger.Audit, p stores.Purpose) error {
	ctx, free, err := e.Ledger.HoldStore(ctx, a.Store, e.Stores().Who(), p.Wait, e.Now, true)
	if err != nil {
		return err
	}
	defer free()
	p.Led = true
	for _, phase := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve} {
		if err := e.Share.Work(ctx, a, phase, e.Order.Windows); err != nil {
			return err
		}
		if err := e.useAll(ctx, a, p, func(ctx context.Context, u *stores.Used) error {
			if phase == fixity.PhaseList {
				if err := e.confirmGone(ctx, u, a); err != nil {
					return err
				}
			}
			return e.Auditor(u).RunPhase(ctx, a.ID, phase)
		}); err != nil {
			return err
		}
	}
	return nil
}

// useAll uses a store for an audit. The error wraps fixity.ErrAway if not all of its sets are
// there.
func (e Acts) useAll(ctx context.Context, a ledger.Audit, p stores.Purpose, do func(context.Context, *stores.Used) error) error {
	return e.Stores().Use(ctx, a.Store, p, func(ctx context.Context, u *stores.Used) error {
		if err := needs(u, a.Sets); err != nil {
			return err
		}
		return do(ctx, u)
	})
}

func needs(u *stores.Used, sets []string) error {
	for _, s := range sets {
		if !slices.Contains(u.Here, s) {
			return fmt.Errorf("store %s, set %s: %w", u.Rule.Name, s, fixity.ErrAway)
		}
	}
	return nil
}

// Part is what a host is given of an audit: some of its shards, in one phase.
type Part struct {
	Audit  int64
	Store  string
	Sets   []string // of the shards
	Shards []int64
	Phase  fixity.Phase
}

// Slice does a part of an audit until all of it is done, or enough says so of a file that it
// would begin. It gives how many shards are left. Errors wrap fixity.ErrAway if the store isn't
// there, fixity.ErrBusy if somebody has it alone, fixity.ErrLost if another host works on the
// same shards, fixity.ErrNotFound if the audit is over; and stores.ErrWindow and
// stores.ErrGivesWay.
func (e Acts) Slice(ctx context.Context, p Part, enough func(size int64) bool) (left int64, err error) {
	err = e.Stores().Use(ctx, p.Store, stores.Purpose{Turn: time.Minute, Shares: true, Yields: true, Led: p.Phase == fixity.PhaseList || p.Phase == fixity.PhaseProve}, func(ctx context.Context, u *stores.Used) error {
		if err := needs(u, p.Sets); err != nil {
			return err
		}
		if p.Phase == fixity.PhaseList {
			if err := u.Anew(ctx, p.Audit, p.Sets); err != nil {
				return err
			}
		}
		a := e.Auditor(u)
		a.Enough = enough
		var jobs []fixity.Job
		for _, s := range p.Shards {
			jobs = append(jobs, fixity.Job{Audit: p.Audit, Shard: s})
		}
		return a.Slices(ctx, p.Phase, jobs)
	})
	if err != nil {
		return 0, err
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		left, err = t.Audits.Waiting(p.Audit, p.Phase, p.Shards...)
		return err
	})
	return left, err
}

// FollowUpHere reads on this host what is due in a store ahead of all others.
func (e Acts) FollowUpHere(ctx context.Context, store string, cache fixity.Cache) error {
	p := archive.Soon
	p.Shares = true
	return e.followUpHere(ctx, store, cache, p)
}
