package digest

import (
	"io"
	"sync"
	"unsafe"
)

const (
	alignment  = 4096 // of buffers in memory: the largest logical block of drives
	firstSize  = 1 * BlockSize
	bufferSize = 1 << 20 // a multiple of BlockSize and alignment
	maxBuffers = 4       // of bufferSize, for one stream
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

var small, large = newPool(firstSize), newPool(bufferSize)

// piece is what one buffer was filled with, and the error that ended filling it.
type piece struct {
	buf *buffer
	n   int
	err error
}

func (p piece) data() []byte {
	if p.buf == nil {
		return nil
	}
	return p.buf.b[:p.n]
}

// filler reads a stream ahead of its user, who gets pieces in order. All but
// the last are whole buffers. It ends after the first error, io.EOF included.
type filler struct {
	pieces chan piece
	slots  chan struct{} // one for each buffer in use
	quit   chan struct{}
}

func newFiller(r io.Reader) *filler {
	f := &filler{
		pieces: make(chan piece, maxBuffers),
		slots:  make(chan struct{}, maxBuffers),
		quit:   make(chan struct{}),
	}
	go f.run(r)
	return f
}

func (f *filler) run(r io.Reader) {
	pool := small // most files that aren't sound fit the first buffer
	for {
		select {
		case f.slots <- struct{}{}:
		case <-f.quit:
			return
		}
		p := fill(r, pool.Get().(*buffer))
		select {
		case <-f.quit:
			p.buf.pool.Put(p.buf)
			return
		case f.pieces <- p: // never blocks: as many places as slots
		}
		if p.err != nil {
			return
		}
		pool = large
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

// giveBack ends the use of a buffer; its bytes may be overwritten at once.
func (f *filler) giveBack(b *buffer) {
	b.pool.Put(b)
	<-f.slots
}

// stop ends reading ahead after the Read under way, without waiting for it.
func (f *filler) stop() { close(f.quit) }
