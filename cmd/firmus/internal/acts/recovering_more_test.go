package acts_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
	"firmus/manifest"
	"firmus/testdata"
)

// tree is every recording below a folder.
func (w *world) tree(p string) (out []string) {
	w.Helper()
	w.must(filepath.WalkDir(w.at(p), func(at string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if strings.HasPrefix(d.Name(), ".firmus") {
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if _, _, list := manifest.ParseName(d.Name()); !d.IsDir() && !list {
			rel, err := filepath.Rel(w.at(p), at)
			out = append(out, filepath.ToSlash(rel))
			return err
		}
		return nil
	}))
	slices.Sort(out)
	return out
}

// reorganised is how many files TestRecoverAReorganisation moves; FIRMUS_REORGANISED says
// another number.
const reorganised = 100

// Many files that somebody has moved in one store are moved back by one order. If the
// reorganisation was wanted, the other store follows by one order, and goes back by one
// once it is undone. No file's bytes are copied, and nothing else appears.
func TestRecoverAReorganisation(t *testing.T) {
	n := reorganised
	if testing.Short() {
		n = 30
	}
	if s := os.Getenv("FIRMUS_REORGANISED"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	test := func(w *world) {
		var was, is []string
		for i := range n {
			was = append(was, fmt.Sprintf("QV-%04d/QV-%04d_A.wav", i/5, i))
			is = append(is, fmt.Sprintf("by-singer/%02d/QV-%04d_A.wav", i%17, i))
			w.put("masters/"+was[i], testdata.Wave(was[i], 3_000), "studio", "vault")
		}
		move := func(store string, from, to []string) {
			t.Helper()
			for i := range from {
				at := w.at(store + "/masters/" + to[i])
				w.must(os.MkdirAll(filepath.Dir(at), 0o755))
				w.must(os.Rename(w.at(store+"/masters/"+from[i]), at))
			}
		}
		holds := func(store string, paths []string) {
			t.Helper()
			sorted := slices.Sorted(slices.Values(paths))
			if got := w.tree(store + "/masters"); !slices.Equal(got, sorted) {
				t.Fatalf("%s holds %d files, want %d: %.5q", store, len(got), len(sorted), got)
			}
			for i, p := range paths {
				if !bytes.Equal(w.bytesAt(store+"/masters/"+p), testdata.Wave(was[i], 3_000)) {
					t.Fatalf("%s in %s doesn't hold the version", p, store)
				}
			}
		}
		putBack := func(what string) {
			t.Helper()
			began, told := time.Now(), [2]int{}
			res, err := w.app.Recovering.Recover(w.Context(), recovering.Order{Store: "vault", Reason: what, Done: func(done, of int) {
				if done != told[0]+1 || of != n {
					t.Errorf("%d of %d files after %v", done, of, told)
				}
				told = [2]int{done, of}
			}})
			w.must(err)
			if got, _ := res.Count(recovering.PutBack); got != n || len(res.Items) != n || told[0] != n || res.Bytes != 0 {
				t.Fatalf("%s: %d of %d put back, %v told, %d bytes copied: %.3v", what, got, len(res.Items), told, res.Bytes, res.Items)
			}
			t.Logf("%s: %d files in %s", what, n, time.Since(began).Round(time.Millisecond))
			w.now = w.now.Add(24 * time.Hour)
			w.want(what+", open", w.audit(fixity.Bypassed))
		}
		signOff := func() {
			t.Helper()
			w.audit(fixity.Bypassed, "studio")
			var ids []int64
			for _, f := range w.open("studio") {
				ids = append(ids, f.ID)
			}
			_, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: ids, Files: int64(n), Reason: "it is sorted so now"})
			w.must(err)
			w.now = w.now.Add(24 * time.Hour)
			w.audit(fixity.Bypassed, "vault")
		}
		w.now = w.now.Add(24 * time.Hour)
		_, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
		w.must(err)
		w.audit(fixity.Bypassed)
		w.now = w.now.AddDate(0, 1, 0)

		move("vault", was, is)
		w.audit(fixity.Bypassed, "vault")
		putBack("by mistake")
		holds("vault", was)

		move("studio", was, is)
		signOff()
		putBack("on purpose")
		holds("vault", is)

		move("studio", is, was)
		signOff()
		putBack("undone")
		holds("vault", was)
		holds("studio", was)
	}
	if n > reorganised {
		inWorld(t, ledgertest.Here(t, t.TempDir()), test)
		return
	}
	onEach(t, test)
}

// A file or a folder that lies in a store in another Unicode form or case is put right where
// it lies, under the name that it has there: no second file or folder appears.
func TestRecoverOtherForms(t *testing.T) {
	const composed, apart = "L\u00e4ndler", "La\u0308ndler"
	for _, c := range []struct {
		name, studio, vault string
		do                  func(w *world, at string)
	}{
		{"damaged, form", "masters/" + composed + "/" + composed + "_A.wav", "masters/" + apart + "/" + apart + "_A.wav", func(w *world, at string) { w.damage(at, 1000) }},
		{"gone, form", "masters/" + composed + "/" + composed + "_A.wav", "masters/" + apart + "/" + apart + "_A.wav", func(w *world, at string) { w.must(os.Remove(w.at(at))) }},
		{"gone, form of the folder alone", "masters/" + composed + "/QV-0107_A.wav", "masters/" + apart + "/QV-0107_A.wav", func(w *world, at string) { w.must(os.Remove(w.at(at))) }},
		{"damaged, case", "masters/QV-0107/QV-0107_A.wav", "masters/qv-0107/QV-0107_a.WAV", func(w *world, at string) { w.damage(at, 1000) }},
		{"gone, case", "masters/QV-0107/QV-0107_A.wav", "masters/qv-0107/QV-0107_a.WAV", func(w *world, at string) { w.must(os.Remove(w.at(at))) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			onEach(t, func(w *world) {
				beside := filepath.Dir(c.vault) + "/QV-0108_A.wav" // the folder stays
				w.put(c.studio, wave("x"), "studio")
				w.put(c.vault, wave("x"), "vault")
				w.put(filepath.Dir(c.studio)+"/QV-0108_A.wav", wave("y"), "studio")
				w.put(beside, wave("y"), "vault")
				w.now = w.now.Add(24 * time.Hour)
				_, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
				w.must(err)
				w.want("at first", w.audit(fixity.Bypassed))
				before := w.tree("vault")
				w.now = w.now.AddDate(0, 1, 0)
				c.do(w, "vault/"+c.vault)
				w.audit(fixity.Bypassed, "vault")
				_, res := w.recover(recovering.Order{Store: "vault"})
				if len(res.Items) != 1 || res.Items[0].State != recovering.PutBack {
					t.Fatalf("%+v", res.Items)
				}
				w.want("what lies there", w.tree("vault"), before...)
				if !bytes.Equal(w.bytesAt("vault/"+c.vault), wave("x")) {
					t.Error("its place doesn't hold the version")
				}
				w.want("open", w.audit(fixity.Bypassed))
			})
		})
	}
}

// A file that a store never held comes into the folder that lies there in another Unicode
// form: none appears beside it that looks the same.
func TestRecoverIntoAFolderOfAnotherForm(t *testing.T) {
	const composed, apart = "masters/L\u00e4ndler", "masters/La\u0308ndler"
	onEach(t, func(w *world) {
		w.put(composed+"/QV-0107_A.wav", wave("x"), "studio")
		w.put(apart+"/QV-0107_A.wav", wave("x"), "vault")
		w.put(composed+"/QV-0107_B.wav", wave("y"), "studio")
		w.now = w.now.Add(24 * time.Hour)
		_, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
		w.must(err)
		w.now = w.now.AddDate(0, 1, 0)
		w.audit(fixity.Bypassed)
		got, _ := w.recover(recovering.Order{Store: "vault"})
		w.want("recovered", got, "vault L\u00e4ndler/QV-0107_B.wav: put-back")
		w.want("what lies there", w.tree("vault"), apart+"/QV-0107_A.wav", apart+"/QV-0107_B.wav")
		w.want("open", w.audit(fixity.Bypassed))
	})
}

// A store that goes away half-way through an order, the one that is written to or the one
// that gives, is told of each file that is left; nothing is half, and the same order ends
// it once the store is there again.
func TestRecoverStoreGoesAway(t *testing.T) {
	for _, goes := range []string{"vault", "studio"} {
		t.Run(goes, func(t *testing.T) {
			onEach(t, func(w *world) {
				var paths []string
				for i := range 6 {
					paths = append(paths, fmt.Sprintf("masters/QV-%04d/QV-%04d_A.wav", i/2, i))
				}
				w.held(append(paths, songFile)...)
				for i, p := range paths {
					if i%2 == 0 {
						w.damage("vault/"+p, 1000)
					} else {
						w.must(os.Remove(w.at("vault/" + p)))
					}
				}
				w.audit(fixity.Bypassed, "vault")
				done := 0
				w.rig("vault", func(r stores.Root) stores.Root {
					return rigged{Root: r, after: func() {
						if done++; done == 2 {
							w.must(os.Rename(w.at(goes), w.at("unplugged")))
						}
					}}
				})
				got, res := w.recover(recovering.Order{Store: "vault"})
				left := 0
				for _, x := range res.Items {
					switch x.State {
					case recovering.NotDone:
						if left++; !strings.HasPrefix(x.Why, goes+" went away meanwhile") {
							t.Errorf("%s: %q", x.Path, x.Why)
						}
					case recovering.PutBack, recovering.Unread:
					default:
						t.Errorf("%+v", x)
					}
				}
				if left < 4 {
					t.Fatalf("%q", got)
				}
				t.Logf("%s", res.Items[len(res.Items)-1].Why)
				w.must(os.Rename(w.at("unplugged"), w.at(goes)))
				w.rig("vault", func(r stores.Root) stores.Root { return r.(rigged).Root })
				_, res = w.recover(recovering.Order{Store: "vault"})
				if n, _ := res.Count(recovering.PutBack); n != len(res.Items) || n < 4 {
					t.Fatalf("again: %+v", res.Items)
				}
				w.want("what lies there", w.tree("vault"), w.tree("studio")...)
				for _, p := range paths {
					if !bytes.Equal(w.bytesAt("studio/"+p), w.bytesAt("vault/"+p)) {
						t.Errorf("%s isn't the same in both", p)
					}
				}
				kept, err := w.app.Recovering.Kept(w.Context(), "vault")
				if w.must(err); len(kept) != 3 {
					t.Errorf("kept: %+v", kept)
				}
				w.want("open", w.audit(fixity.Bypassed))
			})
		})
	}
}

// box is a shelf of one disc, which gives all of a file but what it lacks.
type box struct {
	archive.Carriers
	name  string
	holds map[int64]int64
	give  func(file int64) []byte
	lacks []fixity.Range
}

func (b box) Named(context.Context, string) (string, map[int64]int64, error) {
	return b.name, b.holds, nil
}

func (b box) Gather(_ context.Context, _ archive.Carrier, files []int64, into func(int64) (io.WriterAt, error)) ([]archive.Gathered, error) {
	out := make([]archive.Gathered, len(files))
	for i, f := range files {
		w, err := into(f)
		if err != nil {
			return nil, err
		}
		if _, err := w.WriteAt(b.give(f), 0); err != nil {
			return nil, err
		}
		out[i] = archive.Gathered{Found: true, Lacks: b.lacks}
	}
	return out, nil
}

// What one disc gave is told as recovered from it, also if a kill fell between its place and
// its record: it was joined with nothing.
func TestRecoverFromADiscGoesOnAfterAKill(t *testing.T) {
	for _, kill := range []bool{false, true} {
		t.Run(fmt.Sprintf("killed %t", kill), func(t *testing.T) {
			onEach(t, func(w *world) {
				w.held(sideOne, sideTwo)
				good := w.bytesAt("vault/" + sideOne)
				f := w.file("masters", strings.TrimPrefix(sideOne, "masters/"))
				for _, s := range []string{"studio", "vault"} {
					w.must(os.Remove(w.at(s + "/" + sideOne)))
				}
				w.audit(fixity.Bypassed)
				id := w.open("vault")[0].ID
				w.app.Acts.Carriers = box{Carriers: w.app.Acts.Carriers, name: "QD-0031 A", holds: map[int64]int64{f.ID: f.Version}, give: func(int64) []byte { return good }}
				o := recovering.Order{Findings: []int64{id}, From: "QD-0031 A"}
				if kill {
					dead := false
					w.rig("vault", func(r stores.Root) stores.Root { return rigged{Root: r, after: func() { dead = true }, dead: &dead} })
					if _, err := w.app.Recovering.Recover(w.Context(), o); err == nil {
						t.Fatal("not killed")
					}
					w.rig("vault", func(r stores.Root) stores.Root { return r.(rigged).Root })
				}
				got, res := w.recover(o)
				w.want("recovered", got, "vault QV-0107/QV-0107_A.wav: put-back")
				if res.Items[0].From.Store != "QD-0031 A" {
					t.Errorf("from %+v", res.Items[0].From)
				}
				w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
					f, err := t.Findings.Get(id)
					if got := report.PutBack(f); got != "recovered from QD-0031 A and read there" {
						w.Errorf("told as %q", got)
					}
					return err
				}))
			})
		})
	}
}

// A plan says how long it takes by how fast its stores were read lately: a donor is read
// once, the place twice. What isn't known isn't guessed.
func TestRecoverTakes(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne, sideTwo)
		w.damage("vault/"+sideOne, 1000)
		w.must(os.Rename(w.at("vault/"+sideTwo), w.at("vault/masters/x.wav")))
		w.audit(fixity.Bypassed, "vault")
		plan := func() recovering.Result {
			_, res := w.recover(recovering.Order{Store: "vault", DryRun: true})
			return res
		}
		pace := func(store string, bytes int64) {
			w.must(w.app.Ledger.Tx(w.Context(), w.now, func(t *ledger.Tx) error { return t.Clock.AddPace(store, bytes, time.Second) }))
		}
		if res := plan(); res.Takes != 0 || len(res.Items) != 2 {
			t.Errorf("no pace is known: %s, %+v", res.Takes, res.Items)
		}
		pace("vault", 1000)
		if res := plan(); res.Takes != 0 {
			t.Errorf("one pace is known: %s", res.Takes)
		}
		pace("studio", 500)
		// 50,000 bytes: twice at 1,000 a second, once at 500 a second; a rename takes no time.
		if res := plan(); res.Takes != 200*time.Second || res.Bytes != 50_000 {
			t.Errorf("%s for %d bytes", res.Takes, res.Bytes)
		}
	})
}

// Without room in the state folder no disc is read and no drill is begun: that says nothing
// of the copies, so none is doubted.
func TestRecoverNoRoomInState(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne, sideTwo)
		f := w.file("masters", strings.TrimPrefix(sideOne, "masters/"))
		for _, s := range []string{"studio", "vault"} {
			w.must(os.Remove(w.at(s + "/" + sideOne)))
		}
		w.audit(fixity.Bypassed)
		before := w.findings()
		w.app.Acts.Carriers = box{Carriers: w.app.Acts.Carriers, name: "QD-0031 A", holds: map[int64]int64{f.ID: f.Version}, give: func(int64) []byte {
			t.Error("the disc was read")
			return nil
		}}
		w.app.Acts.Free = func(dir string) int64 {
			if dir != w.app.Ledger.State() {
				t.Errorf("asked of %s", dir)
			}
			return 1 << 20
		}
		const why = "there is no room in the state folder"
		if _, err := w.app.Recovering.Recover(w.Context(), recovering.Order{Store: "vault", From: "QD-0031 A"}); !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), why) {
			t.Errorf("from a disc: %v", err)
		}
		if ds, err := w.app.Recovering.Drill(w.Context(), 10); err == nil || !strings.Contains(err.Error(), why) || len(ds) != 0 {
			t.Errorf("drill: %+v, %v", ds, err)
		}
		w.want("open", w.findings(), before...)
	})
}
