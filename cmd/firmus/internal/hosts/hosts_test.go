package hosts_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// shared is a ledger that hosts share, with an audit of the vault that waits to be listed.
type shared struct {
	t     *testing.T
	place ledgertest.Place
	audit ledger.Audit
	main  *ledger.Ledger
}

func newShared(t *testing.T) *shared {
	t.Helper()
	if os.Getenv(ledgertest.Postgres) == "" {
		t.Skipf("hosts share a ledger on PostgreSQL: %s names no server", ledgertest.Postgres)
	}
	s := &shared{t: t, place: ledgertest.Database(t, t.TempDir())}
	s.main = s.ledger("commands")
	s.begin()
	return s
}

// begin begins an audit of the vault, which ends one that was begun before: of QV-0107, and of
// more folders.
func (s *shared) begin(more ...string) {
	s.t.Helper()
	if err := s.main.Tx(context.Background(), time.Now(), func(t *ledger.Tx) (err error) {
		if err := t.Stores.Put(ledger.Store{Name: "vault", Kind: "disk", Roots: []ledger.Root{{Set: "masters", Root: "/vault"}}}); err != nil {
			return err
		}
		if s.audit, _, err = t.Audits.Begin(ledger.Audit{Store: "vault", Kind: ledger.Plain, Sets: []string{"masters"}, Cache: fixity.Bypassed, By: "a test"}); err != nil {
			return err
		}
		_, err = t.Audits.AddShards(s.audit, "masters", append(more, "QV-0107"))
		return err
	}); err != nil {
		s.t.Fatal(err)
	}
}

// ledger is as one host has it open.
func (s *shared) ledger(host string) *ledger.Ledger {
	s.t.Helper()
	o := s.place.Options()
	o.State, o.Host, o.By, o.Now = s.t.TempDir(), host, "a test", time.Now()
	o.Rules = care.Rules{Copies: 1, Places: 1, Sets: []care.Set{{Name: "masters", Role: "master"}}, Stores: []care.Store{{Name: "vault", Kind: "disk", Sets: []string{"masters"}}}}
	l, err := ledger.Open(context.Background(), o)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { l.Close() })
	return l
}

// list does what a slice of a listing does.
func (s *shared) list(ctx context.Context, p acts.Part) error {
	rec := s.main.Record(time.Now, "a test")
	for _, id := range p.Shards {
		x, err := rec.Claim(ctx, fixity.Job{Audit: p.Audit, Shard: id})
		if err == nil {
			err = rec.CommitListing(ctx, fixity.Listed{Shard: x, Done: true})
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// work is what a host does that finds the vault, and whose slices list it; change changes that.
func (s *shared) work(change func(*hosts.Work)) *hosts.Work {
	w := &hosts.Work{
		Slice: func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			return 0, s.list(ctx, p)
		},
		FollowUp: func(context.Context, string, fixity.Cache) error { return nil },
		Here:     func(context.Context) []string { return []string{"vault"} },
		Wants:    func(context.Context) []string { return nil },
		Turn:     func(_ string, ended func()) { ended() },
	}
	if change != nil {
		change(w)
	}
	return w
}

// notes are what a host logs.
type notes struct {
	t    *testing.T
	mu   sync.Mutex
	text string
}

// Write implements io.Writer.
func (n *notes) Write(b []byte) (int, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.text += string(b)
	return len(b), nil
}

func (n *notes) String() string {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.text
}

// open opens a host with short times; change changes its options.
func (s *shared) open(name string, w *hosts.Work, change func(*hosts.Options)) (*hosts.Host, *notes) {
	s.t.Helper()
	said := &notes{t: s.t}
	o := hosts.Options{URL: s.place.URL, Name: name, Ledger: s.ledger(name), Log: slog.New(slog.NewTextHandler(said, nil)), Now: time.Now, Version: "1", Agreed: hosts.Agreed{"the rule": "one"},
		Stores: []hosts.Store{{Name: "vault"}}, Work: w, Times: hosts.Times{Slice: 200 * time.Millisecond, Grace: 200 * time.Millisecond, Rescue: 2 * time.Second, Look: 200 * time.Millisecond, Beat: 200 * time.Millisecond}}
	if change != nil {
		change(&o)
	}
	h, err := hosts.Open(context.Background(), o)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(h.Close)
	return h, said
}

// run opens a host that works until the test ends.
func (s *shared) run(name string, w *hosts.Work, change func(*hosts.Options)) (*hosts.Host, *notes) {
	s.t.Helper()
	h, said := s.open(name, w, change)
	err := h.Join(context.Background())
	if err == nil {
		err = h.Start(context.Background())
	}
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(h.Stop)
	return h, said
}

// share has the audit listed by whoever takes it.
func (s *shared) share(h *hosts.Host, windows bool) error {
	ctx, cancel := context.WithTimeoutCause(context.Background(), 30*time.Second, errors.New("the test's time is over"))
	defer cancel()
	return h.Work(ctx, s.audit, fixity.PhaseList, windows)
}

// TestLongParts: a part that takes longer than it was thought to is given twice as long, again
// and again, until it ends.
func TestLongParts(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	var had []time.Duration
	h, _ := s.run("server-a", s.work(func(w *hosts.Work) {
		w.Slice = func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			until, _ := ctx.Deadline()
			has := time.Until(until)
			had = append(had, has.Round(100*time.Millisecond))
			if has < 700*time.Millisecond {
				<-ctx.Done()
				return 0, fmt.Errorf("read: %w", context.Cause(ctx))
			}
			return 0, s.list(ctx, p)
		}
	}), func(o *hosts.Options) { o.Retry = 100 * time.Millisecond })
	if err := s.share(h, false); err != nil {
		t.Fatal(err)
	}
	if len(had) != 2 || had[1] < 3*had[0]/2 {
		t.Errorf("it had %v: want a second time, twice as long", had)
	}
}

// TestStraysAreLong: a part has time for a stray that may have to be read.
func TestStraysAreLong(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	ctx, rec := context.Background(), s.main.Record(time.Now, "a test")
	jobs, err := rec.Open(ctx, s.audit.ID, fixity.PhaseList)
	for _, j := range jobs {
		x, e := rec.Claim(ctx, j)
		l := fixity.Listed{Shard: x, Done: true}
		if x.Top == "QV-0107" {
			l.Strays = []fixity.Entry{{Path: "QV-0107/QV-0107_01.wav", Size: 1 << 40, ModTime: time.Now()}}
		}
		err = errors.Join(err, e, rec.CommitListing(ctx, l))
	}
	if err != nil {
		t.Fatal(err)
	}
	longest := int64(0)
	if err := s.main.View(ctx, func(t *ledger.Tx) error {
		ps, err := t.Audits.Pieces(s.audit.ID, fixity.PhaseListed)
		for _, p := range ps {
			longest = max(longest, p.Longest)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if longest != 1<<40 {
		t.Errorf("the longest is thought to have %d bytes", longest)
	}
}

// TestFailingParts: an audit whose part fails each time ends with what was said last.
func TestFailingParts(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	h, _ := s.run("server-a", s.work(func(w *hosts.Work) {
		w.Slice = func(context.Context, acts.Part, bool, func(int64) bool) (int64, error) {
			return 0, errors.New("the shelf is on fire")
		}
	}), func(o *hosts.Options) { o.Retry = 20 * time.Millisecond })
	if err := s.share(h, false); err == nil || !strings.Contains(err.Error(), "the shelf is on fire") || !strings.Contains(err.Error(), "12 times") {
		t.Errorf("got %v", err)
	}
}

// TestWindowEnds: an audit that the clock ordered doesn't wait for the next window.
func TestWindowEnds(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	until := time.Now().Add(time.Second)
	h, _ := s.run("server-a", s.work(func(w *hosts.Work) {
		w.Slice = func(context.Context, acts.Part, bool, func(int64) bool) (int64, error) {
			return 0, fmt.Errorf("store vault: %w", stores.ErrWindow)
		}
	}), func(o *hosts.Options) { o.Stores[0].Open = func(at time.Time) bool { return at.Before(until) } })
	if err := s.share(h, true); !errors.Is(err, stores.ErrWindow) {
		t.Errorf("got %v", err)
	}
}

// TestJobsOutlived: a part that is handed out is not done once its audit is over.
func TestJobsOutlived(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	first, _ := s.run("server-b", s.work(nil), nil) // makes the tables
	first.Stop()
	h, _ := s.open("commands", nil, nil)
	ctx, cancel := context.WithTimeout(context.Background(), 500*time.Millisecond)
	defer cancel()
	if err := h.Work(ctx, s.audit, fixity.PhaseList, false); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("nobody works: %v", err)
	}
	was := s.audit.ID
	s.begin()
	var old atomic.Int64
	s.run("server-a", s.work(func(w *hosts.Work) {
		w.Slice = func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			if p.Audit == was {
				old.Add(1)
			}
			return 0, s.list(ctx, p)
		}
	}), nil)
	if err := s.share(h, false); err != nil { // comes after what was handed out before
		t.Fatal(err)
	}
	if n := old.Load(); n > 0 {
		t.Errorf("%d parts of an audit that is over were begun", n)
	}
}

// TestWrongClock: a host whose clock is wrong takes no work and says so, and goes on once it is
// right.
func TestWrongClock(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	var off atomic.Int64
	did := make(chan struct{}, 100)
	w := s.work(func(w *hosts.Work) {
		w.Slice = func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			did <- struct{}{}
			return 0, s.list(ctx, p)
		}
	})
	off.Store(int64(time.Hour))
	h, _ := s.run("server-a", w, func(o *hosts.Options) { o.Now = func() time.Time { return time.Now().Add(time.Duration(off.Load())) } })
	s.until("it says so", func() bool { return h.Idle() != nil && strings.Contains(h.Idle().Error(), "1h0m0s ahead") })
	done := make(chan error, 1)
	go func() { done <- s.share(h, false) }()
	select {
	case <-did:
		t.Error("it took work")
	case <-time.After(time.Second):
	}
	off.Store(0)
	if err := <-done; err != nil {
		t.Error(err)
	}
	if h.Idle() != nil {
		t.Errorf("it rests: %v", h.Idle())
	}
}

// until waits for something.
func (s *shared) until(what string, is func() bool) {
	s.t.Helper()
	for began := time.Now(); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Since(began) > 20*time.Second {
			s.t.Fatalf("it never came: %s", what)
		}
	}
}

// cutOff ends all sessions of the ledger's database.
func (s *shared) cutOff() {
	s.t.Helper()
	db, err := pgx.Connect(context.Background(), s.place.URL)
	if err == nil {
		_, err = db.Exec(context.Background(), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()`)
		db.Close(context.Background())
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

// away keeps everybody out of the ledger's database for a while.
func (s *shared) away(d time.Duration) {
	s.t.Helper()
	ctx := context.Background()
	admin, err := pgx.Connect(ctx, os.Getenv(ledgertest.Postgres))
	if err != nil {
		s.t.Fatal(err)
	}
	defer admin.Close(ctx)
	c, err := pgx.ParseConfig(s.place.URL)
	if err != nil {
		s.t.Fatal(err)
	}
	run := func(q string, args ...any) {
		if _, err := admin.Exec(ctx, q, args...); err != nil {
			s.t.Fatal(err)
		}
	}
	run(`ALTER DATABASE ` + c.Database + ` WITH ALLOW_CONNECTIONS false`)
	run(`SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1`, c.Database)
	time.Sleep(d)
	run(`ALTER DATABASE ` + c.Database + ` WITH ALLOW_CONNECTIONS true`)
}

// TestDatabaseAway: after the database was away, hosts have the time to say again what they have
// before a store is told as away.
func TestDatabaseAway(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	begun, goes := make(chan struct{}, 100), make(chan struct{})
	s.run("server-a", s.work(func(w *hosts.Work) {
		w.Slice = func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			begun <- struct{}{}
			select {
			case <-goes:
				return 0, s.list(ctx, p)
			case <-ctx.Done():
				return 0, context.Cause(ctx)
			}
		}
	}), func(o *hosts.Options) { o.Look = 1500 * time.Millisecond })
	h, _ := s.open("commands", nil, nil)
	done := make(chan error, 1)
	go func() { done <- s.share(h, false) }()
	<-begun
	s.away(3 * time.Second)
	close(goes)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// TestLockLost: a host that lost its lock, while one that says otherwise began to run, takes no
// work.
func TestLockLost(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	a, said := s.run("server-a", s.work(nil), func(o *hosts.Options) { o.Look = 3 * time.Second })
	b, _ := s.open("server-b", s.work(nil), func(o *hosts.Options) { o.Agreed = hosts.Agreed{"the rule": "two"} })
	if err := b.Join(context.Background()); !errors.Is(err, fixity.ErrRefused) {
		t.Fatalf("it joined: %v", err)
	}
	// Whoever is faster has its lock.
	joined := false
	for tries := 0; !joined; tries++ {
		if tries == 10 {
			t.Fatal("the other was never faster")
		}
		s.cutOff()
		for began := time.Now(); !joined && time.Since(began) < time.Second; {
			joined = b.Join(context.Background()) == nil
		}
	}
	s.until("it rests", func() bool { return a.Idle() != nil && strings.Contains(a.Idle().Error(), "the rule") })
	if !strings.Contains(said.String(), "takes no work") {
		t.Errorf("it said %s", said)
	}
	b.Stop()
	s.until("it works again", func() bool { return a.Idle() == nil })
}

// TestCommandsCompared: a command with another configuration or version, or a wrong clock, leads
// no audit.
func TestCommandsCompared(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	s.run("server-a", s.work(nil), nil)
	for name, change := range map[string]func(*hosts.Options){
		"":                func(*hosts.Options) {},
		"another version": func(o *hosts.Options) { o.Version = "2" },
		"another rule":    func(o *hosts.Options) { o.Agreed = hosts.Agreed{"the rule": "two"} },
		"a wrong clock":   func(o *hosts.Options) { o.Now = func() time.Time { return time.Now().Add(time.Hour) } },
	} {
		h, _ := s.open("commands", nil, change)
		if may, err := h.Takes(context.Background(), "vault"); errors.Is(err, fixity.ErrRefused) != (name != "") || name == "" && (err != nil || !may) {
			t.Errorf("%s: %v, %v", name, may, err)
		}
	}
}

// TestTurnsAreHeld: while a turn is at work the clock gives no other one, also after its audit.
func TestTurnsAreHeld(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	var began atomic.Int64
	ends := make(chan func(), 10)
	change := func(w *hosts.Work) {
		w.Wants = func(context.Context) []string { return []string{"vault"} }
		w.Turn = func(_ string, ended func()) { began.Add(1); ends <- ended }
	}
	s.run("server-a", s.work(change), nil)
	s.run("server-b", s.work(change), nil)
	end := <-ends
	time.Sleep(time.Second) // the clock is asked five times
	if n := began.Load(); n != 1 {
		t.Errorf("%d turns were begun", n)
	}
	end()
	(<-ends)()
}

// TestStoreLockLost: a use of a store ends with the lock that it is under.
func TestStoreLockLost(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	l := s.ledger("server-a")
	for _, shares := range []bool{false, true} {
		st := stores.Stores{Ledger: l, Rules: l.Rules(), Now: time.Now, By: "a test", Turns: &stores.Turns{}}
		err := st.Use(context.Background(), "vault", stores.Purpose{Shares: shares, Unseen: true}, func(ctx context.Context, _ *stores.Used) error {
			s.cutOff()
			select {
			case <-ctx.Done():
				return context.Cause(ctx)
			case <-time.After(20 * time.Second):
				return errors.New("it goes on")
			}
		})
		if !errors.Is(err, fixity.ErrBusy) {
			t.Errorf("shares %v: got %v", shares, err)
		}
	}
}

// TestChoresNeedTheirFile: a chore goes to a host that can do it just now.
func TestChoresNeedTheirFile(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	did := make(chan string, 10)
	var can atomic.Pointer[string]
	chore := func(name string) *hosts.Work {
		return s.work(func(w *hosts.Work) {
			w.Chores = []hosts.Chore{{Name: "register", Can: func() error {
				if x := can.Load(); x == nil || *x != name {
					return os.ErrNotExist
				}
				return nil
			}, Do: func(context.Context) error { did <- name; return nil }}}
		})
	}
	a, _ := s.run("server-a", chore("server-a"), nil)
	s.run("server-b", chore("server-b"), nil)
	for _, name := range []string{"server-b", "server-a", "server-b"} {
		if err := a.Ask(context.Background(), "register"); err != nil {
			t.Fatal(err)
		}
		can.Store(&name)
		select {
		case who := <-did:
			if who != name {
				t.Errorf("%s did it, want %s", who, name)
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("%s didn't do it", name)
		}
		can.Store(nil)
		time.Sleep(500 * time.Millisecond) // both have looked
	}
}

// TestAgreedWhereSet: hosts may have no letters, and those that have must say alike to whom.
func TestAgreedWhereSet(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	to := func(who string) func(*hosts.Options) {
		return func(o *hosts.Options) {
			o.Agreed = hosts.Agreed{"the rule": "one"}
			if who != "" {
				o.Agreed[hosts.WhereSet+"recipients of letters"] = who
			}
		}
	}
	s.run("server-a", s.work(nil), to("ada@example.org"))
	s.run("server-b", s.work(nil), to(""))
	other, _ := s.open("studio-pc", s.work(nil), to("carla@example.org"))
	if err := other.Join(context.Background()); !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "recipients") {
		t.Errorf("got %v", err)
	}
}

// TestAloneComesFirst: who wants a store alone gets it, though others share it all the time.
func TestAloneComesFirst(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	reader := func(name string, ready chan<- bool) {
		l := s.ledger(name)
		st := stores.Stores{Ledger: l, Rules: l.Rules(), Now: time.Now, By: name, Turns: &stores.Turns{}}
		go func() {
			for ctx.Err() == nil {
				err := st.Use(ctx, "vault", stores.Purpose{Shares: true, Unseen: true}, func(context.Context, *stores.Used) error {
					time.Sleep(500 * time.Millisecond)
					return nil
				})
				select {
				case ready <- err == nil:
				default:
				}
			}
		}()
	}
	a, b := make(chan bool), make(chan bool)
	reader("server-a", a)
	<-a
	time.Sleep(250 * time.Millisecond) // they take turns: one of them always reads
	reader("server-b", b)
	<-b
	l := s.ledger("studio-pc")
	st := stores.Stores{Ledger: l, Rules: l.Rules(), Now: time.Now, By: "studio-pc", Turns: &stores.Turns{}, Say: t.Logf}
	if err := st.Use(ctx, "vault", stores.Purpose{Wait: 10 * time.Second, Unseen: true}, func(context.Context, *stores.Used) error { return nil }); err != nil {
		t.Error(err)
	}
	// One that its leader holds goes on.
	free, err := l.LockOwn(ctx, "alone-vault", "a test", 0, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer free()
	for _, led := range []bool{true, false} {
		if err := st.Use(ctx, "vault", stores.Purpose{Shares: true, Led: led, Unseen: true}, func(context.Context, *stores.Used) error { return nil }); (err == nil) != led {
			t.Errorf("led %v: %v", led, err)
		}
	}
	cancel()
}
