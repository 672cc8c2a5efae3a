// Package stores is the one way to a store. Whoever lists, reads or writes there calls
// Use, which takes the store's lock and the turn on its drive, keeps to its window and
// rate, finds out whether it is there and is the right one, and makes any call that
// stays silent mean that the store is away. Root gives a root that is only looked at.
//
// A use concerns its own store: that another one hangs, is closed or is held by
// somebody else ends no use of this one.
package stores

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Kinds of stores that are listed: on a mounted file system, and kept by a service.
const (
	diskKind  = "disk"
	cloudKind = "cloud"
)

// Stores are all of an archive, as one who orders something uses them. Several may use
// them at once; they share Turns.
type Stores struct {
	Ledger *ledger.Ledger
	Rules  care.Rules
	// Open gives a set's root in a store, read with the page cache so treated. Nobody
	// else calls it.
	Open func(store, set string, cache fixity.Cache) (Root, error)
	// Where is a root as people know it (its folder), for messages.
	Where func(store, set string) string
	// NoMarker says that nothing can be written to the store: it is told by its files.
	NoMarker func(store string) bool
	// Elsewhere names the hosts that alone reach a store, if this one doesn't; nil: this one
	// reaches all.
	Elsewhere func(store string) []string
	// Host is this computer's name where several share a ledger; else "".
	Host string
	// Device names the drive that a store lies on; "" is not known. It may hang.
	Device func(ctx context.Context, store string) string
	// Solid says that a store is known to lie on a drive without a spindle. It may hang; nil:
	// that isn't known of any.
	Solid func(ctx context.Context, store string) bool
	// Traffic is what drives do for whomever; nil: that isn't known.
	Traffic Traffic
	Limits  func(store string) Limits // nil: none
	Order   Order
	Turns   *Turns // nil: nobody else uses stores in this process
	// Silence overrides the constant; for tests.
	Silence time.Duration
	Now     func() time.Time
	By      string
	Say     func(format string, args ...any)
	// Lost is set while a lost ledger is made anew without its record: the holdings whose
	// markers are taken over then, "" until the first is met.
	Lost *string
}

// Limits are what a store allows.
type Limits struct {
	Rate    int64 // bytes a second, of all that read; 0: as it can
	Readers int   // files that are read side by side; 0: as many as suit the drive
	Window  schedule.Window
	// Count keeps how much was read, for a store that bounds it; may be nil.
	Count func(ctx context.Context, n int64) error
}

// Order says what the one who orders asks of stores. The zero value is a person's.
type Order struct {
	// Windows: the clock orders it, so each store is used in its window only.
	Windows bool
	// Hurry makes scheduled uses of a drive give way.
	Hurry bool
	// Growing names a recording that grows on a store's drive, "" if none does: reading
	// waits for its end. Nil: never.
	Growing func(store string) string
	// Read is told of bytes read; Paused that reading stops for a recording, and goes on
	// (""); Paced, at a use's end, how much was read in how long, pauses not counted.
	// Any may be nil.
	Read   func(store string, n int64)
	Paused func(store, recording string)
	Paced  func(store string, n int64, took time.Duration)
}

// growsAgain is how often it is asked whether a recording still grows.
const growsAgain = 5 * time.Second

// Purpose says how a store is used.
type Purpose struct {
	// Wait is for a store that another process works on; then the error is a
	// *ledger.LockedError.
	Wait time.Duration
	// Stays waits so long also inside a use of the same drive. Without it that is a second at
	// most: who works on the store may wait for the drive, and then both stand still.
	Stays bool
	// Turn is how long the drive is waited for while it is read for somebody else, 0 as
	// long as it takes; a use inside another one waits for a second. Then fixity.ErrBusy.
	Turn time.Duration
	// Adopt makes a root the store's as soon as anything lies there.
	Adopt bool
	// Beside is for a little that nobody else's use is in the way of: what is Firmus's own
	// and guarded by a lock of its own, a file that a person waits for. It takes neither
	// lock nor turn, and keeps to no window.
	Beside bool
	// Yields makes reading give way to what other programs read and write on the drive.
	Yields bool
	// Shares: others may use the store at the same time who share it too, on whatever hosts;
	// who has it alone keeps all of them out.
	Shares bool
	// Led: it shares a store that who leads the audit holds already, and doesn't give way to one
	// who wants it alone: that would wait for the leader, and the leader for this.
	Led bool
	// Unseen doesn't look whether the store is there: the use says what it is.
	Unseen bool
}

// Used is a store in a use.
type Used struct {
	Presence
	s      Stores
	ctx    context.Context // ends with the use
	cancel context.CancelCauseFunc
	pace   *pace
	limits Limits
	order  Order
	beside bool
	yield  *yield      // nil: it doesn't give way
	wanted func() bool // another process waits for the drive; may be nil
	drive  string      // "": it was used beside others
	silent atomic.Bool // it left a call unanswered: it is away for the rest of the use

	mu    sync.Mutex
	n     int64
	took  time.Duration
	until time.Time // up to when it was read, by the machine's clock

	rootsMu sync.Mutex
	forget  []func()        // what its roots are held against
	roots   map[rootOf]Root // that know which folder they are

	over    error         // why no other file may be begun
	passing int           // files that are read from end to end just now
	passed  chan struct{} // closed when there are none; nil: nobody waits for that
}

// held are the uses that a context is inside of.
type held struct {
	u     *Used
	drive string
	outer *held
}

type heldKey struct{}

// Uses says that a context is that of a use of a store.
func Uses(ctx context.Context, store string) bool {
	h, _ := ctx.Value(heldKey{}).(*held)
	return h.store(store) != nil
}

func (h *held) store(name string) *Used {
	for ; h != nil; h = h.outer {
		if h.u.Rule.Name == name {
			return h.u
		}
	}
	return nil
}

func (h *held) has(drive string) bool {
	for ; h != nil; h = h.outer {
		if h.drive == drive {
			return true
		}
	}
	return false
}

// Use does something with a store while nobody else does, in this order: the window is
// looked at, the drive's turn in this process is waited for, then the store's lock is taken,
// then that of the drive, and then it is found out whether the store is there. Who waits for
// a drive is told. What is away is in the Used, and no error; do says what
// follows. do works with the context that it is given: that ends with ErrGivesWay when
// something more urgent waits for the drive, with ErrWindow before the first file that
// is begun outside the window. Inside a use of the same store it is that use.
//
// Errors are those of do, and before it ErrWindow, fixity.ErrBusy, or of the ledger.
func (s Stores) Use(ctx context.Context, name string, p Purpose, do func(ctx context.Context, u *Used) error) error {
	outer, _ := ctx.Value(heldKey{}).(*held)
	if u := outer.store(name); u != nil {
		return do(ctx, u)
	}
	if err := s.elsewhere(name); err != nil {
		return err
	}
	rule, _ := s.Rules.Store(name)
	u := &Used{s: s, order: s.Order, beside: p.Beside}
	u.Rule = rule
	if s.Limits != nil {
		u.limits = s.Limits(name)
	}
	u.pace = s.turns().pace(name, u.limits)
	u.ctx, u.cancel = context.WithCancelCause(ctx)
	defer u.cancel(nil)
	in := &held{u: u, outer: outer}
	if !p.Beside {
		if u.closed() {
			return fmt.Errorf("store %s: %w", name, ErrWindow)
		}
		in.drive = s.turns().name(ctx, name, s.Device)
		u.drive = in.drive
		if !outer.has(in.drive) {
			if outer != nil && p.Turn == 0 {
				p.Turn = time.Second
			}
			free, err := s.turns().take(ctx, in.drive, name, s.Order.Hurry, p.Turn, s.Now(), u.cancel, s.say)
			if err != nil {
				return err
			}
			defer free()
		} else if !p.Stays {
			// Who works on the store needs its drive, too, and can't have it before this use ends:
			// each would wait for the other.
			p.Wait = min(p.Wait, time.Second)
		}
		kept, unlock, err := s.lock(ctx, name, p)
		if err != nil {
			return err
		}
		defer unlock()
		stop := context.AfterFunc(kept, func() { u.cancel(context.Cause(kept)) })
		defer stop()
		if !outer.has(in.drive) {
			free, err := s.lockDrive(ctx, u, in.drive, p.Turn)
			if err != nil {
				return err
			}
			defer free()
		}
	}
	if p.Yields && s.Traffic != nil && u.drive != "" {
		u.yield = &yield{drive: u.drive, traffic: s.Traffic, turns: s.turns()}
		if p.Shares {
			defer s.turns().carries(u.yield)()
		}
	}
	if !p.Unseen {
		var err error
		if u.Presence, err = s.reach(u.ctx, name, p.Adopt); err != nil {
			return err
		}
	}
	if !u.Known.Retired.IsZero() {
		return Retired(u.Known) // a daemon whose configuration is from before that goes on with the others
	}
	err := do(context.WithValue(u.ctx, heldKey{}, in), u)
	u.expectNothing()
	if cause := context.Cause(u.ctx); err != nil && cause != nil && !errors.Is(err, cause) {
		err = fmt.Errorf("%w: %w", cause, err)
	}
	if s.Order.Paced != nil && u.n > 0 {
		s.Order.Paced(name, u.n, u.took)
	}
	return err
}

// Retired says that a store was retired; it matches ErrRetired.
func Retired(s ledger.Store) error {
	return fmt.Errorf("store %s was retired %s. Take it out of the configuration, or take it up again (firmus store adopt %s): %w",
		s.Name, s.Retired.Local().Format("2 Jan 2006"), s.Name, ErrRetired)
}

// lock takes a store's lock, and says so when it is waited for. kept ends once the lock is lost.
func (s Stores) lock(ctx context.Context, name string, p Purpose) (kept context.Context, unlock func(), err error) {
	kept, unlock, err = s.hold(ctx, name, p, 0)
	var held *ledger.LockedError
	if p.Wait <= 0 || !errors.As(err, &held) {
		return kept, unlock, err
	}
	s.say("waiting for store %s, up to %s: %s works on it", name, p.Wait, held.Holder)
	if !p.Shares {
		if done, err := s.Ledger.LockOwn(ctx, alone(name), s.Who(), 0, s.Now); err == nil {
			defer done()
		} // else another one wants it alone, too
	}
	return s.hold(ctx, name, p, p.Wait)
}

// alone is the name of the lock that is held by who waits for a store that others share: those
// come and go, and one of them would always be there.
func alone(store string) string { return "alone-" + store }

// hold takes a store's lock, after those who wait to have it alone.
func (s Stores) hold(ctx context.Context, name string, p Purpose, wait time.Duration) (kept context.Context, unlock func(), err error) {
	until := time.Now().Add(wait)
	for p.Shares && !p.Led {
		held, who, err := s.Ledger.HeldOwn(ctx, alone(name))
		if err != nil {
			return ctx, nil, err
		}
		if !held {
			break
		}
		if !time.Now().Before(until) {
			return ctx, nil, &ledger.LockedError{Name: name, Holder: who}
		}
		if pause(ctx, 100*time.Millisecond); ctx.Err() != nil {
			return ctx, nil, context.Cause(ctx)
		}
	}
	return s.Ledger.HoldStore(ctx, name, s.Who(), time.Until(until), s.Now, p.Shares)
}

// ElsewhereError says that other hosts reach a store, and this one doesn't. It matches
// fixity.ErrAway.
type ElsewhereError struct {
	Store, Host string
	Hosts       []string
}

func (e *ElsewhereError) Error() string {
	return fmt.Sprintf("store %s is reached from %s, and this is %s", e.Store, strings.Join(e.Hosts, ", "), e.Host)
}

// Unwrap gives fixity.ErrAway.
func (e *ElsewhereError) Unwrap() error { return fixity.ErrAway }

func (s Stores) elsewhere(store string) error {
	if s.Elsewhere != nil {
		if hosts := s.Elsewhere(store); len(hosts) > 0 {
			return &ElsewhereError{store, s.Host, hosts}
		}
	}
	return nil
}

// rootOf is a root in a use.
type rootOf struct {
	set   string
	cache fixity.Cache
}

// Root is a root in the use, read with the page cache so treated. One that was told by its marker
// is away if another drive takes its place meanwhile.
func (u *Used) Root(set string, cache fixity.Cache) (Root, error) {
	u.rootsMu.Lock()
	defer u.rootsMu.Unlock()
	if r := u.roots[rootOf{set, cache}]; r != nil {
		return r, nil
	}
	r, err := u.s.root(u.Rule.Name, set, cache, u)
	if err != nil || !slices.Contains(u.Here, set) || u.Known.Identity == "" || u.s.NoMarker(u.Rule.Name) {
		return r, err
	}
	if in, ok := Inner(r).(interface {
		Expect(fixity.Identity) (forget func())
	}); ok {
		u.forget = append(u.forget, in.Expect(fixity.Identity{Holdings: u.Known.Holdings, Store: u.Known.Identity, Set: set}))
		if u.roots == nil {
			u.roots = map[rootOf]Root{}
		}
		u.roots[rootOf{set, cache}] = r
	}
	return r, nil
}

// expectNothing ends what roots were held against: they are the program's, and after the use a
// new drive may lie there on purpose.
func (u *Used) expectNothing() {
	u.rootsMu.Lock()
	defer u.rootsMu.Unlock()
	for _, forget := range u.forget {
		forget()
	}
	u.forget, u.roots = nil, nil
}

// Root is a set's root that is only looked at, without the store's lock: nothing is
// listed or read in full through it.
func (s Stores) Root(store, set string, cache fixity.Cache) (Root, error) {
	return s.root(store, set, cache, nil)
}

func (s Stores) root(store, set string, cache fixity.Cache, u *Used) (Root, error) {
	if err := s.elsewhere(store); err != nil {
		return nil, err
	}
	in, err := s.Open(store, set, cache)
	if err != nil {
		return nil, err
	}
	return &way{s: s, store: store, set: set, in: in, u: u}, nil
}

// Anew has a store that a service keeps listed anew, once in an audit for each process: a
// listing from before the audit says nothing in it.
func (u *Used) Anew(ctx context.Context, audit int64, sets []string) error {
	t := u.s.turns()
	t.mu.Lock()
	heard := t.heard[u.Rule.Name] == audit
	t.mu.Unlock()
	if heard || u.Rule.Kind != cloudKind {
		return nil
	}
	for _, set := range sets {
		root, err := u.Root(set, fixity.Allowed)
		if err == nil {
			_, err = root.Shards(ctx)
		}
		if err != nil {
			return err
		}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.heard == nil {
		t.heard = map[string]int64{}
	}
	t.heard[u.Rule.Name] = audit
	return nil
}

// Drive is that which the store lies on; stores on one drive have the same.
func (u *Used) Drive() string { return cmp.Or(u.drive, unnamed+u.Rule.Name) }

// Drives are the drives that stores lie on, each asked at the same time; stores of one
// drive have the same name.
func (s Stores) Drives(ctx context.Context, names []string) []string {
	out := make([]string, len(names))
	var wg sync.WaitGroup
	for i, n := range names {
		wg.Go(func() { out[i] = s.turns().name(ctx, n, s.Device) })
	}
	wg.Wait()
	return out
}

// closed says that the store's window counts, and is closed now.
func (u *Used) closed() bool { return u.order.Windows && !u.beside && !u.limits.Window.Open(u.s.Now()) }

// mayBegin ends the use, before a file is begun, if its window has closed, or if another
// process waits for the drive of one that the clock ordered. Files that pass by are read to
// their end first: of several that are read side by side, one may be longer than any window.
func (u *Used) mayBegin(ctx context.Context) error {
	var over error
	switch {
	case u.closed():
		over = ErrWindow
	case u.wanted != nil && u.wanted():
		over = ErrGivesWay
	}
	u.mu.Lock()
	if u.over == nil {
		u.over = over
	}
	over = u.over
	if over != nil && u.passing > 0 && u.passed == nil {
		u.passed = make(chan struct{})
	}
	passed := u.passed
	u.mu.Unlock()
	if over == nil {
		return nil
	}
	if passed != nil {
		select {
		case <-passed:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	u.cancel(over)
	return over
}

// passes counts a file that passes by, until the function is called that it gives.
func (u *Used) passes() (ended func()) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.passing++
	return func() {
		u.mu.Lock()
		defer u.mu.Unlock()
		if u.passing--; u.passing == 0 && u.passed != nil {
			close(u.passed)
			u.passed = nil
		}
	}
}

// read notes what was read, and waits for as long as the store's rate asks, and while a
// recording grows on its drive.
func (u *Used) read(ctx context.Context, n int64, took time.Duration) {
	u.mu.Lock()
	u.n += n
	// What several read at the same time counts once.
	if now := time.Now(); now.Sub(u.until) < took {
		took = max(now.Sub(u.until), 0)
	}
	u.took, u.until = u.took+took, time.Now()
	u.mu.Unlock()
	name := u.Rule.Name
	if u.order.Read != nil {
		u.order.Read(name, n)
	}
	pause(ctx, u.pace.read(ctx, n))
	if u.order.Growing == nil {
		return
	}
	said := false
	for ctx.Err() == nil {
		rec := u.order.Growing(name)
		if rec == "" {
			break
		}
		if !said && u.order.Paused != nil {
			u.order.Paused(name, rec)
		}
		said = true
		pause(ctx, growsAgain)
	}
	if said && u.order.Paused != nil {
		u.order.Paused(name, "")
	}
}

// pause waits, or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

func (s Stores) turns() *Turns {
	if s.Turns != nil {
		return s.Turns
	}
	return &Turns{}
}

func (s Stores) kind(store string) string {
	r, _ := s.Rules.Store(store)
	return r.Kind
}

// Who is who takes a lock, for whoever finds it taken.
func (s Stores) Who() string {
	if s.Host != "" {
		return s.By + " on " + s.Host
	}
	if host, err := os.Hostname(); err == nil {
		return s.By + " on " + host
	}
	return s.By
}

func (s Stores) say(format string, args ...any) {
	if s.Say != nil {
		s.Say(format, args...)
	}
}
