package digest

import (
	"context"
	"io"
	"runtime"
	"sync"
	"sync/atomic"

	"firmus/fixity"
)

// Options say what a pass over a stream gives, and how it is made.
type Options struct {
	// Algorithms of the digests wanted, each counted once; none is allowed.
	Algorithms []fixity.Algorithm
	// NoBlocks leaves the block sums out.
	NoBlocks bool
	// Ahead goes on reading while what was read is hashed, on whatever processor is free:
	// for a device that is read by nobody else meanwhile. Without it a stream does so only
	// while there are processors with nothing to hash; many streams at once are fastest
	// if each is hashed where it is read.
	Ahead bool
	// Ended, if set, is called once, when r has given its last byte or an error, while the
	// rest may still be hashed; also when Read ends before that.
	Ended func()
	// Progress, if set, is called after each piece with the bytes in it. It may block:
	// reading then stops once the few buffers are full.
	Progress func(n int64)
	// Tee, if set, is given every byte in order. Its error ends the pass.
	//
	// Progress and Tee run in a goroutine of Read's own, one after the other, and never
	// once Read has returned.
	Tee io.Writer
}

// Read reads r to its end and gives its digests by algs and its block sums.
// See Options.Read.
func Read(ctx context.Context, r io.Reader, algs ...fixity.Algorithm) (Sums, error) {
	return Options{Algorithms: algs}.Read(ctx, r)
}

// leaving is a Reader that bounds how long each Read may take, and gives up with an error.
// Leave gives the same bytes by a Reader that hangs where the medium hangs, and a context,
// made of ctx, that ends with what the other's error would be. So no goroutine and no
// copy is needed for each Read: there is one that can be left behind already.
type leaving interface {
	Leave(ctx context.Context) (io.Reader, context.Context)
}

// working counts the goroutines that hash, of all streams of the process.
var working atomic.Int32

// free takes one of the processors that have nothing to hash; false if there is none.
func free() bool {
	for {
		n := working.Load()
		if int(n) >= runtime.GOMAXPROCS(0) {
			return false
		}
		if working.CompareAndSwap(n, n+1) {
			return true
		}
	}
}

// Read reads r to its end. With an error of r (anything but io.EOF, unchanged),
// of Tee, or of ctx (its cause) come the Sums of the bytes before it, so that a
// beginning that can be read is known. An unknown algorithm is found before r is
// touched.
//
// The buffers that r is given begin at a multiple of 4096 bytes in memory and
// are 64 KiB, then 1 MiB long (256 KiB of what the page cache may answer); as long as r
// fills them, each begins at a multiple of 64 KiB in the stream, as direct I/O wants it.
//
// When ctx ends, Read returns without waiting for a Read of r under way: a dead
// mount may never answer. r may then only be closed, if its Close allows that. If r has
// given all by then, the Sums are whole and there is no error.
func (o Options) Read(ctx context.Context, r io.Reader) (Sums, error) {
	s, err := NewSum(o.Algorithms...)
	if err != nil {
		return Sums{}, err
	}
	if ctx.Err() != nil {
		return s.Sums(), context.Cause(ctx)
	}
	if s.noBlocks = o.NoBlocks; o.Ended == nil {
		o.Ended = func() {}
	}
	o.Ended = sync.OnceFunc(o.Ended)
	defer o.Ended()
	near := cached(r)
	if l, ok := r.(leaving); ok {
		r, ctx = l.Leave(ctx)
	}
	p := &pass{Options: o, s: s, r: r, near: near}
	working.Add(1)
	defer working.Add(-1)
	done := make(chan struct{})
	go func() {
		defer close(done)
		p.run()
	}()
	select {
	case <-done:
	case <-ctx.Done():
		p.mu.Lock()
		if p.ended {
			p.mu.Unlock()
			<-done // only hashing is left
			break
		}
		p.left = true
		p.mu.Unlock()
		if p.w != nil {
			p.w.finish()
		}
		return s.Sums(), context.Cause(ctx)
	}
	if p.err == io.EOF {
		p.err = nil
	}
	defer s.end()
	return s.Sums(), p.err
}

// cached says that a Reader may be answered by memory.
func cached(r io.Reader) bool {
	c, ok := r.(interface{ Cache() fixity.Cache })
	return ok && c.Cache() == fixity.Allowed
}

// pass is one Read under way.
type pass struct {
	Options
	s    *Sum
	r    io.Reader
	near bool

	// mu is held by the reading goroutine but while it reads: whoever leaves it behind waits
	// for no more than a piece's hashing.
	mu    sync.Mutex
	ended bool // r has given all
	left  bool // Read has returned, or is about to
	w     worker
	err   error
}

// worker hashes pieces of a Sum in other goroutines.
type worker interface {
	add(piece)
	finish() // waits until all that was added is in the Sum
}

func (p *pass) run() {
	pool := small // most files that aren't sound fit the first buffer
	for {
		x := fill(p.r, pool.Get().(*buffer))
		p.mu.Lock()
		if x.err != nil {
			p.Ended()
			p.ended = x.err == io.EOF
		}
		more := !p.left && p.take(x)
		p.mu.Unlock()
		if !more {
			return
		}
		if pool = large; p.near && p.w == nil {
			pool = near
		}
	}
}

// take hands one piece to all that want it, and says whether to go on.
func (p *pass) take(x piece) bool {
	n := len(x.data())
	if n > 0 && p.Tee != nil {
		if _, err := p.Tee.Write(x.data()); err != nil {
			x.err, n = err, 0 // the piece isn't in the Sums then
			p.Ended()
		}
	}
	if x.err == nil && p.w == nil && p.s.size == 0 {
		p.w = p.help()
	}
	switch {
	case n == 0:
		x.giveBack()
	case p.w != nil:
		p.w.add(x)
	default:
		p.s.Write(x.data())
		x.giveBack()
	}
	if n > 0 && p.Progress != nil {
		p.Progress(int64(n))
	}
	if x.err == nil {
		return true
	}
	if p.err = x.err; p.w != nil {
		p.w.finish()
		p.w = nil // Read, which may be about to leave, doesn't end it once more
	}
	return false
}

// help starts others who hash, if there are to be any. No goroutines are started for a
// stream that fits the first buffer.
func (p *pass) help() worker {
	if !p.Ahead && !free() {
		return nil
	}
	if p.Ahead {
		working.Add(1)
	}
	if len(p.s.algs) == 1 && p.s.algs[0] == fixity.BLAKE3 {
		return startTree(p.s)
	}
	return startLanes(p.s)
}
