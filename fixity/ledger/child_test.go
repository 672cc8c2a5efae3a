package ledger_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// since is how who holds a lock is told since when.
var since = regexp.MustCompile(`, since \d+ [A-Z][a-z]+ 20\d\d `)

// A test that needs another process starts this program again with these set.
const (
	childDoes = "FIRMUS_TEST_CHILD" // "write" or "lock"
	childPath = "FIRMUS_TEST_PATH"
	childURL  = "FIRMUS_TEST_URL"
	childDir  = "FIRMUS_TEST_STATE"
	childStep = "FIRMUS_TEST_STEP" // the step of a transaction at which it ends itself; "" is never
)

func TestMain(m *testing.M) {
	switch os.Getenv(childDoes) {
	case "":
		os.Exit(m.Run())
	case "write":
		fmt.Println("error", childWrites())
	case "lock":
		fmt.Println("error", childLocks())
	}
	os.Exit(1)
}

func childOpens() (*ledger.Ledger, error) {
	return ledger.Open(context.Background(), ledger.Options{Path: os.Getenv(childPath), URL: os.Getenv(childURL), State: os.Getenv(childDir), Rules: rules,
		Now: begun, By: "Ben Sallow"})
}

// childWrites takes in file after file and says of each that it was committed.
func childWrites() error {
	l, err := childOpens()
	if err != nil {
		return err
	}
	end := -1
	if s := os.Getenv(childStep); s != "" {
		if end, err = strconv.Atoi(s); err != nil {
			return err
		}
	}
	for n := 0; ; n++ {
		step := 0
		next := func() error {
			if n == 3 && step == end {
				p, err := os.FindProcess(os.Getpid())
				if err != nil {
					return err
				}
				_ = p.Kill()
				select {}
			}
			step++
			return nil
		}
		p := fmt.Sprintf("QV-%d/%d.wav", os.Getpid(), n)
		err := l.Tx(context.Background(), begun, func(x *ledger.Tx) error {
			_ = next()
			f, err := x.Files.Add("masters", p, "Ben Sallow", begun, true, bytesOf(p))
			if err != nil {
				return err
			}
			_ = next()
			for _, s := range []string{"studio", "vault"} {
				if err := x.Copies.Put(ledger.Copy{}, ledger.Copy{Store: s, Set: "masters", At: p, File: f.ID, State: fixity.Awaited, Size: -1}); err != nil {
					return err
				}
				_ = next()
			}
			x.Event(ledger.Event{Verb: fixity.TakenIn, By: "Ben Sallow", Set: "masters", File: f.ID})
			return next()
		})
		if err != nil {
			return err
		}
		_ = next() // committed and not yet said
		fmt.Println("took", p)
	}
}

// childLocks takes the lock on a store and holds it until it is killed.
func childLocks() error {
	l, err := childOpens()
	if err != nil {
		return err
	}
	if _, err := l.LockStore(context.Background(), "vault", "Ben Sallow on quill", 0, func() time.Time { return begun }); err != nil {
		return err
	}
	fmt.Println("locked")
	for { // an empty select would be a deadlock, with nothing else running here
		time.Sleep(time.Hour)
	}
}

// child starts this program anew on d's ledger.
func child(t *testing.T, d database, does, step string) (*exec.Cmd, *bufio.Scanner) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), childDoes+"="+does, childPath+"="+d.path, childURL+"="+d.url, childDir+"="+d.state, childStep+"="+step)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return cmd, bufio.NewScanner(out)
}

// survives reads what a child said until it ended, and holds it against the ledger.
func survives(t *testing.T, d database, said []string) {
	t.Helper()
	l := d.open()
	defer l.Close()
	sound(t, l)
	view(t, l, func(x *ledger.Tx) error {
		for _, line := range said {
			p, ok := strings.CutPrefix(line, "took ")
			if !ok {
				t.Errorf("the child said %q", line)
				continue
			}
			f, err := x.Files.At("masters", p)
			if err != nil {
				t.Errorf("%s was acknowledged and is lost: %v", p, err)
				continue
			}
			copies, err := x.Copies.Of(f.ID)
			if err != nil || len(copies) != 2 {
				t.Errorf("%s has %d copies, %v", p, len(copies), err)
			}
		}
		// What was not acknowledged is there whole or not at all.
		return x.Files.Each("masters", "", 1_000_000, func(f ledger.File) error { return nil })
	})
	if d.url == "" {
		integrity(t, d)
	}
}

func TestAKilledWriterLosesNothingItSaid(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		r := rand.New(rand.NewPCG(7, 8))
		total := 0
		for round := range 6 {
			cmd, out := child(t, d, "write", "")
			var said []string
			after := time.AfterFunc(time.Minute, func() { _ = cmd.Process.Kill() })
			var once bool
			for out.Scan() {
				said = append(said, out.Text())
				if !once && len(said) >= 2 {
					once = true
					wait := time.Duration(r.IntN(150)) * time.Millisecond
					time.AfterFunc(wait, func() { _ = cmd.Process.Kill() })
				}
			}
			after.Stop()
			_ = cmd.Wait()
			if len(said) < 2 {
				t.Fatalf("round %d: the child said %v", round, said)
			}
			total += len(said)
			survives(t, d, said)
		}
		t.Logf("%d transactions were acknowledged", total)
	})
}

// At each step of a transaction, one before its commit leaves nothing of it and one
// after it all.
func TestAWriterThatEndsAtEachStep(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		for step := range 6 {
			cmd, out := child(t, d, "write", strconv.Itoa(step))
			var said []string
			for out.Scan() {
				said = append(said, out.Text())
			}
			if err := cmd.Wait(); err == nil {
				t.Fatal("the child ended by itself")
			}
			if len(said) != 3 {
				t.Fatalf("step %d: the child said %v", step, said)
			}
			survives(t, d, said)
			p := strings.Replace(strings.TrimPrefix(said[2], "took "), "/2.", "/3.", 1)
			l := d.open()
			view(t, l, func(x *ledger.Tx) error {
				_, err := x.Files.At("masters", p)
				if gone := errors.Is(err, fixity.ErrNotFound); gone != (step < 5) {
					t.Errorf("step %d: %s: %v", step, p, err)
				}
				return nil
			})
			l.Close()
		}
	})
}

func TestLockOfAnotherProcess(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		l := d.open()
		now := func() time.Time { return begun }
		cmd, out := child(t, d, "lock", "")
		if !out.Scan() || out.Text() != "locked" {
			t.Fatalf("the child said %q", out.Text())
		}
		const wait = 250 * time.Millisecond
		began := time.Now()
		_, err := l.LockStore(t.Context(), "vault", "Ada Wren", wait, now)
		if !errors.Is(err, fixity.ErrBusy) || !strings.Contains(err.Error(), "Ben Sallow on quill") || !since.MatchString(err.Error()) || !strings.Contains(err.Error(), "vault") || !strings.HasSuffix(err.Error(), ") works on it") {
			t.Errorf("while another holds it: %v", err)
		}
		if took := time.Since(began); took < wait {
			t.Errorf("gave up after %s", took)
		}
		// Another store is free, and reading the ledger too.
		unlock, err := l.LockStore(t.Context(), "studio", "Ada Wren", 0, now)
		if err != nil {
			t.Fatalf("another store: %v", err)
		}
		unlock()
		// Who waits gets it when the holder dies.
		time.AfterFunc(100*time.Millisecond, func() { _ = cmd.Process.Kill() })
		unlock, err = l.LockStore(t.Context(), "vault", "Ada Wren", time.Minute, now)
		if err != nil {
			t.Fatalf("after its holder died: %v", err)
		}
		if _, err := l.LockStore(t.Context(), "vault", "Cy Marl", 0, now); !errors.Is(err, fixity.ErrBusy) || !strings.Contains(err.Error(), "Ada Wren") {
			t.Errorf("a second time in one process: %v", err)
		}
		unlock()
		unlock, err = l.LockStore(t.Context(), "vault", "Cy Marl", 0, now)
		if err != nil {
			t.Fatalf("given back: %v", err)
		}
		unlock()
		ctx, cancel := context.WithCancelCause(t.Context())
		stop := errors.New("stop")
		cancel(stop)
		hold, err := l.LockStore(t.Context(), "vault", "Ada Wren", 0, now)
		if err != nil {
			t.Fatal(err)
		}
		defer hold()
		if _, err := l.LockStore(ctx, "vault", "Cy Marl", time.Minute, now); !errors.Is(err, stop) && !errors.Is(err, context.Canceled) {
			t.Errorf("who waits is told to stop: %v", err)
		}
	})
}

// Hosts that share a PostgreSQL ledger have state folders of their own.
func TestLockAcrossHosts(t *testing.T) {
	t.Parallel()
	d := onPostgres(t)
	now := func() time.Time { return begun }
	here := d.open()
	there := d.open(func(o *ledger.Options) { o.State = t.TempDir() })
	// More stores than the pool has connections.
	for i := range 12 {
		unlock, err := here.LockStore(t.Context(), fmt.Sprintf("store-%d", i), "Ada Wren on wren", 0, now)
		if err != nil {
			t.Fatal(err)
		}
		defer unlock()
	}
	tx(t, here, begun, func(x *ledger.Tx) error { return x.Stores.Seen("vault") })
	if _, err := there.LockStore(t.Context(), "store-3", "Ben Sallow", 0, now); !errors.Is(err, fixity.ErrBusy) || !strings.Contains(err.Error(), "Ada Wren on wren") || !since.MatchString(err.Error()) || !strings.HasSuffix(err.Error(), ") works on it") {
		t.Errorf("locked on another host: %v", err)
	}
	unlock, err := there.LockStore(t.Context(), "store-99", "Ben Sallow", 0, now)
	if err != nil {
		t.Fatal(err)
	}
	unlock()
}
