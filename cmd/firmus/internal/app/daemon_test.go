package app_test

import (
	"context"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
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
	"firmus/cmd/firmus/internal/outlook"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
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
		TakeInFirst: 50 * time.Millisecond, Rest: time.Millisecond, Again: 100 * time.Millisecond, Look: 200 * time.Millisecond}
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

// watches waits until a store's set is watched: what is taken away before isn't noticed
// before the night.
func (r *running) watches(store, set string) {
	r.Helper()
	r.within(time.Minute, store+" is watched", func() bool { return r.log.has("msg=watched store=" + store + " set=" + set) })
}

// misses says that a missing file of the store was told.
func (r *running) misses(store string) func() bool {
	return func() bool {
		for line := range strings.Lines(r.log.text()) {
			if strings.Contains(line, "msg=finding") && strings.Contains(line, "kind=missing") && strings.Contains(line, "store="+store+" ") {
				return true
			}
		}
		return false
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
	t.Parallel()
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	w.now = time.Now()
	w.write("studio/masters/QV-0311/QV-0311_A.wav", "new", 99_999)
	r.within(time.Minute, "the new master is under care", r.answers("/metrics", 200, `firmus_files{set="masters",state="intact",store="studio"} 4`))
	r.within(time.Minute, "its manifest is written", func() bool {
		_, err := os.Stat(w.path("studio/masters/QV-0311/manifest-sha256.txt"))
		return err == nil
	})
	if took := r.stop(); took > time.Minute {
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
	r.within(time.Minute, "it is said", func() bool { return r.log.has("can't be served") && r.log.has("the daemon runs") })
	r.watches("studio", "masters")
	cfg, err := config.Load(w.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if c := app.CheckListen(t.Context(), cfg, nil, false); !c[0].Unset || c[1].OK {
		t.Errorf("check finds nothing wrong: %+v", c)
	}
	if c := app.CheckListen(t.Context(), cfg, nil, true); !c[0].Unknown || !c[1].Unknown || !c[1].OK {
		t.Errorf("check knows who has the address while the ledger can't be opened: %+v", c)
	}
	if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	r.within(time.Minute, "the finding", func() bool { return r.log.has("kind=missing") })
	l.Close()
	r.within(time.Minute, "it is served at last", r.answers("/readyz", 200, "ok"))
}

// A ledger that can't be opened yet is said, shown, and tried again.
func TestDaemonWithoutLedger(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	w.move("state/ledger.db", "ledger.db")
	for _, s := range []string{"-wal", "-shm"} {
		_ = os.Remove(w.path("state/ledger.db" + s))
	}
	if err := os.Mkdir(w.path("state/ledger.db"), 0o700); err != nil {
		t.Fatal(err)
	}
	r := w.daemon(addr)
	r.within(time.Minute, "it can be asked", r.answers("/healthz", 200, "ok"))
	r.within(time.Minute, "it isn't ready", r.answers("/readyz", 503, "ledger"))
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_ledger_up 0"))
	w.remove("state/ledger.db")
	w.move("ledger.db", "state/ledger.db")
	r.within(time.Minute, "it goes on", r.answers("/readyz", 200, "ok"))
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_ledger_up 1"))
}

// A second instance refuses.
func TestDaemonSecond(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
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
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	r.watches("studio", "masters")
	a := w.open()
	defer a.Close()
	unlock, err := a.Ledger.LockStore(t.Context(), "studio", "a person", 20*time.Second, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	r.watches("vault", "masters")
	if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(w.path("vault/masters/QV-0101/QV-0101_A.wav")); err != nil {
		t.Fatal(err)
	}
	r.within(time.Minute, "what came later, in a store that is free, is found", r.misses("vault"))
	if r.misses("studio")() {
		t.Error("it didn't wait")
	}
	unlock()
	r.within(time.Minute, "the finding", r.misses("studio"))
}

// A reload changes everything or nothing.
func TestDaemonReload(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
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
		r.within(time.Minute, c.name+" is said", func() bool { return r.log.has(c.says) })
		r.within(time.Minute, c.name+": the old one is in force", r.answers("/metrics", 200, "firmus_config_reload_failed 1"))
		if !r.answers("/readyz", 200, "ok")() {
			t.Errorf("%s: not ready", c.name)
		}
	}
	w.put("firmus.toml", []byte(strings.Replace(string(good), addr, other, 1)), time.Now())
	r.reload <- struct{}{}
	old := r.addr
	r.addr = other
	r.within(time.Minute, "it is served at the new address", r.answers("/metrics", 200, "firmus_config_reload_failed 0"))
	if res, err := http.Get("http://" + old + "/healthz"); err == nil {
		res.Body.Close()
		t.Error("the old address is still served")
	}
	r.within(time.Minute, "it works on", r.answers("/readyz", 200, "ok"))
}

// What was ordered on the pages is told also after the configuration was read anew.
func TestDaemonJobsAcrossReload(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	link := make(chan string, 1)
	r := w.daemon(addr, func(o *app.DaemonOptions) { o.Link = func(url string) { link <- url } })
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar}
	_, key, _ := strings.Cut(<-link, "key=")
	post := func(path string, form url.Values) (at, text string) {
		t.Helper()
		res, err := c.PostForm("http://"+r.addr+path, form)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d %v %s", path, res.StatusCode, err, b)
		}
		return res.Request.URL.Path, string(b)
	}
	post("/enter", url.Values{"key": {key}})
	job, _ := post("/work/audit", url.Values{"store": {"vault"}, "by": {"Ada"}})
	if !strings.HasPrefix(job, "/work/jobs/") {
		t.Fatalf("the order led to %s", job)
	}
	told := func() bool {
		res, err := c.Get("http://" + r.addr + job)
		if err != nil {
			return false
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		return res.StatusCode == http.StatusOK && strings.Contains(string(b), "No difference was found in vault")
	}
	r.within(time.Minute, "what came of it", told)
	r.reload <- struct{}{}
	r.within(time.Minute, "it is reloaded", func() bool { return r.log.has("the configuration was reloaded") })
	r.within(time.Minute, "what came of it is still told", told)
}

// A finding that was recorded just before a reload is logged all the same, and once,
// however seldom the record is looked at; one of the last seconds before the end too.
func TestDaemonLogsAcrossReload(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr, func(o *app.DaemonOptions) { o.Follow = time.Hour })
	r.watches("studio", "masters")
	lose := func(file string, findings int) {
		t.Helper()
		if err := os.Remove(w.path(file)); err != nil {
			t.Fatal(err)
		}
		r.within(time.Minute, file+" is missed", r.answers("/metrics", 200, fmt.Sprintf("firmus_open_findings{store=\"studio\",urgency=\"at-risk\"} %d", findings)))
	}
	lose("studio/masters/QV-0100/QV-0100_A.wav", 1)
	r.reload <- struct{}{}
	r.within(time.Minute, "it is reloaded", func() bool { return r.log.has("the configuration was reloaded") })
	r.within(time.Minute, "the finding is logged", r.misses("studio"))
	r.within(time.Minute, "the studio is watched again", func() bool { return strings.Count(r.log.text(), "msg=watched store=studio set=masters") == 2 })
	lose("studio/masters/QV-0101/QV-0101_A.wav", 2)
	r.stop()
	if n := strings.Count(r.log.text(), "msg=finding "); n != 2 {
		t.Errorf("%d findings were logged, want each of 2 once", n)
	}
}

// hung is a root that never answers at one point, which no stop ends, and says when it
// has come there.
type hung struct {
	stores.Root
	at      string
	reached chan<- struct{}
}

func (h hung) hangs(at string) {
	if at == h.at {
		select {
		case h.reached <- struct{}{}:
		default:
		}
		select {}
	}
}

func (h hung) Identify(ctx context.Context) (fixity.Identity, error) {
	h.hangs("identify")
	return h.Root.Identify(ctx)
}

func (h hung) Shards(ctx context.Context) ([]string, error) {
	h.hangs("shards")
	return h.Root.Shards(ctx)
}

func (h hung) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		h.hangs("list")
		for e, err := range h.Root.List(ctx, shard) {
			if !yield(e, err) {
				return
			}
			if e.Path != "" {
				h.hangs("step") // it has given an entry
			}
		}
	}
}

func (h hung) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	h.hangs("open")
	r, err := h.Root.Open(ctx, e, offset)
	return hungReader{r, h}, err
}

type hungReader struct {
	fixity.Reader
	h hung
}

func (r hungReader) Read(p []byte) (int, error) {
	r.h.hangs("read")
	return r.Reader.Read(p)
}

// A store on a drive of its own that hangs stops neither the others nor the end, wherever
// it does.
func TestDaemonStoreHangs(t *testing.T) {
	t.Parallel()
	for _, at := range []string{"identify", "shards", "list", "step", "open", "read"} {
		t.Run(at, func(t *testing.T) {
			t.Parallel() // they wait, mostly
			w, addr := daemonWorld(t, "")
			reached := make(chan struct{}, 1)
			r := w.daemon(addr, func(o *app.DaemonOptions) {
				o.TakeInFirst = time.Hour // it is an audit that hangs: taking in waits for all stores
				o.Opened = func(a *app.App) {
					root := a.Acts.Root
					a.Acts.Device = func(_ context.Context, store string) string { return "the drive of " + store }
					a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
						x, err := root(store, set, c)
						if err == nil && store == "vault" {
							x = hung{x, at, reached}
						}
						return x, err
					}
				}
			})
			r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
			r.watches("vault", "masters")
			r.watches("studio", "masters")
			// Something happens in the store that hangs, and in the other one.
			w.now = time.Now()
			w.write("vault/masters/QV-0101/QV-0101_A.wav", "x", 100_000)
			select {
			case <-reached:
			case <-time.After(50 * time.Second):
				t.Fatal("the store was never asked")
			}
			if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
				t.Fatal(err)
			}
			r.within(time.Minute, "the other store's finding", r.misses("studio"))
			r.within(time.Minute, "it can still be asked", r.answers("/healthz", 200, "ok"))
			if took := r.stop(); took > time.Minute {
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
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	rec := w.path("studio/masters/QV-0312/QV-0312_A.wav")
	if err := os.MkdirAll(w.path("studio/masters/QV-0312"), 0o755); err != nil {
		t.Fatal(err)
	}
	noticed := func() (n float64) { // in the studio
		_, text := r.get("/metrics")
		if _, after, ok := strings.Cut(text, `firmus_watch_events_total{store="studio"} `); ok {
			fmt.Sscan(after, &n)
		}
		return n
	}
	before := noticed()
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
	r.within(time.Minute, "the recording is noticed", func() bool { return noticed() > before })
	begun, then := time.Now(), noticed()
	r.within(time.Minute, "it grows for longer than a save takes", func() bool { return time.Since(begun) > 2500*time.Millisecond && noticed() > then })
	w.move("away", "safe")
	r.within(time.Minute, "reading waits for the recording", func() bool { return r.log.has("reading waits while a recording grows") })
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, `firmus_reading_paused{store="safe"} 1`))
	r.within(time.Minute, "it must stay", r.answers("/metrics", 200, `firmus_visit_may_go_back{store="safe"} 0`))
	close(stop)
	wg.Wait()
	f.Close()
	if err := os.Remove(rec); err != nil {
		t.Fatal(err)
	}
	r.within(time.Minute, "it may go back", func() bool { return r.log.has("read; may go back") })
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, `firmus_visit_may_go_back{store="safe"} 1`))
	w.move("safe", "away")
	r.within(time.Minute, "it has gone", func() bool {
		_, text := r.get("/metrics")
		return strings.Contains(text, "firmus_ledger_up 1") && !strings.Contains(text, "firmus_visit_may_go_back")
	})
	r.stop()
	a := w.open()
	defer a.Close()
	cs, err := outlook.Checks(t.Context(), a.Ledger, a.Config, time.Now())
	if i := slices.IndexFunc(cs, func(c outlook.Check) bool { return c.What == "store safe, last visit" }); err != nil || i < 0 || !cs[i].OK || !strings.Contains(cs[i].Detail, "may go back") {
		t.Errorf("check: %+v, %v", cs, err)
	}
	if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error {
		c, err := x.Copies.Coverage("safe", time.Now().Add(-time.Hour))
		if c.Within != 3 || c.Files != 3 {
			t.Errorf("read on the visit: %+v", c)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}
