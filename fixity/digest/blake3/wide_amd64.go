package blake3

import (
	"hash"
	"sync"

	"golang.org/x/sys/cpu"
	"lukechampine.com/blake3/guts"
)

// Where the processor has registers for 16 words, and the system keeps them.
func init() {
	if cpu.X86.HasAVX512F && wideAsNarrow() {
		newHash, nodeOf = wideHash, wideNode
	}
}

// wideAsNarrow holds what this processor makes of some bytes against what the library does. A
// machine that is imitated, or is broken, must not be believed about a recording.
func wideAsNarrow() bool {
	var b [2 * unit]byte
	for i := range b {
		b[i] = byte(i * 151 >> 3)
	}
	for _, n := range []int{len(b), len(b) - unit/2 - 77} {
		if wideNode(b[:], n, 1<<34) != narrowNode(b[:], n, 1<<34) {
			return false
		}
	}
	return true
}

// hashChunks writes the chaining values of 16 chunks from to on, each word into its row of
// values. counter is the first chunk's, a multiple of 16.
//
//go:noescape
func hashChunks(to *uint32, chunks *byte, counter uint64)

// hashParents does so for 16 parents of 32 values.
//
//go:noescape
func hashParents(to, children *uint32)

// most is how many values are kept before they are joined: with fewer, more of the 16 places
// stay empty on the way up.
const most = 256

// values are chaining values, a word of all in a row: so 16 of them fill a register each.
type values [8][most]uint32

func (v *values) at(i int) (cv [8]uint32) {
	for w := range cv {
		cv[w] = v[w][i]
	}
	return cv
}

func (v *values) put(i int, cv [8]uint32) {
	for w := range cv {
		v[w][i] = cv[w]
	}
}

// parents joins n values in pairs, and says how many there are then; the last one stays if it
// has no other.
func (v *values) parents(n int) int {
	last := v.at(n - 1)
	for i := 0; i < n/2; i += 16 {
		hashParents(&v[0][i], &v[0][2*i])
	}
	if n%2 == 1 {
		v.put(n/2, last)
	}
	return (n + 1) / 2
}

// add makes the values of the first n bytes of b from i on, 0 < n <= unit, and gives how many
// there are; of the last of several chunks, which may be part of one, too.
func (v *values) add(i int, b *[unit]byte, n int, chunk uint64) int {
	hashChunks(&v[0][i], &b[0], chunk)
	whole := n / Chunk
	if n%Chunk != 0 {
		v.put(i+whole, Value(guts.CompressChunk(b[whole*Chunk:n], &guts.IV, chunk+uint64(whole), 0)))
		whole++
	}
	return whole
}

// node joins n values, at least two, and is their root.
func (v *values) node(n int) Node {
	for n > 2 {
		n = v.parents(n)
	}
	return guts.ParentNode(v.at(0), v.at(1), &guts.IV, 0)
}

func wideNode(b []byte, n int, chunk uint64) Node {
	if n <= Chunk {
		return guts.CompressChunk(b[:n], &guts.IV, chunk, 0)
	}
	var v values
	have := 0
	for at := 0; at < n; at += unit {
		have += v.add(have, (*[unit]byte)(b[at:]), min(n-at, unit), chunk+uint64(at/Chunk))
	}
	return v.node(have)
}

// stream hashes what is written to it. What it has hashed is surely not all: the last bytes,
// of which the root may be, wait in rest.
type stream struct {
	rest   [unit]byte
	fill   int    // bytes in rest
	chunks uint64 // before rest
	v      values
	have   int  // in v: of the chunks that aren't in tree
	tree   Tree // of 256 chunks each
}

func wideHash() hash.Hash {
	s := streams.Get().(*stream)
	s.Reset()
	return s
}

// streams are used again: one has 26 KiB, more than most small files.
var streams = sync.Pool{New: func() any { return new(stream) }}

func (s *stream) end()           { streams.Put(s) }
func (s *stream) Reset()         { s.fill, s.chunks, s.have, s.tree.n = 0, 0, 0, 0 }
func (s *stream) Size() int      { return 32 }
func (s *stream) BlockSize() int { return guts.BlockSize }

func (s *stream) Write(p []byte) (int, error) {
	all := len(p)
	for len(p) > 0 {
		if s.fill == unit {
			s.unit(&s.rest)
			s.fill = 0
		}
		for ; s.fill == 0 && len(p) > unit; p = p[unit:] {
			s.unit((*[unit]byte)(p))
		}
		n := copy(s.rest[s.fill:], p)
		s.fill, p = s.fill+n, p[n:]
	}
	return all, nil
}

// unit takes 16 chunks, after which more come.
func (s *stream) unit(b *[unit]byte) {
	s.join()
	s.have += s.v.add(s.have, b, unit, s.chunks)
	s.chunks += unit / Chunk
}

// join moves the values into the tree if there are as many as there may be. More must come
// after them.
func (s *stream) join() {
	if s.have == most {
		for s.have > 1 {
			s.have = s.v.parents(s.have)
		}
		s.tree.Push(s.v.at(0))
		s.have = 0
	}
}

func (s *stream) Sum(b []byte) []byte {
	if s.fill > 0 {
		s.join() // rest comes after them
	}
	if s.have == 0 && s.fill <= Chunk {
		return append(b, s.tree.Root(guts.CompressChunk(s.rest[:s.fill], &guts.IV, s.chunks, 0))...)
	}
	v := s.v
	return append(b, s.tree.Root(v.node(s.have+v.add(s.have, &s.rest, s.fill, s.chunks)))...)
}
