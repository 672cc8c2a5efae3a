package app_test

import (
	"context"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/faulty"
)

// said is a log that a test can look at.
type said struct {
	mu sync.Mutex
	b  strings.Builder
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *said) has(text string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return strings.Contains(s.b.String(), text)
}

func (s *said) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// running is a daemon in this process.
type running struct {
	*testing.T
	log    *said
	addr   string
	cancel context.CancelFunc
	ended  chan error
	reload chan struct{}
}

func freeAddr(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// daemon starts one on a world, with [web] at addr.
func (w *world) daemon(addr string, change ...func(*app.DaemonOptions)) *running {
	w.t.Helper()
	r := &running{T: w.t, log: &said{}, addr: addr, ended: make(chan error, 1), reload: make(chan struct{})}
	o := app.DaemonOptions{Log: slog.New(slog.NewTextHandler(r.log, nil)), By: "the test", Build: metrics.Build{Version: "test"}, Reload: r.reload,
		Load:        func() (*config.Config, error) { return config.Load(w.path("firmus.toml")) },
		TakeInFirst: 50 * time.Millisecond, Rest: time.Millisecond, Again: 100 * time.Millisecond}
	for _, f := range change {
		f(&o)
	}
	var ctx context.Context
	ctx, r.cancel = context.WithCancel(context.Background())
	go func() { r.ended <- app.RunDaemon(ctx, o) }()
	w.t.Cleanup(func() {
		r.stop()
		if w.t.Failed() {
			w.t.Log(r.log.text())
		}
	})
	return r
}

// stop ends it, and gives how long that took.
func (r *running) stop() time.Duration {
	r.Helper()
	began := time.Now()
	r.cancel()
	select {
	case err := <-r.ended:
		if err != nil {
			r.Errorf("the daemon ended with: %v", err)
		}
		r.ended <- nil
	case <-time.After(20 * time.Second):
		r.Error("the daemon doesn't stop")
		r.ended <- nil
	}
	return time.Since(began)
}

func (r *running) get(path string) (int, string) {
	res, err := http.Get("http://" + r.addr + path)
	if err != nil {
		return 0, err.Error()
	}
	defer res.Body.Close()
	b, _ := io.ReadAll(res.Body)
	return res.StatusCode, string(b)
}

// within waits until ok.
func (r *running) within(d time.Duration, what string, ok func() bool) {
	r.Helper()
	for end := time.Now().Add(d); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			r.Fatalf("not within %s: %s", d, what)
		}
	}
}

func (r *running) answers(path string, status int, text string) func() bool {
	return func() bool {
		got, body := r.get(path)
		// Lines that explain metrics are left out: one that begins with a number looks
		// like a value.
		lines := slices.DeleteFunc(strings.SplitAfter(body, "\n"), func(l string) bool { return strings.HasPrefix(l, "#") })
		return got == status && strings.Contains(strings.Join(lines, ""), text)
	}
}

func daemonWorld(t *testing.T, more string) (*world, string) {
	t.Helper()
	addr := freeAddr(t)
	w := newWorld(t, worldConfig+more+fmt.Sprintf("\n[web]\nlisten = %q\n", addr))
	w.now = time.Now().Add(-time.Hour)
	for i := range 3 {
		f := fmt.Sprintf("masters/QV-01%02d/QV-01%02d_A.wav", i, i)
		w.write("studio/"+f, f, 150_000+i)
		w.copy("studio/"+f, "vault/"+f)
	}
	w.now = time.Now()
	if res := w.intake(); res.Taken != 3 {
		t.Fatalf("intake: %+v", res)
	}
	w.audit(acts.AuditOrder{})
	return w, addr
}

// New files are taken in when they have settled, with no command.
func TestDaemonTakesIn(t *testing.T) {
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(10*time.Second, "it is ready", r.answers("/readyz", 200, "ok"))
	w.now = time.Now()
	w.write("studio/masters/QV-0311/QV-0311_A.wav", "new", 99_999)
	r.within(30*time.Second, "the new master is under care", r.answers("/metrics", 200, `firmus_files{set="masters",state="intact",store="studio"} 4`))
	r.within(10*time.Second, "its manifest is written", func() bool {
		_, err := os.Stat(w.path("studio/masters/QV-0311/manifest-sha256.txt"))
		return err == nil
	})
	if took := r.stop(); took > 10*time.Second {
		t.Errorf("stopped after %s", took)
	}
}

// A taken address is said and tried again; the rest goes on.
func TestDaemonAddressTaken(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	l, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	r := w.daemon(addr)
	r.within(10*time.Second, "it is said", func() bool { return r.log.has("can't be served") && r.log.has("the daemon runs") })
	cfg, err := config.Load(w.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if c := app.CheckListen(t.Context(), cfg, nil); c.OK {
		t.Errorf("check finds nothing wrong: %+v", c)
	}
	if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	r.within(30*time.Second, "the finding", func() bool { return r.log.has("kind=missing") })
	l.Close()
	r.within(10*time.Second, "it is served at last", r.answers("/readyz", 200, "ok"))
}

// A ledger that can't be opened yet is said, shown, and tried again.
func TestDaemonWithoutLedger(t *testing.T) {
	w, addr := daemonWorld(t, "")
	w.move("state/ledger.db", "ledger.db")
	for _, s := range []string{"-wal", "-shm"} {
		_ = os.Remove(w.path("state/ledger.db" + s))
	}
	if err := os.Mkdir(w.path("state/ledger.db"), 0o700); err != nil {
		t.Fatal(err)
	}
	r := w.daemon(addr)
	r.within(10*time.Second, "it can be asked", r.answers("/healthz", 200, "ok"))
	r.within(10*time.Second, "it isn't ready", r.answers("/readyz", 503, "ledger"))
	r.within(10*time.Second, "it is shown", r.answers("/metrics", 200, "firmus_ledger_up 0"))
	w.remove("state/ledger.db")
	w.move("ledger.db", "state/ledger.db")
	r.within(10*time.Second, "it goes on", r.answers("/readyz", 200, "ok"))
	r.within(10*time.Second, "it is shown", r.answers("/metrics", 200, "firmus_ledger_up 1"))
}

// A second instance refuses.
func TestDaemonSecond(t *testing.T) {
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(10*time.Second, "it is ready", r.answers("/readyz", 200, "ok"))
	err := app.RunDaemon(t.Context(), app.DaemonOptions{Log: slog.New(slog.DiscardHandler), Load: func() (*config.Config, error) { return config.Load(w.path("firmus.toml")) }})
	if err == nil || !strings.Contains(err.Error(), "runs already") {
		t.Errorf("a second one: %v", err)
	}
}

// While somebody else works on a store the daemon waits, and then does what it
// couldn't.
func TestDaemonBusy(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(10*time.Second, "it is ready", r.answers("/readyz", 200, "ok"))
	r.within(10*time.Second, "the studio is watched", func() bool { return r.log.has("msg=watched store=studio set=masters") })
	a := w.open()
	defer a.Close()
	unlock, err := a.Ledger.LockStore(t.Context(), "studio", "a person", 20*time.Second, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	time.Sleep(6 * time.Second) // it has tried
	if r.log.has("kind=missing") {
		t.Error("it didn't wait")
	}
	unlock()
	r.within(60*time.Second, "the finding", func() bool { return r.log.has("kind=missing") })
}

// A reload changes everything or nothing.
func TestDaemonReload(t *testing.T) {
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(10*time.Second, "it is ready", r.answers("/readyz", 200, "ok"))
	good, err := os.ReadFile(w.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	other := freeAddr(t)
	busy, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Close()
	for _, c := range []struct{ name, text, says string }{
		{"an unknown key", string(good) + "\nnonsense = 1\n", "unknown key"},
		{"another state folder", strings.Replace(string(good), `state = "state"`, `state = "elsewhere"`, 1), "needs a restart"},
		{"a schedule that never comes", strings.Replace(string(good), "expect_within", "schedule = \"0 0 31 2 *\"\nexpect_within", 1), "never comes"},
		{"an address that is taken", strings.Replace(string(good), addr, busy.Addr().String(), 1), "address already in use"},
	} {
		w.put("firmus.toml", []byte(c.text), time.Now())
		r.reload <- struct{}{}
		r.within(10*time.Second, c.name+" is said", func() bool { return r.log.has(c.says) })
		r.within(10*time.Second, c.name+": the old one is in force", r.answers("/metrics", 200, "firmus_config_reload_failed 1"))
		if !r.answers("/readyz", 200, "ok")() {
			t.Errorf("%s: not ready", c.name)
		}
	}
	w.put("firmus.toml", []byte(strings.Replace(string(good), addr, other, 1)), time.Now())
	r.reload <- struct{}{}
	old := r.addr
	r.addr = other
	r.within(10*time.Second, "it is served at the new address", r.answers("/metrics", 200, "firmus_config_reload_failed 0"))
	if res, err := http.Get("http://" + old + "/healthz"); err == nil {
		res.Body.Close()
		t.Error("the old address is still served")
	}
	r.within(10*time.Second, "it works on", r.answers("/readyz", 200, "ok"))
}

// hanging is a root that never answers.
type hanging struct{ acts.Root }

func (h hanging) Identify(ctx context.Context) (fixity.Identity, error) {
	<-ctx.Done()
	return fixity.Identity{}, context.Cause(ctx)
}

func (h hanging) List(context.Context, string) iter.Seq2[fixity.Entry, error] {
	return func(func(fixity.Entry, error) bool) { select {} } // not even a stop ends it
}

func (h hanging) Shards(context.Context) ([]string, error) { select {} }

// stuck is a root whose files never give a byte, and which no stop ends.
type stuck struct{ acts.Root }

func (h stuck) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	return faulty.Wrap(h.Root, faulty.Hang(faulty.Read, 0, make(chan struct{}))).Open(ctx, e, offset)
}

// A store that hangs stops neither the others nor the end.
func TestDaemonStoreHangs(t *testing.T) {
	for _, tc := range []struct {
		name string
		with func(acts.Root) acts.Root
	}{
		{"in listing", func(x acts.Root) acts.Root { return hanging{x} }},
		{"in reading", func(x acts.Root) acts.Root { return stuck{x} }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel() // they wait, mostly
			w, addr := daemonWorld(t, "")
			r := w.daemon(addr, func(o *app.DaemonOptions) {
				o.Opened = func(a *app.App) {
					root := a.Acts.Root
					a.Acts.Root = func(store, set string, c fixity.Cache) (acts.Root, error) {
						x, err := root(store, set, c)
						if err == nil && store == "vault" {
							x = tc.with(x)
						}
						return x, err
					}
				}
			})
			r.within(10*time.Second, "it is ready", r.answers("/readyz", 200, "ok"))
			// Something happens in the store that hangs, and in the other one.
			w.now = time.Now()
			w.write("vault/masters/QV-0101/QV-0101_A.wav", "x", 100_000)
			if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
				t.Fatal(err)
			}
			r.within(50*time.Second, "the other store's finding", func() bool { return r.log.has("kind=missing") })
			r.within(5*time.Second, "it can still be asked", r.answers("/healthz", 200, "ok"))
			if took := r.stop(); took > 10*time.Second {
				t.Errorf("stopped after %s", took)
			}
		})
	}
}

// A visiting drive that comes is read whole, waits while a recording grows beside it,
// and then may go back.
func TestDaemonVisit(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, `
[store.safe]
kind = "disk"
own_drive = true
visiting = true
read_within = "90d"
sets = { masters = "safe/masters" }
`)
	for i := range 3 {
		f := fmt.Sprintf("masters/QV-01%02d/QV-01%02d_A.wav", i, i)
		w.copy("studio/"+f, "away/"+f)
	}
	r := w.daemon(addr)
	r.within(10*time.Second, "it is ready", r.answers("/readyz", 200, "ok"))
	rec := w.path("studio/masters/QV-0312/QV-0312_A.wav")
	if err := os.MkdirAll(w.path("studio/masters/QV-0312"), 0o755); err != nil {
		t.Fatal(err)
	}
	time.Sleep(200 * time.Millisecond) // the folder is noticed
	f, err := os.Create(rec)
	if err != nil {
		t.Fatal(err)
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(100 * time.Millisecond):
				f.Write(make([]byte, 1000))
			}
		}
	})
	time.Sleep(3 * time.Second)
	w.move("away", "safe")
	r.within(30*time.Second, "reading waits for the recording", func() bool { return r.log.has("reading waits while a recording grows") })
	r.within(5*time.Second, "it is shown", r.answers("/metrics", 200, `firmus_reading_paused{store="safe"} 1`))
	r.within(5*time.Second, "it must stay", r.answers("/metrics", 200, `firmus_visit_may_go_back{store="safe"} 0`))
	close(stop)
	wg.Wait()
	f.Close()
	if err := os.Remove(rec); err != nil {
		t.Fatal(err)
	}
	r.within(60*time.Second, "it may go back", func() bool { return r.log.has("read; may go back") })
	r.within(5*time.Second, "it is shown", r.answers("/metrics", 200, `firmus_visit_may_go_back{store="safe"} 1`))
	w.move("safe", "away")
	r.within(60*time.Second, "it has gone", func() bool {
		_, text := r.get("/metrics")
		return strings.Contains(text, "firmus_ledger_up 1") && !strings.Contains(text, "firmus_visit_may_go_back")
	})
	r.stop()
	a := w.open()
	defer a.Close()
	cs, err := a.CheckDaemon(t.Context(), time.Now())
	if i := slices.IndexFunc(cs, func(c app.Check) bool { return c.What == "store safe, last visit" }); err != nil || i < 0 || !cs[i].OK || !strings.Contains(cs[i].Detail, "may go back") {
		t.Errorf("check: %+v, %v", cs, err)
	}
	if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error {
		c, err := x.Coverage("safe", time.Now().Add(-time.Hour))
		if c.Within != 3 || c.Files != 3 {
			t.Errorf("read on the visit: %+v", c)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}
