package audit_test

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// BenchmarkSmallFiles is a full audit of many small files, beside reading and
// hashing the same files without a ledger, past the page cache and through it.
func BenchmarkSmallFiles(b *testing.B) {
	const n = 20_000
	w := many(b, n)
	r := w.at("shelf", "masters")
	rate := func(b *testing.B) { b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "files/s") }
	b.Run("audit", func(b *testing.B) {
		for b.Loop() {
			if _, p := w.audit(full("shelf")); p.Read != n {
				b.Fatalf("%d read", p.Read)
			}
		}
		rate(b)
	})
	b.Run("listing", func(b *testing.B) {
		for b.Loop() {
			a, err := w.begin(full("shelf"))
			w.must(err)
			w.must(w.auditor().RunPhase(b.Context(), a.ID, fixity.PhaseList))
		}
		rate(b)
	})
	b.Run("past-cache", func(b *testing.B) {
		for b.Loop() {
			shards, err := r.disk.Shards(b.Context())
			w.must(err)
			for _, s := range shards {
				for e, err := range r.disk.List(b.Context(), s) {
					w.must(err)
					f, err := r.disk.Open(b.Context(), e, 0)
					w.must(err)
					_, err = digest.Read(context.Background(), f, fixity.BLAKE3)
					w.must(err)
					w.must(f.Close())
				}
			}
		}
		rate(b)
	})
	b.Run("plain", func(b *testing.B) {
		for b.Loop() {
			w.must(filepath.WalkDir(r.dir, func(path string, d fs.DirEntry, err error) error {
				if err != nil || d.IsDir() {
					return err
				}
				f, err := os.Open(path)
				if err != nil {
					return err
				}
				defer f.Close()
				_, err = digest.Read(context.Background(), f, fixity.BLAKE3)
				return err
			}))
		}
		rate(b)
	})
}
