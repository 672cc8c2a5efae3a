package stores

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"firmus/fixity"
)

// GiveWayEvery is how often a use of a drive gives way at most: one that always did
// would never end.
const GiveWayEvery = 10 * time.Minute

// deviceWithin is how long a store may take to say which drive it lies on. One that
// doesn't has a drive of its own until it says more.
const deviceWithin = 3 * time.Second

// unnamed begins the name of a drive of which nothing is known, one a store.
const unnamed = "\x00"

// Turns are what all uses in one process share: whose turn it is on each drive, how
// fast each store may be read, and which of them doesn't answer. The zero value is ready.
type Turns struct {
	// Lasting: a store that left a call unanswered is asked again by the next use, as a daemon
	// has to. Else it is away from then on: a command has an end.
	Lasting bool

	mu      sync.Mutex
	drives  map[string]*drive
	names   map[string]string // store -> drive, as it was told last
	asked   map[string]bool   // stores that haven't said yet which drive they lie on
	paces   map[string]*pace
	silent  map[string]*silent
	heard   map[string]int64   // by store of a service: the audit that it was listed for last
	gaveWay map[string]carried // by drive
	read    map[string]int64   // by drive: bytes that uses of it have read
	solid   map[string]bool    // by drive: whether it has no spindle, where that is known
}

type drive struct {
	turn   chan struct{} // holds one token while the drive is free
	who    string        // the store that is used
	cancel context.CancelCauseFunc
	gave   time.Time // when a use gave way last
	hurry  bool      // the use is in a hurry itself
}

func (t *Turns) drive(name string) *drive {
	if t.drives == nil {
		t.drives = map[string]*drive{}
	}
	x := t.drives[name]
	if x == nil {
		x = &drive{turn: make(chan struct{}, 1)}
		x.turn <- struct{}{}
		t.drives[name] = x
	}
	return x
}

// take waits for a drive, for no longer than within (0: as long as it takes). Then the
// error is fixity.ErrBusy. The function it returns lets the next one on. hurry makes
// a use that isn't in a hurry give way: cancel ends it with ErrGivesWay. say is told of
// what is waited for without an end.
func (t *Turns) take(ctx context.Context, name, who string, hurry bool, within time.Duration, now time.Time, cancel context.CancelCauseFunc, say func(string, ...any)) (func(), error) {
	t.mu.Lock()
	x := t.drive(name)
	if hurry && x.cancel != nil && !x.hurry && now.Sub(x.gave) >= GiveWayEvery {
		x.gave = now
		x.cancel(ErrGivesWay)
	}
	other := x.who
	t.mu.Unlock()
	var late <-chan time.Time
	if within > 0 {
		timer := time.NewTimer(within)
		defer timer.Stop()
		late = timer.C
	}
	select {
	case <-x.turn:
	default:
		if within == 0 && !hurry {
			say("store %s waits: %s is read on the same drive", who, other)
		}
		select {
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		case <-late:
			return nil, fmt.Errorf("the drive of store %s is %w: %s is read on it", who, fixity.ErrBusy, other)
		case <-x.turn:
		}
	}
	t.mu.Lock()
	x.who, x.cancel, x.hurry = who, cancel, hurry
	t.mu.Unlock()
	return func() {
		t.mu.Lock()
		x.cancel = nil
		t.mu.Unlock()
		x.turn <- struct{}{}
	}, nil
}

// name asks which drive a store lies on. One that doesn't say in time, and hasn't said
// before, has a drive of its own. It isn't asked again before it has answered.
func (t *Turns) name(ctx context.Context, store string, ask func(context.Context, string) string) string {
	if ask == nil {
		return unnamed + store
	}
	t.mu.Lock()
	pending := t.asked[store]
	if !pending {
		if t.asked == nil {
			t.asked, t.names = map[string]bool{}, map[string]string{}
		}
		t.asked[store] = true
	}
	t.mu.Unlock()
	if !pending {
		done := make(chan struct{})
		go func() {
			defer close(done)
			name := ask(context.WithoutCancel(ctx), store)
			t.mu.Lock()
			defer t.mu.Unlock()
			delete(t.asked, store)
			if name != "" {
				t.names[store] = name
			}
		}()
		timer := time.NewTimer(deviceWithin)
		defer timer.Stop()
		select {
		case <-done:
		case <-timer.C:
		case <-ctx.Done():
		}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if n := t.names[store]; n != "" {
		return n
	}
	return unnamed + store
}

// Slow says that a store's drive was tried, and answers as one with a spindle does: that a share
// does, too, or a slow stick.
func (t *Turns) Slow(store string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	solid, known := t.solid[cmp.Or(t.names[store], unnamed+store)]
	return known && !solid
}

// Shared says which stores lie on the drive of one, as far as is known.
func (t *Turns) Shared(store string) func(other string) bool {
	return func(other string) bool {
		t.mu.Lock()
		defer t.mu.Unlock()
		return other == store || t.names[store] != "" && t.names[store] == t.names[other]
	}
}

// silent is a store that left a call unanswered, or that the system still works on a call to.
type silent struct {
	n     int           // calls that were given up while the system still works on them
	none  chan struct{} // closed when n falls to 0
	known bool          // a call was left unanswered, and none was answered since
}

func (t *Turns) silentStore(store string) *silent {
	s := t.silent[store]
	if s == nil {
		if t.silent == nil {
			t.silent = map[string]*silent{}
		}
		s = &silent{}
		t.silent[store] = s
	}
	return s
}

// givenUp counts a call more that was left behind; the function it returns takes it off again.
func (t *Turns) givenUp(store string) func() {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := t.silentStore(store)
	if s.n++; s.n == 1 {
		s.none = make(chan struct{})
	}
	return func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if s.n--; s.n == 0 {
			close(s.none)
		}
	}
}

// waitsFor is closed when no call to a store is stuck; nil if none is.
func (t *Turns) waitsFor(store string) <-chan struct{} {
	t.mu.Lock()
	defer t.mu.Unlock()
	if s := t.silent[store]; s != nil && s.n > 0 {
		return s.none
	}
	return nil
}

// fellSilent notes that a store has left a call unanswered.
func (t *Turns) fellSilent(store string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.silentStore(store).known = true
}

// isSilent says that a store has left a call unanswered, and has answered none since.
func (t *Turns) isSilent(store string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := t.silent[store]
	return s != nil && s.known
}

// answered notes that a store has answered.
func (t *Turns) answered(store string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if s := t.silent[store]; s != nil {
		s.known = false
	}
}

// pace is that of a store; all its uses share one.
func (t *Turns) pace(store string, l Limits) *pace {
	t.mu.Lock()
	defer t.mu.Unlock()
	p := t.paces[store]
	if p == nil || p.rate != l.Rate {
		p = &pace{rate: l.Rate}
		if t.paces == nil {
			t.paces = map[string]*pace{}
		}
		t.paces[store] = p
	}
	p.count = l.Count
	return p
}

var (
	// ErrGivesWay ends a use that something more urgent on its drive waits for; it is
	// taken up afterwards.
	ErrGivesWay = errors.New("something more urgent is done first")
	// ErrWindow ends a use whose window has closed; what is left is due another day.
	ErrWindow = errors.New("its window is closed")
	// ErrRetired refuses a use of a store that was retired; it matches fixity.ErrRefused.
	ErrRetired = fmt.Errorf("nothing is expected there any more: %w", fixity.ErrRefused)
)
