package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
)

// AuditOrder says what to audit.
type AuditOrder struct {
	Stores []string // none: every store that can be listed
	Full   bool
	Set    string // only this set counts
	Under  string // only what lies at or below this path counts
	Cache  fixity.Cache
	Wait   time.Duration // for a store that another process works on
}

// AuditResult is what the audit of one store gave.
type AuditResult struct {
	Audit      ledger.Audit
	Store      string
	Kind       string
	Adopted    bool
	Complete   bool
	Away       []string // why the store, or roots of it, could not be reached
	Promised   bool     // it is away, and may be
	Listed     int64
	Read       int64
	ReadBefore int64
	Bytes      int64
	PutOff     int64 // copies that are due, and wait for another day since the day's bytes are read
	PutOffLen  int64 // their bytes
	States     map[fixity.State]int64
	New        int64
	LeftOut    int64
	Settled    int64 // not as they should be, and settled by a person
	Findings   []ledger.Finding
	Fresh      map[int64]bool // findings that this run opened
	Trouble    []string       // why it isn't complete
	Warnings   []string       // what somebody should know that is no finding
	Busy       bool           // somebody else works on the store
	Cache      fixity.Cache
	manifests  madeUp
}

// Exit is the status that the result gives a command.
func (r AuditResult) Exit() int {
	switch {
	case len(r.Trouble) > 0 || len(r.Away) > 0 && !r.Promised:
		return 3
	case len(r.Findings) > 0:
		return 1
	}
	return 0
}

// Audit audits stores: those on different drives at once, others one after the
// other. Results are in the order of the stores. With an error, those that were
// begun are in the results with what they did.
//
// On a new finding the file's other copies are read before Audit returns, also in
// stores that were not named.
func (e *Env) Audit(ctx context.Context, o AuditOrder) ([]AuditResult, error) {
	names, err := e.auditable(o)
	if err != nil {
		return nil, err
	}
	if err := e.noteStores(ctx); err != nil {
		return nil, err
	}
	e.sweepState(ctx)
	order := e.Now()
	results := make([]AuditResult, len(names))
	errs := make([]error, len(names))
	groups := map[string][]int{}
	for i, n := range names {
		d := ""
		if e.Device != nil {
			d = e.Device(ctx, n)
		}
		groups[d] = append(groups[d], i)
	}
	var wg sync.WaitGroup
	for _, g := range groups {
		wg.Go(func() {
			for _, i := range g {
				results[i], errs[i] = e.auditStore(ctx, names[i], o, order)
				results[i].Busy = errors.Is(errs[i], fixity.ErrBusy)
				if results[i].Busy || errors.Is(errs[i], fixity.ErrAway) {
					results[i].Trouble = append(results[i].Trouble, errs[i].Error())
					errs[i] = nil
				}
			}
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		return results, err
	}
	if o.Under == "" { // it looks at every file
		if err := e.noteNames(ctx); err != nil {
			return results, err
		}
	}
	if err := e.followUp(ctx, o.Cache); err != nil {
		return results, err
	}
	if err := e.judgeFew(ctx); err != nil {
		return results, err
	}
	if err := e.examineFresh(ctx, order); err != nil {
		return results, err
	}
	if err := e.manifestsAfter(ctx, results, o); err != nil {
		return results, err
	}
	// What the follow-up showed may have changed what the findings say.
	for i := range results {
		if err := e.collectFindings(ctx, &results[i], o, order); err != nil {
			return results, err
		}
	}
	// What was received may now be in two stores.
	if _, err := e.Sources(ctx); err != nil {
		return results, err
	}
	e.backupIfDue(ctx)
	return results, nil
}

// manifestsAfter makes up what stores are owed, and adds what is to be said of it to
// their results. It comes last: a save in the editing window and what the follow-up
// read change what manifests say.
func (e *Env) manifestsAfter(ctx context.Context, results []AuditResult, o AuditOrder) error {
	made := map[string]*madeUp{}
	for i := range results {
		made[results[i].Store] = &results[i].manifests
	}
	err := e.makeUp(ctx, made)
	for i := range results {
		r := &results[i]
		r.Warnings = append(r.Warnings, r.manifests.Warnings...)
		r.Trouble = append(r.Trouble, r.manifests.Trouble(o.Set, o.Under)...)
		delete(made, r.Store)
	}
	e.sayMadeUp(made)
	return err
}

// judgeFew holds the number of copies against the rule, now that all is read.
func (e *Env) judgeFew(ctx context.Context) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, s := range e.Rules.Stores {
			if s.Arrivals && e.listable(s.Kind) {
				if err := t.JudgeFew(s.Name, e.By); err != nil {
					return fmt.Errorf("copies of what arrives in %s: %w", s.Name, err)
				}
			}
		}
		return nil
	})
}

// auditable are the stores an order is about.
func (e *Env) auditable(o AuditOrder) ([]string, error) {
	if o.Set != "" {
		if _, ok := e.Rules.Set(o.Set); !ok {
			return nil, fmt.Errorf("set %q is not in the configuration: %w", o.Set, fixity.ErrRefused)
		}
	}
	var names []string
	for _, n := range o.Stores {
		s, ok := e.Rules.Store(n)
		switch {
		case !ok:
			return nil, fmt.Errorf("store %q is not in the configuration: %w", n, fixity.ErrRefused)
		case !e.listable(s.Kind):
			return nil, fmt.Errorf("store %q is of kind %s, which is not audited as a whole: %w", n, s.Kind, fixity.ErrRefused)
		case o.Set != "" && !s.Holds(o.Set):
			return nil, fmt.Errorf("store %q holds no set %q: %w", n, o.Set, fixity.ErrRefused)
		case !slices.Contains(names, n):
			names = append(names, n)
		}
	}
	if len(o.Stores) > 0 {
		return names, nil
	}
	for _, s := range e.Rules.Stores {
		if e.listable(s.Kind) && (o.Set == "" || s.Holds(o.Set)) {
			names = append(names, s.Name)
		}
	}
	return names, nil
}

// listable says that stores of a kind are listed and audited as a whole.
func (e *Env) listable(kind string) bool { return kind == "disk" || kind == cloudKind }

// cloudKind is the kind of store that a service keeps: it reports digests of its
// own, and is only read.
const cloudKind = "cloud"

func (e *Env) auditStore(ctx context.Context, name string, o AuditOrder, order time.Time) (AuditResult, error) {
	rule, _ := e.Rules.Store(name)
	res := AuditResult{Store: name, Kind: rule.Kind, Cache: o.Cache, States: map[fixity.State]int64{}}
	unlock, err := e.lock(ctx, name, o.Wait)
	if err != nil {
		return res, err
	}
	defer unlock()
	p, err := e.reach(ctx, name, false)
	if err != nil {
		return res, err
	}
	broken, err := e.reportPresence(ctx, p)
	if err != nil {
		return res, err
	}
	res.Adopted, res.Away, res.Promised = p.Adopted(), p.Away, !broken
	sets := p.Here
	if o.Set != "" {
		sets = slices.DeleteFunc(slices.Clone(sets), func(s string) bool { return s != o.Set })
	}
	if o.Under == "" {
		if err := e.sweep(ctx, name, sets); err != nil {
			return res, err
		}
	}
	a := ledger.Audit{Store: name, Kind: ledger.Plain, Sets: sets, Set: o.Set, Under: o.Under, Full: o.Full, Cache: o.Cache, By: e.By, Run: order}
	if len(sets) > 0 {
		err = e.runAudit(ctx, &a, &res)
	}
	res.Audit = a
	keep := context.WithoutCancel(ctx) // what was done is told also after an interruption
	if err2 := e.collect(keep, &res, sets, o, order); err2 != nil {
		return res, errors.Join(err, err2)
	}
	return res, err
}

func (e *Env) runAudit(ctx context.Context, a *ledger.Audit, res *AuditResult) error {
	tops, err := e.tops(ctx, a.Store, a.Sets)
	if err != nil {
		return err
	}
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		taken := false
		if *a, taken, err = t.BeginAudit(*a); err != nil {
			return err
		}
		if taken {
			if res.ReadBefore, err = t.ReadInAudit(a.ID); err != nil {
				return err
			}
		}
		for _, set := range a.Sets {
			if _, err := t.AddShards(*a, set, tops[set]); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err
	}
	aud := e.auditor()
	if err := aud.ListAll(ctx, a.ID); err != nil {
		return err
	}
	if err := e.confirmGone(ctx, *a); err != nil {
		return err
	}
	if err := aud.Run(ctx, a.ID, fixity.PhaseList); err != nil {
		return err
	}
	return e.checkManifests(ctx, *a, &res.manifests)
}

// tops are the first-level folders of a store's sets.
func (e *Env) tops(ctx context.Context, store string, sets []string) (map[string][]string, error) {
	out := map[string][]string{}
	for _, set := range sets {
		root, err := e.Root(store, set, fixity.Bypassed)
		if err != nil {
			return nil, err
		}
		if out[set], err = root.Shards(ctx); err != nil {
			return nil, fmt.Errorf("list %s: %w", e.Where(store, set), err)
		}
	}
	return out, nil
}

// collect reads from the ledger what an audit has done.
func (e *Env) collect(ctx context.Context, res *AuditResult, sets []string, o AuditOrder, order time.Time) error {
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		if res.Audit.ID != 0 {
			p, err := t.Progress(res.Audit)
			if err != nil {
				return err
			}
			res.Listed, res.LeftOut, res.Read, res.Bytes, res.Complete = p.Listed, p.LeftOut, p.Read, p.Bytes, p.Complete
			res.Trouble = append(res.Trouble, p.Trouble...)
			may, err := t.Portion(res.Audit.ID)
			if err != nil {
				return err
			}
			res.PutOff, res.PutOffLen = may.PutOff, may.PutOffLen
			if res.Warnings, err = t.Remarks(res.Audit.ID); err != nil {
				return err
			}
			if now, err := t.Audit(res.Audit.ID); err != nil {
				return err
			} else if now.Phase != fixity.PhaseDone {
				res.Complete = false
			}
		}
		all := sets
		if len(sets) == 0 {
			rule, _ := e.Rules.Store(res.Store)
			all = rule.Sets
		}
		var err error
		if res.States, err = t.StatesOf(res.Store, all, o.Set, o.Under); err != nil {
			return err
		}
		if rule, _ := e.Rules.Store(res.Store); rule.Arrivals {
			res.New, err = t.CountStrays(res.Store, all, o.Set, o.Under)
		}
		return err
	}); err != nil {
		return err
	}
	return e.collectFindings(ctx, res, o, order)
}

func (e *Env) collectFindings(ctx context.Context, res *AuditResult, o AuditOrder, order time.Time) error {
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.OpenFindings(res.Store)
		if err != nil {
			return err
		}
		res.Findings, res.Fresh = nil, map[int64]bool{}
		for _, f := range all {
			if !counts(f, o) {
				continue
			}
			res.Findings = append(res.Findings, f)
			res.Fresh[f.ID] = !f.Opened.Before(order)
		}
		res.Settled, err = t.CountSettled(res.Store, o.Set, o.Under)
		return err
	})
}

// counts says that a finding lies in what an order is about.
func counts(f ledger.Finding, o AuditOrder) bool {
	if f.Subject == fixity.OfStore {
		return f.Kind == fixity.Away || o.Set == "" && o.Under == ""
	}
	return (o.Set == "" || f.Set == o.Set) && audit.InScope(o.Under, f.Path)
}

// followUp reads, in every store that is there and free, the copies that are due
// ahead of all others because another copy of the file was found not intact.
func (e *Env) followUp(ctx context.Context, cache fixity.Cache) error {
	if cache == fixity.Allowed {
		cache = fixity.Bypassed // it is to say which copy is good
	}
	for _, s := range e.Rules.Stores {
		if !e.listable(s.Kind) {
			continue
		}
		if err := e.followUpStore(ctx, s.Name, cache); err != nil && !errors.Is(err, fixity.ErrBusy) && !errors.Is(err, fixity.ErrAway) {
			return err
		}
	}
	return nil
}

func (e *Env) followUpStore(ctx context.Context, store string, cache fixity.Cache) error {
	due := false
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		due, err = t.AnyAhead(store)
		return err
	}); err != nil || !due {
		return err
	}
	unlock, err := e.lock(ctx, store, 0)
	if err != nil {
		return err
	}
	defer unlock()
	p, err := e.reach(ctx, store, false)
	if err != nil || len(p.Here) == 0 {
		return err
	}
	var a ledger.Audit
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
		a, due, err = t.BeginFollowUp(store, p.Here, cache, e.By)
		return err
	}); err != nil || !due {
		return err
	}
	return e.auditor().Run(ctx, a.ID, fixity.PhaseRead)
}
