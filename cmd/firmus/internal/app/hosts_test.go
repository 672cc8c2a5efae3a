package app_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// hostConfig makes this test's binary a host of its own, hostVersion of another version.
const (
	hostConfig  = "FIRMUS_TEST_HOST_CONFIG"
	hostVersion = "FIRMUS_TEST_HOST_VERSION"
	hostListen  = "FIRMUS_TEST_HOST_LISTEN"
	hostLong    = "FIRMUS_TEST_HOST_LONG" // its jobs are as long as they are by default
	hostSlow    = "FIRMUS_TEST_HOST_SLOW" // how long it takes to open a file of the vault
	hostBeat    = "FIRMUS_TEST_HOST_BEAT" // it looks every second what is to be done now and then
)

// hostLeads has the child audit the vault instead, as a command does.
const hostLeads = "FIRMUS_TEST_HOST_LEADS"

func childLeads(file string) error {
	c, err := config.Load(file)
	if err != nil {
		return err
	}
	a, err := app.Open(context.Background(), app.Options{Config: c, By: "a command", Times: hosts.Times{Slice: time.Second, Grace: 2 * time.Second}})
	if err != nil {
		return err
	}
	defer a.Close()
	_, err = a.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
	return err
}

// childHost is a daemon that shares its ledger, with short jobs.
func childHost(file string) error {
	short := hosts.Times{Slice: time.Second, Grace: 2 * time.Second, Rescue: 2 * time.Second, Look: time.Second, Beat: time.Second, Window: 1500 * time.Millisecond}
	if os.Getenv(hostLong) != "" {
		short = hosts.Times{}
	}
	if os.Getenv(hostLeads) != "" {
		return childLeads(file)
	}
	beat := time.Duration(0)
	if os.Getenv(hostBeat) != "" {
		beat = time.Second
	}
	again, reload := make(chan os.Signal, 1), make(chan struct{})
	signal.Notify(again, syscall.SIGHUP)
	go func() {
		for range again {
			reload <- struct{}{}
		}
	}()
	return app.RunDaemon(context.Background(), app.DaemonOptions{Reload: reload, Beat: beat, Look: beat, Log: slog.New(slog.NewTextHandler(os.Stderr, nil)), By: "the test", Build: metrics.Build{Version: "test" + os.Getenv(hostVersion)},
		Load: func() (*config.Config, error) {
			c, err := config.Load(file)
			if err == nil {
				c.Web.Listen = os.Getenv(hostListen)
			}
			return c, err
		},
		Follow: 300 * time.Millisecond,
		Ready:  func() { fmt.Println("ready") },
		Opened: tellsOpened,
		Again:  time.Second,
		Shared: short})
}

// tellsOpened has a host say which files of the vault it opens.
func tellsOpened(a *app.App) {
	if os.Getenv(hostLong) != "" {
		return
	}
	root := a.Acts.Root
	a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
		x, err := root(store, set, c)
		if store == "vault" && err == nil {
			x = tellingPath{x}
		}
		return x, err
	}
}

// hostOne names a file that one host at a time has while it opens a file of the vault, for so long
// as hostSlow says: a store that one reader fills.
const hostOne = "FIRMUS_TEST_HOST_ONE"

// inTurn waits until no other process has a file, and has it for a time; nil where files have
// no locks for that.
var inTurn func(file string, d time.Duration) error

type tellingPath struct{ stores.Root }

func (r tellingPath) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	fmt.Println("read " + e.Path)
	if d, err := time.ParseDuration(os.Getenv(hostSlow)); err == nil {
		if one := os.Getenv(hostOne); one == "" {
			time.Sleep(d)
		} else if err := inTurn(one, d); err != nil {
			return nil, err
		}
	}
	return r.Root.Open(ctx, e, offset)
}

// checkHosts is what check says of the hosts, by how the stores are.
func checkHosts(a *app.App) (does string, idle bool, wrong []string, err error) {
	stores, err := a.Acts.CheckStores(context.Background())
	if err != nil {
		return "", false, nil, err
	}
	return a.CheckHosts(context.Background(), stores)
}

// TestHostsShare has one audit of a store read by three hosts.
func TestHostsShare(t *testing.T) {
	t.Parallel()
	s := newSharing(t, `rate = "2MB/s"`)
	s.fill(24, 5, 100_000)
	for _, h := range []string{"server-a", "server-b", "studio-pc"} {
		s.start(h)
	}
	r := s.audit("studio-pc")
	if len(r.Findings) > 0 || len(r.Trouble) > 0 || !r.Complete || r.Read != 120 || r.Listed != 120 {
		t.Fatalf("the audit gave %+v", r)
	}
	sum := int64(0)
	for _, n := range r.ReadBy {
		sum += n
	}
	if len(r.ReadBy) != 3 || sum != 120 {
		t.Errorf("it was read by %v: want 120 files, by three hosts", r.ReadBy)
	}
}

// TestHostsLeaderKilled kills who leads an audit: the next one takes it over, and what was read
// isn't read again.
func TestHostsLeaderKilled(t *testing.T) {
	t.Parallel()
	s := newSharing(t, `rate = "500kB/s"`)
	s.fill(12, 3, 100_000)
	s.start("server-a")
	leader := s.begin("server-b", s.config("server-b"), hostLeads+"=1")
	for read := 0; read < 10; time.Sleep(20 * time.Millisecond) {
		select {
		case <-leader.ended:
			t.Fatalf("it ended: %s", leader.log)
		default:
		}
		s.mu.Lock()
		read = len(s.reads)
		s.mu.Unlock()
	}
	leader.kill()
	r := s.audit("studio-pc")
	if len(r.Findings) > 0 || !r.Complete || r.Read+r.ReadBefore < 36 || r.ReadBefore == 0 {
		t.Errorf("the audit gave %+v", r)
	}
	twice := 0
	for _, n := range s.reads {
		twice += n - 1
	}
	if twice > inFlight {
		t.Errorf("%d files were read once more", twice)
	}
}

// inFlight is how many files a host reads at the same time, or has read and not committed yet, with
// the rates of these tests.
const inFlight = 15

// TestHostsGiveWay has an audit that the clock ordered end for a change that another host noticed.
func TestHostsGiveWay(t *testing.T) {
	t.Parallel()
	s := newSharing(t, `rate = "100kB/s"`)
	s.fill(8, 2, 100_000)
	s.start("server-a")
	with := func(host string, o stores.Order) acts.Acts {
		a := s.open(host)
		t.Cleanup(func() { a.Close() })
		env := *a.Acts.Archive
		env.Order = o
		return acts.Of(&env)
	}
	led := make(chan error, 1)
	clock, desk := with("server-b", stores.Order{Windows: true}), with("studio-pc", stores.Order{Hurry: true})
	go func() {
		_, err := clock.Audit(context.Background(), acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
		led <- err
	}()
	for read := 0; read == 0; time.Sleep(50 * time.Millisecond) {
		s.mu.Lock()
		read = len(s.reads)
		s.mu.Unlock()
	}
	rs, err := desk.LookAt(context.Background(), "vault", "masters", []string{"QV-0001/QV-0001_01.wav"})
	if err != nil || len(rs[0].Trouble) > 0 {
		t.Errorf("the change was looked at: %+v, %v", rs, err)
	}
	if err := <-led; !errors.Is(err, stores.ErrGivesWay) {
		t.Errorf("the clock's audit ended with %v", err)
	}
}

// TestHostsRefuse starts hosts that can't share a ledger with one that runs.
func TestHostsRefuse(t *testing.T) {
	t.Parallel()
	s := newSharing(t, "")
	s.fill(1, 1, 100)
	s.start("server-a")
	for _, c := range []struct {
		name, host string
		instead    []string
		env        string
		says       []string
	}{
		{"its name is taken", "server-a", []string{s.path("server-a/state"), s.path("other/state")}, "", []string{"server-a", "runs already"}},
		{"another root", "server-b", []string{s.path("vault"), s.path("vault2")}, "", []string{"server-a", "server-b", "root of masters"}},
		{"another set", "server-b", []string{`role = "master"`, `role = "access"`}, "", []string{"server-a", "server-b", "set masters, role"}},
		{"other holdings", "server-b", []string{"Song Survey", "Song Book"}, "", []string{"server-a", "server-b", "holdings' name"}},
		{"another version", "server-b", nil, "2", []string{"server-a", "server-b", "test2"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := s.config(c.host, c.instead...)
			if c.host == "server-a" { // beside the one that runs
				b, err := os.ReadFile(file)
				if err == nil {
					file += ".other"
					err = os.WriteFile(file, b, 0o600)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			said := s.refused(c.host, file, hostVersion+"="+c.env)
			for _, w := range c.says {
				if !strings.Contains(said, w) {
					t.Errorf("it doesn't say %q: %s", w, said)
				}
			}
		})
	}
	if said := s.refused("server-b", s.config("server-b"), "FIRMUS_HOST=host a/ü"); !strings.Contains(said, "FIRMUS_HOST") || !strings.Contains(said, "can't be the name of a host") {
		t.Errorf("a name that can't be a host's: %s", said)
	}
	// With the same, it runs; and says so.
	s.start("server-b")
	a := s.open("studio-pc")
	defer a.Close()
	does, idle, wrong, err := checkHosts(a)
	if err != nil || idle || len(wrong) > 0 || !strings.Contains(does, "studio-pc reads vault") || !strings.Contains(does, "server-a and server-b") {
		t.Errorf("check says %q, %v, %v", does, wrong, err)
	}
	rs, err := a.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"studio"}})
	if err != nil || rs[0].Exit() != 3 || !strings.Contains(strings.Join(rs[0].Trouble, ""), "server-a") {
		t.Errorf("the audit of another host's store gave %+v, %v", rs, err)
	}
	// A store that is retired is in the configurations all the same.
	within(t, time.Minute, "no host that begins is at the vault", func() bool {
		_, err := a.Deciding.EndStore(context.Background(), deciding.EndStoreOrder{Store: "vault", Reason: "the drive is old"})
		if err != nil && !errors.Is(err, fixity.ErrBusy) {
			t.Fatal(err)
		}
		return err == nil
	})
	s.start("studio-pc")
}

// TestHostsClocks tells of clocks that are wrong.
func TestHostsClocks(t *testing.T) {
	said := hosts.Clocks([]ledger.Host{{Name: "server-a", Ahead: 61 * time.Minute}, {Name: "server-b", Ahead: -time.Hour}, {Name: "studio-pc", Ahead: 59 * time.Second}})
	if len(said) != 2 || !strings.Contains(said[0], "server-a is 1h1m0s ahead of that of the database's computer") || !strings.Contains(said[1], "server-b is 1h0m0s behind") {
		t.Errorf("it said %q", said)
	}
}

// TestLedgerMoves moves an archive's ledger to PostgreSQL while nobody has it open, and goes on
// with it.
func TestLedgerMoves(t *testing.T) {
	t.Parallel()
	s := newSharing(t, "")
	url := s.place.URL
	s.place, s.measured = ledgertest.Place{}, true // at_once is for computers that share a ledger
	file := s.config("server-a", `hosts = ["server-a"]`, "")
	load := func() *config.Config {
		t.Helper()
		c, err := config.Load(file)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	open := func() *app.App {
		t.Helper()
		a, err := app.Open(context.Background(), app.Options{Config: load(), By: "the test"})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	s.write(2, 2, 1000)
	a := open()
	if _, err := a.Receiving.Intake(context.Background(), receiving.IntakeOrder{}); err != nil {
		t.Fatal(err)
	}
	move := func(to string) error {
		_, err := app.MoveLedger(context.Background(), load(), to, "Ada Wren", time.Now())
		return err
	}
	if err := move(url); !errors.Is(err, fixity.ErrBusy) {
		t.Errorf("moved while it is open: %v", err)
	}
	a.Close()
	if err := move(app.Embedded); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("moved to where it is: %v", err)
	}
	s.place = ledgertest.Place{URL: url}
	if err := move(url); err != nil {
		t.Fatal(err)
	}
	if _, err := app.Open(context.Background(), app.Options{Config: load(), By: "the test"}); !errors.Is(err, ledger.ErrMoved) {
		t.Errorf("the old one opens: %v", err)
	}
	file = s.config("server-a")
	h := s.start("server-a")
	r := s.audit("server-a")
	if len(r.Findings) > 0 || r.Read != 4 {
		t.Errorf("the audit gave %+v", r)
	}
	if err := move(app.Embedded); !errors.Is(err, fixity.ErrBusy) || !strings.Contains(err.Error(), "daemon") {
		t.Errorf("moved while a host runs: %v", err)
	}
	h.kill()
	if err := move(app.Embedded); err != nil {
		t.Fatal(err)
	}
	if _, err := app.Open(context.Background(), app.Options{Config: load(), By: "the test"}); !errors.Is(err, ledger.ErrMoved) || !strings.Contains(err.Error(), "on the computer server-a") {
		t.Errorf("the one that was left doesn't name the computer: %v", err)
	}
	s.place = ledgertest.Place{}
	file = s.config("server-a", `hosts = ["server-a"]`, "")
	a = open()
	defer a.Close()
	s.whole(a)
	if why, err := a.Events.Differ(context.Background()); err != nil || why != "" {
		t.Errorf("the event files differ from the record: %s, %v", why, err)
	}
}

// TestHostsReachWhatIsTheirs takes in and audits on a host that reaches one of two stores: the
// other one isn't told as away.
func TestHostsReachWhatIsTheirs(t *testing.T) {
	t.Parallel()
	s := newSharing(t, "hosts = [\"server-b\"]\nmanifests = true")
	s.fill(2, 2, 1000)
	a := s.open("server-a")
	defer a.Close()
	said := []string{}
	a.Acts.Say = func(format string, args ...any) { said = append(said, fmt.Sprintf(format, args...)) }
	var backups []ledger.Backup
	rs, err := a.Acts.Audit(context.Background(), acts.AuditOrder{Full: true})
	if err != nil || len(rs) != 1 || rs[0].Store != "studio" || rs[0].Exit() != 0 {
		t.Errorf("the audit gave %+v, %v", rs, err)
	}
	open := []ledger.Finding{}
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) (err error) { open, err = x.Findings.Open(""); return err }); err != nil || len(open) > 0 {
		t.Errorf("findings: %+v, %v", open, err)
	}
	if said := strings.Join(said, "\n"); !strings.Contains(said, "store vault is not audited from here: it is reached from server-b, and this is server-a") {
		t.Errorf("it isn't said what was left out: %s", said)
	}
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) (err error) { backups, err = x.Log.Backups(); return err }); err != nil || len(backups) > 0 {
		t.Errorf("a backup into another host's store was tried: %+v, %v", backups, err)
	}
	c := s.open("studio-pc")
	defer c.Close()
	if does, idle, _, err := checkHosts(c); err != nil || !idle || !strings.Contains(does, "server-a and server-b") {
		t.Errorf("check says %q, %v, %v of a host that nothing names", does, idle, err)
	}
	b := s.open("server-b")
	defer b.Close()
	rs, err = b.Acts.Audit(context.Background(), acts.AuditOrder{Full: true})
	if err != nil || len(rs) != 1 || rs[0].Store != "vault" || rs[0].Read != 4 || rs[0].Exit() != 0 {
		t.Errorf("the audit on the other host gave %+v, %v", rs, err)
	}
	s.whole(a)
}

// TestHostsRecover puts a file back beside a host that runs: what is read back is read by the
// command that has the store, and isn't waited for.
func TestHostsRecover(t *testing.T) {
	t.Parallel()
	s := newSharing(t, "")
	s.fill(1, 3, 1000)
	bad := "QV-0000/QV-0000_01.wav"
	at := time.Now().Add(-time.Hour)
	if err := errors.Join(os.WriteFile(s.path("vault/"+bad), []byte("overwritten"), 0o644), os.Chtimes(s.path("vault/"+bad), at, at)); err != nil {
		t.Fatal(err)
	}
	s.start("server-b")
	if r := s.audit("server-a"); len(r.Findings) != 1 {
		t.Fatalf("the audit gave %+v", r)
	}
	a := s.open("server-a")
	defer a.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 40*time.Second)
	defer cancel()
	res, err := a.Recovering.Recover(ctx, recovering.Order{Store: "vault"})
	if err != nil || len(res.Items) != 1 || res.Items[0].State != recovering.PutBack {
		t.Errorf("it gave %d items, %v", len(res.Items), err)
	}
	s.whole(a)
}

// TestHostsLook opens the ledger only to look, on a computer that has no state folder: what is in
// the database is seen, and nothing is begun in an empty one.
func TestHostsLook(t *testing.T) {
	t.Parallel()
	s := newSharing(t, "")
	state := ""
	look := func(host string) error {
		cfg, err := config.Load(s.config(host))
		if err != nil {
			t.Fatal(err)
		}
		state = cfg.State
		a, err := app.Open(context.Background(), app.Options{Config: cfg, By: "the test", MustExist: true, MakesNothing: true})
		if err == nil {
			_, _, _, err = checkHosts(a)
			// The database's room is not that of the drive with the state folder.
			if c := a.CheckRoom(context.Background()); c.OK && !strings.Contains(c.Detail, "on the drive of "+cfg.State+". How much room the database has isn't known here") {
				t.Errorf("of the room it says: %s", c.Detail)
			}
			a.Close()
		}
		return err
	}
	for range 2 {
		if err := look("server-b"); !errors.Is(err, fixity.ErrNotFound) {
			t.Errorf("a ledger was seen in an empty database: %v", err)
		}
	}
	s.fill(1, 1, 1000)
	if err := look("server-b"); err != nil {
		t.Errorf("the ledger isn't seen: %v", err)
	}
	if _, err := os.Stat(state); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a state folder was made by who only looked: %v", err)
	}
}
