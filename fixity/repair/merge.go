package repair

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// Opener gives a copy's bytes from an offset on.
type Opener func(ctx context.Context, offset int64) (io.ReadCloser, error)

// Part is a copy of which some can be used.
type Part struct {
	Open Opener
	// Next is where a copy that can't be read at an offset may be read on, behind it; nil: at
	// the next 4 KiB.
	Next func(offset int64) int64
}

// ErrNotWhole: the copies together don't hold every part of the file.
var ErrNotWhole = errors.New("together they don't hold every part of it")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Merge writes a file of size bytes that is joined of the good blocks of several damaged
// copies: of each block the first copy's whose block sum is the version's. Where no copy
// has a block whole, it is joined of their bytes: what one can't read is taken from
// another, and where they differ each is tried. A block sum only proposes: what was
// written must have the version's digest, and whoever calls sees to that. Copies that are
// wrong alike outvote nothing.
//
// from says of how many blocks each copy gave at least some bytes. A copy that can't be
// read at a block is asked again for the next; the error wraps ErrNotWhole, with the first
// bytes that no copy has, if no copy gives a block; else it is that of w, or the cause of
// ctx.
func Merge(ctx context.Context, w io.Writer, size int64, sums []uint32, copies []Part) (from []int64, err error) {
	from = make([]int64, len(copies))
	if n := (size + digest.BlockSize - 1) / digest.BlockSize; int64(len(sums)) != n {
		return from, fmt.Errorf("%d block sums are known of %d blocks: %w", len(sums), n, ErrNotWhole)
	}
	readers := make([]*blocks, len(copies))
	for i, c := range copies {
		readers[i] = &blocks{Part: c}
		defer readers[i].close()
	}
	buf := make([]byte, digest.BlockSize)
	for b, want := range sums {
		off := int64(b) * digest.BlockSize
		block := buf[:min(digest.BlockSize, size-off)]
		found := false
		for i, r := range readers {
			if ctx.Err() != nil {
				return from, context.Cause(ctx)
			}
			if r.read(ctx, block, off) == len(block) && crc32.Checksum(block, castagnoli) == want {
				from[i]++
				found = true
				break
			}
		}
		if !found {
			if err := joinBlock(ctx, block, off, want, readers, from); err != nil {
				return from, err
			}
		}
		if _, err := w.Write(block); err != nil {
			return from, err
		}
	}
	return from, nil
}

// blocks reads a copy block by block, and opens it anew where it can't go on.
type blocks struct {
	Part
	in     io.ReadCloser
	at     int64
	closed bool // it could not be opened at the last place
}

// read reads on from a place, and says how many bytes it got.
func (r *blocks) read(ctx context.Context, p []byte, off int64) int {
	if r.in != nil && r.at != off {
		r.close()
	}
	if r.in == nil {
		in, err := r.Open(ctx, off)
		if r.closed = err != nil; r.closed {
			return 0
		}
		r.in, r.at = in, off
	}
	n, err := io.ReadFull(r.in, p)
	if r.at += int64(n); err != nil {
		r.close()
	}
	return n
}

func (r *blocks) close() {
	if r.in != nil {
		r.in.Close()
		r.in = nil
	}
}

// retryAt is where a copy on a drive is read on: the largest sector that drives have.
const retryAt = 4096

// spans reads what can be read of a block, and says which of its bytes that is.
func (r *blocks) spans(ctx context.Context, p []byte, off int64) (got []bool) {
	got = make([]bool, len(p))
	for at := 0; at < len(p) && ctx.Err() == nil; {
		n := r.read(ctx, p[at:], off+int64(at))
		for i := range n {
			got[at+i] = true
		}
		if r.closed {
			return got
		}
		if at += n; at == len(p) {
			return got
		}
		next := (off + int64(at)/retryAt*retryAt) + retryAt // off is a multiple of it
		if r.Next != nil {
			next = r.Next(off + int64(at))
		}
		at = int(max(next-off, int64(at)+1))
	}
	return got
}

// mostTries bounds how often a block is put together another way.
const mostTries = 4096

// joinBlock puts a block together of the bytes that copies have of it.
func joinBlock(ctx context.Context, block []byte, off int64, want uint32, copies []*blocks, from []int64) error {
	have, got := make([][]byte, len(copies)), make([][]bool, len(copies))
	for i, r := range copies {
		have[i] = make([]byte, len(block))
		got[i] = r.spans(ctx, have[i], off)
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	first := make([]int, len(block)) // of the copies that have a byte
	var differ []int                 // bytes in which they differ
	for k := range block {
		first[k] = -1
		for i := range copies {
			switch {
			case !got[i][k]:
			case first[k] < 0:
				first[k], block[k] = i, have[i][k]
			case have[i][k] != block[k] && (len(differ) == 0 || differ[len(differ)-1] != k):
				differ = append(differ, k)
			}
		}
		if first[k] < 0 {
			end := k + 1
			for end < len(block) && !anyHas(got, end) {
				end++
			}
			return fmt.Errorf("no copy holds bytes %s to %s: %w", fixity.Number(off+int64(k)), fixity.Number(off+int64(end)-1), ErrNotWhole)
		}
	}
	by := slices.Clone(first) // who gives a byte
	// Bytes that differ beside one another are one place, which is right in one of the
	// copies. If there are too many places, wider ones are.
	for gap := 1; gap <= len(block); gap *= 8 {
		places := placesOf(differ, gap)
		tries := 1
		for range places {
			tries = min(tries*len(copies), mostTries+1)
		}
		if tries > mostTries {
			continue
		}
		for try := range tries {
			for p, n := 0, try; p < len(places); p, n = p+1, n/len(copies) {
				c := n % len(copies)
				for k := places[p].from; k < places[p].to; k++ {
					if by[k] = first[k]; got[c][k] {
						by[k] = c
					}
					block[k] = have[by[k]][k]
				}
			}
			if crc32.Checksum(block, castagnoli) != want {
				continue
			}
			gave := make([]bool, len(copies))
			for _, i := range by {
				gave[i] = true
			}
			for i, g := range gave {
				if g {
					from[i]++
				}
			}
			return nil
		}
	}
	return fmt.Errorf("no copy holds bytes %s to %s: %w", fixity.Number(off), fixity.Number(off+int64(len(block))-1), ErrNotWhole)
}

func anyHas(got [][]bool, k int) bool {
	for _, g := range got {
		if g[k] {
			return true
		}
	}
	return false
}

// place is a row of bytes of a block.
type place struct{ from, to int }

// placesOf are bytes joined to places that lie further apart than gap.
func placesOf(bytes []int, gap int) (out []place) {
	for _, k := range bytes {
		if n := len(out); n > 0 && k-out[n-1].to < gap {
			out[n-1].to = k + 1
			continue
		}
		out = append(out, place{k, k + 1})
	}
	return out
}
