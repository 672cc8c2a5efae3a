package blake3

import (
	"math/bits"

	"lukechampine.com/blake3/guts"
)

// Tree joins subtrees of one size that follow each other. Its zero value is ready for use.
type Tree struct {
	stack [64][8]uint32 // of what was joined, by height: those that the bits of n say
	n     uint64
}

// Push adds a whole subtree after which more comes.
func (t *Tree) Push(value [8]uint32) {
	i := 0
	for ; t.n&(1<<i) != 0; i++ {
		value = guts.ChainingValue(guts.ParentNode(t.stack[i], value, &guts.IV, 0))
	}
	t.stack[i] = value
	t.n++
}

// Root is the hash of all: last comes after what was pushed, and is no larger than one of them.
func (t *Tree) Root(last Node) []byte {
	for n := t.n; n != 0; n &= n - 1 {
		last = parent(t.stack[bits.TrailingZeros64(n)], last)
	}
	last.Flags |= guts.FlagRoot
	out := guts.WordsToBytes(guts.CompressNode(last))
	return out[:32]
}
