package damage_test

import (
	"bytes"
	"context"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
)

const block = digest.BlockSize

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sums is written down apart from package digest: CRC-32C of each 64 KiB block.
func sums(b []byte) digest.Sums {
	s := digest.Sums{Size: int64(len(b))}
	for len(b) > 0 {
		n := min(block, len(b))
		s.Blocks = append(s.Blocks, crc32.Checksum(b[:n], castagnoli))
		b = b[n:]
	}
	return s
}

// noise is n bytes, none of them zero, so that a zero is always a difference.
func noise(n int, seed uint64) []byte {
	r := rand.New(rand.NewPCG(seed, 7))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(1 + r.IntN(255))
	}
	return b
}

func clone(b []byte) []byte { return append([]byte{}, b...) }

func zero(b []byte, from, to int) []byte {
	b = clone(b)
	clear(b[from:to])
	return b
}

func flip(b []byte, at ...int) []byte {
	b = clone(b)
	for _, i := range at {
		b[i] ^= 0x10
	}
	return b
}

func join(bs ...[]byte) []byte { return bytes.Join(bs, nil) }

func fromBytes(t *testing.T, want, got []byte) damage.Damage {
	t.Helper()
	d, err := damage.FromBytes(context.Background(), bytes.NewReader(want), bytes.NewReader(got), int64(len(want)), int64(len(got)))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func ranges(pairs ...int64) []fixity.Range {
	var rs []fixity.Range
	for i := 0; i < len(pairs); i += 2 {
		rs = append(rs, fixity.Range{Offset: pairs[i], Length: pairs[i+1] - pairs[i]})
	}
	return rs
}

// a case of damage, with what block sums say of it and what the bytes say.
type damaged struct {
	name         string
	want, got    []byte
	sums, bytes  fixity.Anatomy
	sumsRanges   []fixity.Range
	bytesRanges  []fixity.Range
	sure         bool // of the sums
	blocks       int
	bytesDiffers int64
}

func cases() []damaged {
	a := noise(3*block-100, 1)
	n := int64(len(a))
	long := noise(20*block, 2)
	odd := noise(40, 3)
	silent := make([]byte, 2*block)
	return []damaged{
		{name: "nothing", want: a, got: a, sure: true},
		{name: "nothing, empty", sure: true},

		{name: "cut to nothing", want: a, sums: "cut-short", bytes: "cut-short", sure: true,
			sumsRanges: ranges(0, n), bytesRanges: ranges(0, n), blocks: 3, bytesDiffers: n},
		{name: "cut at a block", want: a, got: a[:2*block], sums: "cut-short", bytes: "cut-short", sure: true,
			sumsRanges: ranges(2*block, n), bytesRanges: ranges(2*block, n), blocks: 1, bytesDiffers: n - 2*block},
		{name: "cut inside a block", want: a, got: a[:block+7], sums: "cut-short", bytes: "cut-short",
			sumsRanges: ranges(block, n), bytesRanges: ranges(block+7, n), blocks: 2, bytesDiffers: n - block - 7},
		{name: "cut, but the last part differs", want: a, got: flip(a[:block+7], block+3), sums: "cut-short", bytes: "replaced",
			sumsRanges: ranges(block, n), bytesRanges: ranges(block+3, n), blocks: 2, bytesDiffers: n - block - 6},
		{name: "cut and flipped", want: a, got: flip(a[:2*block], 9), sums: "replaced", bytes: "replaced",
			sumsRanges: ranges(0, block, 2*block, n), bytesRanges: ranges(9, 10, 2*block, n), blocks: 2, bytesDiffers: n - 2*block + 1},
		{name: "cut, with zeros up to a shorter end", want: long, got: zero(long[:9*block+50], 5*block+1000, 9*block+50), sums: "cut-short", bytes: "cut-short",
			sumsRanges: ranges(5*block, 20*block), bytesRanges: ranges(5*block+1000, 20*block), blocks: 15, bytesDiffers: 15*block - 1000},
		{name: "shorter and nothing but zeros", want: long, got: silent, sums: "replaced", bytes: "replaced",
			sumsRanges: ranges(0, 20*block), bytesRanges: ranges(0, 20*block), blocks: 20, bytesDiffers: 20 * block},
		{name: "small file cut", want: odd, got: odd[:11], sums: "cut-short", bytes: "cut-short",
			sumsRanges: ranges(0, 40), bytesRanges: ranges(11, 40), blocks: 1, bytesDiffers: 29},

		{name: "grown from nothing", got: a, sums: "grown", bytes: "grown", sure: true,
			sumsRanges: ranges(0, n), bytesRanges: ranges(0, n), blocks: 3, bytesDiffers: n},
		{name: "grown at a block", want: a[:block], got: a, sums: "grown", bytes: "grown", sure: true,
			sumsRanges: ranges(block, n), bytesRanges: ranges(block, n), blocks: 2, bytesDiffers: n - block},
		{name: "grown inside a block", want: a, got: join(a, odd), sums: "grown", bytes: "grown",
			sumsRanges: ranges(2*block, n+40), bytesRanges: ranges(n, n+40), blocks: 1, bytesDiffers: 40},
		{name: "grown by zeros", want: a, got: join(a, silent), sums: "grown", bytes: "grown",
			sumsRanges: ranges(2*block, n+2*block), bytesRanges: ranges(n, n+2*block), blocks: 3, bytesDiffers: 2 * block},
		{name: "grown and flipped", want: a, got: flip(join(a, odd), 0), sums: "replaced", bytes: "replaced", sure: true,
			sumsRanges: ranges(0, block, 2*block, n+40), bytesRanges: ranges(0, 1, n, n+40), blocks: 2, bytesDiffers: 41},

		{name: "zeroed block", want: a, got: zero(a, block, 2*block), sums: "zeroed", bytes: "zeroed",
			sumsRanges: ranges(block, 2*block), bytesRanges: ranges(block, 2*block), blocks: 1, bytesDiffers: block},
		{name: "zeroed last, short block", want: a, got: zero(a, 2*block, len(a)), sums: "zeroed", bytes: "zeroed",
			sumsRanges: ranges(2*block, n), bytesRanges: ranges(2*block, n), blocks: 1, bytesDiffers: block - 100},
		{name: "zeroed as a whole", want: a, got: make([]byte, len(a)), sums: "zeroed", bytes: "zeroed", sure: true,
			sumsRanges: ranges(0, n), bytesRanges: ranges(0, n), blocks: 3, bytesDiffers: n},
		{name: "cut and padded to its length", want: long, got: zero(long, 4*block+4096, 20*block), sums: "zeroed", bytes: "zeroed",
			sumsRanges: ranges(4*block, 20*block), bytesRanges: ranges(4*block+4096, 20*block), blocks: 16, bytesDiffers: 16*block - 4096},
		{name: "cut at a block and padded", want: long, got: zero(long, 4*block, 20*block), sums: "zeroed", bytes: "zeroed", sure: true,
			sumsRanges: ranges(4*block, 20*block), bytesRanges: ranges(4*block, 20*block), blocks: 16, bytesDiffers: 16 * block},
		{name: "a stretch across blocks", want: long, got: zero(long, 4*block+512, 7*block+512), sums: "zeroed", bytes: "zeroed",
			sumsRanges: ranges(4*block, 8*block), bytesRanges: ranges(4*block+512, 7*block+512), blocks: 4, bytesDiffers: 3 * block},
		{name: "a sector inside a block", want: a, got: zero(a, 512, 1024), sums: "flipped", bytes: "zeroed",
			sumsRanges: ranges(0, block), bytesRanges: ranges(512, 1024), blocks: 1, bytesDiffers: 512},
		{name: "one byte became zero", want: a, got: zero(a, 512, 513), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(0, block), bytesRanges: ranges(512, 513), blocks: 1, bytesDiffers: 1},
		{name: "zeroed and flipped", want: long, got: flip(zero(long, 4*block, 5*block), 9), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(0, block, 4*block, 5*block), bytesRanges: ranges(9, 10, 4*block, 5*block), blocks: 2, bytesDiffers: block + 1},
		{name: "small file zeroed", want: odd, got: make([]byte, 40), sums: "zeroed", bytes: "zeroed", sure: true,
			sumsRanges: ranges(0, 40), bytesRanges: ranges(0, 40), blocks: 1, bytesDiffers: 40},

		{name: "one byte", want: a, got: flip(a, 70000), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(block, 2*block), bytesRanges: ranges(70000, 70001), blocks: 1, bytesDiffers: 1},
		{name: "two far apart", want: long, got: flip(long, 5, 19*block), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(0, block, 19*block, 20*block), bytesRanges: ranges(5, 6, 19*block, 19*block+1), blocks: 2, bytesDiffers: 2},
		{name: "near each other", want: a, got: flip(a, 5, 5+damage.MergeGap), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(0, block), bytesRanges: ranges(5, 6+damage.MergeGap), blocks: 1, bytesDiffers: 2},
		{name: "not near enough", want: a, got: flip(a, 5, 6+damage.MergeGap), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(0, block), bytesRanges: ranges(5, 6, 6+damage.MergeGap, 7+damage.MergeGap), blocks: 1, bytesDiffers: 2},
		{name: "across the edge of a block", want: a, got: flip(a, block-1, block), sums: "replaced", bytes: "flipped",
			sumsRanges: ranges(0, 2*block), bytesRanges: ranges(block-1, block+1), blocks: 2, bytesDiffers: 2},
		{name: "silence that got one sample", want: silent, got: flip(silent, 100), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(0, block), bytesRanges: ranges(100, 101), blocks: 1, bytesDiffers: 1},

		{name: "replaced, same length", want: long, got: inverted(long), sums: "replaced", bytes: "replaced",
			sumsRanges: ranges(0, 20*block), bytesRanges: ranges(0, 20*block), blocks: 20, bytesDiffers: 20 * block},
		{name: "more than half", want: long, got: join(inverted(long[:11*block]), long[11*block:]), sums: "replaced", bytes: "replaced",
			sumsRanges: ranges(0, 11*block), bytesRanges: ranges(0, 11*block), blocks: 11, bytesDiffers: 11 * block},
		{name: "half", want: long, got: join(inverted(long[:10*block]), long[10*block:]), sums: "flipped", bytes: "flipped",
			sumsRanges: ranges(0, 10*block), bytesRanges: ranges(0, 10*block), blocks: 10, bytesDiffers: 10 * block},
		{name: "replaced by something shorter", want: long, got: inverted(long[:len(a)]), sums: "replaced", bytes: "replaced",
			sumsRanges: ranges(0, 20*block), bytesRanges: ranges(0, 20*block), blocks: 20, bytesDiffers: 20 * block},
		{name: "small file replaced by a longer one", want: odd, got: join(inverted(odd), a[40:]), sums: "grown", bytes: "replaced",
			sumsRanges: ranges(0, n), bytesRanges: ranges(0, n), blocks: 3, bytesDiffers: n},
	}
}

func inverted(b []byte) []byte {
	b = clone(b)
	for i := range b {
		b[i] = ^b[i]
		if b[i] == 0 {
			b[i] = 0x55 // was 0xff
		}
	}
	return b
}

func TestAnatomy(t *testing.T) {
	for _, c := range cases() {
		t.Run(c.name, func(t *testing.T) {
			got := damage.FromBlocks(sums(c.want), sums(c.got))
			want := damage.Damage{Anatomy: c.sums, Ranges: c.sumsRanges, Blocks: c.blocks, Sure: c.sure}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("from blocks (-want +got):\n%s", diff)
			}
			got = fromBytes(t, c.want, c.got)
			got.Bits = 0 // see TestBits
			want = damage.Damage{Anatomy: c.bytes, Ranges: c.bytesRanges, Blocks: c.blocks, Bytes: c.bytesDiffers, Exact: true, Sure: true}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("from bytes (-want +got):\n%s", diff)
			}
			if got.None() != (c.bytes == "") {
				t.Errorf("None() = %v", got.None())
			}
		})
	}
}

// Every byte of a file of three blocks, flipped, is flipped in its own block.
func TestEveryByteFlipped(t *testing.T) {
	a := noise(2*block+1234, 4)
	want := sums(a)
	for k := range a {
		if passedOver(k) {
			continue
		}
		at := int64(k / block * block)
		expect := damage.Damage{Anatomy: fixity.Flipped, Blocks: 1,
			Ranges: ranges(at, min(at+block, int64(len(a))))}
		// Only one block's sum can change, so only that one is worked out anew.
		from, to := k/block*block, min(len(a), (k/block+1)*block)
		a[k] ^= 1 << (k % 8)
		got := digest.Sums{Size: want.Size, Blocks: append([]uint32{}, want.Blocks...)}
		got.Blocks[k/block] = update(want.Blocks[k/block], to-k-1, 1<<(k%8))
		if k%4096 == 0 {
			if crc32.Checksum(a[from:to], castagnoli) != got.Blocks[k/block] {
				t.Fatalf("byte %d: the test's own arithmetic is wrong", k)
			}
		}
		a[k] ^= 1 << (k % 8)
		if d := damage.FromBlocks(want, got); !cmp.Equal(expect, d) {
			t.Fatalf("byte %d: %s", k, cmp.Diff(expect, d))
		}
	}
}

// passedOver says that a short run leaves byte k of a file to the long one: it is no first or
// last byte of a block.
func passedOver(k int) bool {
	return testing.Short() && k%61 != 0 && k%block > 1 && k%block < block-1
}

// update is the CRC after a byte was changed by the bits of x, with n bytes after
// it: CRCs are linear, so the change runs through the register by itself.
func update(crc uint32, n int, x byte) uint32 {
	d := castagnoli[x]
	for ; n >= block/256; n -= block / 256 {
		d = skip(d)
	}
	for range n {
		d = d>>8 ^ castagnoli[byte(d)]
	}
	return crc ^ d
}

// skip runs d through block/256 zero bytes, by four table look-ups.
func skip(d uint32) uint32 {
	return skips[0][byte(d)] ^ skips[1][byte(d>>8)] ^ skips[2][byte(d>>16)] ^ skips[3][byte(d>>24)]
}

var skips = func() (t [4][256]uint32) {
	for k := range t {
		for i := range t[k] {
			d := uint32(i) << (8 * k)
			for range block / 256 {
				d = d>>8 ^ castagnoli[byte(d)]
			}
			t[k][i] = d
		}
	}
	return t
}()

// A file of three blocks, cut to every length, is cut short there.
func TestEveryLengthCut(t *testing.T) {
	a := noise(2*block+1234, 5)
	want, n := sums(a), int64(len(a))
	crc := uint32(0)
	got := digest.Sums{}
	for k := range a {
		// got is the first k bytes.
		got.Size = int64(k)
		if k%block == 0 {
			crc = 0
		}
		s := got
		if k%block != 0 {
			s.Blocks = append(s.Blocks[:k/block:k/block], crc)
		}
		crc = crc32.Update(crc, castagnoli, a[k:k+1])
		if (k+1)%block == 0 {
			got.Blocks = append(got.Blocks, crc)
		}
		at := int64(k / block * block)
		if passedOver(k) {
			continue
		}
		d := damage.FromBlocks(want, s)
		if d.Anatomy != fixity.CutShort || !cmp.Equal(d.Ranges, ranges(at, n)) || d.Sure != (k%block == 0) {
			t.Fatalf("cut to %d: %+v", k, d)
		}
		if k%997 == 0 || k%block < 2 {
			if d := fromBytes(t, a, a[:k]); d.Anatomy != fixity.CutShort || !cmp.Equal(d.Ranges, ranges(int64(k), n)) {
				t.Fatalf("cut to %d, bytes: %+v", k, d)
			}
			// The other way round it has grown.
			if d := fromBytes(t, a[:k], a); d.Anatomy != fixity.Grown || !cmp.Equal(d.Ranges, ranges(int64(k), n)) {
				t.Fatalf("grown from %d, bytes: %+v", k, d)
			}
		}
		if d := damage.FromBlocks(s, want); d.Anatomy != fixity.Grown || !cmp.Equal(d.Ranges, ranges(at, n)) {
			t.Fatalf("grown from %d: %+v", k, d)
		}
	}
}

// Whatever happens to a file: the blocks that bytes find are those that sums
// find, block ranges cover byte ranges, and what sums are sure of bytes confirm.
func TestBlocksAgreeWithBytes(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	seen := map[fixity.Anatomy]int{}
	sure := 0
	rounds := 600
	if testing.Short() {
		rounds = 300
	}
	for round := range rounds {
		size := r.IntN(6 * block)
		if r.IntN(3) == 0 {
			size = size / block * block
		}
		a := noise(size, uint64(round))
		if r.IntN(4) == 0 && size > 0 { // recordings begin in silence
			clear(a[:r.IntN(size)])
		}
		b := harm(r, a)
		d, e := damage.FromBlocks(sums(a), sums(b)), fromBytes(t, a, b)
		what := fmt.Sprintf("round %d: %d bytes, now %d: blocks %v, bytes %v", round, len(a), len(b), d.Anatomy, e.Anatomy)
		seen[e.Anatomy]++
		if d.None() != bytes.Equal(a, b) || e.None() != bytes.Equal(a, b) {
			t.Errorf("%s: nothing differs?", what)
		}
		if d.Blocks != e.Blocks {
			t.Errorf("%s: %d blocks from sums, %d from bytes", what, d.Blocks, e.Blocks)
		}
		if d.Sure {
			sure++
			if d.Anatomy != e.Anatomy {
				t.Errorf("%s, and the sums were sure", what)
			}
		}
		end := int64(max(len(a), len(b)))
		if err := tidy(d.Ranges, end, 0); err != nil {
			t.Errorf("%s: blocks: %v", what, err)
		}
		if err := tidy(e.Ranges, end, damage.MergeGap); err != nil {
			t.Errorf("%s: bytes: %v", what, err)
		}
		for _, x := range e.Ranges {
			if !covered(x, d.Ranges) {
				t.Errorf("%s: %+v is in no range of blocks", what, x)
			}
		}
	}
	for _, a := range []fixity.Anatomy{"", fixity.CutShort, fixity.Grown, fixity.Zeroed, fixity.Flipped, fixity.Replaced} {
		if seen[a] == 0 {
			t.Errorf("no round made %q", a)
		}
	}
	if sure == 0 {
		t.Error("the sums were never sure")
	}
}

func harm(r *rand.Rand, a []byte) []byte {
	n := len(a)
	at := func() int { return r.IntN(n) }
	if n == 0 || r.IntN(10) == 0 {
		return clone(a)
	}
	switch r.IntN(7) {
	case 0:
		return a[:at()]
	case 1:
		return join(a, noise(1+r.IntN(2*block), 99))
	case 2:
		x, y := at(), at()
		return zero(a, min(x, y), max(x, y))
	case 3:
		return zero(a, at(), n)
	case 4:
		return flip(a, at(), at(), at())
	case 5:
		return zero(a, at()/512*512, n)[:at()]
	}
	return noise(1+r.IntN(2*n), 98)
}

// tidy checks order, distance and ends of ranges.
func tidy(rs []fixity.Range, end, gap int64) error {
	last := int64(-1 - gap)
	for _, r := range rs {
		if r.Length <= 0 || r.Offset < 0 || r.Offset+r.Length > end {
			return fmt.Errorf("%+v isn't inside %d bytes", r, end)
		}
		if r.Offset <= last || r.Offset-last < gap {
			return fmt.Errorf("%+v touches what ends at %d", r, last)
		}
		last = r.Offset + r.Length
	}
	return nil
}

func covered(x fixity.Range, rs []fixity.Range) bool {
	for _, r := range rs {
		if r.Offset <= x.Offset && x.Offset+x.Length <= r.Offset+r.Length {
			return true
		}
	}
	return false
}

func TestSumsThatLackBlocks(t *testing.T) {
	a := sums(noise(3*block, 8))
	for _, c := range []struct {
		name      string
		want, got digest.Sums
		anatomy   fixity.Anatomy
		blocks    int
	}{
		{"none of the version", digest.Sums{Size: a.Size}, a, fixity.Replaced, 3},
		{"none of the file", a, digest.Sums{Size: a.Size}, fixity.Replaced, 3},
		{"one of the file", a, digest.Sums{Size: a.Size, Blocks: a.Blocks[:2]}, fixity.Flipped, 1},
		{"an absurd size", a, digest.Sums{Size: 1 << 62, Blocks: a.Blocks}, fixity.Grown, 1<<46 - 3},
		{"an absurd version", digest.Sums{Size: 1 << 62}, a, fixity.Replaced, 1 << 46},
		{"a negative size", digest.Sums{Size: -5}, a, fixity.Grown, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := damage.FromBlocks(c.want, c.got)
			if d.Anatomy != c.anatomy || d.Blocks != c.blocks {
				t.Errorf("got %s, %d blocks; want %s, %d", d.Anatomy, d.Blocks, c.anatomy, c.blocks)
			}
		})
	}
}

func TestTooManyRanges(t *testing.T) {
	n := 2*fixity.MaxRanges + 3
	a := make([]byte, n*block)
	b := clone(a)
	for i := 0; i < n; i += 2 {
		b[i*block+9] = 1
	}
	for name, d := range map[string]damage.Damage{"blocks": damage.FromBlocks(sums(a), sums(b)), "bytes": fromBytes(t, a, b)} {
		if len(d.Ranges) != fixity.MaxRanges || !d.More || d.Blocks != n/2+1 {
			t.Errorf("%s: %d ranges, more %v, %d blocks", name, len(d.Ranges), d.More, d.Blocks)
		}
	}
}
