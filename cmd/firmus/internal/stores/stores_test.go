package stores_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

var rules = care.Rules{
	Sets: []care.Set{{Name: "masters", Role: fixity.Master}},
	Stores: []care.Store{
		{Name: "studio", Kind: "disk", Sets: []string{"masters"}, Arrivals: true}, {Name: "vault", Kind: "disk", Sets: []string{"masters"}},
		{Name: "safe", Kind: "disk", Sets: []string{"masters"}},
	},
}

// root is one that hangs in the calls named, until release is closed.
type root struct {
	stores.Root
	hangs   map[string]bool
	release chan struct{}
	files   []string
	size    int
	slow    time.Duration // before each answer
	whole   bool          // a read gives as much as it is asked for
	shards  []string
	mounted map[string]fixity.Lies
	marked  fixity.Identity // what its marker says; else it has none and is empty
}

func (r *root) Mounts(_ context.Context, folders []string) (map[string]fixity.Lies, error) {
	out := map[string]fixity.Lies{}
	for _, f := range folders {
		if l, ok := r.mounted[f]; ok {
			out[f] = l
		}
	}
	return out, nil
}

func (r *root) call(name string) {
	if r.slow > 0 {
		time.Sleep(r.slow)
	}
	if r.hangs[name] {
		<-r.release // whatever becomes of its context
	}
}

func (r *root) Identify(context.Context) (fixity.Identity, error) {
	r.call("identify")
	if r.marked.Marked() {
		return r.marked, nil
	}
	return fixity.Identity{Empty: true, Writable: true}, nil
}
func (r *root) Shards(context.Context) ([]string, error) {
	r.call("shards")
	return append([]string{""}, r.shards...), nil
}
func (r *root) Stat(_ context.Context, path string) (fixity.Entry, error) {
	r.call("stat")
	return fixity.Entry{Path: path, Size: int64(r.size)}, nil
}
func (r *root) List(context.Context, string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		for i, f := range r.files {
			r.call(fmt.Sprint("list ", i))
			if !yield(fixity.Entry{Path: f, Size: int64(r.size)}, nil) {
				return
			}
		}
		r.call("list end")
	}
}
func (r *root) Open(context.Context, fixity.Entry, int64) (fixity.Reader, error) {
	r.call("open")
	return &file{r: r, left: r.size}, nil
}
func (r *root) ReadFile(context.Context, string, int64) ([]byte, error) {
	r.call("text")
	return nil, nil
}
func (r *root) Names(context.Context, string) ([]string, error)   { r.call("names"); return nil, nil }
func (r *root) FileID(context.Context, string) (string, error)    { r.call("file id"); return "1", nil }
func (r *root) Volume(context.Context) (l fixity.Lies, err error) { r.call("volume"); return l, nil }

// Sweep goes through three folders.
func (r *root) Sweep(_ context.Context, passed func()) (int, error) {
	for n := range 3 {
		r.call(fmt.Sprint("sweep ", n))
		passed()
	}
	return 0, nil
}

func (r *root) SweepOwn(ctx context.Context, _ string, passed func()) (int, error) {
	return r.Sweep(ctx, passed)
}

func (r *root) Restrict(context.Context, string, fs.FileMode, fs.FileMode, int, bool) error {
	return nil
}

type file struct {
	r    *root
	left int
	n    int
}

func (f *file) Read(p []byte) (int, error) {
	f.r.call(fmt.Sprint("read ", f.n))
	f.n++
	if f.left == 0 {
		return 0, io.EOF
	}
	n := min(len(p), f.left)
	if !f.r.whole {
		n = min(n, 100)
	}
	f.left -= n
	return n, nil
}
func (f *file) Close() error        { return nil }
func (f *file) Cache() fixity.Cache { return fixity.Bypassed }

// world are stores, each with a drive of its own unless drives say otherwise.
type world struct {
	stores.Stores
	roots  map[string]*root
	drives map[string]string
	limits map[string]stores.Limits
}

func newWorld(t *testing.T) *world {
	t.Helper()
	dir := t.TempDir()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(dir, "ledger.db"), State: dir, Rules: rules, Now: time.Now(), By: "Ada Wren"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	w := &world{roots: map[string]*root{}, drives: map[string]string{}, limits: map[string]stores.Limits{}}
	for _, s := range rules.Stores {
		if err := l.Tx(t.Context(), time.Now(), func(t *ledger.Tx) error {
			return t.Stores.Put(ledger.Store{Name: s.Name, Kind: s.Kind, Roots: []ledger.Root{{Set: "masters", Root: "/" + s.Name}}})
		}); err != nil {
			t.Fatal(err)
		}
		w.roots[s.Name] = &root{hangs: map[string]bool{}, release: make(chan struct{}), files: []string{"a.wav", "b.wav", "c.wav"}, size: 1000}
		w.drives[s.Name] = "drive of " + s.Name
	}
	w.Stores = stores.Stores{Ledger: l, Rules: rules, Now: time.Now, By: "Ada Wren", Turns: &stores.Turns{},
		Open:     func(store, _ string, _ fixity.Cache) (stores.Root, error) { return w.roots[store], nil },
		Where:    func(store, set string) string { return "/" + store + "/" + set },
		NoMarker: func(string) bool { return false },
		Device:   func(_ context.Context, store string) string { return w.drives[store] },
		Limits:   func(store string) stores.Limits { return w.limits[store] },
	}
	return w
}

// read reads one file in a use.
func read(ctx context.Context, u *stores.Used, path string) error {
	r, err := u.Root("masters", fixity.Bypassed)
	if err != nil {
		return err
	}
	return readIn(ctx, r, path)
}

func readIn(ctx context.Context, r stores.Folder, path string) error {
	e, err := r.Stat(ctx, path)
	if err != nil {
		return err
	}
	f, err := r.Open(ctx, e, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.Copy(io.Discard, f)
	return err
}

func list(ctx context.Context, r stores.Folder) (seen []string, err error) {
	for e, err := range r.List(ctx, "") {
		if err != nil {
			return seen, err
		}
		seen = append(seen, e.Path)
	}
	return seen, nil
}

// synced is a test by a clock that only waiting moves on.
func synced(t *testing.T, name string, test func(t *testing.T, w *world)) {
	t.Run(name, func(t *testing.T) {
		w := newWorld(t)
		synctest.Test(t, func(t *testing.T) { test(t, w) })
	})
}

// TestSilenceIsNeverWaitedFor: a store that leaves any call unanswered is away, whatever
// the call makes of its context, and while it hangs no other call is begun.
func TestSilenceIsNeverWaitedFor(t *testing.T) {
	for _, call := range []string{"identify", "shards", "list 0", "list 1", "list 2", "list end", "stat", "open", "read 0", "read 3", "text", "names", "file id", "volume", "sweep 0", "sweep 2"} {
		synced(t, call, func(t *testing.T, w *world) {
			r := w.roots["vault"]
			r.hangs[call], r.release = true, make(chan struct{})
			defer close(r.release)
			err := w.Use(t.Context(), "vault", stores.Purpose{Beside: true, Unseen: true}, func(ctx context.Context, u *stores.Used) error {
				root, err := u.Root("masters", fixity.Bypassed)
				if err != nil {
					return err
				}
				all := []func() error{
					func() error { _, err := root.Identify(ctx); return err },
					func() error { _, err := root.Shards(ctx); return err },
					func() error { _, err := list(ctx, root); return err },
					func() error { return read(ctx, u, "a.wav") },
					func() error { _, err := root.ReadFile(ctx, "manifest-sha256.txt", 100); return err },
					func() error { _, err := root.Names(ctx, ".firmus-ledger"); return err },
					func() error { _, err := root.(stores.Identified).FileID(ctx, "a.wav"); return err },
					func() error { _, err := root.(stores.Lies).Volume(ctx); return err },
					func() error { _, err := root.(stores.Swept).Sweep(ctx, nil); return err },
				}
				for _, f := range all {
					if err := f(); err != nil {
						if _, again := root.Stat(ctx, "b.wav"); !errors.Is(again, fixity.ErrAway) || !strings.Contains(again.Error(), "still doesn't answer") {
							t.Errorf("the next call: %v", again)
						}
						return err
					}
				}
				return nil
			})
			if !errors.Is(err, fixity.ErrAway) || !strings.Contains(err.Error(), "it has not answered for 1m0s") {
				t.Errorf("got %v", err)
			}
			if strings.HasPrefix(call, "list") && !errors.Is(err, fixity.ErrIncomplete) {
				t.Errorf("a listing that hangs: %v", err)
			}
		})
	}
}

// heeds is a root that hangs in the system, and gives up when its context ends, as one on a drive
// does.
type heeds struct {
	stores.Root
	hangs *atomic.Bool
}

func (h heeds) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	if h.hangs.Load() {
		<-ctx.Done()
		return fixity.Entry{}, context.Cause(ctx)
	}
	return h.Root.Stat(ctx, path)
}

// TestSilentOnceIsWaitedForOnce: a store that left a call unanswered is away for the rest of the
// use, and of a command. A daemon asks it again, and waits for less until it has answered.
func TestSilentOnceIsWaitedForOnce(t *testing.T) {
	for _, lasting := range []bool{false, true} {
		synced(t, fmt.Sprint("lasting ", lasting), func(t *testing.T, w *world) {
			var hangs atomic.Bool
			hangs.Store(true)
			w.Turns.Lasting = lasting
			w.Open = func(store, _ string, _ fixity.Cache) (stores.Root, error) { return heeds{w.roots[store], &hangs}, nil }
			use := func(calls ...time.Duration) {
				t.Helper()
				if err := w.Use(t.Context(), "vault", stores.Purpose{Beside: true, Unseen: true}, func(ctx context.Context, u *stores.Used) error {
					root, err := u.Root("masters", fixity.Bypassed)
					if err != nil {
						return err
					}
					for i, want := range calls {
						began := time.Now()
						_, err := root.Stat(ctx, "a.wav")
						if took := time.Since(began); took != want || errors.Is(err, fixity.ErrAway) != (hangs.Load() || !lasting) {
							t.Errorf("call %d took %s, want %s: %v", i, took, want, err)
						}
					}
					return nil
				}); err != nil {
					t.Error(err)
				}
			}
			use(stores.Silence, 0, 0)
			if lasting {
				use(5*time.Second, 0)
			} else {
				use(0)
			}
			hangs.Store(false)
			use(0, 0)
			if hangs.Store(true); lasting {
				use(stores.Silence)
			}
		})
	}
}

// TestSilentAtFirstContactIsAway: what hangs when it is asked who it is, is away in the
// use, and the use goes on to say so.
func TestSilentAtFirstContactIsAway(t *testing.T) {
	w := newWorld(t)
	w.Silence = 40 * time.Millisecond
	r := w.roots["vault"]
	r.hangs["identify"] = true // longer than any machine is slow
	defer close(r.release)
	if err := w.Ledger.Tx(t.Context(), time.Now(), func(t *ledger.Tx) error {
		return t.Stores.Adopt("vault", "masters", fixity.Identity{Store: "x", Set: "masters"}, "Ada Wren", "a test")
	}); err != nil {
		t.Fatal(err)
	}
	err := w.Use(t.Context(), "vault", stores.Purpose{}, func(_ context.Context, u *stores.Used) error {
		if len(u.Here) > 0 || len(u.Away) != 1 || !strings.Contains(u.Away[0].Said[0], "has not answered") {
			t.Errorf("here %q, away %v", u.Here, u.Away)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// TestOnlyAPersonTakesUpARetiredStore: who still has a store in its rules that a command
// retired meanwhile does nothing with it, though its marker lies there.
func TestOnlyAPersonTakesUpARetiredStore(t *testing.T) {
	w := newWorld(t)
	ours := fixity.Identity{Store: "x", Set: "masters"}
	if err := w.Ledger.Tx(t.Context(), time.Now(), func(t *ledger.Tx) (err error) {
		if ours.Holdings, err = t.Stores.Holdings(); err != nil {
			return err
		}
		if err := t.Stores.Adopt("vault", "masters", ours, "Ada Wren", "a test"); err != nil {
			return err
		}
		return t.Stores.End("vault", "", true, "Ada Wren", "sold")
	}); err != nil {
		t.Fatal(err)
	}
	w.roots["vault"].marked = ours
	err := w.Use(t.Context(), "vault", stores.Purpose{}, func(context.Context, *stores.Used) error {
		t.Error("it was used")
		return nil
	})
	if !errors.Is(err, stores.ErrRetired) {
		t.Errorf("got %v, want that it was retired", err)
	}
	if s, err := w.Known(t.Context(), "vault"); err != nil || s.Retired.IsZero() {
		t.Errorf("retired %v, %v", s.Retired, err)
	}
}

// TestSlowIsNotSilent: neither a store that answers in time, again and again, nor one who
// takes long over each entry and each piece, makes it away.
func TestSlowIsNotSilent(t *testing.T) {
	w := newWorld(t)
	synctest.Test(t, func(t *testing.T) { slowIsNotSilent(t, w) })
}

func slowIsNotSilent(t *testing.T, w *world) {
	w.roots["vault"].slow = 50 * time.Second
	err := w.Use(t.Context(), "vault", stores.Purpose{Beside: true, Unseen: true}, func(ctx context.Context, u *stores.Used) error {
		root, err := u.Root("masters", fixity.Bypassed)
		if err != nil {
			return err
		}
		for _, err := range root.List(ctx, "") {
			if err != nil {
				return err
			}
			time.Sleep(2 * time.Minute)
		}
		if _, err := root.(stores.Swept).SweepOwn(ctx, ".firmus-ledger", nil); err != nil {
			return err
		}
		f, err := root.Open(ctx, fixity.Entry{Path: "a.wav"}, 0)
		if err != nil {
			return err
		}
		for range 3 {
			if _, err := f.Read(make([]byte, 100)); err != nil {
				return err
			}
			time.Sleep(2 * time.Minute)
		}
		return f.Close()
	})
	if err != nil {
		t.Error(err)
	}
}

// TestADeadMountHoldsUpNobody: a store that doesn't say which drive it lies on, and one
// that is held by somebody else, end and delay no use of another.
func TestADeadMountHoldsUpNobody(t *testing.T) {
	w := newWorld(t)
	never := make(chan struct{})
	defer close(never)
	w.Device = func(_ context.Context, store string) string {
		if store == "vault" {
			<-never
		}
		return "drive of " + store
	}
	began := time.Now()
	if got := w.Drives(t.Context(), []string{"studio", "vault", "safe"}); got[0] != "drive of studio" || got[2] != "drive of safe" || got[1] == got[0] || got[1] == got[2] {
		t.Errorf("drives %q", got)
	}
	if took := time.Since(began); took > time.Minute {
		t.Errorf("it took %s", took)
	}
	began = time.Now()
	if w.Drives(t.Context(), []string{"vault"}); time.Since(began) > time.Second {
		t.Error("it was asked again before it had answered")
	}
	hold, err := w.Ledger.LockStore(t.Context(), "safe", "another", 0, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer hold()
	err = w.Use(t.Context(), "studio", stores.Purpose{}, func(ctx context.Context, u *stores.Used) error {
		err := w.Use(ctx, "safe", stores.Purpose{}, func(context.Context, *stores.Used) error { t.Error("it was used"); return nil })
		if !errors.Is(err, fixity.ErrBusy) {
			t.Errorf("a store that is held: %v", err)
		}
		return read(ctx, u, "a.wav")
	})
	if err != nil {
		t.Errorf("the other store: %v", err)
	}
}

// TestAClosedWindowTouchesNoOtherStore: it ends the use of its own store, before the next
// file, and not the one that this was a part of.
func TestAClosedWindowTouchesNoOtherStore(t *testing.T) {
	w := newWorld(t)
	now := time.Date(2026, 11, 25, 5, 59, 0, 0, time.Local)
	w.Now = func() time.Time { return now }
	w.Order.Windows = true
	w.limits["vault"] = stores.Limits{Window: schedule.Window{To: 6 * time.Hour}}
	err := w.Use(t.Context(), "studio", stores.Purpose{}, func(ctx context.Context, u *stores.Used) error {
		err := w.Use(ctx, "vault", stores.Purpose{}, func(ctx context.Context, u *stores.Used) error {
			if err := read(ctx, u, "a.wav"); err != nil {
				t.Errorf("while it is open: %v", err)
			}
			now = now.Add(10 * time.Minute)
			return read(ctx, u, "b.wav")
		})
		if !errors.Is(err, stores.ErrWindow) {
			t.Errorf("the store whose window closed: %v", err)
		}
		if err := w.Use(ctx, "vault", stores.Purpose{}, func(context.Context, *stores.Used) error { t.Error("it was used"); return nil }); !errors.Is(err, stores.ErrWindow) {
			t.Errorf("outside the window: %v", err)
		}
		return read(ctx, u, "a.wav")
	})
	if err != nil {
		t.Errorf("the other store: %v", err)
	}
}

// TestOneReaderOnADrive: two stores on one drive are never used at once, on two they are.
func TestOneReaderOnADrive(t *testing.T) {
	w := newWorld(t)
	w.drives["vault"] = w.drives["studio"]
	var at, most atomic.Int64
	use := func(name string, long time.Duration) error {
		return w.Use(t.Context(), name, stores.Purpose{}, func(context.Context, *stores.Used) error {
			most.Store(max(most.Load(), at.Add(1)))
			time.Sleep(long)
			at.Add(-1)
			return nil
		})
	}
	both := func(a, b string) (n int64) {
		most.Store(0)
		done := make(chan error, 2)
		for _, name := range []string{a, b} {
			go func() { done <- use(name, 200*time.Millisecond) }()
		}
		for range 2 {
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
		return most.Load()
	}
	if n := both("studio", "vault"); n != 1 {
		t.Errorf("%d at once on one drive", n)
	}
	if n := both("studio", "safe"); n != 2 {
		t.Errorf("%d at once on two drives", n)
	}
	// A use inside another one has the drive already, and waits for another one for a moment.
	if err := w.Use(t.Context(), "studio", stores.Purpose{}, func(ctx context.Context, _ *stores.Used) error {
		return w.Use(ctx, "vault", stores.Purpose{}, func(ctx context.Context, _ *stores.Used) error {
			return w.Use(ctx, "studio", stores.Purpose{}, func(context.Context, *stores.Used) error { return nil })
		})
	}); err != nil {
		t.Errorf("one inside the other: %v", err)
	}
	began, end := make(chan struct{}), make(chan struct{})
	go func() {
		_ = w.Use(t.Context(), "safe", stores.Purpose{}, func(context.Context, *stores.Used) error { close(began); <-end; return nil })
	}()
	<-began
	err := w.Use(t.Context(), "studio", stores.Purpose{}, func(ctx context.Context, _ *stores.Used) error {
		return w.Use(ctx, "safe", stores.Purpose{}, func(context.Context, *stores.Used) error { return nil })
	})
	close(end)
	if !errors.Is(err, fixity.ErrBusy) {
		t.Errorf("a drive that is read for long: %v", err)
	}
}

// TestGivesWay: something urgent ends a use on its drive, but not one that is urgent.
func TestGivesWay(t *testing.T) {
	w := newWorld(t)
	urgent := w.Stores
	urgent.Order.Hurry = true
	began, ended := make(chan struct{}), make(chan error, 1)
	go func() {
		ended <- w.Use(t.Context(), "vault", stores.Purpose{}, func(ctx context.Context, _ *stores.Used) error {
			close(began)
			<-ctx.Done()
			return context.Cause(ctx)
		})
	}()
	<-began
	inside := make(chan struct{})
	go func() {
		_ = urgent.Use(t.Context(), "vault", stores.Purpose{}, func(ctx context.Context, _ *stores.Used) error {
			close(inside)
			select {
			case <-ctx.Done():
				t.Error("the urgent one gave way")
			case <-time.After(200 * time.Millisecond):
			}
			return nil
		})
	}()
	if err := <-ended; !errors.Is(err, stores.ErrGivesWay) {
		t.Errorf("it ended with %v", err)
	}
	<-inside
	if err := urgent.Use(t.Context(), "vault", stores.Purpose{}, func(context.Context, *stores.Used) error { return nil }); err != nil {
		t.Error(err)
	}
}

// TestLimits: a store is read no faster than its rate, not while a recording grows on its
// drive, and what was read is counted once.
func TestLimits(t *testing.T) {
	w := newWorld(t)
	synctest.Test(t, func(t *testing.T) {
		counted := int64(0)
		w.limits["vault"] = stores.Limits{Rate: 500, Count: func(_ context.Context, n int64) error { counted += n; return nil }}
		until := time.Now().Add(time.Hour)
		var told []string
		var paced string
		s := w.Stores
		s.Order = stores.Order{
			Growing: func(store string) string {
				if store == "studio" && time.Now().Before(until) {
					return "QV-0311_A.wav"
				}
				return ""
			},
			Paused: func(store, rec string) { told = append(told, store+":"+rec) },
			Paced:  func(store string, n int64, took time.Duration) { paced = fmt.Sprint(store, " ", n, " ", took) },
		}
		s.Device = nil
		use := func(ctx context.Context, name string) (time.Duration, error) {
			began := time.Now()
			err := s.Use(ctx, name, stores.Purpose{Beside: true, Unseen: true}, func(ctx context.Context, u *stores.Used) error { return read(ctx, u, "a.wav") })
			return time.Since(began), err
		}
		if took, err := use(t.Context(), "vault"); took != 2*time.Second || err != nil || counted != 1000 {
			t.Errorf("1,000 bytes at 500 a second took %s, %d were counted, %v", took, counted, err)
		}
		if took, err := use(t.Context(), "studio"); took < 59*time.Minute || took > 61*time.Minute || err != nil {
			t.Errorf("it waited %s for a recording, %v", took, err)
		}
		if want := []string{"studio:QV-0311_A.wav", "studio:"}; !slices.Equal(told, want) {
			t.Errorf("told %q", told)
		}
		if paced != "studio 1000 0s" {
			t.Errorf("the pause counts as reading: %s", paced)
		}
		until = time.Now().Add(1000 * time.Hour)
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Minute, cancel)
		if took, err := use(ctx, "studio"); took > time.Minute || err == nil {
			t.Errorf("a stop waited %s, %v", took, err)
		}
	})
}

// TestAStoreCalledDaemonIsNoDaemon: the locks of stores and others have names apart.
func TestAStoreCalledDaemonIsNoDaemon(t *testing.T) {
	w := newWorld(t)
	for _, name := range []string{"daemon", ".events"} {
		own, err := w.Ledger.LockOwn(t.Context(), strings.TrimPrefix(name, "."), "firmus serve", 0, time.Now)
		if err != nil {
			t.Fatal(err)
		}
		store, err := w.Ledger.LockStore(t.Context(), name, "Ada Wren", 0, time.Now)
		if err != nil {
			t.Errorf("a store called %q: %v", name, err)
		} else {
			store()
		}
		own()
	}
}

// TestAMountBelowARootThatIsNotMountedNeverLooksEmpty: its folder is not listed, the others
// are, and a person can say that what lies there is all.
func TestAMountBelowARootThatIsNotMountedNeverLooksEmpty(t *testing.T) {
	w := newWorld(t)
	r := w.roots["vault"]
	r.shards, r.mounted = []string{"1958", "1960"}, map[string]fixity.Lies{"1960": {Device: "8:17", ID: "volume B"}}
	listed := func(folder string) error {
		return w.Use(t.Context(), "vault", stores.Purpose{Unseen: true}, func(ctx context.Context, u *stores.Used) error {
			root, err := u.Root("masters", fixity.Bypassed)
			if err != nil {
				return err
			}
			if _, err := root.Shards(ctx); err != nil {
				return err
			}
			for _, err := range root.List(ctx, folder) {
				if err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := listed("1960"); err != nil {
		t.Errorf("while it is mounted: %v", err)
	}
	for what, mounted := range map[string]map[string]fixity.Lies{"is not mounted": nil, "another volume": {"1960": {Device: "8:33", ID: "volume C"}}} {
		r.mounted = mounted
		if err := listed("1960"); !errors.Is(err, fixity.ErrIncomplete) || errors.Is(err, fixity.ErrAway) || !strings.Contains(err.Error(), what) {
			t.Errorf("%s: %v", what, err)
		}
		if err := listed("1958"); err != nil {
			t.Errorf("%s: the folder beside it: %v", what, err)
		}
	}
	r.mounted = nil
	if err := w.Ledger.Tx(t.Context(), time.Now(), func(t *ledger.Tx) error { return t.Stores.ForgetMounts("vault") }); err != nil {
		t.Fatal(err)
	}
	if err := listed("1960"); err != nil {
		t.Errorf("after a person's word: %v", err)
	}
}
