package digest

import (
	"io"
	"sync"
	"unsafe"
)

const (
	alignment  = 4096 // of buffers in memory: the largest logical block of drives
	firstSize  = 1 * BlockSize
	nearSize   = 4 * BlockSize // fits a core's second cache beside what hashing needs
	bufferSize = 1 << 20       // a multiple of BlockSize and alignment
	maxBuffers = 4             // of bufferSize, for one stream
)

// buffer is memory that begins at a multiple of alignment.
type buffer struct {
	b    []byte
	pool *sync.Pool
}

func newPool(size int) *sync.Pool {
	p := &sync.Pool{}
	p.New = func() any {
		raw := make([]byte, size+alignment)
		skip := -int(uintptr(unsafe.Pointer(unsafe.SliceData(raw)))) & (alignment - 1)
		return &buffer{raw[skip : skip+size : skip+size], p}
	}
	return p
}

var small, near, large = newPool(firstSize), newPool(nearSize), newPool(bufferSize)

// piece is what one buffer was filled with, and the error that ended filling it.
type piece struct {
	buf *buffer
	n   int
	err error
}

func (p piece) data() []byte { return p.buf.b[:p.n] }

// giveBack ends the use of the buffer; its bytes may be overwritten at once. After an
// error that isn't the end it is left alone: a Read that its Reader gave up on may still
// write to it.
func (p piece) giveBack() {
	if p.err == nil || p.err == io.EOF {
		p.buf.pool.Put(p.buf)
	}
}

// fill reads until the buffer is full or r gives an error.
func fill(r io.Reader, buf *buffer) piece {
	p := piece{buf: buf}
	for empty := 0; p.n < len(buf.b) && p.err == nil; {
		var n int
		n, p.err = r.Read(buf.b[p.n:])
		p.n += n
		if n > 0 {
			empty = 0
		} else if empty++; empty == 100 && p.err == nil {
			p.err = io.ErrNoProgress
		}
	}
	return p
}
