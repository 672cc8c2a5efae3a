package audit_test

import (
	"context"
	"errors"
	"maps"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/faulty"
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

// stalls says that an operation hangs from its k-th on, until the test ends.
func stalls(t *testing.T, op faulty.Op, k int) faulty.Fault {
	end := make(chan struct{})
	t.Cleanup(func() { close(end) })
	return func(c faulty.Call) (e faulty.Effect) {
		if c.Op == op && c.Nth >= k {
			e.Wait = end
		}
		return e
	}
}

// bubble is t.Run for tests that wait: in a bubble of testing/synctest they don't.
func bubble(t *testing.T, name string, test func(t *testing.T)) {
	t.Helper()
	t.Run(name, func(t *testing.T) { synctest.Test(t, test) })
}

// TestStopped: a stop doesn't wait for a store that hangs, and what was read by
// then is kept.
func TestStopped(t *testing.T) {
	why := errors.New("told to stop")
	for _, op := range []faulty.Op{faulty.Open, faulty.Read, faulty.Step} {
		bubble(t, string(op), func(t *testing.T) {
			w := newWorldOf(t, map[string]string{"QV-0107/a.wav": "a", "QV-0107/b.wav": "b", "QV-0107/c.wav": "c"})
			r := w.at("shelf", "masters")
			a, err := w.begin(full("shelf"))
			w.must(err)
			ctx, stop := context.WithCancelCause(t.Context())
			hangs := stalls(t, op, map[faulty.Op]int{faulty.Open: 2, faulty.Read: 4, faulty.Step: 2}[op])
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

// TestOneComesForward: looking at a shard doesn't stop the one that works on it, or
// two that look again and again would stop each other for ever.
func TestOneComesForward(t *testing.T) { onEach(t, testOneComesForward) }

func testOneComesForward(t *testing.T) {
	w := newWorldOf(t, takes(20))
	a, j := w.reading()
	aud, claims := w.auditor(), 0
	aud.Progress.File = func(fixity.Shard, string, int64) {
		claims++
		_, err := w.auditor().Record.Claim(context.Background(), j)
		w.must(err)
	}
	if err := aud.Slice(t.Context(), j); err != nil || claims != 20 || len(w.lines(a.ID)) != 20 {
		t.Errorf("%v; %d claims, %d read", err, claims, len(w.lines(a.ID)))
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
	var lost error
	first.Progress.File = func(_ fixity.Shard, path string, _ int64) {
		if path == "QV-0107/b.wav" && !taken {
			taken = true
			if lost = second.Slice(context.Background(), j); lost != nil && !errors.Is(lost, fixity.ErrLost) {
				t.Errorf("the second: %v", lost)
			}
		}
	}
	err := first.Slice(t.Context(), j)
	if lost == nil != errors.Is(err, fixity.ErrLost) || lost != nil && err != nil {
		t.Errorf("the first: %v; the second: %v: just one of them goes on", err, lost)
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
		aud.Progress.File = func(fixity.Shard, string, int64) {
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
			n, err = tx.Audits.CountRead(a.ID)
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
