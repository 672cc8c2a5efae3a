package digest_test

import (
	"bytes"
	"context"
	"crypto/md5"
	"crypto/sha256"
	"fmt"
	"hash/crc32"
	"io"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"

	"github.com/zeebo/blake3"
)

// plainReader hides the other methods of a bytes.Reader, which would let io.Copy
// skip its buffer.
type plainReader struct{ io.Reader }

// BenchmarkRead compares one pass with what anyone would write: io.Copy into the
// same hashes, one after the other, in buffers of the same length.
func BenchmarkRead(b *testing.B) {
	algs := map[string][]fixity.Algorithm{
		"blake3":            {fixity.BLAKE3},
		"blake3+sha256":     {fixity.BLAKE3, fixity.SHA256},
		"blake3+sha256+md5": {fixity.BLAKE3, fixity.SHA256, fixity.MD5},
	}
	for _, size := range []int{1 << 10, 64 << 20} {
		data := noise(size)
		for _, name := range []string{"blake3", "blake3+sha256", "blake3+sha256+md5"} {
			b.Run(fmt.Sprintf("%s/%d/baseline", name, size), func(b *testing.B) {
				b.SetBytes(int64(size))
				b.ReportAllocs()
				buf := make([]byte, min(size, 1<<20))
				for b.Loop() {
					ws := []io.Writer{crc32.New(crc32.MakeTable(crc32.Castagnoli)), blake3.New(), sha256.New(), md5.New()}
					if _, err := io.CopyBuffer(io.MultiWriter(ws[:1+len(algs[name])]...), plainReader{bytes.NewReader(data)}, buf); err != nil {
						b.Fatal(err)
					}
				}
			})
			b.Run(fmt.Sprintf("%s/%d/read", name, size), func(b *testing.B) {
				b.SetBytes(int64(size))
				b.ReportAllocs()
				for b.Loop() {
					if _, err := digest.Read(context.Background(), plainReader{bytes.NewReader(data)}, algs[name]...); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
