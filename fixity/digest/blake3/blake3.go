// Package blake3 hashes by BLAKE3 with 32 bytes of output, unkeyed, as fast as the processor
// can: in registers of 512 bits by code of its own, else by libraries.
//
// BLAKE3 is a binary tree over chunks of 1024 bytes ("BLAKE3: one function, fast everywhere",
// section 2.1), so what lies at a multiple of a power of two of them is a subtree of its own,
// whatever lies before it: several processors can hash parts of one stream.
package blake3

import (
	"hash"
	"sync"

	"github.com/zeebo/blake3"
	"lukechampine.com/blake3/guts"
)

// hashers are used again: one has 10 KiB, more than most small files.
var hashers = sync.Pool{New: func() any { return blake3.New() }}

// newHash and nodeOf are the fastest that the processor can.
var (
	newHash = narrowHash
	nodeOf  = narrowNode
)

// New gives a hash that nothing was written to.
func New() hash.Hash { return newHash() }

func narrowHash() hash.Hash {
	h := hashers.Get().(*blake3.Hasher)
	h.Reset()
	return h
}

// End ends the use of what New gave: nothing of it may be used any more. Hashes of another
// kind are left alone.
func End(h hash.Hash) {
	switch h := h.(type) {
	case interface{ end() }:
		h.end()
	case *blake3.Hasher:
		hashers.Put(h)
	}
}

// Node is a node of the tree: a subtree, or the whole.
type Node = guts.Node

// Chunk is how many bytes a leaf of the tree has.
const Chunk = guts.ChunkSize

// unit is how many bytes are hashed at once.
const unit = guts.MaxSIMD * guts.ChunkSize

// NodeOf is the subtree of the first n bytes of b, 0 < n <= len(b). b is 16 chunks long, or
// 2, 4, 8 or 16 times as long, and begins at a chunk that is a multiple of as many.
func NodeOf(b []byte, n int, chunk uint64) Node { return nodeOf(b, n, chunk) }

func narrowNode(b []byte, n int, chunk uint64) Node {
	if len(b) == unit {
		return guts.CompressBuffer((*[unit]byte)(b), n, &guts.IV, chunk, 0)
	}
	half := len(b) / 2
	if n <= half {
		return narrowNode(b[:half], n, chunk)
	}
	return parent(Value(narrowNode(b[:half], half, chunk)), narrowNode(b[half:], n-half, chunk+uint64(half/Chunk)))
}

// Value is what a node's parent takes of it.
func Value(n Node) [8]uint32 { return guts.ChainingValue(n) }

func parent(left [8]uint32, right Node) Node {
	return guts.ParentNode(left, Value(right), &guts.IV, 0)
}
