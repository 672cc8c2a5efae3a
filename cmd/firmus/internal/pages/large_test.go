package pages_test

import (
	"net/http"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"firmus/fixity/testing/ledgertest"
)

// A page is given within 50 ms, whatever the ledger holds: its numbers come from tallies,
// its lists page by page. FIRMUS_PAGES_FILES=200000 takes more files.
func TestPagesOfALargeArchive(t *testing.T) {
	files := 4000
	if n, err := strconv.Atoi(os.Getenv("FIRMUS_PAGES_FILES")); err == nil {
		files = n
	}
	w := newWorld(t, worldConfig)
	x := ledgertest.Large{Ledger: w.app.Ledger, Set: "masters", Stores: []string{"studio", "vault"}, Now: w.now()}
	if err := x.Adopt(t.Context(), "disk"); err != nil {
		t.Fatal(err)
	}
	if err := x.Fill(t.Context(), 0, files); err != nil {
		t.Fatal(err)
	}
	if err := x.Read(t.Context(), "vault", w.now(), 40); err != nil {
		t.Fatal(err)
	}
	fs := w.open()
	t.Logf("%d files, %d findings", files, len(fs))
	if len(fs) < files/50 {
		t.Fatalf("only %d findings", len(fs))
	}
	b := w.entered()
	paths := []string{"/", "/findings", "/findings?from=at-risk." + itoa(fs[len(fs)/2].ID), "/findings/" + itoa(fs[len(fs)/2].ID), "/record", "/health", "/stores", "/stores/vault", "/reels", "/discs", "/work"}
	if fs[0].Incident != 0 {
		paths = append(paths, "/incidents/"+itoa(fs[0].Incident))
	}
	var medians []time.Duration
	for _, p := range paths {
		var took []time.Duration
		for range 9 {
			began := time.Now()
			if r := b.get(p); r.code != http.StatusOK {
				t.Fatalf("%s: %d", p, r.code)
			}
			took = append(took, time.Since(began))
		}
		slices.Sort(took)
		medians = append(medians, took[len(took)/2])
		t.Logf("%-40s median %s, worst %s", p, took[len(took)/2].Round(100*time.Microsecond), took[len(took)-1].Round(100*time.Microsecond))
	}
	slices.Sort(medians)
	if m := medians[len(medians)/2]; m > 50*time.Millisecond {
		t.Errorf("the median over the pages is %s", m)
	}
}

// Many at once are answered, or told to come again; nothing breaks.
func TestManyAtOnce(t *testing.T) {
	w, _ := damaged(t)
	b := w.entered()
	b.c.Transport = &http.Transport{MaxConnsPerHost: 0}
	var wg sync.WaitGroup
	var mu sync.Mutex
	codes := map[int]int{}
	for range 400 {
		wg.Go(func() {
			r, err := http.NewRequestWithContext(t.Context(), "GET", w.server.URL+"/findings", nil)
			if err != nil {
				t.Error(err)
				return
			}
			res, err := b.c.Do(r)
			if err != nil {
				t.Error(err)
				return
			}
			res.Body.Close()
			mu.Lock()
			codes[res.StatusCode]++
			mu.Unlock()
		})
	}
	wg.Wait()
	if codes[200] == 0 || codes[200]+codes[503] != 400 {
		t.Errorf("%v", codes)
	}
	if r := b.get("/"); r.code != 200 {
		t.Errorf("afterwards: %d", r.code)
	}
}
