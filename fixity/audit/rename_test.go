package audit_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/pair"
	"firmus/replicas/testing/faulty"
)

func takes(n int) map[string]string {
	files := map[string]string{}
	for i := range n {
		files[fmt.Sprintf("QV-0107/%02d/take-%05d.wav", i%20, i)] = fmt.Sprintf("take %d of side a", i)
	}
	return files
}

// TestFolderRenamed: thousands of files under another first-level folder are told
// from the listing, are one incident, and are then read where they lie.
func TestFolderRenamed(t *testing.T) { onEach(t, testFolderRenamed) }

func testFolderRenamed(t *testing.T) {
	n := 2000
	if strings.Contains(t.Name(), "/postgres") || testing.Short() {
		n = 500 // each finding is some dozen ways to and fro there; with the race detector all is ten times slower
	}
	files := takes(n)
	files["QV-0001/other.wav"] = "not touched"
	w := newWorldOf(t, files)
	w.must(os.Rename(w.file("shelf", "masters", "QV-0107"), w.file("shelf", "masters", "QV-0107 done")))
	// One of them is another file with the same size, date and name.
	other := "QV-0107/07/take-00007.wav"
	w.put("shelf", "masters", "QV-0107 done/07/take-00007.wav", "TAKE 7 of side a")

	w.now = w.now.Add(day)
	a, err := w.begin(ledger.Audit{Store: "shelf"})
	w.must(err)
	aud, r := w.auditor(), w.at("shelf", "masters")
	w.must(aud.RunPhase(t.Context(), a.ID, fixity.PhaseList))
	w.must(aud.RunPhase(t.Context(), a.ID, fixity.PhaseProve))
	if k := r.Count(faulty.Open); k != 0 {
		t.Errorf("pairing opened %d files", k)
	}
	found := w.findings()
	for path := range files {
		f, ok := found[path]
		if want := path != "QV-0001/other.wav"; ok != want || ok && (f.Kind != fixity.Kind(fixity.Misplaced) || f.FoundAt != strings.Replace(path, "QV-0107", "QV-0107 done", 1)) {
			t.Fatalf("%q: %t, %+v", path, ok, f)
		}
	}
	if len(found) != n {
		t.Errorf("%d findings, want %d", len(found), n)
	}

	w.must(aud.RunPhase(t.Context(), a.ID, fixity.PhaseRead))
	p := w.progress(a)
	if !p.Complete || len(p.Trouble) > 0 {
		t.Errorf("complete %t, %q", p.Complete, p.Trouble)
	}
	found = w.findings()
	incidents := map[int64]int{}
	for path := range files {
		if path == "QV-0001/other.wav" {
			continue
		}
		f := found[path]
		want, reads := fixity.Misplaced, 1
		if path == other {
			want, reads = fixity.Missing, 2
		} else {
			incidents[f.Incident]++
		}
		if f.Kind != fixity.Kind(want) || path != other && !f.Facts.Tells(fixity.BytesRight) {
			t.Fatalf("%q is %s: %v", path, f.Kind, f.Facts.Seen)
		}
		if k := r.wasRead(strings.Replace(path, "QV-0107", "QV-0107 done", 1)); k != reads {
			t.Fatalf("%q was read %d times where it lies", path, k)
		}
	}
	if len(incidents) != 1 || incidents[0] > 0 {
		t.Errorf("incidents %v", incidents)
	}
	if s, err := w.stray("QV-0107 done/07/take-00007.wav"); err != nil || s.File != 0 {
		t.Errorf("what lies in the refuted one's place: %+v, %v", s, err)
	}
	w.sound()

	// The next audit has nothing new to say and needn't read them again.
	opened := r.Count(faulty.Open)
	w.audit(ledger.Audit{Store: "shelf"})
	if k := w.kinds(); len(k) != n || k[other] != fixity.Kind(fixity.Missing) {
		t.Errorf("%d findings then; the refuted one is %s", len(k), k[other])
	}
	if k := r.Count(faulty.Open) - opened; k > 0 {
		t.Errorf("%d were opened again", k)
	}
	// Put back, all is well.
	w.must(os.Rename(w.file("shelf", "masters", "QV-0107 done"), w.file("shelf", "masters", "QV-0107")))
	w.put("shelf", "masters", other, files[other])
	w.audit(ledger.Audit{Store: "shelf"})
	if k := w.kinds(); len(k) > 0 {
		t.Errorf("put back, %d findings are open", len(k))
	}
	w.sound()
}

func (w *world) stray(path string) (s ledger.Stray, err error) {
	w.view(func(tx *ledger.Tx) error {
		s, err = tx.Strays.At("shelf", "masters", path)
		return nil
	})
	return s, err
}

// TestAmbiguous: files that size, date and name don't tell apart are read before
// anything is called missing.
func TestAmbiguous(t *testing.T) { onEach(t, testAmbiguous) }

func testAmbiguous(t *testing.T) {
	files := map[string]string{"QV-0107/a.wav": "side a", "QV-0107/b.wav": "side b", "QV-0107/c.wav": "side c", "QV-0107/d.wav": "side dd"}
	move := func(w *world, from, to string) {
		w.must(os.MkdirAll(w.file("shelf", "masters", "sorted"), 0o777))
		w.must(os.Rename(w.file("shelf", "masters", from), w.file("shelf", "masters", to)))
	}
	for name, c := range map[string]struct {
		change func(w *world)
		fault  faulty.Fault
		want   map[string]fixity.Kind
		at     map[string]string
		reads  map[string]int
	}{
		"two renamed across": {
			func(w *world) {
				move(w, "QV-0107/a.wav", "sorted/2.wav")
				move(w, "QV-0107/b.wav", "sorted/1.wav")
			}, nil,
			of(fixity.Kind(fixity.Misplaced), "QV-0107/a.wav", "QV-0107/b.wav"),
			map[string]string{"QV-0107/a.wav": "sorted/2.wav", "QV-0107/b.wav": "sorted/1.wav"},
			map[string]int{"sorted/1.wav": 1, "sorted/2.wav": 1},
		},
		"one renamed, another of its size arrived": {
			func(w *world) {
				move(w, "QV-0107/a.wav", "sorted/2.wav")
				w.put("shelf", "masters", "sorted/1.wav", "side z")
			}, nil,
			of(fixity.Kind(fixity.Misplaced), "QV-0107/a.wav"),
			map[string]string{"QV-0107/a.wav": "sorted/2.wav"},
			map[string]int{"sorted/1.wav": 2, "sorted/2.wav": 1},
		},
		"one gone, another of its size arrived at another time": {
			func(w *world) {
				w.must(os.Remove(w.file("shelf", "masters", "QV-0107/a.wav")))
				w.put("shelf", "masters", "sorted/1.wav", "side z")
				at := begun.Add(-day)
				w.must(os.Chtimes(w.file("shelf", "masters", "sorted/1.wav"), at, at))
			}, nil,
			of(fixity.Kind(fixity.Missing), "QV-0107/a.wav"), nil,
			map[string]int{"sorted/1.wav": 2},
		},
		"renamed, and the first reading is wrong": {
			func(w *world) {
				move(w, "QV-0107/a.wav", "sorted/1.wav")
				at := begun.Add(-day)
				w.must(os.Chtimes(w.file("shelf", "masters", "sorted/1.wav"), at, at))
			}, faulty.FlipOnce("sorted/1.wav", 0, 1, 0),
			map[string]fixity.Kind{}, nil, // nothing is claimed: the audit is incomplete
			map[string]int{"sorted/1.wav": 3},
		},
		"the clock of the medium shifted by an hour": {
			func(w *world) {
				move(w, "QV-0107/d.wav", "sorted/d.wav")
				for path := range files {
					if path == "QV-0107/d.wav" {
						path = "sorted/d.wav"
					}
					at := begun.Add(-7*day + 3600e9)
					w.must(os.Chtimes(w.file("shelf", "masters", path), at, at))
				}
			}, nil,
			of(fixity.Kind(fixity.Misplaced), "QV-0107/d.wav"),
			map[string]string{"QV-0107/d.wav": "sorted/d.wav"},
			map[string]int{"sorted/d.wav": 1, "QV-0107/a.wav": 1},
		},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorldOf(t, files)
			c.change(w)
			r := w.at("shelf", "masters")
			if c.fault != nil {
				r.Set(c.fault)
			}
			_, p := w.audit(ledger.Audit{Store: "shelf"})
			if d := cmp.Diff(c.want, w.kinds()); d != "" {
				t.Errorf("findings (-want +got):\n%s", d)
			}
			for path, at := range c.at {
				if f := w.findings()[path]; f.FoundAt != at {
					t.Errorf("%q is said to lie at %q, not %q", path, f.FoundAt, at)
				}
			}
			for path, n := range c.reads {
				if k := r.wasRead(path); k != n {
					t.Errorf("%q was read %d times, want %d", path, k, n)
				}
			}
			if p.Complete != (c.fault == nil) {
				t.Errorf("complete %t: %q", p.Complete, p.Trouble)
			}
			w.sound()
		})
	}
}

// TestOneFlakyProof: a file found by size, date and name isn't refuted by one
// wrong reading.
func TestOneFlakyProof(t *testing.T) { onEach(t, testOneFlakyProof) }

func testOneFlakyProof(t *testing.T) {
	w := newWorldOf(t, map[string]string{one: "side a"})
	w.must(os.Rename(w.file("shelf", "masters", "QV-0107"), w.file("shelf", "masters", "moved")))
	r := w.at("shelf", "masters")
	r.Set(faulty.FlipOnce("moved/side-a.wav", 0, 1, 0))
	_, p := w.audit(ledger.Audit{Store: "shelf"})
	if f := w.findings()[one]; f.Kind != fixity.Kind(fixity.Misplaced) || !f.Facts.Tells(fixity.SaidRight, fixity.LooksRight) || p.Complete {
		t.Errorf("%s: %v; complete %t", f.Kind, f.Facts.Seen, p.Complete)
	}
	_, p = w.audit(ledger.Audit{Store: "shelf"})
	if f := w.findings()[one]; f.Kind != fixity.Kind(fixity.Misplaced) || !f.Facts.Tells(fixity.BytesRight) || !p.Complete {
		t.Errorf("then %s: %v; complete %t", f.Kind, f.Facts.Seen, p.Complete)
	}
}

func BenchmarkPairing(b *testing.B) {
	for _, n := range []int{5000, 50_000} {
		var gone []pair.Gone
		var came []pair.Came
		for i := range n {
			gone = append(gone, pair.Gone{File: int64(i + 1), Path: fmt.Sprintf("QV-0107/%02d/take-%05d.wav", i%20, i), Size: int64(i / 10), ModTime: 1 + int64(i/10), Digest: fmt.Sprint("d", i)})
			came = append(came, pair.Came{Path: fmt.Sprintf("QV-0107 done/%02d/take-%05d.wav", i%20, i), Size: int64(i / 10), ModTime: 1 + int64(i/10)})
		}
		slices.Reverse(came)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				if r := pair.Match(gone, came); len(r.Pairs) != n {
					b.Fatalf("%d pairs", len(r.Pairs))
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/file")
		})
	}
}

// BenchmarkConclude is what a renamed folder of 5,000 files costs from its listing
// to the end of pairing, with all findings written.
func BenchmarkConclude(b *testing.B) {
	for b.Loop() {
		b.StopTimer()
		w := newWorldOf(b, takes(5000))
		w.must(os.Rename(w.file("shelf", "masters", "QV-0107"), w.file("shelf", "masters", "moved")))
		a, err := w.begin(ledger.Audit{Store: "shelf"})
		w.must(err)
		aud := w.auditor()
		b.StartTimer()
		w.must(aud.RunPhase(b.Context(), a.ID, fixity.PhaseList))
		b.ReportMetric(b.Elapsed().Seconds(), "list-s")
		w.must(aud.RunPhase(b.Context(), a.ID, fixity.PhaseProve))
	}
}
