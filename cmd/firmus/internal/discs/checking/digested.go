package checking

import (
	"context"
	"io"
	"sync"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// digested gives a copy's bytes at any place, and digests them on the way: the bytes that
// a disc is compared with are those that are held against the version. What is read in
// order is read once. What nobody asked for is read in the end.
type digested struct {
	r    io.ReaderAt
	size int64
	want fixity.Digest

	mu   sync.Mutex
	sum  *digest.Sum
	next int64 // bytes that are digested
	buf  []byte
}

// near is how far ahead of what is digested a read may begin so that the bytes between
// are read at once: a file's header, and the samples that a drive can't reach.
const near = 1 << 20

func newDigested(r io.ReaderAt, size int64, want fixity.Digest) (*digested, error) {
	sum, err := digest.NewSum(want.Algorithm)
	if err != nil {
		return nil, err
	}
	return &digested{r: r, size: size, want: want, sum: sum, buf: make([]byte, near)}, nil
}

// ReadAt reads as the copy does. An error of bytes that nobody asked for is told by
// right, not here.
func (d *digested) ReadAt(p []byte, off int64) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if off > d.next && off-d.next <= near {
		_ = d.upTo(off)
	}
	n, err := d.r.ReadAt(p, off)
	if off <= d.next && off+int64(n) > d.next {
		_, _ = d.sum.Write(p[d.next-off : n]) // never fails
		d.next = off + int64(n)
	}
	return n, err
}

// upTo digests what lies before a place.
func (d *digested) upTo(end int64) error {
	for d.next < end {
		n, err := d.r.ReadAt(d.buf[:min(int64(len(d.buf)), end-d.next)], d.next)
		_, _ = d.sum.Write(d.buf[:n]) // never fails
		d.next += int64(n)
		if n == 0 {
			if err == nil {
				err = io.ErrNoProgress
			}
			return err
		}
	}
	return nil
}

// right reads what is left, and says whether the copy is the version that was wanted.
// It can be asked once.
func (d *digested) right(ctx context.Context) (bool, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for d.next < d.size {
		if err := ctx.Err(); err != nil {
			return false, err
		}
		if err := d.upTo(min(d.size, d.next+64*near)); err != nil {
			return false, err
		}
	}
	got, ok := d.sum.Sums().Get(d.want.Algorithm)
	return ok && got == d.want, nil
}
