package checking_test

import (
	"bytes"
	"io"
	"testing"

	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/fixity"
	"firmus/fixity/digest"
)

// counted counts the bytes that are read.
type counted struct {
	io.ReaderAt
	n int64
}

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	n, err := c.ReaderAt.ReadAt(p, off)
	c.n += int64(n)
	return n, err
}

// TestASourceIsNeverTrustedUnread: whatever of a source a comparison asks for, all of it
// is held against its version, and what was asked for in order is read once.
func TestASourceIsNeverTrustedUnread(t *testing.T) {
	const size = 5 << 20
	good := bytes.Repeat([]byte("a voice at some distance, "), size/26+1)[:size]
	sums, err := digest.Read(t.Context(), bytes.NewReader(good), fixity.BLAKE3)
	if err != nil {
		t.Fatal(err)
	}
	want, _ := sums.Get(fixity.BLAKE3)
	bad := bytes.Clone(good)
	bad[size-1] ^= 1
	inOrder := func(r io.ReaderAt) {
		b := make([]byte, 100_000)
		for at := int64(44); at < size; at += int64(len(b)) { // as a header is passed over
			_, _ = r.ReadAt(b[:min(int64(len(b)), size-at)], at)
		}
	}
	for _, tc := range []struct {
		name  string
		bytes []byte
		ask   func(io.ReaderAt)
		right bool
		most  int64 // bytes read
	}{
		{"nothing is asked for", good, func(io.ReaderAt) {}, true, size},
		{"all is asked for in order", good, inOrder, true, size},
		{"places, and then all", good, func(r io.ReaderAt) {
			b := make([]byte, 1000)
			for at := int64(3 << 20); at > 0; at -= 700_000 {
				_, _ = r.ReadAt(b, at)
			}
			inOrder(r)
		}, true, size + 5000 + 1<<20},
		{"the last byte is another, and nobody asked for it", bad, func(r io.ReaderAt) { _, _ = r.ReadAt(make([]byte, 100), 0) }, false, size},
		{"it is shorter", good[:size-1], inOrder, false, size},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := &counted{ReaderAt: bytes.NewReader(tc.bytes)}
			d, err := checking.NewDigested(r, int64(len(tc.bytes)), want)
			if err != nil {
				t.Fatal(err)
			}
			tc.ask(d)
			right, err := d.Right(t.Context())
			if err != nil || right != tc.right || r.n > tc.most {
				t.Errorf("right %v, %v; %d bytes were read, at most %d are needed", right, err, r.n, tc.most)
			}
		})
	}
}
