// Package hosts shares the work of an archive out over the computers that have its ledger on
// one PostgreSQL database. Jobs, the queue that they wait in, who leads, and when a job is
// taken from a host that died: all of that is River's, in tables of the same database. What
// is done in a job is an act's; that each file is read once is decided by the ledger's claim
// on the shard, and not here.
//
// A host that runs holds a lock of the ledger's by its name, which dies with its connection.
package hosts

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Options say what a host is, and what it does.
type Options struct {
	URL    string // of the ledger's database
	Name   string // of this computer among the hosts
	Ledger *ledger.Ledger
	Log    *slog.Logger
	Now    func() time.Time
	// Version is that of the program, and Agreed what all hosts must have alike: they can't
	// share work otherwise.
	Version string
	Agreed  Agreed
	Stores  []Store
	// Work is what the host does; nil: it only hands out, as a command beside the daemons.
	Work *Work
	Times
}

// Times are how long things take among hosts. 0: as the constants say; for tests.
type Times struct {
	// Slice is how long a job reads; Grace what it gets besides before it is stopped; Rescue
	// when after that another host may take it; Look how often the stores are looked for,
	// Beat how often the clock is asked; Retry after how long a job is tried again that failed;
	// Window how long a store is read for one measurement of how many hosts it bears.
	Slice, Grace, Rescue, Look, Beat, Retry, Window time.Duration
}

// Store is a store as hosts share it.
type Store struct {
	Name   string
	Hosts  []string // those that alone reach it; none: wherever its folders are
	AtOnce int      // how many of them read it at the same time; 0: it is measured
	Rate   int64    // bytes a second that a host may read; 0: as it can
	// Open says that what the clock orders may use the store at a time; nil: always.
	Open func(time.Time) bool
}

// On says that a host may reach the store.
func (s Store) On(host string) bool { return len(s.Hosts) == 0 || slices.Contains(s.Hosts, host) }

// Work are the acts of a host.
type Work struct {
	// Slice does a part of an audit, FollowUp what is due in a store ahead of all others.
	Slice    func(ctx context.Context, p acts.Part, windows bool, enough func(int64) bool) (left int64, err error)
	FollowUp func(ctx context.Context, store string, cache fixity.Cache) error
	// Compare compares a finding's copy with an intact one, both of which are found here.
	Compare func(ctx context.Context, finding int64) error
	// Here are the stores that are found where they should be.
	Here func(ctx context.Context) []string
	// Did is how many bytes of a store were read here since it began, and how often the store asked
	// meanwhile to be left alone for a while; nil: it isn't measured how many hosts it bears.
	Did func(store string) (bytes, held int64)
	// Spindle says that the store's drive has one, for sure; nil: that isn't known of any.
	Spindle func(ctx context.Context, store string) bool
	// Wants names the stores for which the clock asks for something; Turn begins it for one,
	// doesn't wait for its end, and calls ended then.
	Wants func(ctx context.Context) []string
	Turn  func(store string, ended func())
	// Chores are done now and then, each by one host at a time.
	Chores []Chore
}

// can says why a host can't do a chore just now; nil if it can.
func (x Chore) can() error {
	switch {
	case x.Do == nil:
		return errors.New("this host isn't set up for it")
	case x.Can != nil:
		return x.Can()
	}
	return nil
}

// Chore is something that one host does for all.
type Chore struct {
	Name  string
	Every time.Duration                   // 0: when it is asked for
	Do    func(ctx context.Context) error // nil: this host can't, and leaves it to others
	Can   func() error                    // why it can't just now; may be nil
}

const (
	sliceFor    = time.Minute
	graceFor    = time.Minute
	rescueAfter = 2 * time.Minute
	// shortly is what a job may take that only begins something, and after how long it is
	// taken from a host that died. One that says itself how long it takes is left as long.
	shortly   = 20 * time.Second
	lookEvery = 20 * time.Second
	beatEvery = 20 * time.Second
	// Most that fails is a store or a database that doesn't answer.
	retryAfter = 10 * time.Second
)

// Host is this computer among those that share the ledger.
type Host struct {
	o      Options
	pool   *pgxpool.Pool
	client *river.Client[pgx.Tx]

	clockWrong chan struct{} // told when something was refused for that

	takes map[string]bool // queues whose jobs it takes, and those of them that it couldn't end to take
	ends  map[string]bool
	ahead time.Duration
	began time.Time

	mu      sync.Mutex
	unlock  func()                      // of its name
	still   func(context.Context) error // it is held
	has     []string                    // stores that were found when it looked last
	works   bool                        // it takes work
	idle    error                       // why it doesn't
	loop    context.Context             // ends with Stop
	cancel  context.CancelFunc
	stopped bool
	wg      sync.WaitGroup
}

// Open connects to the database. It doesn't work for anybody before Start.
func Open(ctx context.Context, o Options) (*Host, error) {
	def := func(d *time.Duration, to time.Duration) {
		if *d == 0 {
			*d = to
		}
	}
	def(&o.Slice, sliceFor)
	def(&o.Grace, graceFor)
	def(&o.Rescue, rescueAfter)
	def(&o.Look, lookEvery)
	def(&o.Beat, beatEvery)
	def(&o.Retry, retryAfter)
	def(&o.Window, windowFor)
	cfg, err := pgxpool.ParseConfig(o.URL)
	if err != nil {
		return nil, fmt.Errorf("database of the hosts: %w", err)
	}
	cfg.MaxConns = 6
	cfg.ConnConfig.DialFunc = o.Ledger.Dial
	cfg.ConnConfig.ConnectTimeout = cmp.Or(cfg.ConnConfig.ConnectTimeout, enterWithin)
	cfg.ConnConfig.RuntimeParams["application_name"] = "firmus jobs on " + o.Name
	h := &Host{o: o, takes: map[string]bool{}, ends: map[string]bool{}, clockWrong: make(chan struct{}, 1)}
	if h.pool, err = pgxpool.NewWithConfig(ctx, cfg); err != nil {
		return nil, fmt.Errorf("database of the hosts: %w", err)
	}
	c := &river.Config{Logger: slog.New(atLeast{plain{o.Log.Handler()}, slog.LevelWarn}), ID: o.Name, MaxAttempts: unlimited,
		JobTimeout: shortly, RescueStuckJobsAfter: shortly, FetchCooldown: 20 * time.Millisecond}
	if o.Work != nil {
		h.setUp(c)
	} else {
		c.SkipUnknownJobCheck = true
	}
	if h.client, err = river.NewClient(riverpgxv5.New(h.pool), c); err != nil {
		h.pool.Close()
		return nil, fmt.Errorf("jobs of the hosts: %w", err)
	}
	return h, nil
}

// Close ends all connections, after Stop.
func (h *Host) Close() { h.pool.Close() }

// Join makes this one of the hosts that run, from now on until Stop. The error wraps
// fixity.ErrRefused if it can't be one of them: it says otherwise than one that runs what all
// must say alike, and both are named. It is fixity.ErrBusy if one of its name runs.
func (h *Host) Join(ctx context.Context) error {
	running, _, err := h.enter(ctx)
	if err != nil {
		return err
	}
	h.began = h.o.Now()
	if err = h.look(ctx); err == nil {
		_, err = h.migrate(ctx)
	}
	if err != nil {
		h.leave()
		return err
	}
	for _, text := range Clocks(append(running, h.host(nil))) {
		h.o.Log.Error("clocks", "text", text)
	}
	return nil
}

// enter takes this host's lock while no other host does, if it agrees with those that run.
// refused: it doesn't, or another one has its name, and an error says so.
func (h *Host) enter(ctx context.Context) (running []ledger.Host, refused bool, err error) {
	free, err := h.o.Ledger.LockOwn(ctx, "hosts", h.who(), 10*time.Second, h.o.Now)
	if err != nil {
		return nil, false, fmt.Errorf("join the other hosts: %w", err)
	}
	defer free()
	if running, err = h.running(ctx); err != nil {
		return nil, false, err
	}
	for _, other := range running {
		// Of this host itself the database may not have missed an earlier connection yet.
		if other.Name == h.o.Name && !other.Began.Equal(h.began) {
			return nil, true, fmt.Errorf("a host named %s runs already, since %s. Each needs a name of its own: [host] name, or FIRMUS_HOST: %w",
				other.Name, other.Began.UTC().Format("2 Jan 2006 15:04 UTC"), fixity.ErrBusy)
		}
		if other.Name != h.o.Name {
			if err := h.Agrees(other); err != nil {
				return nil, true, err
			}
		}
	}
	unlock, still, err := h.o.Ledger.HoldOwn(ctx, lockOf(h.o.Name), h.who(), 0, h.o.Now)
	if err != nil {
		return nil, false, fmt.Errorf("a host named %s runs already: %w", h.o.Name, err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.unlock, h.still = unlock, still
	return running, false, nil
}

// leave gives back the host's lock.
func (h *Host) leave() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.unlock != nil {
		h.unlock()
		h.unlock, h.still = nil, nil
	}
}

// migrate makes River's tables, or brings them up to date.
func (h *Host) migrate(ctx context.Context) (*rivermigrate.MigrateResult, error) {
	m, err := rivermigrate.New(riverpgxv5.New(h.pool), &rivermigrate.Config{Logger: slog.New(atLeast{h.o.Log.Handler(), slog.LevelWarn})})
	if err != nil {
		return nil, fmt.Errorf("tables of the jobs: %w", err)
	}
	r, err := m.Migrate(ctx, rivermigrate.DirectionUp, nil)
	if err != nil {
		return nil, fmt.Errorf("tables of the jobs: %w", err)
	}
	return r, nil
}

// Start begins to work, unless Stop came before. Join comes first.
func (h *Host) Start(ctx context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.stopped {
		return nil
	}
	h.loop, h.cancel = context.WithCancel(context.WithoutCancel(ctx))
	if h.clock() == nil { // else not before it is right
		// Its end is Stop's: a context that ends would count as a try that failed.
		if err := h.client.Start(context.WithoutCancel(ctx)); err != nil {
			h.cancel()
			h.cancel = nil
			return fmt.Errorf("begin with the jobs: %w", err)
		}
		h.works = true
	}
	h.wg.Go(func() { h.keep(h.loop) })
	return nil
}

// spawn begins something that Stop ends and waits for.
func (h *Host) spawn(do func(ctx context.Context)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.stopped {
		do(h.loop) // which has ended
		return
	}
	h.wg.Go(func() { do(h.loop) })
}

// Ask has a chore done by one host, soon. One that waits already isn't asked for again.
func (h *Host) Ask(ctx context.Context, chore string) error {
	_, err := h.client.Insert(ctx, choreArgs{chore}, once(choreQueue(chore), first))
	return err
}

// Stop gives back what is being done, so that others may take it at once, and leaves the hosts.
func (h *Host) Stop() {
	h.mu.Lock()
	h.stopped = true
	begun := h.cancel != nil
	if begun {
		h.cancel()
	}
	h.mu.Unlock()
	if begun {
		h.giveBack()
		h.wg.Wait()
	}
	h.leave()
}

// giveBack ends what is being done, and takes no more.
func (h *Host) giveBack() {
	h.mu.Lock()
	works := h.works
	h.works = false
	h.mu.Unlock()
	if !works {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 6*time.Second)
	defer cancel()
	if err := h.client.StopAndCancel(ctx); err != nil {
		h.o.Log.Warn("jobs were not given back; another host takes them later", "error", err)
	}
}

// Idle says why this host takes no work; nil if it does.
func (h *Host) Idle() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.idle
}

// rest gives back what is being done, until resume.
func (h *Host) rest(why error) {
	h.mu.Lock()
	said := h.idle != nil
	h.idle = why
	h.mu.Unlock()
	if !said {
		h.o.Log.Error("this host takes no work", "error", why)
	}
	h.giveBack()
}

// resume takes work again.
func (h *Host) resume(ctx context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.stopped || h.works {
		return nil
	}
	if err := h.client.Start(context.WithoutCancel(ctx)); err != nil {
		return fmt.Errorf("begin with the jobs: %w", err)
	}
	h.works, h.idle = true, nil
	h.o.Log.Info("this host takes work again")
	return nil
}

// keep says now and then which stores are here, takes the host's lock again if its connection
// was lost, and takes no work while it must not.
func (h *Host) keep(ctx context.Context) {
	said := ""
	for {
		err := h.round(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil && err.Error() != said:
			said = err.Error()
			h.o.Log.Error("the other hosts can't be told what is here; tried again", "error", err)
		case err == nil && said != "":
			said = ""
			h.o.Log.Info("the other hosts are told again what is here")
		}
		select {
		case <-ctx.Done():
			return
		case <-h.clockWrong:
		case <-time.After(h.o.Look):
		}
	}
}

func (h *Host) round(ctx context.Context) error {
	h.mu.Lock()
	still := h.still
	h.mu.Unlock()
	if still == nil || still(ctx) != nil {
		h.leave()
		within, cancel := context.WithTimeout(ctx, enterWithin)
		_, refused, err := h.enter(within)
		cancel()
		if refused {
			h.rest(err)
		}
		if err != nil {
			return err
		}
	}
	if err := h.look(ctx); err != nil {
		return err
	}
	if why := h.clock(); why != nil {
		h.rest(why)
		return nil
	}
	if err := h.resume(ctx); err != nil {
		return err
	}
	return h.choose(ctx)
}

// A database that is cut off says nothing: what is asked of it has its time.
const (
	answersWithin = 5 * time.Second
	enterWithin   = 15 * time.Second // others may be just joining
)

// clock says that this host's clock is wrong; nil if it is right. River goes by each host's
// clock: one that is wrong would leave work undone, or take it from others.
func (h *Host) clock() error {
	if said := Clocks([]ledger.Host{{Name: h.o.Name, Ahead: h.ahead}}); len(said) > 0 {
		return errors.New(said[0])
	}
	return nil
}

// look says what is here, and how the clock stands.
func (h *Host) look(ctx context.Context) error {
	var has []string
	if h.o.Work != nil {
		has = h.o.Work.Here(ctx)
	}
	ctx, cancel := context.WithTimeout(ctx, answersWithin)
	defer cancel()
	ahead, err := h.o.Ledger.Ahead(ctx, h.o.Now)
	if err != nil {
		return err
	}
	h.mu.Lock()
	h.ahead, h.has = ahead, has
	h.mu.Unlock()
	return h.o.Ledger.Untimed(ctx, h.o.Now(), func(t *ledger.Tx) error { return t.Hosts.Put(h.host(has)) })
}

func (h *Host) host(has []string) ledger.Host {
	return ledger.Host{Name: h.o.Name, Version: h.o.Version, Agreed: h.o.Agreed.text(), Began: h.began, Ahead: h.ahead, Has: has, Seen: h.o.Now()}
}

func (h *Host) who() string { return "firmus on " + h.o.Name }

func lockOf(host string) string { return "host-" + host }

// Running are the hosts that run, by name.
func Running(ctx context.Context, l *ledger.Ledger) (out []ledger.Host, err error) {
	var all []ledger.Host
	if err := l.View(ctx, func(t *ledger.Tx) error { all, err = t.Hosts.All(); return err }); err != nil {
		return nil, err
	}
	for _, x := range all {
		held, _, err := l.HeldOwn(ctx, lockOf(x.Name))
		if err != nil {
			return nil, err
		}
		if held {
			out = append(out, x)
		}
	}
	return out, nil
}

func (h *Host) running(ctx context.Context) ([]ledger.Host, error) { return Running(ctx, h.o.Ledger) }

// Clocks tells of hosts whose clocks are wrong, in a sentence each; nothing if none is.
func Clocks(hosts []ledger.Host) (out []string) {
	for _, x := range hosts {
		is := "ahead of"
		if x.Ahead < 0 {
			is = "behind"
		}
		if x.Ahead.Abs() > ledger.Apart {
			out = append(out, fmt.Sprintf("the clock of %s is %s %s that of the database's computer: one of the two is wrong. It records nothing and takes no work that hosts share until the clock is set right",
				x.Name, x.Ahead.Abs().Round(time.Second), is))
		}
	}
	return out
}

// atLeast lets only what is of a level, or graver, pass.
type atLeast struct {
	slog.Handler
	least slog.Level
}

// Enabled implements slog.Handler.
func (a atLeast) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= a.least && a.Handler.Enabled(ctx, l)
}

// WithAttrs implements slog.Handler.
func (a atLeast) WithAttrs(as []slog.Attr) slog.Handler {
	return atLeast{a.Handler.WithAttrs(as), a.least}
}

// WithGroup implements slog.Handler.
func (a atLeast) WithGroup(name string) slog.Handler {
	return atLeast{a.Handler.WithGroup(name), a.least}
}

func (h *Host) store(name string) (Store, bool) {
	i := slices.IndexFunc(h.o.Stores, func(s Store) bool { return s.Name == name })
	if i < 0 {
		return Store{}, false
	}
	return h.o.Stores[i], true
}

// MayJoin is Join without joining, for one that goes on under its name with another
// configuration.
func (h *Host) MayJoin(ctx context.Context) error {
	running, err := h.running(ctx)
	for _, other := range running {
		if other.Name != h.o.Name && err == nil {
			err = h.Agrees(other)
		}
	}
	return err
}

// Agrees refuses another host that says otherwise what all must say alike.
func (h *Host) Agrees(other ledger.Host) error {
	if other.Version != h.o.Version && h.o.Version != "" {
		return fmt.Errorf("%s runs Firmus %s and this host, %s, would run %s: hosts that share a ledger need one version. Stop the other, or bring both up to date: %w",
			other.Name, other.Version, h.o.Name, h.o.Version, fixity.ErrRefused)
	}
	if diff := h.o.Agreed.differs(other.Agreed, h.o.Name, other.Name); len(diff) > 0 {
		return fmt.Errorf("the configurations of %s and %s, which runs, differ: %s. Hosts that share a ledger have the same name, rule, sets, stores and roots: %w",
			h.o.Name, other.Name, strings.Join(diff, "; "), fixity.ErrRefused)
	}
	return nil
}

// errAway is that of a store which no host that runs has.
func errAway(store string, hosts []string) error {
	where := "no host that runs has found it"
	if len(hosts) > 0 {
		where = fmt.Sprintf("it is reached from %s, and none of them runs, or has found it", strings.Join(hosts, ", "))
	}
	return fmt.Errorf("store %s: %s: %w", store, where, fixity.ErrAway)
}

var errLong = errors.New("it took longer than it may")
