package watch_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/watch"
)

// seen gathers events.
type seen struct {
	mu   sync.Mutex
	all  []watch.Event
	said map[string]bool
}

func (s *seen) event(e watch.Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all = append(s.all, e)
}

func (s *seen) take() []watch.Event {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.all
	s.all = nil
	return out
}

// within asks again and again until ok, or fails.
func within(t *testing.T, d time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(d); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within %s: %s", d, what)
		}
	}
}

// start watches one root, told by the system or listed every 30 ms.
func start(t *testing.T, dir string, told bool) (*watch.Watcher, *seen) {
	t.Helper()
	if told && runtime.GOOS != "linux" {
		t.Skip("the system is listened to on Linux only")
	}
	s := &seen{said: map[string]bool{}}
	w := &watch.Watcher{Roots: []watch.Root{{Store: "studio", Set: "masters", Path: dir,
		LeaveOut: func(p string, _ bool) bool { return strings.HasSuffix(p, ".pk") || strings.HasSuffix(p, "litter") }}},
		Now: time.Now, Event: s.event, NoTelling: !told, ListEvery: 30 * time.Millisecond,
		Said: func(r watch.Root, told bool, why string) {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.said[fmt.Sprint(told)] = true
			if !told && why == "" {
				t.Error("listed, and it wasn't said why")
			}
		}}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { w.Run(ctx); close(ended) }()
	t.Cleanup(func() { cancel(); <-ended })
	within(t, time.Minute, "how the root is watched is said", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.said[fmt.Sprint(told)]
	})
	if !told {
		time.Sleep(50 * time.Millisecond) // the first listing
	}
	if w.Listed("studio") == told {
		t.Error("Listed doesn't agree with what was said")
	}
	return w, s
}

func TestEvents(t *testing.T) {
	for _, told := range []bool{true, false} {
		for _, c := range []struct {
			name string
			do   func(t *testing.T, dir string)
			want []string // one of these comes
			not  []string
		}{
			{"a new file", func(t *testing.T, dir string) { put(t, dir+"/QV-0107/new.wav", "x") }, []string{"QV-0107/new.wav"}, nil},
			{"in a new folder below a new folder", func(t *testing.T, dir string) { put(t, dir+"/QV-0311/takes/a.wav", "x") }, []string{"QV-0311/takes/a.wav"}, nil},
			{"changed", func(t *testing.T, dir string) { put(t, dir+"/QV-0107/a.wav", "something else") }, []string{"QV-0107/a.wav"}, nil},
			{"deleted", func(t *testing.T, dir string) { os.Remove(dir + "/QV-0107/a.wav") }, []string{"QV-0107/a.wav gone", "any"}, nil},
			{"renamed", func(t *testing.T, dir string) { os.Rename(dir+"/QV-0107/a.wav", dir+"/QV-0107/b.wav") }, []string{"QV-0107/b.wav"}, nil},
			{"a folder moved in", func(t *testing.T, dir string) {
				put(t, dir+"-other/x/c.wav", "x")
				if err := os.Rename(dir+"-other", dir+"/QV-0999"); err != nil {
					t.Fatal(err)
				}
			}, []string{"QV-0999/x/c.wav"}, nil},
			{"own files and litter", func(t *testing.T, dir string) {
				put(t, dir+"/QV-0107/.firmus-1.tmp", "x")
				put(t, dir+"/.firmus-ledger/ledger.db", "x")
				put(t, dir+"/QV-0107/manifest-sha256.txt", "x")
				put(t, dir+"/QV-0107/a.wav.pk", "x")
				put(t, dir+"/litter/a.wav", "x")
				put(t, dir+"/QV-0107/last.wav", "x")
			}, []string{"QV-0107/last.wav"}, []string{".firmus", "manifest", ".pk", "litter/"}},
			{"a manifest of a bag", func(t *testing.T, dir string) {
				put(t, dir+"/QV-0107/bagit.txt", "BagIt-Version: 1.0\n")
				put(t, dir+"/QV-0107/manifest-sha256.txt", "x")
			}, []string{"QV-0107/manifest-sha256.txt"}, nil},
			{"a list that is under care", func(t *testing.T, dir string) { put(t, dir+"/QV-0107/manifest-2019.txt", "x") }, []string{"QV-0107/manifest-2019.txt"}, nil},
		} {
			t.Run(fmt.Sprintf("%s, told %v", c.name, told), func(t *testing.T) {
				dir := filepath.Join(t.TempDir(), "root")
				put(t, dir+"/QV-0107/a.wav", "x")
				_, s := start(t, dir, told)
				if es := s.take(); len(es) > 0 {
					t.Fatalf("before anything happened: %+v", es)
				}
				c.do(t, dir)
				var all []string
				within(t, time.Minute, c.name, func() bool {
					for _, e := range s.take() {
						x := e.Path
						if e.Any {
							x = "any"
						}
						if e.Gone {
							x += " gone"
						}
						all = append(all, x)
					}
					return slices.ContainsFunc(c.want, func(w string) bool { return slices.Contains(all, w) })
				})
				for _, bad := range c.not {
					if slices.ContainsFunc(all, func(x string) bool { return strings.Contains(x, bad) }) {
						t.Errorf("told of %q: %q", bad, all)
					}
				}
			})
		}
	}
}

// A root that goes and comes again is noticed, and what happened meanwhile may be
// anything.
func TestRootGoes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "root")
	put(t, dir+"/a.wav", "x")
	_, s := start(t, dir, true)
	if err := os.Rename(dir, dir+"-away"); err != nil {
		t.Fatal(err)
	}
	within(t, time.Minute, "the root went", func() bool {
		return slices.ContainsFunc(s.take(), func(e watch.Event) bool { return e.Any })
	})
}

func TestGrowing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "root")
	put(t, dir+"/QV-0107/a.wav", "x")
	w, s := start(t, dir, true)
	in := func(store string) bool { return store == "studio" }
	put(t, dir+"/QV-0107/saved.wav", "written in one go")
	within(t, time.Minute, "the save is told", func() bool { return len(s.take()) > 0 })
	if g := w.Growing(in); g != "" {
		t.Errorf("%s was saved in one go and counts as growing", g)
	}
	if q := w.Quiet(); q > time.Minute {
		t.Errorf("quiet for %s just after a save", q)
	}
	f, err := os.Create(dir + "/QV-0107/rec.wav")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	within(t, time.Minute, "a recording grows", func() bool {
		if _, err := f.Write(make([]byte, 1000)); err != nil {
			t.Fatal(err)
		}
		return w.Growing(in) == "masters/QV-0107/rec.wav"
	})
	if g := w.Growing(func(string) bool { return false }); g != "" {
		t.Errorf("on another drive: %s", g)
	}
	if g := w.Growing(in, watch.Event{Store: "studio", Set: "masters", Path: "QV-0107"}); g != "" {
		t.Errorf("left out: %s", g)
	}
	os.Remove(dir + "/QV-0107/rec.wav")
	within(t, time.Minute, "it is gone", func() bool { return w.Growing(in) == "" })
}

// With 100,000 files the idle watcher opens none of them and takes next to no time.
func TestIdle(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("counts what Linux counts of a process")
	}
	if testing.Short() {
		t.Skip("makes 100,000 files")
	}
	dir := filepath.Join(t.TempDir(), "root")
	for i := range 1000 {
		d := fmt.Sprintf("%s/QV-%04d", dir, i)
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
		for j := range 100 {
			f, err := os.Create(fmt.Sprintf("%s/take-%03d.wav", d, j))
			if err != nil {
				t.Fatal(err)
			}
			f.Close()
		}
	}
	begun := time.Now()
	_, s := start(t, dir, true)
	t.Logf("1,000 folders with 100,000 files are watched after %s", time.Since(begun).Round(time.Millisecond))
	bytes, cpu := reads(t), used(t)
	const idle = 5 * time.Second
	time.Sleep(idle)
	took, read := used(t)-cpu, reads(t)-bytes
	t.Logf("idle for %s: %s of processor time (%.3f %% of a core), %d bytes read", idle, took, 100*took.Seconds()/idle.Seconds(), read)
	if read > 64<<10 { // what reading the counter itself takes
		t.Errorf("the idle watcher read %d bytes", read)
	}
	if es := s.take(); len(es) > 0 {
		t.Errorf("told of %d events where nothing happened", len(es))
	}
}

// reads is what the process has read by any call (proc_pid_io(5), rchar).
func reads(t *testing.T) (n int64) {
	t.Helper()
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		t.Skip("the kernel doesn't count: ", err)
	}
	if _, err := fmt.Sscanf(string(b), "rchar: %d", &n); err != nil {
		t.Fatal(err)
	}
	return n
}

func used(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
