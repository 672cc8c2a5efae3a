package audit_test

import (
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
	"firmus/replicas/testing/faulty"
)

// begun is when the tests' world begins; its clock moves only when told to.
var begun = time.Date(2024, 5, 6, 7, 8, 9, 0, time.UTC)

// world is a ledger with stores on disk, each with faults at hand.
type world struct {
	t     testing.TB
	l     *ledger.Ledger
	place place
	rules care.Rules
	roots map[string]*root
	cache map[string]*root // read through the page cache, where a test wants that
	now   time.Time
	notes []string

	readers int
}

// twoStores hold masters and access files; arrivals is the first.
var twoStores = care.Rules{
	Stores: []care.Store{
		{Name: "shelf", Kind: "disk", Place: "reading room", Sets: []string{"masters", "access"}, Arrivals: true, ReadWithin: 90 * day, ExpectWithin: 7 * day},
		{Name: "vault", Kind: "disk", Place: "bank", Sets: []string{"masters", "access"}, ReadWithin: 90 * day, ExpectWithin: 7 * day},
	},
	Sets: []care.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access, Editing: 30 * day}},
}

const day = 24 * time.Hour

// newWorld makes empty stores and a ledger that knows them.
func newWorld(t testing.TB, rules care.Rules) *world {
	t.Helper()
	w := &world{t: t, rules: rules, roots: map[string]*root{}, now: begun}
	base := t.TempDir()
	w.place = placeOf(t, base)
	w.l = w.place.open(t, rules)
	for _, s := range rules.Stores {
		for _, set := range s.Sets {
			dir := filepath.Join(base, s.Name, set)
			w.must(os.MkdirAll(dir, 0o777))
			w.roots[s.Name+"/"+set] = newRoot(t, dir, fixity.Bypassed)
		}
	}
	w.tx(func(tx *ledger.Tx) error {
		for _, s := range rules.Stores {
			st := ledger.Store{Name: s.Name, Kind: s.Kind, Place: s.Place}
			for _, set := range s.Sets {
				st.Roots = append(st.Roots, ledger.Root{Set: set, Root: w.roots[s.Name+"/"+set].dir})
			}
			if err := tx.Stores.Put(st); err != nil {
				return err
			}
			for _, set := range s.Sets {
				if err := tx.Stores.Adopt(s.Name, set, fixity.Identity{Store: s.Name, Set: set}, "a test", "it begins"); err != nil {
					return err
				}
			}
		}
		return nil
	})
	return w
}

// newWorldOf is newWorld with one store and one set of masters in it.
func newWorldOf(t testing.TB, files map[string]string) *world {
	t.Helper()
	w := newWorld(t, oneStore())
	w.take("masters", files)
	return w
}

func oneStore() care.Rules {
	return care.Rules{
		Stores: []care.Store{{Name: "shelf", Kind: "disk", Sets: []string{"masters"}, Arrivals: true, ReadWithin: 90 * day, ExpectWithin: 7 * day}},
		Sets:   []care.Set{{Name: "masters", Role: fixity.Master}},
	}
}

// root is a store's root whose every operation can be made to fail: those that
// package faulty knows, and Stat.
type root struct {
	*faulty.Store
	dir  string
	disk *disk.Dir

	mu    sync.Mutex
	stats int
	stat  func(k int, path string) error // befalls the k-th Stat
	whole map[string]int                 // by path, how often a file was read to its end without a fault
}

func newRoot(t testing.TB, dir string, cache fixity.Cache) *root {
	t.Helper()
	litter, err := care.NewLeaveOut(nil)
	if err != nil {
		t.Fatal(err)
	}
	return newRootWith(t, dir, cache, litter.Match)
}

func newRootWith(t testing.TB, dir string, cache fixity.Cache, leaveOut func(string, bool) bool) *root {
	t.Helper()
	d, err := disk.Open(dir, disk.Options{Cache: cache, LeaveOut: leaveOut})
	if err != nil {
		t.Fatal(err)
	}
	return &root{Store: faulty.Wrap(d), dir: dir, disk: d, whole: map[string]int{}}
}

func (r *root) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	r.mu.Lock()
	k, f := r.stats, r.stat
	r.stats++
	r.mu.Unlock()
	if f != nil {
		if err := f(k, path); err != nil {
			return fixity.Entry{}, fmt.Errorf("stat %q: %w", path, err)
		}
	}
	return r.disk.Stat(ctx, path)
}

func (r *root) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	f, err := r.Store.Open(ctx, e, offset)
	if err != nil {
		return nil, err
	}
	return &counted{Reader: f, r: r, path: e.Path}, nil
}

// counted notes that a file was read to its end and closed.
type counted struct {
	fixity.Reader
	r    *root
	path string
	end  bool
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.r.mu.Lock()
	defer c.r.mu.Unlock()
	c.end = err == io.EOF
	return n, err
}

func (c *counted) Close() error {
	err := c.Reader.Close()
	c.r.mu.Lock()
	defer c.r.mu.Unlock()
	if c.end && err == nil {
		c.r.whole[c.path]++
	}
	return err
}

func (r *root) wasRead(path string) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.whole[path]
}

func (w *world) must(err error) {
	w.t.Helper()
	if err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) tx(f func(*ledger.Tx) error) {
	w.t.Helper()
	w.must(w.l.Tx(context.Background(), w.now, f))
}

func (w *world) view(f func(*ledger.Tx) error) {
	w.t.Helper()
	w.must(w.l.View(context.Background(), f))
}

// at is the root of a set in a store.
func (w *world) at(store, set string) *root { return w.roots[store+"/"+set] }

// put writes a file into a store, dated a week before the world began.
func (w *world) put(store, set, path, data string) {
	w.t.Helper()
	at := filepath.Join(w.at(store, set).dir, filepath.FromSlash(path))
	w.must(os.MkdirAll(filepath.Dir(at), 0o777))
	w.must(os.WriteFile(at, []byte(data), 0o666))
	w.must(os.Chtimes(at, begun.Add(-7*day), begun.Add(-7*day)))
}

func (w *world) file(store, set, path string) string {
	return filepath.Join(w.at(store, set).dir, filepath.FromSlash(path))
}

// take puts files into every store that holds the set, and takes them under care
// as an intake that read them all would.
func (w *world) take(set string, files map[string]string) {
	w.t.Helper()
	for _, s := range w.rules.Stores {
		for path, data := range files {
			if s.Holds(set) {
				w.put(s.Name, set, path, data)
			}
		}
	}
	w.tx(func(tx *ledger.Tx) error {
		for _, path := range slices.Sorted(maps.Keys(files)) {
			sums, err := digest.Read(context.Background(), strings.NewReader(files[path]), fixity.BLAKE3, fixity.SHA256)
			if err != nil {
				return err
			}
			v := ledger.VersionOf(sums.Size, sums.Digests, sums.Blocks, "a test", "")
			f, err := tx.Files.Add(set, path, "a test", begun.Add(-7*day), true, v)
			if err != nil {
				return err
			}
			for _, s := range w.rules.Stores {
				if !s.Holds(set) {
					continue
				}
				c := ledger.Copy{Store: s.Name, Set: set, At: path, File: f.ID, State: fixity.Intact, Held: 1, Size: sums.Size, ModTime: begun.Add(-7 * day).UnixNano(),
					Read: fixity.Evidence{Strength: fixity.Read, At: w.now, OK: true, Cache: fixity.Bypassed}}
				c.Due = care.NextDue(c, c.Read.At, c.Read.Cache, s)
				if err := tx.Copies.Put(ledger.Copy{}, c); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func (w *world) auditor() *audit.Auditor {
	return &audit.Auditor{
		Readers: func() int { return w.readers },
		Record:  w.l.Record(func() time.Time { return w.now }, "a test"),
		Open: func(store, set string, cache fixity.Cache) (audit.Store, error) {
			if r := w.cache[store+"/"+set]; r != nil && cache == fixity.Allowed {
				return r, nil
			}
			return w.at(store, set), nil
		},
		Now:      func() time.Time { return w.now },
		Progress: audit.Progress{Note: func(_ fixity.Shard, text string) { w.notes = append(w.notes, text) }},
	}
}

// begin identifies a store, plans an audit of it and writes it, as an act does.
func (w *world) begin(a ledger.Audit) (ledger.Audit, error) {
	w.t.Helper()
	rule, _ := w.rules.Store(a.Store)
	a.Kind, a.By, a.Run = ledger.Plain, "a test", w.now
	if a.Cache == "" {
		a.Cache = fixity.Bypassed
	}
	if len(a.Sets) == 0 {
		a.Sets = rule.Sets
	}
	tops := map[string][]string{}
	for _, set := range a.Sets {
		if _, err := w.at(a.Store, set).Identify(context.Background()); err != nil {
			return a, err
		}
		var err error
		if tops[set], err = w.at(a.Store, set).Shards(context.Background()); err != nil {
			return a, err
		}
	}
	w.tx(func(tx *ledger.Tx) (err error) {
		if a, _, err = tx.Audits.Begin(a); err != nil {
			return err
		}
		for _, set := range a.Sets {
			if _, err := tx.Audits.AddShards(a, set, tops[set]); err != nil {
				return err
			}
		}
		return nil
	})
	return a, nil
}

// try audits a store an hour later, from its listing to its end.
func (w *world) try(a ledger.Audit) (ledger.Audit, error) {
	w.t.Helper()
	w.now = w.now.Add(time.Hour)
	a, err := w.begin(a)
	if err != nil {
		return a, err
	}
	return a, w.auditor().Run(context.Background(), a.ID, fixity.PhaseList)
}

// audit is try that must not fail. It gives what the shards did.
func (w *world) audit(a ledger.Audit) (ledger.Audit, ledger.Progress) {
	w.t.Helper()
	a, err := w.try(a)
	w.must(err)
	return a, w.progress(a)
}

func (w *world) progress(a ledger.Audit) (p ledger.Progress) {
	w.t.Helper()
	w.view(func(tx *ledger.Tx) (err error) {
		p, err = tx.Audits.Progress(a)
		return err
	})
	return p
}

// full is an order that reads everything in a store.
func full(store string) ledger.Audit { return ledger.Audit{Store: store, Full: true} }

// states are the states of a store's copies by path.
func (w *world) states(store, set string) map[string]fixity.State {
	w.t.Helper()
	out := map[string]fixity.State{}
	w.view(func(tx *ledger.Tx) error {
		var files []ledger.File
		err := tx.Files.Each(set, "", 1<<30, func(f ledger.File) error {
			files = append(files, f)
			return nil
		})
		for _, f := range files {
			copies, err := tx.Copies.Of(f.ID)
			for _, c := range copies {
				if c.Store == store {
					out[f.Path] = c.State
				}
			}
			if err != nil {
				return err
			}
		}
		return err
	})
	return out
}

// copyOf is what a store is known to have of a file.
func (w *world) copyOf(store, set, path string) (out ledger.Copy) {
	w.t.Helper()
	w.view(func(tx *ledger.Tx) error {
		f, err := tx.Files.At(set, path)
		if err != nil {
			return err
		}
		copies, err := tx.Copies.Of(f.ID)
		for _, c := range copies {
			if c.Store == store {
				out = c
			}
		}
		return err
	})
	return out
}

// findings are the open findings, by path.
func (w *world) findings() map[string]ledger.Finding {
	w.t.Helper()
	out := map[string]ledger.Finding{}
	w.view(func(tx *ledger.Tx) error {
		fs, err := tx.Findings.Open("")
		for _, f := range fs {
			out[f.Path] = f
		}
		return err
	})
	return out
}

// kinds are the kinds of the open findings, by path.
func (w *world) kinds() map[string]fixity.Kind {
	w.t.Helper()
	out := map[string]fixity.Kind{}
	for p, f := range w.findings() {
		out[p] = f.Kind
	}
	return out
}

// lines are the outcomes that an audit recorded, by path.
func (w *world) lines(audit int64) map[string][]fixity.Outcome {
	w.t.Helper()
	out := map[string][]fixity.Outcome{}
	w.view(func(tx *ledger.Tx) error {
		of := map[int64][]fixity.Outcome{}
		if err := tx.Log.ReadingsOf(audit, func(event int64, l ledger.Line) error {
			of[l.File] = append(of[l.File], l.Outcome)
			if event < 0 {
				return fmt.Errorf("a reading of file %d is in no event", l.File)
			}
			return nil
		}); err != nil {
			return err
		}
		for id, outcomes := range of {
			f, err := tx.Files.Get(id)
			if err != nil {
				return err
			}
			out[f.Path] = outcomes
		}
		return nil
	})
	return out
}

// sound checks the record and the tallies.
func (w *world) sound() {
	w.t.Helper()
	checkLedger(w.t, w.l)
}

func checkLedger(t testing.TB, l *ledger.Ledger) {
	t.Helper()
	if _, err := l.Verify(context.Background()); err != nil {
		t.Errorf("the record: %v", err)
	}
	if err := l.CheckCounts(context.Background()); err != nil {
		t.Error(err)
	}
}

// of is a map of paths that all have the same value.
func of[V any](v V, paths ...string) map[string]V {
	out := map[string]V{}
	for _, p := range paths {
		out[p] = v
	}
	return out
}

func readerOf(data string) io.Reader { return strings.NewReader(data) }

func chtime(path string, at time.Time) error { return os.Chtimes(path, at, at) }
