package digest

import (
	"hash/crc32"
	"sync"

	"firmus/fixity"
	"firmus/fixity/digest/blake3"
)

// maxHelpers is how many processors besides the reading one hash one stream.
const maxHelpers = 3

// tree hashes one stream by BLAKE3 on several processors, in subtrees of a block of BlockSize
// bytes: a piece begins at a multiple of it, and all but the last piece are whole blocks.
type tree struct {
	s     *Sum
	tasks chan task
	wg    sync.WaitGroup
	help  int
	n     int // pieces so far

	mu     sync.Mutex
	done   map[int]hashed // pieces that are hashed, and wait for one before them
	next   int            // piece
	joined blake3.Tree
	last   *blake3.Node // of the newest block, which may be the root
}

type task struct {
	piece
	seq    int
	offset int64
}

// hashed is what a piece gave: all but its last block are known not to be the root.
type hashed struct {
	cvs  [][8]uint32
	last blake3.Node
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
		n := blake3.NodeOf(b[off:off+BlockSize], h.rest, uint64(x.offset+int64(off))/blake3.Chunk)
		if off+BlockSize < x.n {
			h.cvs = append(h.cvs, blake3.Value(n))
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
		t.joined.Push(blake3.Value(*t.last))
	}
	for _, cv := range h.cvs {
		t.joined.Push(cv)
	}
	t.last = &h.last
	if n := len(h.crcs); n > 0 && h.rest < BlockSize {
		t.s.crc, t.s.fill = h.crcs[n-1], h.rest
		h.crcs = h.crcs[:n-1]
	}
	t.s.blocks = append(t.s.blocks, h.crcs...)
}

// digest is of all that was pushed; at least one piece was.
func (t *tree) digest() fixity.Digest {
	return fixity.DigestOf(fixity.BLAKE3, t.joined.Root(*t.last))
}
