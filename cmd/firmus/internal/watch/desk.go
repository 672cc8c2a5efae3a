package watch

import (
	"context"
	"errors"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"firmus/fixity"
)

// Orders are what happens in the stores gives rise to.
type Orders interface {
	// Touched makes changed files of a root due: a master's ahead of all others. seen
	// says that one of them was ever seen there, unknown that one is under no one's care.
	Touched(ctx context.Context, store, set string, paths []string) (seen, unknown bool, err error)
	// Look lists a root, says what differs, and reads what is due ahead of all others.
	// Recordings that grow at the given events' paths don't hold it up.
	Look(ctx context.Context, store, set string, about []Event) error
	// TakeIn takes in the new files that have settled; next is when others will have,
	// zero if none waits.
	TakeIn(ctx context.Context) (next time.Time, err error)
}

// How long the desk waits. *Common practice*, but for told: a changed or lacking
// master is told within a minute.
const (
	gather    = 3 * time.Second  // events that come so soon after each other are one matter
	gatherFor = 20 * time.Second // but no longer than this
	again     = 20 * time.Second // after a look that could not be begun, or the first that could not be finished
	lookFor   = 30 * time.Minute // after which it is left to the night
	// mostPaths of one matter are kept; with more of them anything may have happened.
	mostPaths = 5000
	// TakeInFirst is when a daemon that was started, or has read its configuration anew, looks
	// for new files: once drives that are being mounted with it have had a moment.
	TakeInFirst = 10 * time.Second
	takeInAgain = 10 * time.Minute // after a try that could not be made
)

// Desk gathers events and orders what they give rise to.
type Desk struct {
	Orders Orders
	Now    func() time.Time
	Log    *slog.Logger
	Master func(set string) bool
	// Rest is how long a new file of a set must rest before it is taken in; 0: new
	// files don't appear in that root.
	Rest func(store, set string) time.Duration
	// First overrides TakeInFirst; for tests.
	First time.Duration

	mu     sync.Mutex
	kick   chan struct{}
	roots  map[[2]string]*matter
	takeIn time.Time // zero: nothing waits
	taking bool
}

// matter is what has happened in one root.
type matter struct {
	first, last time.Time // event
	paths       map[string]bool
	any         bool
	lookSince   time.Time // a look that has yet to succeed; zero: none
	lookAt      time.Time
	pause       time.Duration // after the next look that is begun and not finished: each lists the whole root
	about       []Event
	busy        bool
}

// Event takes one in. It returns at once.
func (d *Desk) Event(e Event) {
	d.mu.Lock()
	m := d.matter(e.Store, e.Set)
	now := d.Now()
	if m.first.IsZero() {
		m.first = now
	}
	m.last = now
	switch {
	case e.Any || len(m.paths) >= mostPaths:
		m.any = true
	default:
		m.paths[e.Path] = true
	}
	d.mu.Unlock()
	d.wake()
}

func (d *Desk) matter(store, set string) *matter {
	if d.roots == nil {
		d.roots = map[[2]string]*matter{}
	}
	m := d.roots[[2]string{store, set}]
	if m == nil {
		m = &matter{paths: map[string]bool{}}
		d.roots[[2]string{store, set}] = m
	}
	return m
}

func (d *Desk) wake() {
	select {
	case d.kicks() <- struct{}{}:
	default:
	}
}

func (d *Desk) kicks() chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.kick == nil {
		d.kick = make(chan struct{}, 1)
	}
	return d.kick
}

// TakeInAt asks for new files to be looked for at a time, or sooner if that is
// asked for already.
func (d *Desk) TakeInAt(at time.Time) {
	d.mu.Lock()
	if d.takeIn.IsZero() || at.Before(d.takeIn) {
		d.takeIn = at
	}
	d.mu.Unlock()
	d.wake()
}

// Run orders until ctx ends, and returns when nothing that was ordered runs any
// more. Roots don't wait for each other.
func (d *Desk) Run(ctx context.Context) {
	first := d.First
	if first == 0 {
		first = TakeInFirst
	}
	d.TakeInAt(d.Now().Add(first))
	var wg sync.WaitGroup
	defer wg.Wait()
	for ctx.Err() == nil {
		wait := d.round(ctx, &wg)
		select {
		case <-ctx.Done():
		case <-d.kicks():
			select { // a storm of events is no reason to hurry
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
		case <-time.After(wait):
		}
	}
}

// round begins what is ripe and says when to come again.
func (d *Desk) round(ctx context.Context, wg *sync.WaitGroup) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	now, wait := d.Now(), time.Minute
	ripe := func(at time.Time) bool {
		if at.After(now) {
			wait = min(wait, at.Sub(now))
			return false
		}
		return true
	}
	for _, k := range slices.SortedFunc(maps.Keys(d.roots), func(a, b [2]string) int { return slices.Compare(a[:], b[:]) }) {
		m := d.roots[k]
		if m.busy {
			continue
		}
		news := !m.first.IsZero() && (ripe(m.last.Add(gather)) || ripe(m.first.Add(gatherFor)))
		look := !m.lookSince.IsZero() && ripe(m.lookAt)
		if news || look {
			m.busy = true
			wg.Go(func() { d.attend(ctx, k[0], k[1], m) })
		}
	}
	if !d.takeIn.IsZero() && !d.taking && ripe(d.takeIn) {
		d.taking, d.takeIn = true, time.Time{}
		wg.Go(func() { d.take(ctx) })
	}
	return wait
}

// attend deals with what has happened in one root.
func (d *Desk) attend(ctx context.Context, store, set string, m *matter) {
	d.mu.Lock()
	now := d.Now()
	paths, anything := slices.Sorted(maps.Keys(m.paths)), m.any
	m.paths, m.any, m.first = map[string]bool{}, false, time.Time{}
	d.mu.Unlock()
	look := anything
	if anything {
		d.new(store, set, now)
	}
	if len(paths) > 0 {
		seen, unknown, err := d.Orders.Touched(ctx, store, set, paths)
		if err != nil && ctx.Err() == nil {
			d.Log.Error("a change could not be noted in the ledger; the next audit finds it", "store", store, "set", set, "error", err)
			look = true
		}
		look = look || seen && d.Master(set)
		if unknown {
			d.new(store, set, now)
		}
	}
	d.mu.Lock()
	if look && m.lookSince.IsZero() {
		m.lookSince, m.about, m.pause = now, nil, again
	}
	if look {
		for _, p := range paths[:min(len(paths), 100)] {
			m.about = append(m.about, Event{Store: store, Set: set, Path: p})
		}
	}
	due, about, since := !m.lookSince.IsZero(), m.about, m.lookSince
	d.mu.Unlock()
	var err error
	if due {
		err = d.Orders.Look(ctx, store, set, about)
	}
	d.mu.Lock()
	m.busy = false
	switch {
	case !due:
	case err == nil:
		m.lookSince, m.about = time.Time{}, nil
	case d.Now().Sub(since) > lookFor:
		m.lookSince, m.about = time.Time{}, nil
		d.Log.Warn("a change is left to the next audit", "store", store, "set", set, "error", err)
	case errors.Is(err, fixity.ErrBusy):
		m.lookAt = d.Now().Add(again)
	default:
		// A listing of a service's whole folder is no small thing: the next try comes
		// three times as late as this one did.
		m.lookAt = d.Now().Add(m.pause)
		m.pause *= 3
		d.Log.Info("a change will be looked at again", "store", store, "set", set, "error", err)
	}
	d.mu.Unlock()
	d.wake()
}

// new notes that a file that may be new lies in a root.
func (d *Desk) new(store, set string, now time.Time) {
	if rest := d.Rest(store, set); rest > 0 {
		d.TakeInAt(now.Add(rest))
	}
}

func (d *Desk) take(ctx context.Context) {
	next, err := d.Orders.TakeIn(ctx)
	d.mu.Lock()
	d.taking = false
	d.mu.Unlock()
	if err != nil && ctx.Err() == nil {
		next = d.Now().Add(takeInAgain)
		if !errors.Is(err, fixity.ErrBusy) {
			d.Log.Warn("new files were not taken in; tried again later", "error", err)
		}
	}
	if !next.IsZero() {
		d.TakeInAt(next)
	}
	d.wake()
}
