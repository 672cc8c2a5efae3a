package acts_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
	"firmus/testdata"
)

// recover orders it, and gives for each item "store path: state".
func (w *world) recover(o recovering.Order) (out []string, res recovering.Result) {
	w.Helper()
	res, err := w.app.Recovering.Recover(w.Context(), o)
	w.must(err)
	for _, x := range res.Items {
		out = append(out, fmt.Sprintf("%s %s: %s", x.Store, x.Path, x.State))
	}
	return out, res
}

func (w *world) bytesAt(p string) []byte {
	w.Helper()
	b, err := os.ReadFile(w.at(p))
	w.must(err)
	return b
}

func (w *world) want(what string, got []string, want ...string) {
	w.Helper()
	if fmt.Sprint(got) != fmt.Sprint(want) {
		w.Errorf("%s: %q, want %q", what, got, want)
	}
}

// damage turns one bit of a file, and keeps its time.
func (w *world) damage(p string, at int) {
	w.Helper()
	fi, err := os.Stat(w.at(p))
	w.must(err)
	b := w.bytesAt(p)
	b[at] ^= 4
	w.must(os.WriteFile(w.at(p), b, 0o644))
	w.must(os.Chtimes(w.at(p), fi.ModTime(), fi.ModTime()))
}

const (
	sideOne  = "masters/QV-0107/QV-0107_A.wav"
	sideTwo  = "masters/QV-0107/QV-0107_B.wav"
	songFile = "access/QV-0107/QV-0107_A_01.wav"
)

// Each kind of finding that bytes can put right is put right, by number or for a whole
// store, and each place then holds the version, with the version's time.
func TestRecoverEachKind(t *testing.T) {
	version := testdata.Wave(sideOne, 50_000)
	for _, c := range []struct {
		name, store, path string
		do                func(w *world)
		kept              bool
		way               repair.Way
	}{
		{"altered in arrivals", "studio", sideOne, func(w *world) { w.damage("studio/"+sideOne, 40_000) }, true, repair.Replace},
		{"altered elsewhere", "vault", sideOne, func(w *world) { w.damage("vault/"+sideOne, 40_000) }, true, repair.Replace},
		{"cut short", "studio", sideOne, func(w *world) { w.must(os.Truncate(w.at("studio/"+sideOne), 20_000)) }, true, repair.Replace},
		{"emptied", "vault", sideOne, func(w *world) { w.must(os.Truncate(w.at("vault/"+sideOne), 0)) }, true, repair.Replace},
		{"missing", "studio", sideOne, func(w *world) { w.must(os.Remove(w.at("studio/" + sideOne))) }, false, repair.Add},
		{"its folder is missing", "vault", sideOne, func(w *world) { w.must(os.RemoveAll(filepath.Dir(w.at("vault/" + sideOne)))) }, false, repair.Add},
		{"moved", "vault", sideOne, func(w *world) {
			w.must(os.MkdirAll(w.at("vault/masters/elsewhere"), 0o755))
			w.must(os.Rename(w.at("vault/"+sideOne), w.at("vault/masters/elsewhere/x.wav")))
		}, false, repair.MoveBack},
	} {
		for _, whole := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, whole store %t", c.name, whole), func(t *testing.T) {
				onEach(t, func(w *world) {
					w.held(sideOne, songFile, "masters/QV-0108/QV-0108_A.wav")
					before, err := os.Stat(w.at("studio/" + sideOne))
					w.must(err)
					c.do(w)
					w.audit(fixity.Bypassed, c.store)
					o := recovering.Order{Store: c.store, Reason: "as it should be"}
					if fs := w.open(c.store); !whole {
						o = recovering.Order{Findings: []int64{fs[0].ID}}
					}
					w.now = w.now.Add(time.Hour)
					got, res := w.recover(o)
					n := 1
					if strings.Contains(c.name, "folder") {
						n = len(got)
					}
					for _, x := range res.Items[:n] {
						if x.State != recovering.PutBack || x.Way != c.way || x.Kept != "" != c.kept {
							t.Fatalf("%+v", x)
						}
					}
					if !bytes.Equal(w.bytesAt(c.store+"/"+c.path), version) {
						t.Error("its place doesn't hold the version")
					}
					after, err := os.Stat(w.at(c.store + "/" + c.path))
					if w.must(err); !after.ModTime().Equal(before.ModTime()) {
						t.Errorf("its time is %s, the version's %s", after.ModTime(), before.ModTime())
					}
					w.want("open after it", w.findings())
					w.want("open after an audit", w.audit(fixity.Bypassed))
					if got, _ := w.recover(recovering.Order{Store: c.store}); len(got) > 0 {
						t.Errorf("again: %q", got)
					}
				})
			})
		}
	}
}

// A new drive is filled, and one that is behind is brought up to date, in one order.
func TestRecoverBringsAStoreUpToDate(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne, songFile, "masters/QV-0108/QV-0108_A.wav")
		// A re-edit is signed off, a new file comes, a file is renamed.
		w.put(songFile, testdata.Wave("edited", 60_000), "studio")
		w.put(sideTwo, testdata.Wave(sideTwo, 50_000), "studio")
		w.must(os.Rename(w.at("studio/"+sideOne), w.at("studio/masters/QV-0107/QV-0107_side_A.wav")))
		w.audit(fixity.Bypassed, "studio")
		for _, f := range w.open("studio") {
			if f.Kind != fixity.Kind(fixity.Unexpected) {
				_, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{f.ID}, Reason: "on purpose"})
				w.must(err)
			}
		}
		w.now = w.now.Add(24 * time.Hour)
		if _, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{}); err != nil {
			t.Fatal(err)
		}
		w.now = w.now.Add(10 * 24 * time.Hour)
		w.audit(fixity.Bypassed)
		_, res := w.recover(recovering.Order{Store: "vault", DryRun: true})
		add, _ := res.Count(recovering.Planned, repair.Add)
		replace, _ := res.Count(recovering.Planned, repair.Replace)
		move, _ := res.Count(recovering.Planned, repair.MoveBack)
		if add != 1 || replace != 1 || move != 1 {
			t.Fatalf("planned: %d added, %d replaced, %d moved: %+v", add, replace, move, res.Items)
		}
		_, res = w.recover(recovering.Order{Store: "vault"})
		if n, _ := res.Count(recovering.PutBack); n != 3 {
			t.Fatalf("%+v", res.Items)
		}
		// Each is an event of a type that PREMIS has: two copies were made, one file moved back.
		types := map[string]int{}
		w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
			return t.Log.Each(0, 10_000, func(e ledger.Event) error {
				if e.Verb == fixity.Recovered {
					for _, x := range []string{"recovery", "replication"} {
						if bytes.Contains(e.Leaf(), []byte(`"event_type":"`+x+`"`)) {
							types[x]++
						}
					}
				}
				return nil
			})
		}))
		if types["recovery"] != 1 || types["replication"] != 2 {
			t.Errorf("types of events: %v", types)
		}
		if kept, err := filepath.Glob(w.at("vault/access/.firmus-kept/*/QV-0107_A_01.wav.earlier")); err != nil || len(kept) != 1 {
			t.Errorf("the earlier version isn't kept: %q, %v", kept, err)
		}
		for _, p := range []string{songFile, sideTwo, "masters/QV-0107/QV-0107_side_A.wav"} {
			if !bytes.Equal(w.bytesAt("studio/"+p), w.bytesAt("vault/"+p)) {
				t.Errorf("%s isn't the same in both", p)
			}
		}
		w.want("open", w.audit(fixity.Bypassed))
	})
}

// What can't be put right this way is refused with the reason, and nothing is touched.
func TestRecoverRefuses(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne, sideTwo)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		id := w.open("studio")[0].ID
		bad := w.bytesAt("studio/" + sideOne)
		for _, c := range []struct {
			name string
			o    recovering.Order
			err  error
			why  string
		}{
			{"no such finding", recovering.Order{Findings: []int64{99}}, fixity.ErrNotFound, ""},
			{"no such store", recovering.Order{Store: "attic"}, fixity.ErrNotFound, ""},
			{"from no such store", recovering.Order{Findings: []int64{id}, From: "attic"}, fixity.ErrNotFound, ""},
			{"from itself", recovering.Order{Findings: []int64{id}, From: "studio"}, nil, "holds no other copy"},
			{"another was seen", recovering.Order{Findings: []int64{id}, Saw: map[int64]string{id: "other"}}, fixity.ErrChangedMeanwhile, ""},
		} {
			res, err := w.app.Recovering.Recover(w.Context(), c.o)
			if !errors.Is(err, c.err) || c.why != "" && !strings.Contains(res.Items[0].Why, c.why) {
				t.Errorf("%s: %+v, %v", c.name, res.Items, err)
			}
		}
		w.must(os.WriteFile(w.at("studio/"+sideOne), []byte("someone's new file"), 0o644))
		got, _ := w.recover(recovering.Order{Findings: []int64{id}})
		w.want("written meanwhile", got, "studio QV-0107/QV-0107_A.wav: not-done")
		if string(w.bytesAt("studio/"+sideOne)) != "someone's new file" {
			t.Error("what somebody wrote there was replaced")
		}
		w.put(sideOne, bad, "studio")
		w.audit(fixity.Bypassed)
		w.must(os.Rename(w.at("vault"), w.at("gone")))
		got, _ = w.recover(recovering.Order{Findings: []int64{id}})
		w.want("the donor is away", got, "studio QV-0107/QV-0107_A.wav: not-done")
		w.must(os.Rename(w.at("gone"), w.at("vault")))
		if !bytes.Equal(w.bytesAt("studio/"+sideOne), bad) {
			t.Error("it was touched")
		}
		if _, err := os.Stat(w.at("studio/masters/.firmus-kept")); !os.IsNotExist(err) {
			t.Errorf("something is kept: %v", err)
		}
		if _, err := w.app.Deciding.Settle(w.Context(), deciding.SettleOrder{Findings: []int64{id}, Reason: "it stays"}); err != nil {
			t.Fatal(err)
		}
		if _, err := w.app.Recovering.Recover(w.Context(), recovering.Order{Findings: []int64{id}}); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("settled meanwhile: %v", err)
		}
		got, _ = w.recover(recovering.Order{Store: "studio"})
		w.want("what a person lets be", got)
	})
}

// rigged is a root whose donor bytes, room or steps a test sets.
type rigged struct {
	stores.Root
	free  func() int64
	stat  func()
	after func() // the file is in its place
	dead  *bool  // nothing answers any more
}

func (r rigged) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	if r.stat != nil {
		r.stat()
	}
	if r.dead != nil && *r.dead {
		return fixity.Entry{}, errors.New("killed")
	}
	return r.Root.Stat(ctx, path)
}

func (r rigged) mended() stores.Mended { return r.Root.(stores.Mended) }
func (r rigged) Free(ctx context.Context) (int64, error) {
	if r.free != nil {
		return r.free(), nil
	}
	return r.mended().Free(ctx)
}
func (r rigged) Move(ctx context.Context, e fixity.Entry, to string) error {
	err := r.mended().Move(ctx, e, to)
	if r.after != nil && err == nil {
		r.after()
	}
	return err
}
func (r rigged) KeptFiles(ctx context.Context, m []string, passed func()) ([]fixity.Kept, error) {
	return r.mended().KeptFiles(ctx, m, passed)
}
func (r rigged) RemoveKept(ctx context.Context, p string) error { return r.mended().RemoveKept(ctx, p) }
func (r rigged) PutBack(ctx context.Context, p fixity.PuttingBack, write func(io.Writer) error, verify func(fixity.Reader) error) (string, error) {
	kept, err := r.mended().PutBack(ctx, p, write, verify)
	if r.after != nil && err == nil {
		r.after()
	}
	return kept, err
}

func (w *world) rig(store string, with func(stores.Root) stores.Root) {
	root := w.app.Acts.Root
	w.app.Acts.Root = func(s, set string, c fixity.Cache) (stores.Root, error) {
		r, err := root(s, set, c)
		if err == nil && s == store {
			r = with(r)
		}
		return r, err
	}
}

// A donor that rots between its choice and its copy isn't used; the next one is, and the
// rotten one gets a finding of its own.
func TestRecoverDonorRots(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		bad := w.bytesAt("studio/" + sideOne)
		rotten := false
		w.rig("vault", func(r stores.Root) stores.Root {
			return rigged{Root: r, stat: func() {
				if !rotten {
					rotten = true
					w.damage("vault/"+sideOne, 1001) // the same block, so that there is nothing to join
				}
			}}
		})
		got, res := w.recover(recovering.Order{Findings: []int64{w.open("studio")[0].ID}})
		w.want("recovered", got, "studio QV-0107/QV-0107_A.wav: no-donor")
		if !strings.Contains(res.Items[0].Why, "isn't any more") || !bytes.Equal(w.bytesAt("studio/"+sideOne), bad) {
			t.Errorf("%+v", res.Items)
		}
		w.want("open", w.findings(), "studio altered QV-0107/QV-0107_A.wav", "vault altered QV-0107/QV-0107_A.wav")
	})
}

// Without room for it nothing is begun.
func TestRecoverNoRoom(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		w.rig("studio", func(r stores.Root) stores.Root { return rigged{Root: r, free: func() int64 { return 1 << 20 }} })
		got, res := w.recover(recovering.Order{Store: "studio"})
		w.want("recovered", got, "studio QV-0107/QV-0107_A.wav: not-done")
		if !strings.Contains(res.Items[0].Why, "no room") || !strings.Contains(res.Items[0].Why, "and 67.1 MB must stay free") {
			t.Errorf("%+v", res.Items)
		}
	})
}

// Two orders at once put it back once.
func TestRecoverTwice(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		id := w.open("studio")[0].ID
		var wg sync.WaitGroup
		states := make([]recovering.State, 4)
		for i := range states {
			wg.Go(func() {
				res, err := w.app.Recovering.Recover(context.Background(), recovering.Order{Findings: []int64{id}})
				if err == nil {
					if states[i] = res.Items[0].State; states[i] != recovering.PutBack && !strings.HasPrefix(res.Items[0].Why, "it was put right meanwhile") {
						t.Errorf("told: %+v", res.Items)
					}
				} else if !errors.Is(err, fixity.ErrRefused) {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		n := 0
		for _, s := range states {
			if s == recovering.PutBack {
				n++
			}
		}
		kept, err := os.ReadDir(w.at(fmt.Sprintf("studio/masters/.firmus-kept/%d", id)))
		if err != nil || len(kept) != 1 || n != 1 {
			t.Errorf("states %q, kept %v, %v", states, kept, err)
		}
	})
}

// A person who has had enough once the file is in its place finds it recorded, and the
// same order again goes on.
func TestRecoverStopped(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne, sideTwo)
		w.damage("studio/"+sideOne, 1000)
		w.damage("studio/"+sideTwo, 1000)
		w.audit(fixity.Bypassed, "studio")
		ctx, cancel := context.WithCancel(w.Context())
		w.rig("studio", func(r stores.Root) stores.Root { return rigged{Root: r, after: cancel} })
		_, err := w.app.Recovering.Recover(ctx, recovering.Order{Store: "studio"})
		if !errors.Is(err, context.Canceled) {
			t.Fatalf("%v", err)
		}
		w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
			n := 0
			err := t.Log.Each(0, 10_000, func(e ledger.Event) error {
				if e.Verb == fixity.Recovered {
					n++
				}
				return nil
			})
			if n != 1 {
				w.Errorf("%d recoveries are in the record", n)
			}
			return err
		}))
		w.rig("studio", func(r stores.Root) stores.Root { return rigged{Root: r} })
		w.recover(recovering.Order{Store: "studio"})
		w.want("open", w.audit(fixity.Bypassed))
	})
}

// A kill after the file is in its place, before that is recorded or before it is read
// there: the same order again ends it, puts nothing there a second time, and keeps no good
// file as a damaged one. The finding says who and why.
func TestRecoverGoesOnAfterAKill(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(w *world)
		kept int
	}{
		{"altered", func(w *world) { w.damage("vault/"+sideOne, 1000) }, 1},
		{"missing", func(w *world) { w.must(os.Remove(w.at("vault/" + sideOne))) }, 0},
		{"moved", func(w *world) { w.must(os.Rename(w.at("vault/"+sideOne), w.at("vault/masters/QV-0107/x.wav"))) }, 0},
	} {
		for _, recorded := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, recorded %t", c.name, recorded), func(t *testing.T) {
				onEach(t, func(w *world) {
					w.held(sideOne, sideTwo)
					good := w.bytesAt("vault/" + sideOne)
					c.do(w)
					w.audit(fixity.Bypassed, "vault")
					ctx, cancel := context.WithCancel(w.Context())
					defer cancel()
					dead := false
					kill := func() { dead = true }
					if recorded {
						kill = cancel
					}
					w.rig("vault", func(r stores.Root) stores.Root { return rigged{Root: r, after: kill, dead: &dead} })
					if _, err := w.app.Recovering.Recover(ctx, recovering.Order{Store: "vault", Reason: "it was damaged"}); err == nil {
						t.Fatal("not killed")
					}
					w.rig("vault", func(r stores.Root) stores.Root { return r.(rigged).Root })
					got, _ := w.recover(recovering.Order{Store: "vault"})
					w.want("again", got, "vault QV-0107/QV-0107_A.wav: put-back")
					if !bytes.Equal(w.bytesAt("vault/"+sideOne), good) {
						t.Error("its place doesn't hold the version")
					}
					kept, err := w.app.Recovering.Kept(w.Context(), "vault")
					if w.must(err); len(kept) != c.kept {
						t.Errorf("kept: %+v", kept)
					}
					w.want("open", w.findings())
					n := 0
					w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
						return t.Log.Each(0, 10_000, func(e ledger.Event) error {
							if e.Verb == fixity.Recovered {
								n++
								if e.Reason != "it was damaged" || c.kept > 0 != bytes.Contains(e.Leaf(), []byte(".firmus-kept/")) {
									w.Errorf("recorded: %s", e.Leaf())
								}
							}
							return nil
						})
					}))
					if n != 1 {
						t.Errorf("%d recoveries are in the record", n)
					}
				})
			})
		}
	}
}

// An intact copy that a program keeps in step with the damaged one is no donor, and no
// file is put into a folder that is kept in step before a person says that the program
// is paused.
func TestRecoverWhereAProgramCopies(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.configured("own_drive = true", "own_drive = true\nfollows = \"studio\"")
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		got, _ := w.recover(recovering.Order{Store: "studio", Paused: true})
		w.want("from a follower", got, "studio QV-0107/QV-0107_A.wav: refused")
		w.put(sideOne, testdata.Wave(sideOne, 50_000), "studio")
		w.audit(fixity.Bypassed)
		w.now = w.now.AddDate(0, 1, 0)
		w.damage("vault/"+sideOne, 1000)
		w.want("vault", w.audit(fixity.Bypassed, "vault"), "vault altered QV-0107/QV-0107_A.wav")
		if _, err := w.app.Recovering.Recover(w.Context(), recovering.Order{Store: "vault"}); !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "Pause it first") {
			t.Errorf("not paused: %v", err)
		}
		got, _ = w.recover(recovering.Order{Store: "vault", Paused: true})
		w.want("paused", got, "vault QV-0107/QV-0107_A.wav: put-back")
	})
}

// What is kept may be removed a month after its finding ended, and not before.
func TestTidy(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		w.recover(recovering.Order{Store: "studio"})
		for _, c := range []struct {
			after   time.Duration
			removed int
		}{{0, 0}, {29 * 24 * time.Hour, 0}, {2 * 24 * time.Hour, 1}, {0, 0}} {
			w.now = w.now.Add(c.after)
			kept, err := w.app.Recovering.Kept(w.Context(), "studio")
			w.must(err)
			gone, err := w.app.Recovering.Tidy(w.Context(), "studio", "a month has gone by", "")
			w.must(err)
			if len(gone) != c.removed || c.removed > len(kept) {
				t.Errorf("after %s more: kept %+v, removed %+v", c.after, kept, gone)
			}
		}
		if _, err := os.Stat(w.at("studio/masters/.firmus-kept/1")); !os.IsNotExist(err) {
			t.Errorf("%v", err)
		}
		w.want("open", w.audit(fixity.Bypassed))
	})
}

// What is kept under the number of a finding of another ledger, which was lost, never goes
// by the finding that has its number now; nor anything while the file has an open finding.
func TestTidyOnlyWhatNobodyNeeds(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		_, res := w.recover(recovering.Order{Store: "studio"})
		folder := filepath.Dir(res.Items[0].Kept)
		w.must(os.WriteFile(filepath.Join(folder, "QV-0042_A.wav.damaged"), []byte("the only one"), 0o644))
		w.now = w.now.Add(31 * 24 * time.Hour)
		w.damage("vault/"+sideOne, 3000)
		w.audit(fixity.Bypassed, "vault")
		tidy := func(want ...string) {
			t.Helper()
			gone, err := w.app.Recovering.Tidy(w.Context(), "studio", "", "")
			w.must(err)
			var names []string
			for _, k := range gone {
				names = append(names, filepath.Base(k.Path))
			}
			w.want("removed", names, want...)
		}
		tidy()
		w.recover(recovering.Order{Store: "vault"})
		tidy("QV-0107_A.wav.damaged")
		w.now = w.now.Add(365 * 24 * time.Hour)
		tidy()
		_, err := os.Stat(filepath.Join(folder, "QV-0042_A.wav.damaged"))
		w.must(err)
	})
}

// Another file that somebody has put where a misplaced one was found stays there.
func TestRecoverMovesOnlyWhatWasFound(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.must(os.Rename(w.at("vault/"+sideOne), w.at("vault/masters/QV-0107/x.wav")))
		w.audit(fixity.Bypassed, "vault")
		w.must(os.Remove(w.at("vault/masters/QV-0107/x.wav")))
		w.must(os.WriteFile(w.at("vault/masters/QV-0107/x.wav"), []byte("somebody's"), 0o644))
		got, _ := w.recover(recovering.Order{Store: "vault"})
		w.want("another file", got, "vault QV-0107/QV-0107_A.wav: not-done")
		if string(w.bytesAt("vault/masters/QV-0107/x.wav")) != "somebody's" {
			t.Error("it was moved")
		}
	})
}

// shut is a root whose files this account may not open.
type shut struct{ stores.Root }

func (shut) Open(context.Context, fixity.Entry, int64) (fixity.Reader, error) {
	return nil, fmt.Errorf("open: %w", fixity.ErrDenied)
}

// A donor that can't be opened is told in plain words, nothing is said to be kept that
// isn't, and of the parts of what nobody could look at nothing is said.
func TestRecoverDonorShut(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		w.rig("vault", func(r stores.Root) stores.Root { return shut{r} })
		got, res := w.recover(recovering.Order{Store: "studio"})
		w.want("shut", got, "studio QV-0107/QV-0107_A.wav: not-done")
		if x := res.Items[0]; x.Kept != "" || strings.Contains(x.Why, "no copy holds") || !strings.Contains(x.Why, "this account has no permission") {
			t.Errorf("%+v", x)
		}
	})
}

// A store whose every file is gone, or which a drive of the same name replaced, is filled
// from another in one order; done twice it does nothing more.
func TestRecoverMany(t *testing.T) {
	onEach(t, func(w *world) {
		const n = 60
		var paths []string
		for i := range n {
			paths = append(paths, fmt.Sprintf("masters/QV-%04d/QV-%04d_A.wav", i/3, i))
		}
		w.held(append(paths, songFile)...)
		for i, p := range paths {
			switch {
			case i%2 == 0:
				w.must(os.Remove(w.at("studio/" + p)))
			case i%3 == 0:
				w.must(os.Truncate(w.at("studio/"+p), 100))
			}
		}
		w.audit(fixity.Bypassed, "studio")
		all := w.open("studio")
		incident := all[0].Incident
		if incident == 0 {
			t.Fatalf("%d findings are no incident", len(all))
		}
		_, res := w.recover(recovering.Order{Incident: incident, Reason: "a program ran over them"})
		if done, _ := res.Count(recovering.PutBack); done != len(res.Items) || done < n/2 {
			t.Fatalf("%d of %d put back", done, len(res.Items))
		}
		w.recover(recovering.Order{Store: "studio"})
		for _, p := range paths {
			if !bytes.Equal(w.bytesAt("studio/"+p), w.bytesAt("vault/"+p)) {
				t.Errorf("%s isn't the same in both", p)
			}
		}
		w.want("open", w.audit(fixity.Bypassed))
	})
}

// configured opens the archive anew with other words in the place of some of its
// configuration.
func (w *world) configured(old, words string) {
	w.Helper()
	text := string(w.bytesAt("firmus.toml"))
	w.must(os.WriteFile(w.at("firmus.toml"), []byte(strings.Replace(text, old, words, 1)), 0o600))
	w.must(w.app.Close())
	cfg, err := config.Load(w.at("firmus.toml"))
	w.must(err)
	w.app, err = app.Open(w.Context(), app.Options{Config: cfg, By: "Ada Wren", Now: func() time.Time { return w.now }})
	w.must(err)
}

// That both copies lie on one drive is said, because one drive that dies takes both.
func TestRecoverSaysOneVolume(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne)
		w.damage("studio/"+sideOne, 1000)
		w.audit(fixity.Bypassed, "studio")
		for _, c := range []struct {
			words string
			one   bool
		}{{"own_drive = true", false}, {"own_drive = false", true}} {
			w.configured("own_drive = true", c.words)
			_, res := w.recover(recovering.Order{Store: "studio", DryRun: true})
			if len(res.Items) != 1 || res.Items[0].OneVolume != c.one {
				t.Errorf("%s: %+v", c.words, res.Items)
			}
		}
	})
}
