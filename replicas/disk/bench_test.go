package disk_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/disk"
)

// BenchmarkRead reads a file for its BLAKE3: as any program would, which the page
// cache answers from the second time on, and by each treatment of the page cache.
func BenchmarkRead(b *testing.B) {
	ctx := context.Background()
	for _, size := range []int{4 << 10, 64 << 20} {
		root := b.TempDir()
		path := filepath.Join(root, "QV-0107", "a.wav")
		f := make([]byte, size)
		for i := range f {
			f[i] = byte(i * 7)
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			b.Fatal(err)
		}
		if err := os.WriteFile(path, f, 0o666); err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("%d/baseline os.Open", size), func(b *testing.B) {
			b.SetBytes(int64(size))
			for b.Loop() {
				f, err := os.Open(path)
				if err != nil {
					b.Fatal(err)
				}
				s, err := digest.Read(ctx, f, fixity.BLAKE3)
				if f.Close(); err != nil || s.Size != int64(size) {
					b.Fatal(s.Size, err)
				}
			}
		})
		for _, c := range []fixity.Cache{fixity.Allowed, fixity.Bypassed, fixity.Dropped} {
			d, err := disk.Open(root, disk.Options{Cache: c})
			if err != nil {
				b.Fatal(err)
			}
			e, err := d.Stat(ctx, "QV-0107/a.wav")
			if err != nil {
				b.Fatal(err)
			}
			b.Run(fmt.Sprintf("%d/%s", size, c), func(b *testing.B) {
				b.SetBytes(int64(size))
				for b.Loop() {
					r, err := d.Open(ctx, e, 0)
					if err != nil {
						b.Fatal(err)
					}
					s, err := digest.Read(ctx, r, fixity.BLAKE3)
					if r.Close(); err != nil || s.Size != int64(size) {
						b.Fatal(s.Size, err)
					}
				}
			})
		}
	}
}
