package digest

import (
	"hash/crc32"
	"math/bits"
	"sync"

	"firmus/fixity"

	"lukechampine.com/blake3/guts"
)

// maxHelpers is how many processors besides the reading one hash one stream.
const maxHelpers = 3

// tree hashes one stream by BLAKE3 on several processors. BLAKE3 is a binary tree over
// chunks of 1024 bytes (the BLAKE3 paper, section 2.1), so what lies at a multiple of a
// power of two of them is a subtree of its own, whatever lies before it. Here that is a
// block of BlockSize bytes: a piece begins at a multiple of it, and all but the last
// piece are whole blocks.
//
// It takes a library that shows the tree's nodes. That one hashes a stream on one
// processor at 0.8 times the speed of the other one, which doesn't show them.
type tree struct {
	s     *Sum
	tasks chan task
	wg    sync.WaitGroup
	help  int
	n     int // pieces so far

	mu     sync.Mutex
	done   map[int]hashed // pieces that are hashed, and wait for one before them
	next   int            // piece
	stack  [64][8]uint32  // of subtrees, by height: those that the bits of blocks say
	blocks uint64         // in stack
	last   *guts.Node     // of the newest block, which may be the root
}

type task struct {
	piece
	seq    int
	offset int64
}

// hashed is what a piece gave: all but its last block are known not to be the root.
type hashed struct {
	cvs  [][8]uint32
	last guts.Node
	crcs []uint32
	rest int // bytes in the last block
}

// startTree takes over one count of working, and takes more while there are any.
func startTree(s *Sum) *tree {
	t := &tree{s: s, tasks: make(chan task, 2), help: 1, done: map[int]hashed{}}
	for t.help < maxHelpers && free() {
		t.help++
	}
	for range t.help {
		t.wg.Go(func() {
			for x := range t.tasks {
				t.do(x)
			}
		})
	}
	s.hashes[0] = nil // what it would give is not of these bytes
	s.tree = t
	return t
}

// add hands a piece on, or hashes it itself while the others have enough.
func (t *tree) add(p piece) {
	x := task{p, t.n, t.s.size}
	t.n++
	t.s.size += int64(p.n)
	select {
	case t.tasks <- x:
	default:
		t.do(x)
	}
}

func (t *tree) finish() {
	close(t.tasks)
	t.wg.Wait()
	working.Add(int32(-t.help))
}

func (t *tree) do(x task) {
	var h hashed
	b := x.buf.b
	for off := 0; off < x.n; off += BlockSize {
		h.rest = min(BlockSize, x.n-off)
		n := node(b[off:off+BlockSize], h.rest, uint64(x.offset+int64(off))/guts.ChunkSize)
		if off+BlockSize < x.n {
			h.cvs = append(h.cvs, guts.ChainingValue(n))
		} else {
			h.last = n
		}
		if !t.s.noBlocks {
			h.crcs = append(h.crcs, crc32.Checksum(b[off:off+h.rest], castagnoli))
		}
	}
	x.giveBack()
	t.mu.Lock()
	defer t.mu.Unlock()
	t.done[x.seq] = h
	for {
		h, ok := t.done[t.next]
		if !ok {
			return
		}
		delete(t.done, t.next)
		t.next++
		t.push(h)
	}
}

// push joins the next piece to the tree.
func (t *tree) push(h hashed) {
	if t.last != nil {
		t.pushBlock(guts.ChainingValue(*t.last))
	}
	for _, cv := range h.cvs {
		t.pushBlock(cv)
	}
	t.last = &h.last
	if n := len(h.crcs); n > 0 && h.rest < BlockSize {
		t.s.crc, t.s.fill = h.crcs[n-1], h.rest
		h.crcs = h.crcs[:n-1]
	}
	t.s.blocks = append(t.s.blocks, h.crcs...)
}

func (t *tree) pushBlock(cv [8]uint32) {
	i := 0
	for ; t.blocks&(1<<i) != 0; i++ {
		cv = guts.ChainingValue(guts.ParentNode(t.stack[i], cv, &guts.IV, 0))
	}
	t.stack[i] = cv
	t.blocks++
}

// digest is of all that was pushed; at least one piece was.
func (t *tree) digest() fixity.Digest {
	n := *t.last
	for i := bits.TrailingZeros64(t.blocks); i < bits.Len64(t.blocks); i++ {
		if t.blocks&(1<<i) != 0 {
			n = guts.ParentNode(t.stack[i], guts.ChainingValue(n), &guts.IV, 0)
		}
	}
	n.Flags |= guts.FlagRoot
	out := guts.WordsToBytes(guts.CompressNode(n))
	return fixity.DigestOf(fixity.BLAKE3, out[:fixity.BLAKE3.Size()])
}

// unit is how many bytes the library hashes at once.
const unit = guts.MaxSIMD * guts.ChunkSize

// node is the subtree of the first n bytes of b, 0 < n <= len(b). b is a power of two of
// units long, and begins at a chunk that is a multiple of as many.
func node(b []byte, n int, chunk uint64) guts.Node {
	if len(b) == unit {
		return guts.CompressBuffer((*[unit]byte)(b), n, &guts.IV, chunk, 0)
	}
	half := len(b) / 2
	if n <= half {
		return node(b[:half], n, chunk)
	}
	return guts.ParentNode(guts.ChainingValue(node(b[:half], half, chunk)), guts.ChainingValue(node(b[half:], n-half, chunk+uint64(half/guts.ChunkSize))), &guts.IV, 0)
}
