package repair_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/fixity/repair"
)

// damaged is a copy with wrong bytes in some blocks and no bytes in others.
type damaged struct {
	b      []byte
	closed map[int64]bool // blocks, and sectors, that the medium won't give
}

// closedSector is the key of a sector of 4 KiB.
func closedSector(off int64) int64 { return -1 - off/4096 }

func (d damaged) open(_ context.Context, off int64) (io.ReadCloser, error) {
	if off > int64(len(d.b)) {
		return nil, io.ErrUnexpectedEOF
	}
	return &stuck{d, off}, nil
}

type stuck struct {
	d   damaged
	off int64
}

func (s *stuck) Close() error { return nil }
func (s *stuck) Read(p []byte) (int, error) {
	if s.off >= int64(len(s.d.b)) {
		return 0, io.EOF
	}
	if s.d.closed[s.off/digest.BlockSize] || s.d.closed[closedSector(s.off)] {
		return 0, fixity.ErrUnreadable
	}
	n := copy(p, s.d.b[s.off:min(int64(len(s.d.b)), (s.off/4096+1)*4096)])
	s.off += int64(n)
	return n, nil
}

func sumsOf(b []byte) (out []uint32) {
	for len(b) > 0 {
		n := min(len(b), digest.BlockSize)
		out = append(out, crc32.Checksum(b[:n], crc32.MakeTable(crc32.Castagnoli)))
		b = b[n:]
	}
	return out
}

// TestMerge holds the joined file against the version for random damage, and says that it
// can't be joined just where some byte is right nowhere.
func TestMerge(t *testing.T) {
	seeds := uint64(300)
	if testing.Short() {
		seeds = 60
	}
	for seed := range seeds {
		r := rand.New(rand.NewPCG(seed, 7))
		version := make([]byte, r.IntN(12*digest.BlockSize))
		for i := range version {
			version[i] = byte(r.Uint32())
		}
		n := (len(version) + digest.BlockSize - 1) / digest.BlockSize
		right := make([]bool, len(version))
		var copies []repair.Part
		for range 1 + r.IntN(4) {
			d := damaged{bytes.Clone(version), map[int64]bool{}}
			for b := range n {
				switch r.IntN(5) {
				case 0:
					for range 1 + r.IntN(2) {
						d.b[b*digest.BlockSize+r.IntN(min(digest.BlockSize, len(version)-b*digest.BlockSize))] ^= 1 << r.IntN(8)
					}
				case 1:
					d.closed[int64(b)] = true
				case 2:
					for range 1 + r.IntN(3) {
						d.closed[closedSector(int64(b)*digest.BlockSize+int64(r.IntN(digest.BlockSize)))] = true
					}
				}
			}
			if cut := r.IntN(4); cut == 0 && n > 0 { // one copy broke off
				d.b = d.b[:r.IntN(len(version))]
			}
			for k, x := range d.b {
				right[k] = right[k] || x == version[k] && !d.closed[int64(k/digest.BlockSize)] && !d.closed[closedSector(int64(k))]
			}
			copies = append(copies, repair.Part{Open: d.open})
		}
		can := !slices.Contains(right, false)
		var out bytes.Buffer
		from, err := repair.Merge(context.Background(), &out, int64(len(version)), sumsOf(version), copies)
		var blocks int64
		for _, f := range from {
			blocks += f
		}
		switch {
		case can && (err != nil || !bytes.Equal(out.Bytes(), version) || blocks < int64(n)):
			t.Errorf("seed %d: %v, %d of %d bytes, %d of %d blocks", seed, err, out.Len(), len(version), blocks, n)
		case !can && !errors.Is(err, repair.ErrNotWhole):
			t.Errorf("seed %d: %v, want that it isn't whole", seed, err)
		}
	}
}

// Parts of which not all is there are joined within a block of 64 KiB, where each says
// where it goes on; and of many places in which two copies differ the right ones are found,
// if each lies in wider damage.
func TestMergeWithinABlock(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	version := make([]byte, 2*digest.BlockSize)
	for i := range version {
		version[i] = byte(r.Uint32())
	}
	odd := func(hole func(int64) bool) repair.Part {
		return repair.Part{
			Open: func(_ context.Context, off int64) (io.ReadCloser, error) {
				return io.NopCloser(readerFunc(func(p []byte) (int, error) {
					if hole(off) {
						return 0, fixity.ErrUnreadable
					}
					n := copy(p, version[off:min(int64(len(version)), off/2352*2352+2352)])
					off += int64(n)
					return n, nil
				})), nil
			},
			Next: func(off int64) int64 { return off/2352*2352 + 2352 },
		}
	}
	var out bytes.Buffer
	even, uneven := odd(func(off int64) bool { return off/2352%2 == 0 }), odd(func(off int64) bool { return off/2352%2 == 1 })
	if from, err := repair.Merge(context.Background(), &out, int64(len(version)), sumsOf(version), []repair.Part{even, uneven}); err != nil || !bytes.Equal(out.Bytes(), version) || fmt.Sprint(from) != "[2 2]" {
		t.Errorf("each other sector: %v, %v", from, err)
	}
	torn := func(from int) repair.Part {
		b := bytes.Clone(version)
		for k := from; k < from+6000; k++ {
			b[k] = byte(k) | 1 // some bytes are right by chance
		}
		return repair.Part{Open: damaged{b, nil}.open}
	}
	out.Reset()
	if from, err := repair.Merge(context.Background(), &out, int64(len(version)), sumsOf(version), []repair.Part{torn(70_000), torn(90_000)}); err != nil || !bytes.Equal(out.Bytes(), version) {
		t.Errorf("6,000 bytes in each: %v, %v", from, err)
	}
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

// A copy with the same wrong block as another gives nothing by being the more.
func TestMergeIsNoVote(t *testing.T) {
	version := bytes.Repeat([]byte("the right bytes "), digest.BlockSize/4)
	wrong := bytes.Clone(version)
	wrong[70_000] ^= 1
	open := func(b []byte) repair.Part { return repair.Part{Open: damaged{b, nil}.open} }
	var out bytes.Buffer
	if _, err := repair.Merge(context.Background(), &out, int64(len(version)), sumsOf(version), []repair.Part{open(wrong), open(wrong), open(wrong), open(version)}); err != nil || !bytes.Equal(out.Bytes(), version) {
		t.Errorf("%v", err)
	}
	if _, err := repair.Merge(context.Background(), io.Discard, int64(len(version)), sumsOf(version), []repair.Part{open(wrong), open(wrong)}); !errors.Is(err, repair.ErrNotWhole) {
		t.Errorf("wrong alike: %v", err)
	}
	if _, err := repair.Merge(context.Background(), io.Discard, int64(len(version)), nil, []repair.Part{open(version)}); !errors.Is(err, repair.ErrNotWhole) {
		t.Errorf("without block sums: %v", err)
	}
	full := fmt.Errorf("no space left")
	if _, err := repair.Merge(context.Background(), failing{full}, int64(len(version)), sumsOf(version), []repair.Part{open(version)}); !errors.Is(err, full) {
		t.Errorf("a full drive: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }
