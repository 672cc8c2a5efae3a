package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// IntakeOrder says what to take in.
type IntakeOrder struct {
	Sets  []string // none: all
	Cache fixity.Cache
	Wait  time.Duration
	// Ripe says whether a new file in an arrivals store may be taken in now; nil: all may.
	Ripe func(store, set string, s ledger.Stray) bool
}

// IntakeResult is what an intake did.
type IntakeResult struct {
	Taken      int64            `json:"taken"` // files taken under care
	Bytes      int64            `json:"bytes"`
	Agreed     int64            `json:"agreed"`   // of them: a second store, or a list beside them, agrees
	OneOnly    int64            `json:"one_only"` // known from one place only
	Disputed   int64            `json:"disputed"`
	Unfinished int64            `json:"unfinished"` // not whole recordings: findings were opened
	Manifests  int              `json:"manifests"`
	Stores     []string         `json:"stores"` // compared
	Warnings   []string         `json:"warnings"`
	Trouble    []string         `json:"trouble"` // what could not be read, and stays untaken; manifests that could not be written
	Notes      []SoundNote      `json:"notes"`   // what is odd about the files themselves
	Findings   []ledger.Finding `json:"-"`       // disputed files, unfinished ones
}

// Exit is the status that the result gives a command.
func (r IntakeResult) Exit() int {
	switch {
	case len(r.Trouble) > 0:
		return 3
	case r.Disputed > 0 || r.Unfinished > 0:
		return 1
	}
	return 0
}

// Batches are committed when they have so many files, or are so old: a kill loses
// no more than that, and the next intake takes it in.
const (
	intakeFiles = 500
	intakeAfter = time.Second
)

type intake struct {
	e       *Env
	o       IntakeOrder
	order   time.Time
	res     IntakeResult
	here    map[string][]string // sets by store, of the stores that are there
	warned  map[string]bool
	batch   []arrival
	set     string
	audit   ledger.Audit
	last    time.Time
	lists   Provided
	listsOf string // set/top that lists is of
}

// Intake takes the new files of the arrivals stores under care. All stores within
// reach that hold a file of the same path are read and compared: where they agree
// the file is taken in; where they, or a checksum list beside the files, differ it
// is disputed and no digest has authority. Manifests are written in the end.
func (e *Env) Intake(ctx context.Context, o IntakeOrder) (IntakeResult, error) {
	in := &intake{e: e, o: o, order: e.Now(), here: map[string][]string{}, warned: map[string]bool{}}
	in.res.Stores, in.res.Notes = []string{}, []SoundNote{}
	sets, err := e.intakeSets(o)
	if err != nil {
		return in.res, err
	}
	if err := e.noteStores(ctx); err != nil {
		return in.res, err
	}
	unlock, err := in.lockAll(ctx)
	if err != nil {
		return in.res, err
	}
	defer unlock()
	if err := in.reachAll(ctx, sets); err != nil {
		return in.res, err
	}
	e.sweepState(ctx)
	for store, sets := range in.here {
		if err := e.sweep(ctx, store, sets); err != nil {
			return in.res, err
		}
	}
	for _, set := range sets {
		if err := in.takeSet(ctx, set); err != nil {
			return in.res, errors.Join(err, in.commit(context.WithoutCancel(ctx)))
		}
	}
	if err := e.noteNames(ctx); err != nil {
		return in.res, err
	}
	if err := in.writeManifests(ctx); err != nil {
		return in.res, err
	}
	if err := in.collectFindings(ctx); err != nil {
		return in.res, err
	}
	e.backupIfDue(ctx)
	return in.res, nil
}

func (e *Env) intakeSets(o IntakeOrder) ([]string, error) {
	var out []string
	for _, n := range o.Sets {
		if _, ok := e.Rules.Set(n); !ok {
			return nil, fmt.Errorf("set %q is not in the configuration: %w", n, fixity.ErrRefused)
		}
		out = append(out, n)
	}
	if len(out) == 0 {
		for _, s := range e.Rules.Sets {
			out = append(out, s.Name)
		}
	}
	return out, nil
}

// compares says that stores of a kind are read and compared at intake. A service's
// are not downloaded for it: their audit holds what they report against the version.
func (in *intake) compares(kind string) bool { return in.e.listable(kind) && kind != cloudKind }

// lockAll takes every store that is read, in the order of their names so that two
// intakes can't wait for each other.
func (in *intake) lockAll(ctx context.Context) (func(), error) {
	var names []string
	for _, s := range in.e.Rules.Stores {
		if in.compares(s.Kind) {
			names = append(names, s.Name)
		}
	}
	slices.Sort(names)
	var unlocks []func()
	all := func() {
		for _, u := range unlocks {
			u()
		}
	}
	for _, n := range names {
		u, err := in.e.lock(ctx, n, in.o.Wait)
		if err != nil {
			all()
			return nil, err
		}
		unlocks = append(unlocks, u)
	}
	return all, nil
}

// reachAll finds out which stores are there, and lists the sets in them. Arrivals
// must be there; what it holds is also concluded, so that a file that was only
// moved isn't taken in as a new one.
func (in *intake) reachAll(ctx context.Context, sets []string) error {
	e := in.e
	for _, arrivals := range []bool{true, false} {
		for _, s := range e.Rules.Stores {
			if s.Arrivals != arrivals || !in.compares(s.Kind) {
				continue
			}
			p, err := e.reach(ctx, s.Name, s.Arrivals)
			if err != nil {
				return err
			}
			for _, text := range p.Foreign {
				if !s.Arrivals {
					in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("store %s: %s", s.Name, text))
				}
			}
			if s.Arrivals && len(p.Away) > 0 {
				return fmt.Errorf("store %s, where new files appear: %s: %w", s.Name, p.Away[0], fixity.ErrAway)
			}
			there := p.Here
			if !s.Arrivals {
				// A store that was never adopted may be compared all the same: that
				// reads it and claims nothing of what isn't there.
				there = append(slices.Clone(there), p.First...)
			}
			there = slices.DeleteFunc(slices.Clone(there), func(set string) bool { return !slices.Contains(sets, set) })
			if err := in.listStore(ctx, s.Name, there, s.Arrivals); err != nil {
				return err
			}
		}
	}
	for _, set := range sets {
		a, ok := e.Rules.Arrivals(set)
		if !ok || !slices.Contains(in.here[a.Name], set) {
			if err := in.notThere(ctx, a.Name, set); err != nil {
				return err
			}
		}
	}
	return nil
}

// notThere says why a set's arrivals root isn't looked at: it lacks, or is empty.
func (in *intake) notThere(ctx context.Context, store, set string) error {
	root, err := in.e.Root(store, set, fixity.Bypassed)
	if err != nil {
		return err
	}
	if _, err := root.Identify(ctx); err != nil {
		return fmt.Errorf("store %s, set %s: %w", store, set, err)
	}
	in.e.say("store %s, set %s (%s): nothing lies there", store, set, in.e.Where(store, set))
	return nil
}

func (in *intake) listStore(ctx context.Context, store string, sets []string, conclude bool) error {
	e := in.e
	var there []string
	tops := map[string][]string{}
	for _, set := range sets {
		t, err := e.tops(ctx, store, []string{set})
		if errors.Is(err, fixity.ErrAway) && !conclude {
			continue
		}
		if err != nil {
			return err
		}
		there, tops[set] = append(there, set), t[set]
	}
	if len(there) == 0 {
		return nil
	}
	a := ledger.Audit{Store: store, Kind: ledger.Intake, Sets: there, Cache: in.o.Cache, By: e.By, Run: in.order}
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
		if a, _, err = t.BeginAudit(a); err != nil {
			return err
		}
		for _, set := range there {
			if _, err := t.AddShards(a, set, tops[set]); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err
	}
	aud := e.auditor()
	phases := []fixity.Phase{fixity.PhaseList}
	if conclude {
		phases = append(phases, fixity.PhaseProve)
	}
	for _, ph := range phases {
		if err := aud.RunPhase(ctx, a.ID, ph); err != nil {
			return err
		}
	}
	in.here[store] = there
	if !conclude {
		in.res.Stores = append(in.res.Stores, store)
	} else {
		in.res.Stores = append([]string{store}, in.res.Stores...)
		in.audit = a
	}
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		p, err := t.Progress(a)
		for _, x := range p.Trouble {
			in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("store %s: %s", store, x))
		}
		if err != nil {
			return err
		}
		said, err := t.Remarks(a.ID)
		in.res.Warnings = append(in.res.Warnings, said...)
		return err
	})
}

// takeSet takes in what arrivals holds of a set under no one's care.
func (in *intake) takeSet(ctx context.Context, set string) error {
	e := in.e
	a, _ := e.Rules.Arrivals(set)
	if !slices.Contains(in.here[a.Name], set) {
		return nil
	}
	in.set, in.last = set, e.Now()
	for afterTop, after := "", ""; ; {
		var page []ledger.Stray
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			page, err = t.Strays(a.Name, set, afterTop, after, 1000)
			return err
		}); err != nil {
			return err
		}
		for _, s := range page {
			afterTop, after = ledger.Top(s.Path), s.Path
			// What belongs to a misplaced file waits for a person's word; what was
			// retired or left in peace stays out.
			if s.File != 0 || s.Peace || in.o.Ripe != nil && !in.o.Ripe(a.Name, set, s) {
				continue
			}
			if twin, err := in.twinOf(ctx, set, s.Path); err != nil {
				return err
			} else if twin != "" {
				in.res.Warnings = append(in.res.Warnings, fmt.Sprintf("%s/%s was not taken in: by its name it is a second version of %s. Look at both; rename it if it is to be kept",
					set, ledger.DisplayPath(s.Path), ledger.DisplayPath(twin)))
				continue
			}
			if err := in.one(ctx, a.Name, s.Path); err != nil {
				return err
			}
		}
		if len(page) < 1000 {
			return in.commit(ctx)
		}
	}
}

func (in *intake) twinOf(ctx context.Context, set, path string) (twin string, err error) {
	err = in.e.Ledger.View(ctx, func(t *ledger.Tx) error {
		twin, err = t.TwinOf(set, path)
		return err
	})
	return twin, err
}

// commit takes the batch in: one transaction, one event.
func (in *intake) commit(ctx context.Context) error {
	batch := in.batch
	in.batch, in.last = nil, in.e.Now()
	if len(batch) == 0 {
		return nil
	}
	var files, size, agreed, disputed int64
	err := in.e.Ledger.Tx(ctx, in.e.Now(), func(t *ledger.Tx) error {
		for _, x := range batch {
			if err := in.e.takeIn(t, in.set, x, in.audit.ID); err != nil {
				return fmt.Errorf("take in %q: %w", x.path, err)
			}
			files, size = files+1, size+x.held[0].taken.Sums.Size
			switch {
			case x.disputed != "":
				disputed++
			case x.vouched:
				agreed++
			}
		}
		return t.TakenIn(in.audit, in.set, in.e.By, results(batch))
	})
	if err != nil {
		return err
	}
	for _, x := range batch {
		in.res.Notes = append(in.res.Notes, worthTelling(in.set, x.path, x.sound.Notes)...)
	}
	in.res.Taken, in.res.Bytes, in.res.Agreed, in.res.Disputed = in.res.Taken+files, in.res.Bytes+size, in.res.Agreed+agreed, in.res.Disputed+disputed
	in.res.OneOnly = in.res.Taken - in.res.Agreed - in.res.Disputed
	return nil
}

// writeManifests writes the manifests that are owed, of what was taken in and of what
// a kill or a folder that could not be written left earlier.
func (in *intake) writeManifests(ctx context.Context) error {
	for _, s := range in.e.Rules.Stores {
		var m madeUp
		if err := in.e.writeOwed(ctx, s.Name, in.here[s.Name], &m); err != nil {
			return err
		}
		in.res.Manifests += m.Written
		in.res.Warnings = append(in.res.Warnings, m.Warnings...)
		in.res.Trouble = append(in.res.Trouble, m.Trouble("", "")...)
	}
	return nil
}

func (in *intake) collectFindings(ctx context.Context) error {
	return in.e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.OpenFindings("")
		for _, f := range all {
			if f.Opened.Before(in.order) {
				continue
			}
			in.res.Findings = append(in.res.Findings, f)
			if f.Kind == fixity.Unfinished {
				in.res.Unfinished++
			}
		}
		return err
	})
}
