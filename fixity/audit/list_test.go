package audit_test

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/faulty"
)

var _ audit.Store = (*root)(nil)

// TestIncomplete: where a listing doesn't see everything, nothing is missing and
// nothing is forgotten.
func TestIncomplete(t *testing.T) { onEach(t, testIncomplete) }

func testIncomplete(t *testing.T) {
	files := map[string]string{"QV-0107/a.wav": "a", "QV-0107/b.wav": "b", "QV-0107/x/c.wav": "c", "QV-0108/d.wav": "d"}
	for name, c := range map[string]struct {
		fault faulty.Fault
		err   error // of the audit; nil: it ends and says why it is incomplete
	}{
		"a folder is forbidden":     {faulty.On(faulty.List, "QV-0107", fixity.ErrDenied), nil},
		"it breaks in the middle":   {faulty.On(faulty.Step, "QV-0107/b.wav", fixity.ErrUnreadable), nil},
		"it breaks at its end":      {faulty.On(faulty.Step, "", errors.New("stopped")), nil},
		"the store goes meanwhile":  {faulty.On(faulty.Step, "QV-0107/b.wav", fixity.ErrAway), fixity.ErrAway},
		"the store goes at the end": {faulty.On(faulty.Step, "", fixity.ErrAway), fixity.ErrAway},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorldOf(t, files)
			w.put("shelf", "masters", "QV-0107/old.txt", "old")
			w.audit(ledger.Audit{Store: "shelf"})
			w.tx(func(tx *ledger.Tx) error { return tx.Strays.LeaveInPeace("shelf", "masters", "QV-0107/old.txt") })
			// All is really gone: a complete listing would say so.
			w.must(os.RemoveAll(w.file("shelf", "masters", "QV-0107/x")))
			w.must(os.Remove(w.file("shelf", "masters", "QV-0107/old.txt")))
			w.must(os.Remove(w.file("shelf", "masters", "QV-0108/d.wav")))
			r := w.at("shelf", "masters")
			r.Set(c.fault)
			a, err := w.try(ledger.Audit{Store: "shelf"})
			if !errors.Is(err, c.err) || c.err == nil && err != nil {
				t.Fatalf("got %v, want %v", err, c.err)
			}
			if p := w.progress(a); c.err == nil && (p.Complete || len(p.Trouble) == 0) {
				t.Errorf("complete %t, %q", p.Complete, p.Trouble)
			}
			if d := cmp.Diff(of(fixity.Intact, slices.Collect(maps.Keys(files))...), w.states("shelf", "masters")); d != "" {
				t.Errorf("states (-want +got):\n%s", d)
			}
			if k := w.kinds(); len(k) > 0 {
				t.Errorf("findings %v", k)
			}
			w.view(func(tx *ledger.Tx) error {
				s, err := tx.Strays.At("shelf", "masters", "QV-0107/old.txt")
				if err != nil || !s.Peace {
					t.Errorf("what was left in peace is forgotten: %v, %+v", err, s)
				}
				st, err := tx.Stores.Get("shelf")
				if err == nil && !st.Roots[0].ListedAt.Before(a.Run) {
					t.Error("it counts as listed")
				}
				return err
			})
			// A complete listing says it.
			r.Set()
			w.audit(ledger.Audit{Store: "shelf"})
			want := of(fixity.Kind(fixity.Missing), "QV-0107/x/c.wav", "QV-0108/d.wav")
			if d := cmp.Diff(want, w.kinds()); d != "" {
				t.Errorf("a complete listing (-want +got):\n%s", d)
			}
			w.view(func(tx *ledger.Tx) error {
				if _, err := tx.Strays.At("shelf", "masters", "QV-0107/old.txt"); !errors.Is(err, fixity.ErrNotFound) {
					t.Errorf("a stray that is gone is still known: %v", err)
				}
				return nil
			})
			w.sound()
		})
	}
}

func TestGone(t *testing.T) { onEach(t, testGone) }

func testGone(t *testing.T) {
	files := map[string]string{"QV-0107/a.wav": "a", "QV-0107/x/c.wav": "cc", "QV-0108/d.wav": "ddd", "index.txt": "eeee"}
	for name, c := range map[string]struct {
		remove string
		want   []string
	}{
		"a file":                {"QV-0107/a.wav", []string{"QV-0107/a.wav"}},
		"a folder in a folder":  {"QV-0107/x", []string{"QV-0107/x/c.wav"}},
		"a first-level folder":  {"QV-0107", []string{"QV-0107/a.wav", "QV-0107/x/c.wav"}},
		"one of the root's own": {"index.txt", []string{"index.txt"}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorldOf(t, files)
			aside := filepath.Join(t.TempDir(), "aside")
			w.must(os.Rename(w.file("shelf", "masters", c.remove), aside))
			a, p := w.audit(full("shelf"))
			if d := cmp.Diff(of(fixity.Kind(fixity.Missing), c.want...), w.kinds()); d != "" {
				t.Errorf("findings (-want +got):\n%s", d)
			}
			if !p.Complete || p.Read != int64(len(files)-len(c.want)) || p.Listed != p.Read {
				t.Errorf("complete %t, listed %d, read %d, %q", p.Complete, p.Listed, p.Read, p.Trouble)
			}
			for _, f := range w.findings() {
				if f.Audit != a.ID || len(f.IntactIn) > 0 || f.Urgency != fixity.NoneIntact {
					t.Errorf("finding %+v", f)
				}
			}
			// What is back is read before it counts, whatever is due.
			w.must(os.Rename(aside, w.file("shelf", "masters", c.remove)))
			_, p = w.audit(ledger.Audit{Store: "shelf"})
			if len(w.kinds()) > 0 || p.Read != int64(len(c.want)) {
				t.Errorf("back again: %v, %d read", w.kinds(), p.Read)
			}
			w.sound()
		})
	}
}

// TestHalfListed: while a shard isn't listed, nothing is concluded.
func TestHalfListed(t *testing.T) {
	w := newWorldOf(t, map[string]string{"QV-0107/a.wav": "a", "QV-0108/b.wav": "b"})
	w.must(os.RemoveAll(w.file("shelf", "masters", "QV-0107")))
	a, err := w.begin(ledger.Audit{Store: "shelf"})
	w.must(err)
	aud := w.auditor()
	jobs, err := aud.Record.Open(t.Context(), a.ID, fixity.PhaseList)
	w.must(err)
	for _, j := range jobs[:len(jobs)-1] {
		err := aud.Slice(t.Context(), j)
		w.must(err)
	}
	for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseRead} {
		w.must(aud.Record.Advance(t.Context(), a.ID, p))
	}
	if jobs, err = aud.Record.Open(t.Context(), a.ID, fixity.PhaseList); err != nil || len(jobs) != 1 || len(w.kinds()) > 0 {
		t.Errorf("%d shards wait, %v; findings %v", len(jobs), err, w.kinds())
	}
	w.must(aud.Run(t.Context(), a.ID, fixity.PhaseList))
	if d := cmp.Diff(of(fixity.Kind(fixity.Missing), "QV-0107/a.wav"), w.kinds()); d != "" {
		t.Errorf("listed (-want +got):\n%s", d)
	}
}

// TestOtherType: a link or a folder in a file's place is not the file, and is
// neither followed nor opened.
func TestOtherType(t *testing.T) {
	w := newWorldOf(t, map[string]string{"QV-0107/a.wav": "a", "QV-0107/b.wav": "b"})
	at := w.file("shelf", "masters", "QV-0107/a.wav")
	w.must(os.Remove(at))
	w.must(os.Symlink("b.wav", at))
	w.audit(full("shelf"))
	if d := cmp.Diff(of(fixity.Kind(fixity.Missing), "QV-0107/a.wav"), w.kinds()); d != "" {
		t.Errorf("findings (-want +got):\n%s", d)
	}
	if n := w.at("shelf", "masters").wasRead("QV-0107/a.wav"); n > 0 || len(w.notes) != 1 || !strings.Contains(w.notes[0], "is a link") {
		t.Errorf("read %d times; notes %q", n, w.notes)
	}
}

// TestHidden: a pattern that leaves out what is under care doesn't make it missing.
func TestHidden(t *testing.T) {
	files := map[string]string{"QV-0107/a.wav": "a", "QV-0107/old~/b.wav": "b", "QV-0107/old~.txt": "t", "old~/c.wav": "c", "x~": "x"}
	for name, hide := range map[string]string{"a file": "x~", "a folder": "old~"} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, oneStore())
			w.roots["shelf/masters"] = newRootWith(t, w.at("shelf", "masters").dir, fixity.Bypassed, nil)
			w.take("masters", files)
			w.audit(full("shelf"))
			if k := w.kinds(); len(k) > 0 {
				t.Fatalf("before: %v", k)
			}
			w.roots["shelf/masters"] = newRootWith(t, w.at("shelf", "masters").dir, fixity.Bypassed,
				func(p string, _ bool) bool { return filepath.Base(p) == hide })
			_, p := w.audit(ledger.Audit{Store: "shelf"})
			if k := w.kinds(); len(k) > 0 || p.Complete || len(p.Trouble) == 0 || !strings.Contains(p.Trouble[0], "leave_out") {
				t.Errorf("findings %v, complete %t, %q", k, p.Complete, p.Trouble)
			}
		})
	}
}

// scrambled gives a listing in another order than that of the paths' bytes.
type scrambled struct{ audit.Store }

func (s scrambled) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		var all []fixity.Entry
		for e, err := range s.Store.List(ctx, shard) {
			if err != nil {
				yield(e, err)
				return
			}
			all = append(all, e)
		}
		slices.Reverse(all)
		for _, e := range all {
			if !yield(e, nil) {
				return
			}
		}
	}
}

func TestWrongOrder(t *testing.T) {
	w := newWorldOf(t, map[string]string{"QV-0107/a.wav": "a", "QV-0107/b.wav": "b", "QV-0107/c.wav": "c"})
	a, err := w.begin(ledger.Audit{Store: "shelf"})
	w.must(err)
	aud := w.auditor()
	aud.Open = func(store, set string, _ fixity.Cache) (audit.Store, error) { return scrambled{w.at(store, set)}, nil }
	w.must(aud.Run(t.Context(), a.ID, fixity.PhaseList))
	if p := w.progress(a); len(w.kinds()) > 0 || p.Complete {
		t.Errorf("findings %v, complete %t", w.kinds(), p.Complete)
	}
}

// TestOrder: names that sort otherwise as folders than as files are all found.
func TestOrder(t *testing.T) { onEach(t, testOrder) }

func testOrder(t *testing.T) {
	files := map[string]string{}
	for i, p := range []string{"a", "a-b/x", "a.b/x", "a/x", "a0/x", "a b/x", "a\xff/x", "A/x", "é/x", "e\u0301/x"} {
		files["QV-0107/"+p] = strings.Repeat("x", i+1)
		files[p] = strings.Repeat("y", i+1)
		if p == "a" { // a file can't have a folder's name
			delete(files, "a")
			delete(files, "QV-0107/a")
		}
	}
	w := newWorldOf(t, files)
	_, p := w.audit(full("shelf"))
	if k := w.kinds(); len(k) > 0 || p.Listed != int64(len(files)) || p.Read != p.Listed {
		t.Errorf("of %d files %d were listed, %d read: %v", len(files), p.Listed, p.Read, k)
	}
	w.view(func(tx *ledger.Tx) error {
		s, err := tx.Strays.Each("shelf", "masters", "", "", 10)
		if len(s) > 0 {
			t.Errorf("strays %v", s)
		}
		return err
	})
}

// TestPages: differences and known files beyond a page are all seen.
func TestPages(t *testing.T) { onEach(t, testPages) }

func testPages(t *testing.T) {
	const n = 2500
	files := map[string]string{}
	for i := range n {
		files[fmt.Sprintf("QV-0107/%05d.wav", i)] = fmt.Sprintf("take %d", i)
	}
	w := newWorldOf(t, files)
	for i := range n {
		at := w.file("shelf", "masters", fmt.Sprintf("QV-0107/%05d.wav", i))
		switch i % 4 {
		case 0:
			w.must(os.Remove(at))
		case 1:
			w.put("shelf", "masters", fmt.Sprintf("QV-0107/%05d.new", i), strings.Repeat("new", i+1))
		}
	}
	_, p := w.audit(full("shelf"))
	got := map[fixity.Kind]int{}
	for _, k := range w.kinds() {
		got[k]++
	}
	var strays int64
	w.view(func(tx *ledger.Tx) (err error) {
		strays, err = tx.Strays.Count("shelf", []string{"masters"}, "", "")
		return err
	})
	if got[fixity.Kind(fixity.Missing)] != n/4 || strays != n/4 || p.Read != n-n/4 {
		t.Errorf("%v, %d strays, %d read", got, strays, p.Read)
	}
	w.sound()
}
