package audit_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// TestMain makes a child process do what a test orders, instead of the tests.
func TestMain(m *testing.M) {
	for name, do := range map[string]func(order []byte) error{"FIRMUS_AUDIT_WORKER": worker, "FIRMUS_AUDIT_LISTER": lister, "FIRMUS_AUDIT_MEMORY": measured} {
		if order := os.Getenv(name); order != "" {
			if err := do([]byte(order)); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
			os.Exit(0)
		}
	}
	os.Exit(m.Run())
}

// shift is what a worker is told.
type shift struct {
	Place place
	Root  string
	Audit int64
	Seed  uint64
	Slow  time.Duration // a file
}

// worker does slices of an audit in its own order until the audit is over, as one
// of several processes that know nothing of each other.
func worker(order []byte) error {
	var s shift
	if err := json.Unmarshal(order, &s); err != nil {
		return err
	}
	ctx, rules := context.Background(), oneStore()
	l, err := ledger.Open(ctx, s.Place.options(rules))
	if err != nil {
		return err
	}
	defer l.Close()
	now := func() time.Time { return begun.Add(time.Hour) }
	aud := &audit.Auditor{
		Record: l.Record(now, fmt.Sprint("worker ", s.Seed)),
		Now:    now,
		Open: func(_, _ string, cache fixity.Cache) (audit.Store, error) {
			return disk.Open(s.Root, disk.Options{Cache: cache})
		},
		Progress: audit.Progress{File: func(fixity.Shard, string, int64) { time.Sleep(s.Slow) }},
	}
	random := rand.New(rand.NewPCG(s.Seed, 0))
	for {
		var a ledger.Audit
		if err := l.View(ctx, func(tx *ledger.Tx) (err error) {
			a, err = tx.Audits.Get(s.Audit)
			return err
		}); err != nil {
			return err
		}
		if a.Phase == fixity.PhaseDone {
			return nil
		}
		jobs, err := aud.Record.Open(ctx, a.ID, a.Phase)
		if err != nil {
			return err
		}
		if len(jobs) == 0 {
			if err := aud.Record.Advance(ctx, a.ID, a.Phase); err != nil {
				return err
			}
		}
		random.Shuffle(len(jobs), func(i, k int) { jobs[i], jobs[k] = jobs[k], jobs[i] })
		for _, j := range jobs {
			if err := aud.Slice(ctx, j); err != nil && !errors.Is(err, fixity.ErrLost) {
				return err
			}
		}
	}
}

// child starts this program again to follow an order.
func child(t testing.TB, name string, order any) *exec.Cmd {
	t.Helper()
	text, err := json.Marshal(order)
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(self)
	c.Env = append(os.Environ(), name+"="+string(text))
	c.Stderr = &strings.Builder{}
	return c
}

// TestProcesses: two processes work on one audit at once, and one of them is killed
// again and again. In the end each file was recorded once, and all adds up.
func TestProcesses(t *testing.T) { onEach(t, testProcesses) }

func testProcesses(t *testing.T) {
	const n, kills = 480, 6
	files := map[string]string{}
	for i := range n {
		files[fmt.Sprintf("QV-%04d/take-%03d.wav", 100+i%8, i)] = fmt.Sprintf("take %d of a side", i)
	}
	w := newWorldOf(t, files)
	altered, missing, moved := "QV-0100/take-008.wav", "QV-0101/take-009.wav", "QV-0102/take-010.wav"
	w.put("shelf", "masters", altered, "another take")
	w.must(os.Remove(w.file("shelf", "masters", missing)))
	w.must(os.Rename(w.file("shelf", "masters", moved), w.file("shelf", "masters", "QV-0107/renamed.wav")))
	a, err := w.begin(full("shelf"))
	w.must(err)

	order := shift{Place: w.place, Root: w.at("shelf", "masters").dir, Audit: a.ID, Slow: 3 * time.Millisecond}
	begin := func() *exec.Cmd {
		order.Seed++
		c := child(t, "FIRMUS_AUDIT_WORKER", order)
		w.must(c.Start())
		return c
	}
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0)) // any moment must do
	killed := 0
	steady, victim := begin(), begin()
	for killed < kills {
		time.Sleep(time.Duration(50+random.IntN(200)) * time.Millisecond)
		if err := victim.Process.Kill(); err != nil {
			break // it was done before
		}
		if victim.Wait(); victim.ProcessState.Success() {
			break
		}
		killed++
		victim = begin()
	}
	for _, c := range []*exec.Cmd{steady, victim} {
		if c.ProcessState != nil {
			continue
		}
		if err := c.Wait(); err != nil {
			t.Errorf("a worker: %v: %s", err, c.Stderr)
		}
	}
	if killed < 2 {
		t.Errorf("the audit was over after %d kills", killed)
	}

	got := w.lines(a.ID)
	for path := range files {
		want := 1
		if path == missing || path == moved {
			want = 0
		}
		if len(got[path]) != want {
			t.Errorf("%q has the result lines %v, want %d", path, got[path], want)
		}
	}
	opened := map[int64]int{}
	slices := 0
	w.view(func(tx *ledger.Tx) error {
		return tx.Log.Each(0, 1<<30, func(e ledger.Event) error {
			switch e.Verb {
			case fixity.FindingOpened:
				opened[e.File]++
			case fixity.Audited:
				slices++
			case fixity.AuditConcluded:
				opened[-1]++
			}
			return nil
		})
	})
	if len(opened) != 4 || opened[-1] != 1 {
		t.Errorf("events that open a finding, by file, and that end the audit: %v", opened)
	}
	for f, n := range opened {
		if n != 1 {
			t.Errorf("%d such events about file %d", n, f)
		}
	}
	if slices < 8 {
		t.Errorf("%d slices have an event", slices)
	}
	want := map[string]fixity.Kind{altered: fixity.Kind(fixity.Altered), missing: fixity.Kind(fixity.Missing), moved: fixity.Kind(fixity.Misplaced)}
	if k := w.kinds(); fmt.Sprint(k) != fmt.Sprint(want) {
		t.Errorf("findings %v, want %v", k, want)
	}
	p := w.progress(a)
	if !p.Complete || p.Read != n-2 || p.Listed != n-2 {
		t.Errorf("complete %t, listed %d, read %d: %q", p.Complete, p.Listed, p.Read, p.Trouble)
	}
	w.sound()
	t.Logf("%d kills, %d slices", killed, slices)
}
