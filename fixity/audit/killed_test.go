package audit_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// listing is what a lister is told: to list an audit's store, and to end itself in the commit of
// the first group of folders, or of the last.
type listing struct {
	Place place
	Root  string
	Audit int64
	Of    string // "first" or "last"
	Part  int    // before, at eighths of as many steps as it has folders, after
}

const (
	before = 0
	after  = 9 // it is committed, and nobody was told
)

// lister lists a store. It says of each group that it commits how many folders are in it, and
// again once it is committed.
func lister(order []byte) error {
	var o listing
	if err := json.Unmarshal(order, &o); err != nil {
		return err
	}
	ctx := context.Background()
	l, err := ledger.Open(ctx, o.Place.options(oneStore()))
	if err != nil {
		return err
	}
	defer l.Close()
	now := func() time.Time { return begun.Add(time.Hour) }
	aud := &audit.Auditor{
		Record: &grouping{Record: l.Record(now, "a lister"), o: o},
		Now:    now,
		Open: func(_, _ string, cache fixity.Cache) (audit.Store, error) {
			return disk.Open(o.Root, disk.Options{Cache: cache})
		},
	}
	return aud.ListAll(ctx, o.Audit)
}

type grouping struct {
	audit.Record
	o listing
	n int
}

func (g *grouping) CommitListing(ctx context.Context, ls ...fixity.Listed) error {
	g.n++
	fmt.Println("commits", len(ls))
	if last := ls[len(ls)-1].Shard.Top == lastFolder; g.o.Of == "first" && g.n > 1 || g.o.Of == "last" && !last {
		if err := g.Record.CommitListing(ctx, ls...); err != nil {
			return err
		}
		fmt.Println("committed", len(ls))
		return nil
	}
	c := &asked{Context: ctx, end: -1}
	switch g.o.Part {
	case before:
		end()
	case after:
	default:
		c.end = int64(max(1, g.o.Part*len(ls)/8)) // each folder takes a statement, and that asks at least once
	}
	if err := g.Record.CommitListing(c, ls...); err != nil {
		return err
	}
	if g.o.Part == after {
		end()
	}
	return nil
}

// folders are ten more than go into a group.
const (
	folders    = 510
	lastFolder = "QV-0509"
)

// asked is a context that ends the process when it was asked so often whether it has ended.
type asked struct {
	context.Context
	n   atomic.Int64
	end int64
}

func (c *asked) Done() <-chan struct{} {
	if c.n.Add(1) == c.end {
		end()
	}
	return c.Context.Done()
}

// end kills this process.
func end() {
	p, err := os.FindProcess(os.Getpid())
	if err == nil {
		err = p.Kill()
	}
	if err != nil {
		panic(err)
	}
	select {}
}

// TestKilledInGroupsOfListings kills a listing before, inside and after the commits of groups
// of folders. Each group is in the ledger whole or not at all, those that were committed
// before the kill are, nothing is told of a listing that didn't end, and the audit that is
// taken up finds just what there is.
func TestKilledInGroupsOfListings(t *testing.T) { onEach(t, testKilledInGroups) }

func testKilledInGroups(t *testing.T) {
	at := func(i int, name string) string { return fmt.Sprintf("QV-%04d/%s.wav", i, name) }
	files := map[string]string{}
	for i := range folders {
		files[at(i, "take")] = fmt.Sprintf("take %d of a side", i)
	}
	// Each kind of evidence in the first group and in the last.
	strays := []string{at(2, "stray"), at(folders-2, "stray"), at(folders-7, "renamed")}
	want := map[string]fixity.Kind{
		at(3, "take"): fixity.Kind(fixity.Missing), at(folders-3, "take"): fixity.Kind(fixity.Missing),
		at(5, "take"): fixity.Kind(fixity.Altered), at(folders-5, "take"): fixity.Kind(fixity.Altered),
		at(7, "take"): fixity.Kind(fixity.Misplaced), // it went to a folder of the last
	}
	parts := map[string][]int{"first": {before, 4, 8, after}, "last": {1, after}}
	if testing.Short() {
		parts = map[string][]int{"first": {4}}
	}
	for of, parts := range parts {
		for _, part := range parts {
			t.Run(fmt.Sprintf("%s, at %d", of, part), func(t *testing.T) {
				w := newWorldOf(t, files)
				for path, k := range want {
					switch k {
					case fixity.Kind(fixity.Missing):
						w.must(os.Remove(w.file("shelf", "masters", path)))
					case fixity.Kind(fixity.Altered):
						w.put("shelf", "masters", path, "another take, and of another length")
					default:
						w.must(os.Rename(w.file("shelf", "masters", path), w.file("shelf", "masters", strays[2])))
					}
				}
				for _, path := range strays[:2] {
					w.put("shelf", "masters", path, "not under care")
				}
				a, err := w.begin(full("shelf"))
				w.must(err)
				waiting := func() map[string]bool {
					out := map[string]bool{}
					jobs, err := w.auditor().Record.Open(t.Context(), a.ID, fixity.PhaseList)
					w.must(err)
					for _, j := range jobs {
						s, err := w.auditor().Record.Claim(t.Context(), j)
						w.must(err)
						out[s.Top] = true
					}
					return out
				}
				all := len(waiting())

				c := child(t, "FIRMUS_AUDIT_LISTER", listing{Place: w.place, Root: w.at("shelf", "masters").dir, Audit: a.ID, Of: of, Part: part})
				out := &strings.Builder{}
				c.Stdout = out
				if err := c.Run(); err == nil || c.ProcessState.Exited() {
					t.Fatalf("it wasn't killed: %v: %s%s", err, out, c.Stderr)
				}
				var committed, open int
				for line := range strings.Lines(out.String()) {
					var n int
					if _, err := fmt.Sscanf(line, "commits %d", &n); err == nil {
						open = n
					} else if _, err := fmt.Sscanf(line, "committed %d", &n); err == nil {
						committed, open = committed+n, 0
					}
				}
				if part == after {
					committed, open = committed+open, 0
				}
				waits := waiting()
				if listed := all - len(waits); listed != committed {
					t.Errorf("%d folders are listed; %d were committed, and %d were being", listed, committed, open)
				}
				known := func(path string) bool {
					var err error
					w.view(func(tx *ledger.Tx) error {
						if _, err = tx.Strays.At("shelf", "masters", path); errors.Is(err, fixity.ErrNotFound) {
							return nil
						}
						return err
					})
					return err == nil
				}
				for _, path := range strays {
					if top, _, _ := strings.Cut(path, "/"); known(path) == waits[top] {
						t.Errorf("%q is known: %t, and its folder waits to be listed: %t", path, known(path), waits[top])
					}
				}
				for path, s := range w.states("shelf", "masters") {
					if s != fixity.Intact {
						t.Errorf("%q is %s, by a listing that didn't end", path, s)
					}
				}
				if k := w.kinds(); len(k) != 0 {
					t.Errorf("findings of a listing that didn't end: %v", k)
				}
				w.sound()

				w.now = w.now.Add(time.Hour)
				w.must(w.auditor().Run(t.Context(), a.ID, fixity.PhaseList))
				if d := cmp.Diff(want, w.kinds()); d != "" {
					t.Errorf("findings in the end (-want +got):\n%s", d)
				}
				if p := w.progress(a); !p.Complete || p.Listed != folders-3 || !known(strays[0]) || !known(strays[1]) {
					t.Errorf("in the end %d files are listed, complete %t: %q", p.Listed, p.Complete, p.Trouble)
				}
				w.sound()
			})
		}
	}
}
