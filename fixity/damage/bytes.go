package damage

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/bits"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// FromBytes compares a file as it should be (want, read from an intact copy) with
// a file as it is (got), byte by byte, and gives exact ranges. It holds two
// blocks of 64 KiB and at most fixity.MaxRanges ranges, whatever the sizes.
//
//   - cut-short: got is a beginning of want; also a beginning of want that is
//     not empty and MinZeroed or more zeros behind it.
//   - grown: want is a beginning of got.
//   - zeroed: same size, and every differing byte is zero now and lies in a run
//     of zeros whose differing bytes are MinZeroed or more apart; or got is all zeros.
//   - flipped: same size, and the ranges cover at most half of it, or at most
//     FewBytes bytes differ.
//   - replaced: everything else.
//
// Both readers are read to io.EOF, since a fixity.Reader tells only there that
// the file stayed the same. An error of a reader is returned with "intact copy"
// or "file" before it; a reader that ends before its size or goes on after it is
// fixity.ErrChanged. With any error the Damage is zero: nothing is known then.
func FromBytes(ctx context.Context, want, got io.Reader, wantSize, gotSize int64) (Damage, error) {
	w := side{r: want, name: "intact copy", size: wantSize, buf: make([]byte, digest.BlockSize)}
	g := side{r: got, name: "file", size: gotSize, buf: make([]byte, digest.BlockSize)}
	c := byteComparison{g: gatherer{gap: MergeGap}, allZeros: true, first: -1}
	for at := int64(0); ; at += digest.BlockSize {
		if err := ctx.Err(); err != nil {
			return Damage{}, err
		}
		a, err := w.next()
		if err != nil {
			return Damage{}, err
		}
		b, err := g.next()
		if err != nil {
			return Damage{}, err
		}
		if len(a) == 0 && len(b) == 0 {
			break
		}
		c.block(at, a, b)
	}
	if err := errors.Join(w.end(), g.end()); err != nil {
		return Damage{}, err
	}
	return c.conclude(wantSize, gotSize), nil
}

// Between gives where two pieces of the same length differ, exactly (see MergeGap); at is
// where they lie in their file.
func Between(at int64, want, got []byte) []fixity.Range {
	var out []fixity.Range
	for i := range want {
		if want[i] == got[i] {
			continue
		}
		p := at + int64(i)
		if k := len(out) - 1; k >= 0 && p-(out[k].Offset+out[k].Length) < MergeGap {
			out[k].Length = p + 1 - out[k].Offset
			continue
		}
		out = append(out, fixity.Range{Offset: p, Length: 1})
	}
	return out
}

// side is one of the two files.
type side struct {
	r    io.Reader
	name string
	size int64
	at   int64
	buf  []byte
}

// next is the next block, short or empty at the end.
func (s *side) next() ([]byte, error) {
	n := max(0, min(int64(len(s.buf)), s.size-s.at))
	m, err := io.ReadFull(s.r, s.buf[:n])
	s.at += int64(m)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return nil, fmt.Errorf("%s ends at byte %d of %d: %w", s.name, s.at, s.size, fixity.ErrChanged)
	}
	if err != nil {
		return nil, fmt.Errorf("%s at byte %d: %w", s.name, s.at, err)
	}
	return s.buf[:n], nil
}

// end reads on to io.EOF.
func (s *side) end() error {
	var one [1]byte
	n, err := io.ReadFull(s.r, one[:])
	if n > 0 {
		return fmt.Errorf("%s goes on after byte %d: %w", s.name, s.size, fixity.ErrChanged)
	}
	if err != io.EOF {
		return fmt.Errorf("%s at byte %d: %w", s.name, s.size, err)
	}
	return nil
}

// byteComparison is the state between two blocks.
type byteComparison struct {
	g       gatherer
	first   int64 // first differing byte where both files have one, -1 if there is none
	blocks  int
	n, bits int64 // bytes and bits that differ where both files have a byte

	allZeros bool // got holds nothing but zeros so far

	// Of the run of zeros in got that is open: its first and last byte that differs, and
	// how many do. A run without one isn't noted.
	zFirst, zLast, zBytes int64

	zeroed int64 // differing bytes in runs that count as zeroed
	runs   int   // of such runs
}

func (c *byteComparison) block(at int64, a, b []byte) {
	n := min(len(a), len(b))
	if len(a) != len(b) || !bytes.Equal(a, b) {
		c.blocks++
	}
	if bytes.Equal(a[:n], b[:n]) {
		c.equal(b[:n])
	} else {
		c.differing(at, a[:n], b[:n])
	}
	if len(a) != len(b) { // what only one of them has differs as a whole
		c.g.add(at+int64(n), at+int64(max(len(a), len(b))))
	}
}

var blank [digest.BlockSize]byte

// equal takes bytes of got that don't differ.
func (c *byteComparison) equal(b []byte) {
	if !c.allZeros && c.zBytes == 0 {
		return // there is nothing to end
	}
	if !bytes.Equal(b, blank[:len(b)]) {
		c.allZeros = false
		c.endZeros()
	}
}

func (c *byteComparison) differing(at int64, a, b []byte) {
	for i := range b {
		x := a[i] ^ b[i]
		if b[i] != 0 {
			c.allZeros = false
			c.endZeros()
		}
		if x == 0 {
			continue
		}
		p := at + int64(i)
		if c.first < 0 {
			c.first = p
		}
		c.n++
		c.bits += int64(bits.OnesCount8(x))
		c.g.add(p, p+1)
		if b[i] == 0 {
			if c.zBytes == 0 {
				c.zFirst = p
			}
			c.zLast = p
			c.zBytes++
		}
	}
}

func (c *byteComparison) endZeros() {
	if c.zBytes != 0 && c.zLast-c.zFirst+1 >= MinZeroed {
		c.zeroed += c.zBytes
		c.runs++
	}
	c.zBytes = 0
}

func (c *byteComparison) conclude(wantSize, gotSize int64) Damage {
	openRun := c.zBytes != 0 // got ends in zeros, and differs there
	c.endZeros()
	c.g.close()
	grown := gotSize - wantSize
	d := Damage{
		Ranges: c.g.ranges, More: c.g.more, Blocks: c.blocks,
		Bytes: c.n + max(grown, -grown), Bits: c.bits,
		Exact: true, Sure: true,
	}
	switch {
	case d.Bytes == 0:
	case d.Bytes == grown: // behind all of want
		d.Anatomy = fixity.Grown
	case d.Bytes == -grown:
		d.Anatomy = fixity.CutShort
	case gotSize < wantSize && c.first > 0 && openRun && c.runs == 1 && c.zeroed == c.n:
		d.Anatomy = fixity.CutShort
	case gotSize != wantSize:
		d.Anatomy = fixity.Replaced
	case c.allZeros || c.zeroed == c.n:
		d.Anatomy = fixity.Zeroed
	case c.n <= FewBytes || few(c.g.covered, wantSize):
		d.Anatomy = fixity.Flipped
	default:
		d.Anatomy = fixity.Replaced
	}
	return d
}
