package acts

import (
	"context"
	"errors"
	"fmt"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/acts/manifests"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// AuditOrder says what to audit.
type AuditOrder struct {
	Stores []string // none: every store that can be listed
	Full   bool
	Set    string // only this set counts
	Under  string // only what lies at or below this path counts
	Cache  fixity.Cache
	Wait   time.Duration // for a store that another process works on
	// LeftOut is told of each store that an order for all of them leaves out; may be nil.
	LeftOut func(NotAudited)
}

// AuditResult is what the audit of one store gave.
type AuditResult struct {
	Audit      ledger.Audit
	Store      string
	Kind       string
	Adopted    bool
	Complete   bool
	Away       []fixity.Fact // why the store, or roots of it, could not be reached
	Promised   bool          // it is away, and may be
	Listed     int64
	Read       int64
	ReadBefore int64
	Bytes      int64
	ReadBy     map[string]int64 // files that each host has read, also before it was cut off; none: one alone has the ledger
	PutOff     int64            // copies that are due, and wait for another day since the day's bytes are read
	PutOffLen  int64            // their bytes
	States     map[fixity.State]int64
	Intact     ledger.Amount // of those that are intact
	New        int64
	LeftOut    int64
	Settled    int64 // not as they should be, and settled by a person
	Findings   []ledger.Finding
	Fresh      map[int64]bool   // findings that this run opened
	PutRight   []ledger.Finding // that it ended: what they told of is as it should be again
	Trouble    []string         // why it isn't complete
	Warnings   []string         // what somebody should know that is no finding
	Busy       bool             // somebody else works on the store
	Closed     bool             // its window is closed: what is left is due another day
	Cache      fixity.Cache
	manifests  manifests.Made
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
func (e Acts) Audit(ctx context.Context, o AuditOrder) ([]AuditResult, error) {
	names, err := e.auditable(ctx, o)
	if err != nil {
		return nil, err
	}
	left, err := e.NotAudited(ctx, o)
	if err != nil {
		return nil, err
	}
	for _, x := range left {
		e.Sayf("%s", x)
		if o.LeftOut != nil {
			o.LeftOut(x)
		}
	}
	if err := e.NoteStores(ctx); err != nil {
		return nil, err
	}
	e.SweepState(ctx)
	order := e.Now()
	results := make([]AuditResult, len(names))
	errs := make([]error, len(names))
	groups := map[string][]int{}
	for i, d := range e.Stores().Drives(ctx, names) {
		groups[d] = append(groups[d], i)
	}
	var wg sync.WaitGroup
	for _, g := range groups {
		wg.Go(func() {
			for _, i := range g {
				results[i], errs[i] = e.auditStore(ctx, names[i], o, order)
				results[i].Busy, results[i].Closed = errors.Is(errs[i], fixity.ErrBusy), errors.Is(errs[i], stores.ErrWindow)
				if errs[i] != nil {
					results[i].Trouble = append(results[i].Trouble, errs[i].Error())
				}
				if results[i].Busy || results[i].Closed || errors.Is(errs[i], fixity.ErrAway) || errors.Is(errs[i], fixity.ErrExhausted) || errors.Is(errs[i], stores.ErrRetired) {
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
		if err := e.NoteNames(ctx); err != nil {
			return results, err
		}
	}
	if err := e.FollowUp(ctx, o.Cache); err != nil {
		return results, err
	}
	if err := e.judgeTooFew(ctx); err != nil {
		return results, err
	}
	examined := order
	if o.Under == "" && o.Set == "" {
		examined = time.Time{} // also what an earlier audit found, and was ended before it was compared
	}
	if err := e.examineFresh(ctx, order, examined); err != nil {
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
	if _, err := receiving.Of(e.Archive).Sources(ctx); err != nil {
		return results, err
	}
	backups.Of(e.Archive).IfDue(ctx)
	return results, nil
}

// manifestsAfter makes up what stores are owed, and adds what is to be said of it to
// their results. It comes last: a save in the editing window and what the follow-up
// read change what manifests say.
func (e Acts) manifestsAfter(ctx context.Context, results []AuditResult, o AuditOrder) error {
	made := map[string]*manifests.Made{}
	for i := range results {
		made[results[i].Store] = &results[i].manifests
	}
	err := manifests.Of(e.Archive).MakeUp(ctx, made)
	for i := range results {
		r := &results[i]
		r.Warnings = append(r.Warnings, r.manifests.Warnings...)
		r.Trouble = append(r.Trouble, r.manifests.Trouble(o.Set, o.Under)...)
		delete(made, r.Store)
	}
	manifests.Of(e.Archive).Tell(made)
	return err
}

// Scope refuses an order about a folder or file that is nowhere: what was checked there is
// nothing, and must not look like no finding.
func (e Acts) Scope(ctx context.Context, o AuditOrder) error {
	names, err := e.auditable(ctx, o)
	if err != nil || o.Under == "" {
		return err
	}
	if !filepath.IsLocal(filepath.FromSlash(o.Under)) || path.Clean(o.Under) != o.Under {
		return fmt.Errorf("%q is no path in a set: write it as it stands in a finding, without the set's name: %w", o.Under, fixity.ErrRefused)
	}
	for _, n := range names {
		rule, _ := e.Rules.Store(n)
		for _, set := range rule.Sets {
			if o.Set != "" && set != o.Set {
				continue
			}
			known := false
			if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
				if known, err = t.Files.AnyUnder(set, o.Under); err != nil || known {
					return err
				}
				strays, err := t.Strays.Count(n, []string{set}, set, o.Under)
				known = strays > 0
				return err
			}); err != nil || known {
				return err
			}
			// What was never listed may lie there all the same.
			root, err := e.Look(n, set, fixity.Bypassed)
			if err != nil {
				continue
			}
			if _, err := root.Stat(ctx, o.Under); err == nil {
				return nil
			}
			if tops, err := root.Shards(ctx); err == nil && slices.Contains(tops, o.Under) {
				return nil
			}
		}
	}
	return fmt.Errorf("nothing was checked: no file lies at or below %q. Name a folder or file of the set, such as QV-0107: %w", o.Under, fixity.ErrRefused)
}

// judgeTooFew holds the number of copies against the rule, now that all is read.
func (e Acts) judgeTooFew(ctx context.Context) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, s := range e.Rules.Stores {
			if s.Arrivals && e.Listable(s.Kind) {
				if err := t.Audits.JudgeTooFew(s.Name, e.By); err != nil {
					return fmt.Errorf("copies of what arrives in %s: %w", s.Name, err)
				}
			}
		}
		return nil
	})
}

// auditable are the stores an order is about.
func (e Acts) auditable(ctx context.Context, o AuditOrder) ([]string, error) {
	if o.Set != "" {
		if _, ok := e.Rules.Set(o.Set); !ok {
			return nil, fmt.Errorf("set %q is not in the configuration%s: %w", o.Set, spelling.Ask(o.Set, e.Rules.SetNames()), fixity.ErrRefused)
		}
	}
	var names []string
	for _, n := range o.Stores {
		s, ok := e.Rules.Store(n)
		switch {
		case !ok:
			return nil, e.NoStore(ctx, n)
		case !e.Listable(s.Kind):
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
		if e.Listable(s.Kind) && (o.Set == "" || s.Holds(o.Set)) && e.Reaches(s.Name) {
			names = append(names, s.Name)
		}
	}
	return names, nil
}

// NotAudited is a store that an order for all of them leaves out, since it is reached from other
// hosts alone. Having are those of them that run and have found it.
type NotAudited struct {
	Store, Kind   string
	Hosts, Having []string
	here          string
}

func (x NotAudited) String() string {
	where := "none of them runs and has found it"
	if len(x.Having) > 0 {
		where = fixity.And(x.Having) + " has it"
		if len(x.Having) > 1 {
			where = fixity.And(x.Having) + " have it"
		}
	}
	return fmt.Sprintf("store %s is not audited from here: it is reached from %s, and this is %s; %s", x.Store, strings.Join(x.Hosts, ", "), x.here, where)
}

// NotAudited are the stores that an order leaves out.
func (e Acts) NotAudited(ctx context.Context, o AuditOrder) (out []NotAudited, err error) {
	for _, s := range e.Rules.Stores {
		if len(o.Stores) > 0 || !e.Listable(s.Kind) || o.Set != "" && !s.Holds(o.Set) || e.Reaches(s.Name) {
			continue
		}
		x := NotAudited{Store: s.Name, Kind: s.Kind, Hosts: e.Elsewhere(s.Name), here: e.Host}
		if e.Share != nil {
			if x.Having, err = e.Share.Having(ctx, s.Name); err != nil {
				return nil, err
			}
		}
		out = append(out, x)
	}
	return out, nil
}

func (e Acts) auditStore(ctx context.Context, name string, o AuditOrder, order time.Time) (AuditResult, error) {
	rule, _ := e.Rules.Store(name)
	res := AuditResult{Store: name, Kind: rule.Kind, Cache: o.Cache, States: map[fixity.State]int64{}}
	if e.Share != nil {
		if shared, err := e.Share.Takes(ctx, name); err != nil || shared {
			if err == nil {
				err = e.auditShared(ctx, name, o, order, &res)
			}
			return res, err
		}
	}
	err := e.Stores().Use(ctx, name, stores.Purpose{Wait: o.Wait, Yields: true}, func(ctx context.Context, u *stores.Used) error {
		a, err := e.meet(ctx, u, o, order, &res)
		if err != nil {
			return err
		}
		if len(a.Sets) > 0 {
			err = e.runAudit(ctx, u, &a, &res)
		}
		res.Audit = a
		keep := context.WithoutCancel(ctx) // what was done is told also after an interruption
		return errors.Join(err, e.collect(keep, &res, o, order))
	})
	return res, err
}

// meet says how a store was found, and gives the audit of it that is ordered; its Sets are
// empty if nothing can be audited.
func (e Acts) meet(ctx context.Context, u *stores.Used, o AuditOrder, order time.Time, res *AuditResult) (ledger.Audit, error) {
	broken, err := e.reportPresence(ctx, u.Presence)
	if err != nil {
		return ledger.Audit{}, err
	}
	res.Adopted, res.Away, res.Promised = u.Adopted(), u.Away, !broken
	sets := u.Here
	if o.Set != "" {
		sets = slices.DeleteFunc(slices.Clone(sets), func(s string) bool { return s != o.Set })
	}
	if err := e.join(ctx, u.Presence); err != nil {
		return ledger.Audit{}, err
	}
	if o.Under == "" {
		if err := e.Sweep(ctx, u, sets); err != nil {
			return ledger.Audit{}, err
		}
	}
	return ledger.Audit{Store: res.Store, Kind: ledger.Plain, Sets: sets, Set: o.Set, Under: o.Under, Full: o.Full, Cache: o.Cache, By: e.By, Run: order}, nil
}

// counted are the sets whose copies a result counts: those that were there, or all if none was.
func (e Acts) counted(res *AuditResult) []string {
	if len(res.Audit.Sets) > 0 {
		return res.Audit.Sets
	}
	rule, _ := e.Rules.Store(res.Store)
	return rule.Sets
}

func (e Acts) runAudit(ctx context.Context, u *stores.Used, a *ledger.Audit, res *AuditResult) error {
	if err := e.beginAudit(ctx, u, a, res); err != nil {
		return err
	}
	aud := e.Auditor(u)
	if err := aud.ListAll(ctx, a.ID); err != nil {
		return err
	}
	if err := e.confirmGone(ctx, u, *a); err != nil {
		return err
	}
	if err := aud.Run(ctx, a.ID, fixity.PhaseList); err != nil {
		return err
	}
	return manifests.Of(e.Archive).Check(ctx, u, *a, &res.manifests)
}

// beginAudit begins an audit, or takes one up, and cuts it into shards.
func (e Acts) beginAudit(ctx context.Context, u *stores.Used, a *ledger.Audit, res *AuditResult) error {
	tops, err := e.Tops(ctx, u, a.Sets)
	if err != nil {
		return err
	}
	begun := *a
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		taken := false
		if begun, taken, err = t.Audits.Begin(*a); err != nil {
			return err
		}
		if taken {
			if res.ReadBefore, err = t.Audits.CountRead(begun.ID); err != nil {
				return err
			}
		}
		for _, set := range begun.Sets {
			if _, err := t.Audits.AddShards(begun, set, tops[set]); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err // nothing was begun: the ledger's drive is full, for one
	}
	*a = begun
	return nil
}

// collect reads from the ledger what an audit has done.
func (e Acts) collect(ctx context.Context, res *AuditResult, o AuditOrder, order time.Time) error {
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		if res.Audit.ID != 0 {
			p, err := t.Audits.Progress(res.Audit)
			if err != nil {
				return err
			}
			res.Listed, res.LeftOut, res.Read, res.Bytes, res.Complete = p.Listed, p.LeftOut, p.Read, p.Bytes, p.Complete
			if res.ReadBy, err = t.Hosts.ReadBy(res.Audit.ID); err != nil {
				return err
			}
			res.Trouble = append(res.Trouble, p.Trouble...)
			may, err := t.Audits.Portion(res.Audit.ID)
			if err != nil {
				return err
			}
			res.PutOff, res.PutOffLen = may.PutOff, may.PutOffLen
			said, err := t.Audits.Remarks(res.Audit.ID)
			if res.Warnings = report.Each(said); err != nil {
				return err
			}
			if now, err := t.Audits.Get(res.Audit.ID); err != nil {
				return err
			} else if now.Phase != fixity.PhaseDone {
				res.Complete = false
			}
		}
		var err error
		if rule, _ := e.Rules.Store(res.Store); rule.Arrivals {
			res.New, err = t.Strays.Count(res.Store, e.counted(res), o.Set, o.Under)
		}
		return err
	}); err != nil {
		return err
	}
	return e.collectFindings(ctx, res, o, order)
}

func (e Acts) collectFindings(ctx context.Context, res *AuditResult, o AuditOrder, order time.Time) error {
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		var err error
		if res.States, err = t.Copies.StatesOf(res.Store, e.counted(res), o.Set, o.Under); err != nil {
			return err
		}
		if res.Intact, err = t.Copies.AmountOf(res.Store, e.counted(res), o.Set, o.Under, fixity.Intact); err != nil {
			return err
		}
		all, err := t.Findings.Open(res.Store)
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
		ended, err := t.Findings.SettledSince(order)
		if err != nil {
			return err
		}
		res.PutRight = slices.DeleteFunc(ended, func(f ledger.Finding) bool {
			return f.Store != res.Store || f.Settled != fixity.IntactAgain && f.Settled != fixity.PutBack || !counts(f, o)
		})
		res.Settled, err = t.Findings.CountSettled(res.Store, o.Set, o.Under)
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

// FollowUp reads, in every store that is there and free, the copies that are due
// ahead of all others because another copy of the file was found not intact.
func (e Acts) FollowUp(ctx context.Context, cache fixity.Cache) error {
	if cache == fixity.Allowed {
		cache = fixity.Bypassed // it is to say which copy is good
	}
	for _, s := range e.Rules.Stores {
		if !e.Listable(s.Kind) {
			continue
		}
		if err := e.FollowUpStore(ctx, s.Name, cache); err != nil && !archive.StoreOnly(err) {
			return err
		}
	}
	return nil
}

// FollowUpStore is FollowUp in one store. Hosts that share the ledger have it read by one that
// finds the store; but in a use of the store it is read here, since no other one could begin
// before that use ends.
func (e Acts) FollowUpStore(ctx context.Context, store string, cache fixity.Cache) error {
	due := false
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		due, err = t.Audits.AnyAhead(store)
		return err
	}); err != nil || !due {
		return err
	}
	if e.Share != nil && !stores.Uses(ctx, store) {
		if shared, err := e.Share.Takes(ctx, store); err != nil || shared {
			if err == nil {
				err = e.Share.FollowUp(ctx, store, cache)
			}
			return err
		}
	}
	return e.followUpHere(ctx, store, cache, archive.Soon)
}

// followUpHere reads on this computer what is due ahead of all others.
func (e Acts) followUpHere(ctx context.Context, store string, cache fixity.Cache, p stores.Purpose) error {
	due := false
	return e.Stores().Use(ctx, store, p, func(ctx context.Context, u *stores.Used) error {
		if len(u.Here) == 0 {
			return nil
		}
		var a ledger.Audit
		if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
			a, due, err = t.Audits.BeginFollowUp(store, u.Here, cache, e.By)
			return err
		}); err != nil || !due {
			return err
		}
		return e.Auditor(u).Run(ctx, a.ID, a.Phase)
	})
}
