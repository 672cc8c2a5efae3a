package app_test

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// childConfig makes this test's binary a daemon of its own.
const childConfig = "FIRMUS_TEST_DAEMON_CONFIG"

func TestMain(m *testing.M) {
	if file := os.Getenv(childConfig); file != "" {
		fmt.Fprintln(os.Stderr, childDaemon(file))
		os.Exit(1)
	}
	if file := os.Getenv(hostConfig); file != "" {
		fmt.Fprintln(os.Stderr, childHost(file))
		os.Exit(1)
	}
	if dir := os.Getenv(childDir); dir != "" {
		if err := endingChild(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	time.Local = time.FixedZone("QVT", 2*3600) // letters give local times
	// Most tests here wait for a drive, a daemon or a child of theirs, each in a world of its own.
	if err := flag.Set("test.parallel", "8"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// childDaemon says on stdout whenever a file is opened, so that it can be killed just
// then.
func childDaemon(file string) error {
	return app.RunDaemon(context.Background(), app.DaemonOptions{Log: slog.New(slog.NewTextHandler(os.Stderr, nil)), By: "the test", Build: metrics.Build{Version: "test"},
		TakeInFirst: time.Millisecond, Rest: time.Millisecond,
		Load: func() (*config.Config, error) {
			c, err := config.Load(file)
			if err == nil {
				c.Web.Listen = ""
			}
			return c, err
		},
		Opened: func(a *app.App) {
			root := a.Acts.Root
			a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
				x, err := root(store, set, c)
				return telling{x, store}, err
			}
		}})
}

// telling is a root that says which store's files are opened.
type telling struct {
	stores.Root
	store string
}

func (r telling) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	fmt.Println(r.store)
	return r.Root.Open(ctx, e, offset)
}

// child is a daemon in a process of its own.
type child struct {
	cmd    *exec.Cmd
	opened chan struct{} // closed when it opens the first file of the store
}

// start starts one. store is the one whose files' opening is waited for.
func (w *world) start(store string) *child {
	w.t.Helper()
	self, err := os.Executable()
	if err != nil {
		w.t.Fatal(err)
	}
	log, err := os.OpenFile(w.path("log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		w.t.Fatal(err)
	}
	defer log.Close()
	c := &child{cmd: exec.Command(self), opened: make(chan struct{})}
	c.cmd.Env, c.cmd.Stderr = append(os.Environ(), childConfig+"="+w.path("firmus.toml")), log
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		w.t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		w.t.Fatal(err)
	}
	go func() {
		said := false
		for in := bufio.NewScanner(out); in.Scan(); {
			if !said && in.Text() == store {
				said = true
				close(c.opened)
			}
		}
		_, _ = io.Copy(io.Discard, out)
	}()
	return c
}

func (c *child) kill() {
	_ = c.cmd.Process.Kill()
	_ = c.cmd.Wait()
}

// wait waits until the child opens a file, or for twenty seconds.
func (c *child) wait() bool {
	select {
	case <-c.opened:
		return true
	case <-time.After(20 * time.Second):
		return false
	}
}

// log is the end of what the children said.
func (w *world) log() string {
	b, _ := os.ReadFile(w.path("log"))
	return string(b[max(0, len(b)-3000):])
}

// brought lets a daemon run until all is brought to its end.
func (w *world) brought(what string, done func(x *ledger.Tx) (bool, error)) {
	w.t.Helper()
	c := w.start("")
	defer c.kill()
	for end := time.Now().Add(90 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		ok := false
		w.view(func(x *ledger.Tx) (err error) { ok, err = done(x); return err })
		if ok {
			return
		}
	}
	w.t.Fatalf("%s is not brought to its end\n%s", what, w.log())
}

func (w *world) view(do func(x *ledger.Tx) error) {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	if err := a.Ledger.View(w.t.Context(), do); err != nil {
		w.t.Fatal(err)
	}
}

// killings is how often the daemon is killed in each of three kinds of work: 200 times
// in all, and a tenth of that without FIRMUS_ALL_PARTS=1.
func killings(n int) int {
	if testing.Short() || os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		return n / 10
	}
	return n
}

// TestKilled: the daemon is killed again and again, in the middle of audits, of taking
// in and of sending letters. The record holds together each time, no reading is lost
// or counted twice, each letter comes at least once and with one Message-ID, and no
// finding is lost.
func TestKilled(t *testing.T) {
	t.Parallel()
	t.Run("audits", killedInAudits)
	t.Run("intake", killedInIntake)
	t.Run("letters", killedInLetters)
}

func killedInAudits(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig+`
[store.safe]
kind = "disk"
own_drive = true
visiting = true
rate = "1MB/s"
sets = { masters = "safe/masters" }
read_within = "90d"
`)
	times := killings(64)
	files := times * 3 / 2
	w.now = time.Now().Add(-24 * time.Hour)
	for i := range files {
		p := fmt.Sprintf("masters/QV-%04d/QV-%04d_A.wav", i, i)
		w.write("studio/"+p, p, 100_000+i)
		for _, s := range []string{"vault/", "safe/"} {
			w.copy("studio/"+p, s+p)
		}
	}
	// Damage to be found on the way.
	w.write("safe/masters/QV-0003/QV-0003_A.wav", "rot", 100_003)
	w.now = time.Now()
	if res := w.intake(); res.Taken != int64(files) {
		t.Fatalf("intake: %+v", res)
	}
	w.audit(acts.AuditOrder{Stores: []string{"studio", "vault"}})
	dice := rand.New(rand.NewPCG(1, 2))
	mid, known := 0, 0
	read := map[int64]int{} // files of the safe, by how often the visit has read them
	for i := range times {
		c := w.start("safe")
		if c.wait() {
			time.Sleep(time.Duration(40+dice.IntN(280)) * time.Millisecond)
		}
		c.kill()
		w.now = time.Now()
		clear(read)
		w.view(func(x *ledger.Tx) error {
			f, err := x.Clock.Last(ledger.FiringVisit, "safe")
			if err == nil && f.Ended.IsZero() {
				mid++
			}
			return visitRead(x, read)
		})
		if len(read) < known {
			t.Errorf("after kill %d: %d files were read, and %d before", i, len(read), known)
		}
		known = len(read)
		a := w.open()
		w.consistent(a)
		a.Close()
		if t.Failed() {
			t.FailNow()
		}
	}
	if mid < times*3/4 {
		t.Errorf("only %d of %d kills hit the middle of an audit", mid, times)
	}
	w.brought("the visit", func(x *ledger.Tx) (bool, error) {
		f, err := x.Clock.Last(ledger.FiringVisit, "safe")
		return err == nil && f.Outcome == ledger.FiringDone, err
	})
	clear(read)
	w.view(func(x *ledger.Tx) error {
		if err := visitRead(x, read); err != nil {
			return err
		}
		fs, err := x.Findings.Open("safe")
		if len(fs) != 1 || fs[0].Path != "QV-0003/QV-0003_A.wav" {
			t.Errorf("findings: %+v", fs)
		}
		return err
	})
	twice := 0
	for id, n := range read {
		// What is wrong is read once more, and once more after a kill in between.
		if n > 1 {
			twice++
			t.Logf("file %d was counted %d times", id, n)
		}
	}
	if len(read) != files || twice > 1 {
		t.Errorf("%d of %d files were read, %d of them more than once", len(read), files, twice)
	}
	t.Logf("%d kills, %d in the middle; %d had been read by then", times, mid, known)
	a := w.open()
	defer a.Close()
	w.consistent(a)
}

// visitRead counts the readings of the newest whole audit of the safe, by file.
func visitRead(x *ledger.Tx, read map[int64]int) error {
	for id := int64(200); id > 0; id-- {
		a, err := x.Audits.Get(id)
		if errors.Is(err, fixity.ErrNotFound) || err == nil && (a.Store != "safe" || !a.Full) {
			continue
		}
		if err != nil {
			return err
		}
		return x.Log.ReadingsOf(id, func(_ int64, l ledger.Line) error { read[l.File]++; return nil })
	}
	return nil
}

func killedInIntake(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig)
	if err := os.WriteFile(w.path("firmus.toml"), []byte(slowStudio), 0o644); err != nil {
		t.Fatal(err)
	}
	name := func(i int) string { return fmt.Sprintf("masters/QV-%04d/QV-%04d_A.wav", i, i) }
	w.now = time.Now().Add(-24 * time.Hour)
	w.write("studio/"+name(0), name(0), 50_000)
	w.now = time.Now()
	w.intake()
	w.audit(acts.AuditOrder{})
	times := killings(66)
	files, mid := 1, 0
	dice := rand.New(rand.NewPCG(3, 4))
	for i := range times {
		w.now = time.Now()
		for range 2 {
			w.write("studio/"+name(files), name(files), 150_000+files)
			files++
		}
		c := w.start("studio")
		if c.wait() {
			time.Sleep(time.Duration(dice.IntN(160)) * time.Millisecond)
		}
		c.kill()
		w.now = time.Now()
		taken := int64(0)
		w.view(func(x *ledger.Tx) (err error) { taken, err = filesIn(x, "studio"); return err })
		if taken < int64(files) {
			mid++
		}
		a := w.open()
		w.consistent(a)
		a.Close()
		if t.Failed() {
			t.Fatalf("after kill %d\n%s", i, w.log())
		}
	}
	if mid < times/2 {
		t.Errorf("only %d of %d kills hit the middle of taking in", mid, times)
	}
	w.brought("taking in", func(x *ledger.Tx) (bool, error) {
		n, err := filesIn(x, "studio")
		return n == int64(files) && w.listed(name(files-1)), err
	})
	for i := range files {
		if !w.listed(name(i)) {
			t.Errorf("%s stands in no manifest", name(i))
		}
		w.view(func(x *ledger.Tx) error {
			f, err := x.Files.At("masters", name(i)[len("masters/"):])
			if err != nil {
				return err
			}
			vs, err := x.Files.Versions(f.ID)
			if len(vs) != 1 {
				t.Errorf("%s has %d versions", name(i), len(vs))
			}
			return err
		})
	}
	t.Logf("%d kills, %d in the middle; %d files", times, mid, files)
	a := w.open()
	defer a.Close()
	w.consistent(a)
}

const slowStudio = `name  = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
rate = "2MB/s"
sets = { masters = "studio/masters" }
[store.vault]
kind = "disk"
own_drive = true
sets = { masters = "vault/masters" }
expect_within = "3d"
`

// filesIn counts what a store holds intact.
func filesIn(x *ledger.Tx, store string) (n int64, err error) {
	tallies, err := x.Copies.Tallies()
	for _, y := range tallies {
		if y.Store == store && y.State == fixity.Intact {
			n += y.Files
		}
	}
	return n, err
}

// killAt kills a child at a moment of sending that the mail server sees.
type killAt struct {
	mu     sync.Mutex
	moment int // 0 to 3: a recipient is named, before the text, behind it, behind the answer; else none
	child  *child
	hit    int
}

func (k *killAt) at(moment int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.child != nil && k.moment == moment {
		k.child.kill()
		k.child, k.hit = nil, k.hit+1
	}
}
