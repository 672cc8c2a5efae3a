package audit_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/replicas/faulty"
)

// reading begins a full audit of files in one folder and brings it to its read
// phase. It gives the job of the one shard that has files.
func (w *world) reading() (ledger.Audit, fixity.Job) {
	w.t.Helper()
	a, err := w.begin(full("shelf"))
	w.must(err)
	aud := w.auditor()
	w.must(aud.RunPhase(context.Background(), a.ID, fixity.PhaseList))
	w.must(aud.RunPhase(context.Background(), a.ID, fixity.PhaseProve))
	jobs, err := aud.Record.Open(context.Background(), a.ID, fixity.PhaseRead)
	w.must(err)
	if len(jobs) != 2 { // the root's own files, of which there are none, and the folder
		w.t.Fatalf("%d shards", len(jobs))
	}
	return a, jobs[1]
}

// stalls says that an operation hangs from its k-th on.
func stalls(op faulty.Op, k int) faulty.Fault {
	never := make(chan struct{})
	return func(c faulty.Call) (e faulty.Effect) {
		if c.Op == op && c.Nth >= k {
			e.Wait = never
		}
		return e
	}
}

// TestStall: a store that doesn't answer is away, and no file of it is anything else.
func TestStall(t *testing.T) {
	files := map[string]string{"QV-0107/a.wav": "a", "QV-0107/b.wav": "b", "QV-0107/c.wav": "c"}
	for _, c := range []struct {
		op   faulty.Op
		k    int
		kept []string
	}{
		{faulty.List, 1, nil}, {faulty.Step, 1, nil}, {faulty.Step, 2, nil}, {faulty.Step, 3, nil}, {faulty.Step, 4, nil}, {faulty.Open, 0, nil}, {faulty.Read, 0, nil},
		{faulty.Open, 2, []string{"QV-0107/a.wav", "QV-0107/b.wav"}},
		{faulty.Read, 3, []string{"QV-0107/a.wav"}}, // each is read in two steps, of which the second finds its end
	} {
		t.Run(fmt.Sprint(c.op, c.k), func(t *testing.T) {
			w := newWorldOf(t, files)
			w.stall = 50 * time.Millisecond
			w.at("shelf", "masters").Set(stalls(c.op, c.k))
			a, err := w.try(full("shelf"))
			if !errors.Is(err, fixity.ErrAway) || !strings.Contains(err.Error(), "has not answered for 50ms") {
				t.Errorf("got %v", err)
			}
			if d := cmp.Diff(of(fixity.Intact, slices.Collect(maps.Keys(files))...), w.states("shelf", "masters")); d != "" || len(w.kinds()) > 0 {
				t.Errorf("%v; states (-want +got):\n%s", w.kinds(), d)
			}
			if got := slices.Sorted(maps.Keys(w.lines(a.ID))); !slices.Equal(got, c.kept) {
				t.Errorf("kept %v, want %v", got, c.kept)
			}
			w.sound()
		})
	}
}

// TestSlowIsNotAway: neither a store that answers in time, again and again, nor a
// watcher that slows the reading down, makes it away.
func TestSlowIsNotAway(t *testing.T) {
	for name, c := range map[string]struct {
		stall time.Duration
		slow  func(w *world, aud *audit.Auditor)
	}{
		"the store": {time.Second, func(w *world, _ *audit.Auditor) {
			w.at("shelf", "masters").Set(func(c faulty.Call) faulty.Effect {
				if c.Op == faulty.Read {
					time.Sleep(300 * time.Millisecond)
				}
				return faulty.Effect{}
			})
		}},
		"the watcher": {100 * time.Millisecond, func(_ *world, aud *audit.Auditor) {
			aud.Watch.Bytes = func(int64) { time.Sleep(250 * time.Millisecond) }
		}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorldOf(t, map[string]string{one: strings.Repeat("x", 5<<20/2)})
			w.stall = c.stall
			a, j := w.reading()
			aud := w.auditor()
			c.slow(w, aud)
			left, err := aud.Slice(t.Context(), j, time.Time{})
			if err != nil || !left.Done || len(w.lines(a.ID)) != 1 {
				t.Errorf("%+v, %v, %v", left, err, w.lines(a.ID))
			}
		})
	}
}

// TestStopped: a stop doesn't wait for a store that hangs, and what was read by
// then is kept.
func TestStopped(t *testing.T) {
	why := errors.New("told to stop")
	for _, op := range []faulty.Op{faulty.Open, faulty.Read, faulty.Step} {
		t.Run(string(op), func(t *testing.T) {
			w := newWorldOf(t, map[string]string{"QV-0107/a.wav": "a", "QV-0107/b.wav": "b", "QV-0107/c.wav": "c"})
			w.stall = time.Hour
			r := w.at("shelf", "masters")
			a, err := w.begin(full("shelf"))
			w.must(err)
			ctx, stop := context.WithCancelCause(t.Context())
			hangs := stalls(op, map[faulty.Op]int{faulty.Open: 2, faulty.Read: 4, faulty.Step: 2}[op])
			r.Set(func(c faulty.Call) faulty.Effect {
				e := hangs(c)
				if e.Wait != nil {
					time.AfterFunc(20*time.Millisecond, func() { stop(why) })
				}
				return e
			})
			done := make(chan error, 1)
			go func() { done <- w.auditor().Run(ctx, a.ID, fixity.PhaseList) }()
			select {
			case err := <-done:
				if !errors.Is(err, why) || errors.Is(err, fixity.ErrAway) {
					t.Errorf("got %v", err)
				}
			case <-time.After(30 * time.Second):
				t.Fatal("it waits for the store")
			}
			want := []string{"QV-0107/a.wav", "QV-0107/b.wav"}
			if op == faulty.Step {
				want = nil
			}
			if got := slices.Sorted(maps.Keys(w.lines(a.ID))); !slices.Equal(got, want) {
				t.Errorf("kept %v, want %v", got, want)
			}
			// It goes on where it stood.
			r.Set()
			b, p := w.audit(full("shelf"))
			if want := int64(3 - len(want)); b.ID != a.ID && op != faulty.Step || p.Read != want || len(w.kinds()) > 0 {
				t.Errorf("audit %d after %d read %d, want %d", b.ID, a.ID, p.Read, want)
			}
			w.sound()
		})
	}
}

// TestUntil: a slice ends at its time, also among files that have no bytes.
func TestUntil(t *testing.T) {
	for name, data := range map[string]string{"small files": "x", "empty files": ""} {
		t.Run(name, func(t *testing.T) {
			files := map[string]string{}
			for i := range 10 {
				files[fmt.Sprintf("QV-0107/%d.wav", i)] = data
			}
			w := newWorldOf(t, files)
			a, j := w.reading()
			aud := w.auditor()
			aud.Watch.File = func(fixity.Shard, string, int64) { w.now = w.now.Add(time.Second) }
			for i, want := range []int{3, 6, 9, 10} {
				left, err := aud.Slice(t.Context(), j, w.now.Add(3*time.Second))
				if got := len(w.lines(a.ID)); err != nil || got != want || left.Done != (want == 10) {
					t.Fatalf("slice %d: %+v, %v; %d read, want %d", i, left, err, got, want)
				}
			}
			if left, err := aud.Slice(t.Context(), j, w.now.Add(time.Second)); err != nil || !left.Done {
				t.Errorf("once more: %+v, %v", left, err)
			}
			w.sound()
		})
	}
	t.Run("a time that has come", func(t *testing.T) {
		w := newWorldOf(t, map[string]string{one: "side a"})
		a, j := w.reading()
		left, err := w.auditor().Slice(t.Context(), j, w.now)
		if err != nil || left.Done || left.Longest != 6 || len(w.lines(a.ID)) > 0 {
			t.Errorf("%+v, %v; %v were read", left, err, w.lines(a.ID))
		}
	})
}

// TestTooLong: a file that can't be finished by the slice's end isn't begun, and
// gets a slice of its own.
func TestTooLong(t *testing.T) {
	const big = 16 << 20
	w := newWorldOf(t, map[string]string{
		"QV-0107/a.txt": "tiny", // says nothing of the store's rate
		"QV-0107/b.wav": strings.Repeat("b", 1<<20),
		"QV-0107/c.wav": strings.Repeat("c", big),
		"QV-0107/d.wav": strings.Repeat("d", 1<<20),
	})
	w.at("shelf", "masters").Set(func(c faulty.Call) faulty.Effect {
		if c.Op == faulty.Read {
			time.Sleep(50 * time.Millisecond) // 1 MiB lasts 0.15 s at least, c.wav some 2.4 s
		}
		return faulty.Effect{}
	})
	a, j := w.reading()
	aud := w.auditor()
	until := w.now.Add(1500 * time.Millisecond) // the world's clock stands still: this is what is left at each file
	left, err := aud.Slice(t.Context(), j, until)
	if got := slices.Sorted(maps.Keys(w.lines(a.ID))); err != nil || left.Done || left.Longest != big || !slices.Equal(got, []string{"QV-0107/a.txt", "QV-0107/b.wav"}) {
		t.Errorf("%+v, %v; %v were read", left, err, got)
	}
	// In a slice of its own it is the first: no rate speaks against it.
	left, err = aud.Slice(t.Context(), j, until)
	if got := slices.Sorted(maps.Keys(w.lines(a.ID))); err != nil || !left.Done || len(got) != 4 {
		t.Errorf("then %+v, %v; %v were read", left, err, got)
	}
	events := 0
	w.view(func(tx *ledger.Tx) error {
		return tx.Events(0, 1000, func(e ledger.Event) error {
			if e.Verb == fixity.Audited {
				events++
			}
			return nil
		})
	})
	if events != 2 {
		t.Errorf("two slices have %d events", events)
	}
	w.sound()
}

// TestOneComesForward: looking at a shard doesn't stop the one that works on it, or
// two that look again and again would stop each other for ever.
func TestOneComesForward(t *testing.T) { onEach(t, testOneComesForward) }

func testOneComesForward(t *testing.T) {
	w := newWorldOf(t, takes(20))
	a, j := w.reading()
	aud, claims := w.auditor(), 0
	aud.Watch.File = func(fixity.Shard, string, int64) {
		claims++
		_, err := w.auditor().Record.Claim(context.Background(), j)
		w.must(err)
	}
	if left, err := aud.Slice(t.Context(), j, time.Time{}); err != nil || !left.Done || claims != 20 || len(w.lines(a.ID)) != 20 {
		t.Errorf("%+v, %v; %d claims, %d read", left, err, claims, len(w.lines(a.ID)))
	}
}

// TestTakenOver: of two that work on one shard, the one that commits first goes on,
// and the other writes nothing more.
func TestTakenOver(t *testing.T) { onEach(t, testTakenOver) }

func testTakenOver(t *testing.T) {
	w := newWorldOf(t, map[string]string{"QV-0107/a.wav": "a", "QV-0107/b.wav": "b", "QV-0107/c.wav": "c"})
	a, j := w.reading()
	first, second := w.auditor(), w.auditor()
	taken := false
	first.Watch.File = func(_ fixity.Shard, path string, _ int64) {
		if path == "QV-0107/b.wav" && !taken {
			taken = true
			if left, err := second.Slice(context.Background(), j, time.Time{}); err != nil || !left.Done {
				t.Errorf("the second: %+v, %v", left, err)
			}
		}
	}
	if _, err := first.Slice(t.Context(), j, time.Time{}); !errors.Is(err, fixity.ErrLost) {
		t.Errorf("the first: %v", err)
	}
	if !taken {
		t.Fatal("nothing was taken over")
	}
	got := w.lines(a.ID)
	for path, o := range got {
		if len(o) != 1 {
			t.Errorf("%q has %d result lines", path, len(o))
		}
	}
	if len(got) != 3 {
		t.Errorf("recorded %v", got)
	}
	w.must(first.RunPhase(t.Context(), a.ID, fixity.PhaseRead))
	w.sound()
}

// TestTakenUp: a full audit that was cut off is taken up by the next full one.
func TestTakenUp(t *testing.T) { onEach(t, testTakenUp) }

func testTakenUp(t *testing.T) {
	files := takes(100)
	w := newWorldOf(t, files)
	cut := func(n int) ledger.Audit {
		t.Helper()
		w.now = w.now.Add(time.Hour)
		a, err := w.begin(full("shelf"))
		w.must(err)
		ctx, stop := context.WithCancel(t.Context())
		aud := w.auditor()
		aud.Watch.File = func(fixity.Shard, string, int64) {
			if n--; n < 0 {
				stop()
			}
		}
		if err := aud.Run(ctx, a.ID, fixity.PhaseList); !errors.Is(err, context.Canceled) {
			t.Fatalf("cut off: %v", err)
		}
		return a
	}
	before := func(a ledger.Audit) (n int64) {
		w.view(func(tx *ledger.Tx) (err error) {
			n, err = tx.ReadInAudit(a.ID)
			return err
		})
		return n
	}
	a := cut(60)
	if n := before(a); n != 60 {
		t.Fatalf("cut off after %d", n)
	}
	b, p := w.audit(full("shelf"))
	if b.ID != a.ID || p.Read != 40 || !p.Complete {
		t.Errorf("audit %d took up %d and read %d", b.ID, a.ID, p.Read)
	}
	if got := w.lines(b.ID); len(got) != len(files) {
		t.Errorf("%d of %d files have a result line", len(got), len(files))
	}
	for path, o := range w.lines(b.ID) {
		if len(o) != 1 {
			t.Errorf("%q was read %d times", path, len(o))
		}
	}
	// A finished one starts anew, and so does one that is too old or of another scope.
	c, p := w.audit(full("shelf"))
	if c.ID == a.ID || p.Read != 100 {
		t.Errorf("after the end: audit %d, read %d", c.ID, p.Read)
	}
	d := cut(60)
	e, p := w.audit(ledger.Audit{Store: "shelf", Full: true, Under: "QV-0107/03"})
	if e.ID == d.ID || p.Read != 5 {
		t.Errorf("of another scope: audit %d, read %d", e.ID, p.Read)
	}
	d = cut(60)
	w.now = w.now.Add(ledger.TakeUpWithin)
	f, p := w.audit(full("shelf"))
	if f.ID == d.ID || p.Read != 100 {
		t.Errorf("after a day: audit %d, read %d", f.ID, p.Read)
	}
	w.sound()
}
