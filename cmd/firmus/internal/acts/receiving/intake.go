package receiving

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/acts/manifests"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// IntakeOrder says what to take in.
type IntakeOrder struct {
	Sets  []string // none: all
	Cache fixity.Cache
	Wait  time.Duration
	// Ripe says whether a new file in an arrivals store may be taken in now, and else when to ask
	// again; nil: all may. It looks at the file.
	Ripe func(store, set string, s ledger.Stray) (ok bool, at time.Time)
	// Found is told how many bytes are to be read, once the stores are listed; nil: nobody asks.
	Found func(bytes int64)

	stays bool // stores.Purpose
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
	Next       time.Time        `json:"-"`       // when a file that isn't ripe yet may be; zero: none waits
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

// What was read is committed in batches of batchFiles, or of what was read in intakeAfter: one
// after the other, each beside the reading of the next. A kill loses what two of them have, and
// the next intake takes it in.
const (
	batchFiles  = 250
	intakeAfter = time.Second
)

type intake struct {
	e       Acts
	o       IntakeOrder
	order   time.Time
	res     IntakeResult
	used    map[string]*stores.Used // all that are read
	turns   map[string]*turn        // by store; those on one drive share theirs
	here    map[string][]string     // sets by store, of the stores that are there
	warned  map[string]bool
	folds   map[string]map[string]string // by store and set: see spellings
	there   map[string]map[string]bool   // by store: the paths of the page at which something new lies there too
	batch   []arrival
	beside  *committing // the batch before it; nil: it is in the ledger
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
//
// Nothing waits for a store in which no new files appear: one that is held or read just
// now is left out, and its next audit compares it.
func (e Acts) Intake(ctx context.Context, o IntakeOrder) (IntakeResult, error) {
	in := &intake{e: e, o: o, order: e.Now(), used: map[string]*stores.Used{}, here: map[string][]string{}, warned: map[string]bool{}}
	in.res.Stores, in.res.Notes = []string{}, []SoundNote{}
	sets, err := e.intakeSets(o)
	if err != nil {
		return in.res, err
	}
	if err := e.NoteStores(ctx); err != nil {
		return in.res, err
	}
	var read []care.Store
	for _, s := range e.Rules.Stores {
		if in.compares(s.Kind) {
			read = append(read, s)
		}
	}
	// Each intake uses them in the same order.
	slices.SortFunc(read, func(a, b care.Store) int {
		return cmp.Or(archive.First(a.Arrivals, b.Arrivals), strings.Compare(a.Name, b.Name))
	})
	if err := in.using(ctx, read, func(ctx context.Context) error { return in.all(ctx, sets) }); err != nil {
		return in.res, err
	}
	if err := in.collectFindings(ctx); err != nil {
		return in.res, err
	}
	backups.Of(e.Archive).IfDue(ctx)
	return in.res, nil
}

// using goes on inside a use of each of the stores.
func (in *intake) using(ctx context.Context, names []care.Store, then func(context.Context) error) error {
	if len(names) == 0 {
		return then(ctx)
	}
	s, begun := names[0], false
	err := in.e.Stores().Use(ctx, s.Name, stores.Purpose{Wait: in.o.Wait, Stays: in.o.stays, Adopt: s.Arrivals}, func(ctx context.Context, u *stores.Used) error {
		begun = true
		in.used[s.Name] = u
		return in.using(ctx, names[1:], then)
	})
	if begun || s.Arrivals || !archive.StoreOnly(err) {
		return err
	}
	in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("what %s holds of new files was not compared: %v. Its next audit compares it", s.Name, err))
	return in.using(ctx, names[1:], then)
}

// all takes in what is new in sets.
func (in *intake) all(ctx context.Context, sets []string) error {
	e := in.e
	if err := in.reachAll(ctx, sets); err != nil {
		return err
	}
	if err := in.tellFound(ctx); err != nil {
		return err
	}
	e.SweepState(ctx)
	for store, sets := range in.here {
		if err := e.Sweep(ctx, in.used[store], sets); err != nil {
			return err
		}
	}
	for _, set := range sets {
		if err := in.takeSet(ctx, set); err != nil {
			return errors.Join(err, in.commitAll(ctx))
		}
	}
	if err := e.NoteNames(ctx); err != nil {
		return err
	}
	return in.writeManifests(ctx)
}

// tellFound says how much there is to read, to whoever asks.
func (in *intake) tellFound(ctx context.Context) error {
	if in.o.Found == nil {
		return nil
	}
	total := int64(0)
	err := in.e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for store, sets := range in.here {
			for _, set := range sets {
				arrivals, _ := in.e.Rules.Arrivals(set)
				n, err := t.Strays.New(store, set, arrivals.Name)
				if err != nil {
					return err
				}
				total += n
			}
		}
		return nil
	})
	if err == nil {
		in.o.Found(total)
	}
	return err
}

func (e Acts) intakeSets(o IntakeOrder) ([]string, error) {
	var out []string
	for _, n := range o.Sets {
		if _, ok := e.Rules.Set(n); !ok {
			return nil, fmt.Errorf("set %q is not in the configuration%s: %w", n, spelling.Ask(n, e.Rules.SetNames()), fixity.ErrRefused)
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
func (in *intake) compares(kind string) bool { return in.e.Listable(kind) && kind != archive.CloudKind }

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
			p := in.used[s.Name]
			if p == nil {
				continue
			}
			lacks := slices.DeleteFunc(slices.Clone(p.Away), func(x fixity.Fact) bool { return x.Is != fixity.NoFolder })
			for _, why := range append(lacks, p.Foreign...) {
				if !s.Arrivals {
					in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("store %s: %s", s.Name, report.Fact(why)))
				}
			}
			if s.Arrivals && len(p.Away) > 0 {
				return fmt.Errorf("store %s, where new files appear: %s: %w", s.Name, report.Fact(p.Away[0]), fixity.ErrAway)
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
	root, err := in.e.Stores().Root(store, set, fixity.Bypassed)
	if err != nil {
		return err
	}
	if _, err := root.Identify(ctx); err != nil {
		return fmt.Errorf("store %s, set %s: %w", store, set, err)
	}
	in.e.Sayf("store %s, set %s (%s): nothing lies there", store, set, in.e.Where(store, set))
	return nil
}

func (in *intake) listStore(ctx context.Context, store string, sets []string, conclude bool) error {
	e := in.e
	var there []string
	tops := map[string][]string{}
	for _, set := range sets {
		t, err := e.Tops(ctx, in.used[store], []string{set})
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
		if a, _, err = t.Audits.Begin(a); err != nil {
			return err
		}
		for _, set := range there {
			if _, err := t.Audits.AddShards(a, set, tops[set]); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err
	}
	aud := e.Auditor(in.used[store])
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
		p, err := t.Audits.Progress(a)
		for _, x := range p.Trouble {
			in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("store %s: %s", store, x))
		}
		if err != nil {
			return err
		}
		said, err := t.Audits.Remarks(a.ID)
		in.res.Warnings = append(in.res.Warnings, report.Each(said)...)
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
	r := in.reads(ctx)
	defer r.end()
	for afterTop, after := "", ""; ; {
		var page []ledger.Stray
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			if page, err = t.Strays.Each(a.Name, set, afterTop, after, 1000); err != nil {
				return err
			}
			in.there, err = in.lies(t, a.Name, page)
			return err
		}); err != nil {
			return err
		}
		for _, s := range page {
			afterTop, after = ledger.Top(s.Path), s.Path
			// What belongs to a misplaced file waits for a person's word; what was
			// retired or left in peace stays out.
			if s.File != 0 || s.Peace {
				continue
			}
			if ripe, err := in.ripe(ctx, a.Name, set, s); err != nil {
				return err
			} else if !ripe {
				continue
			}
			if other, err := in.conflictOf(ctx, set, s.Path); err != nil {
				return err
			} else if other != "" {
				in.res.Warnings = append(in.res.Warnings, fmt.Sprintf("%s/%s was not taken in: by its name it is a second version of %s. Look at both; rename it if it is to be kept",
					set, ledger.DisplayPath(s.Path), ledger.DisplayPath(other)))
				continue
			}
			if err := r.begin(a.Name, s.Path); err != nil {
				return err
			}
		}
		if len(page) < 1000 {
			if err := r.rest(); err != nil {
				return err
			}
			return in.commitAll(ctx)
		}
	}
}

func (in *intake) ripe(ctx context.Context, store, set string, s ledger.Stray) (bool, error) {
	if in.o.Ripe == nil {
		return true, nil
	}
	again, err := stores.Ask(ctx, in.e.Stores(), store, func() (*time.Time, error) {
		if ok, at := in.o.Ripe(store, set, s); !ok {
			return &at, nil
		}
		return nil, nil
	})
	if again != nil && (in.res.Next.IsZero() || again.Before(in.res.Next)) {
		in.res.Next = *again
	}
	return again == nil, err
}

// lies says at which paths of a page other stores hold something new.
func (in *intake) lies(t *ledger.Tx, arrivals string, page []ledger.Stray) (map[string]map[string]bool, error) {
	var paths []string
	for _, s := range page {
		paths = append(paths, s.Path)
	}
	there := map[string]map[string]bool{}
	for store, sets := range in.here {
		if store == arrivals || !slices.Contains(sets, in.set) {
			continue
		}
		var err error
		if there[store], err = t.Strays.Known(store, in.set, paths); err != nil {
			return nil, err
		}
	}
	return there, nil
}

func (in *intake) conflictOf(ctx context.Context, set, path string) (other string, err error) {
	if len(care.ConflictsOf(path)) == 0 {
		return "", nil // as most names
	}
	err = in.e.Ledger.View(ctx, func(t *ledger.Tx) error {
		other, err = t.Strays.ConflictOf(set, path)
		return err
	})
	return other, err
}

// committing is a batch that is being taken in.
type committing struct {
	done chan struct{}
	kept []arrival
	err  error
}

// commit hands the batch on to be taken in, once the one before it was. What was read is taken
// in also if ctx ends meanwhile.
func (in *intake) commit(ctx context.Context) error {
	if err := in.committed(); err != nil {
		return err
	}
	batch, set := in.batch, in.set
	in.batch, in.last = nil, in.e.Now()
	if len(batch) == 0 {
		return nil
	}
	c := &committing{done: make(chan struct{})}
	in.beside = c
	go func() {
		defer close(c.done)
		c.kept, c.err = in.put(context.WithoutCancel(ctx), set, batch)
	}()
	return nil
}

// commitAll takes in all that was read.
func (in *intake) commitAll(ctx context.Context) error {
	return errors.Join(in.commit(ctx), in.committed())
}

// put takes a batch in, without what doesn't lie there as new any more: one transaction, one event.
func (in *intake) put(ctx context.Context, set string, batch []arrival) (kept []arrival, err error) {
	err = in.e.Ledger.Tx(ctx, in.e.Now(), func(t *ledger.Tx) error {
		if kept, err = in.still(t, set, batch); err != nil || len(kept) == 0 {
			return err
		}
		taken, err := in.e.takeIn(t, set, kept, in.audit.ID)
		if err != nil {
			return fmt.Errorf("take in %q to %q: %w", kept[0].path, kept[len(kept)-1].path, err)
		}
		return t.Audits.TakenIn(in.audit, set, in.e.By, results(kept, taken))
	})
	return kept, err
}

// committed waits for the batch that was handed on last, and counts it.
func (in *intake) committed() error {
	c := in.beside
	if c == nil {
		return nil
	}
	<-c.done
	if in.beside = nil; c.err != nil {
		return c.err
	}
	var size, agreed, disputed int64
	for _, x := range c.kept {
		size += x.held[0].taken.Sums.Size
		switch {
		case x.disputed != nil:
			disputed++
		case x.vouched:
			agreed++
		}
		in.res.Notes = append(in.res.Notes, worthTelling(in.set, x.path, x.sound.Notes)...)
	}
	in.res.Taken, in.res.Bytes, in.res.Agreed, in.res.Disputed = in.res.Taken+int64(len(c.kept)), in.res.Bytes+size, in.res.Agreed+agreed, in.res.Disputed+disputed
	in.res.OneOnly = in.res.Taken - in.res.Agreed - in.res.Disputed
	return nil
}

// still gives the files of a batch that lie in arrivals under no one's care, as when their
// reading began: a person may have left one in peace meanwhile, or signed it off. They are
// strays no more.
func (in *intake) still(t *ledger.Tx, set string, batch []arrival) (kept []arrival, err error) {
	var paths []string
	for _, x := range batch {
		paths = append(paths, x.path)
	}
	a, _ := in.e.Rules.Arrivals(set)
	there, err := t.Strays.Take(a.Name, set, paths)
	for _, x := range batch {
		if there[x.path] {
			kept = append(kept, x)
		}
	}
	return kept, err
}

// writeManifests writes the manifests that are owed, of what was taken in and of what
// a kill or a folder that could not be written left earlier.
func (in *intake) writeManifests(ctx context.Context) error {
	for _, s := range in.e.Rules.Stores {
		var m manifests.Made
		if in.used[s.Name] == nil {
			continue
		}
		if err := manifests.Of(in.e.Archive).WriteOwed(ctx, in.used[s.Name], in.here[s.Name], &m); err != nil {
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
		all, err := t.Findings.Open("")
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
