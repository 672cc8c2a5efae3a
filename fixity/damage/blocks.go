package damage

import (
	"firmus/fixity"
	"firmus/fixity/digest"
)

// FromBlocks compares the block sums of a file as it should be with those of a
// file as it is. The last block of a file that ends inside a block can't be
// compared with a longer block of the other file; it gets the benefit of the
// doubt, and Sure is false then:
//
//   - cut-short: got is shorter and its whole blocks are want's beginning; also
//     if it ends in zeros behind that beginning.
//   - grown: got is longer and want's whole blocks are its beginning.
//   - zeroed: same size, and every differing block holds zeros now. A run of
//     differing blocks that holds zeros may have at either edge one block that
//     holds zeros in part: a stretch of zeros seldom keeps to blocks. A transfer
//     that was cut short and padded to its full length is zeroed.
//   - flipped: same size, at most half of the blocks differ, or one.
//   - replaced: everything else.
//
// Sums that lack blocks for their size count as differing there. CRC-32C is no
// protection against intent: whether two files are the same is for the digests.
func FromBlocks(want, got digest.Sums) Damage {
	c := comparison{want: want, got: got, g: gatherer{gap: 1}}
	c.compare()
	d := Damage{Ranges: c.g.ranges, More: c.g.more, Blocks: c.blocks}
	switch {
	case c.blocks == 0:
		d.Sure = true
	case got.Size < want.Size:
		d.Anatomy, d.Sure = c.shorter()
	case got.Size > want.Size:
		d.Anatomy, d.Sure = c.longer()
	default:
		d.Anatomy, d.Sure = c.sameSize()
	}
	return d
}

// blocksOf is the number of blocks of a file of the given size.
func blocksOf(size int64) int64 {
	return size/digest.BlockSize + min(1, size%digest.BlockSize)
}

// blockLen is the length of block i of a file of the given size, 0 beyond its end.
func blockLen(size, i int64) int {
	return int(max(0, min(digest.BlockSize, size-i*digest.BlockSize)))
}

// sum is the sum of block i; false beyond the file's end and where sums are lacking.
func sum(s digest.Sums, i int64) (uint32, bool) {
	if blockLen(s.Size, i) == 0 || i >= int64(len(s.Blocks)) {
		return 0, false
	}
	return s.Blocks[i], true
}

// same says that block i is known to be the same in both: same length, same sum.
func same(a, b digest.Sums, i int64) bool {
	x, okA := sum(a, i)
	y, okB := sum(b, i)
	return okA && okB && x == y && blockLen(a.Size, i) == blockLen(b.Size, i)
}

var zeroBlock = digest.ZeroBlock(digest.BlockSize)

// zeros says that block i of s holds nothing but zeros.
func zeros(s digest.Sums, i int64) bool {
	x, ok := sum(s, i)
	want := zeroBlock
	if n := blockLen(s.Size, i); n != digest.BlockSize {
		want = digest.ZeroBlock(n)
	}
	return ok && x == want
}

// comparison is one pass over the blocks of two files.
type comparison struct {
	want, got digest.Sums
	g         gatherer
	blocks    int // that differ

	first     int64 // first differing block
	runFrom   int64 // the run of differing blocks that is open
	runTo     int64
	runZeros  int64 // of them hold zeros in got
	runFirst0 bool  // the run's first block holds zeros
	runLast0  bool  // its last does

	allZeros  bool // every block of got holds zeros
	blank     bool // every run is of zeros, but for its edges
	edges     bool // some run has an edge that isn't all zeros
	shortRuns bool // some run has too few blocks of zeros to be sure of
}

func (c *comparison) compare() {
	n := max(blocksOf(c.want.Size), blocksOf(c.got.Size))
	end := max(c.want.Size, c.got.Size)
	c.blank, c.allZeros = true, true
	for i := int64(0); i < n; i++ {
		if i >= int64(max(len(c.want.Blocks), len(c.got.Blocks))) {
			c.lacking(i, n, end)
			break
		}
		z := zeros(c.got, i)
		c.allZeros = c.allZeros && z
		if same(c.want, c.got, i) {
			continue
		}
		if c.blocks == 0 {
			c.first = i
		}
		c.blocks++
		c.g.add(i*digest.BlockSize, min(end, (i+1)*digest.BlockSize))
		if c.runTo != i || c.runFrom == c.runTo {
			c.endRun()
			c.runFrom, c.runZeros, c.runFirst0 = i, 0, z
		}
		c.runTo, c.runLast0 = i+1, z
		if z {
			c.runZeros++
		}
	}
	c.endRun()
	c.g.close()
}

// lacking takes the blocks [i, n), of which no sums are known. Their number comes
// from a size alone, so it is never counted up to.
func (c *comparison) lacking(i, n, end int64) {
	c.allZeros, c.blank = false, false
	if c.blocks == 0 {
		c.first = i
	}
	c.blocks += int(n - i)
	c.g.add(i*digest.BlockSize, end)
}

// sureRun is how many blocks of zeros in a row make a run of zeros that bytes
// would call zeroed too: what was something else lies in the first and in the
// last of them at least, so more than MinZeroed bytes apart.
const sureRun = 3

func (c *comparison) endRun() {
	n := c.runTo - c.runFrom
	if n == 0 {
		return
	}
	edges := int64(0)
	if !c.runFirst0 {
		edges++
	}
	if !c.runLast0 {
		edges++
	}
	if c.runZeros == 0 || c.runZeros != n-edges {
		c.blank = false
	}
	if edges > 0 {
		c.edges = true
	}
	if c.runZeros < sureRun {
		c.shortRuns = true
	}
	c.runFrom, c.runTo = 0, 0
}

func (c *comparison) shorter() (fixity.Anatomy, bool) {
	whole := c.got.Size / digest.BlockSize
	part := c.got.Size%digest.BlockSize != 0
	if c.first >= whole {
		return fixity.CutShort, !part
	}
	// Behind a beginning that is right, nothing but zeros up to its end: the file
	// was given its length before its bytes came.
	tail := c.first > 0 && (zeros(c.got, c.first) || c.first+1 < blocksOf(c.got.Size))
	for i := c.first + 1; tail && i < blocksOf(c.got.Size); i++ {
		tail = zeros(c.got, i)
	}
	if tail {
		return fixity.CutShort, false
	}
	return fixity.Replaced, false
}

func (c *comparison) longer() (fixity.Anatomy, bool) {
	if c.first >= c.want.Size/digest.BlockSize {
		return fixity.Grown, c.want.Size%digest.BlockSize == 0
	}
	return fixity.Replaced, true
}

func (c *comparison) sameSize() (fixity.Anatomy, bool) {
	switch {
	case c.allZeros:
		return fixity.Zeroed, true
	case c.blank:
		return fixity.Zeroed, !c.edges && !c.shortRuns
	case c.blocks == 1 || few(int64(c.blocks), blocksOf(c.want.Size)):
		return fixity.Flipped, false
	}
	return fixity.Replaced, false
}
