package pages_test

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
	"firmus/testdata"
)

// BenchmarkPages gives the median and the longest time of each page where FIRMUS_PAGES_FILES files are
// under care, each with two copies, of which one in forty has an open finding.
func BenchmarkPages(b *testing.B) {
	files := 20_000
	if n, err := strconv.Atoi(os.Getenv("FIRMUS_PAGES_FILES")); err == nil {
		files = n
	}
	w := newWorld(b, worldConfig)
	now := time.Now()
	x := ledgertest.Large{Ledger: w.app.Ledger, Set: "masters", Stores: []string{"studio", "vault"}, Now: now.Add(-48 * time.Hour)}
	for _, do := range []func() error{
		func() error { return x.Adopt(b.Context(), "disk") },
		func() error { return x.Fill(b.Context(), 0, files) },
		func() error { return x.Read(b.Context(), "vault", now.Add(-time.Hour), 40) },
	} {
		if err := do(); err != nil {
			b.Fatal(err)
		}
	}
	var open []ledger.Finding
	w.view(func(t *ledger.Tx) (err error) { open, err = t.Findings.Open(""); return err })
	if len(open) < files/50 {
		b.Fatalf("%d findings are open", len(open))
	}
	in := w.entered()
	for in.get("/reels").code == http.StatusServiceUnavailable { // the sides are being counted
		time.Sleep(100 * time.Millisecond)
	}
	item := ledgertest.PathIn(files / 2)[:8]
	for _, path := range []string{"/", "/findings", "/findings/" + fmt.Sprint(open[len(open)/2].ID), "/reels", "/reels/" + item, "/discs", "/work", "/stores", "/stores/vault", "/record", "/record/levels", "/register", "/print/year", "/print/holdings", "/print/reels", "/print/reels/" + item, "/health", "/search?q=" + item, "/search?q=take-00"} {
		b.Run(path, func(b *testing.B) {
			var took []time.Duration
			for b.Loop() {
				began := time.Now()
				if r := in.get(path); r.code != http.StatusOK {
					b.Fatalf("%d", r.code)
				}
				took = append(took, time.Since(began))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "median-ms")
			b.ReportMetric(float64(took[len(took)-1].Microseconds())/1000, "worst-ms")
		})
	}
}

// BenchmarkReadersBesideAnAudit audits 200 recordings of 2 MB in full, by turns alone and
// beside fifty people who look at pages, a page every two seconds each. It gives the medians of
// both and their ratio, so that whatever else the computer does falls on both.
func BenchmarkReadersBesideAnAudit(b *testing.B) {
	w := newWorld(b, worldConfig)
	for i := range 200 {
		wave := testdata.Wave(fmt.Sprint(i), 2_000_000)
		for _, store := range []string{"studio", "vault"} {
			at := filepath.Join(w.dir, store, fmt.Sprintf("masters/QV-%04d/a.wav", i))
			if err := errors.Join(os.MkdirAll(filepath.Dir(at), 0o755), os.WriteFile(at, wave, 0o644)); err != nil {
				b.Fatal(err)
			}
		}
	}
	w.intake()
	in := w.entered()
	audit := func() time.Duration {
		began := time.Now()
		if _, err := w.app.Acts.Audit(b.Context(), acts.AuditOrder{Full: true}); err != nil {
			b.Fatal(err)
		}
		return time.Since(began)
	}
	beside := func() (took time.Duration, pages int) {
		end := make(chan struct{})
		var wg sync.WaitGroup
		var n atomic.Int64
		for i := range 50 {
			wg.Go(func() {
				wait := time.Duration(i) * 40 * time.Millisecond // they don't begin as one
				for k := i; ; k++ {
					select {
					case <-end:
						return
					case <-time.After(wait):
					}
					wait = 2 * time.Second
					if r := in.get([]string{"/", "/findings", "/stores", "/reels"}[k%4]); r.code != http.StatusOK {
						b.Errorf("%d", r.code)
					}
					n.Add(1)
				}
			})
		}
		took = audit()
		close(end)
		wg.Wait()
		return took, int(n.Load())
	}
	audit()
	var alone, with []time.Duration
	var pages int
	for b.Loop() {
		x, n := beside()
		alone, with, pages = append(alone, audit()), append(with, x), pages+n
	}
	median := func(all []time.Duration) float64 {
		slices.Sort(all)
		return all[len(all)/2].Seconds() * 1000
	}
	var total time.Duration
	for _, d := range with {
		total += d
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(median(alone), "alone-ms")
	b.ReportMetric(median(with), "beside-ms")
	b.ReportMetric(median(with)/median(alone), "ratio")
	b.ReportMetric(float64(pages)/total.Seconds(), "pages/s")
}
