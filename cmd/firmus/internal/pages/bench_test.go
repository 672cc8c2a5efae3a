package pages_test

import (
	"fmt"
	"net/http"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// BenchmarkPages gives the median time of each page where FIRMUS_PAGES_FILES files are
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
	item := ledgertest.PathIn(files / 2)[:8]
	for _, path := range []string{"/", "/findings", "/findings/" + fmt.Sprint(open[len(open)/2].ID), "/reels", "/reels/" + item, "/discs", "/work", "/stores", "/stores/vault", "/record", "/record/levels", "/print/year", "/health", "/search?q=" + item, "/search?q=take-00"} {
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
		})
	}
}

// BenchmarkReadersBesideAnAudit audits 200 recordings in full, alone and beside fifty
// people who look at pages, a page every two seconds each.
func BenchmarkReadersBesideAnAudit(b *testing.B) {
	w := newWorld(b, worldConfig)
	for i := range 200 {
		w.put(fmt.Sprintf("masters/QV-%04d/a.wav", i), fmt.Sprint(i), "studio", "vault")
	}
	w.intake()
	in := w.entered()
	for _, readers := range []int{0, 50, 0, 50} {
		b.Run(fmt.Sprintf("readers=%d", readers), func(b *testing.B) {
			end := make(chan struct{})
			var wg sync.WaitGroup
			for i := range readers {
				wg.Go(func() {
					for k := i; ; k++ {
						select {
						case <-end:
							return
						case <-time.After(2 * time.Second * time.Duration(1+i%3) / 2):
						}
						if r := in.get([]string{"/", "/findings", "/stores", "/reels"}[k%4]); r.code != http.StatusOK {
							b.Errorf("%d", r.code)
						}
					}
				})
			}
			for b.Loop() {
				if _, err := w.app.Acts.Audit(b.Context(), acts.AuditOrder{Full: true}); err != nil {
					b.Fatal(err)
				}
			}
			close(end)
			wg.Wait()
		})
	}
}
