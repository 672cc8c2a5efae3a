package digest

import (
	"context"
	"io"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"firmus/fixity"
)

// Options say what a pass over a stream gives besides the block sums.
type Options struct {
	// Algorithms of the digests wanted, each counted once; none is allowed.
	Algorithms []fixity.Algorithm
	// Progress, if set, is called after each piece with the bytes in it. It runs
	// in the goroutine that called Read and may block: reading then stops once
	// the few buffers are full.
	Progress func(n int64)
	// Tee, if set, is given every byte in order, in the goroutine that called
	// Read. Its error ends the pass.
	Tee io.Writer
}

// Read reads r to its end and gives its digests by algs and its block sums.
// See Options.Read.
func Read(ctx context.Context, r io.Reader, algs ...fixity.Algorithm) (Sums, error) {
	return Options{Algorithms: algs}.Read(ctx, r)
}

// Read reads r to its end. With an error of r (anything but io.EOF, unchanged),
// of Tee, or of ctx (its cause) come the Sums of the bytes before it, so that a
// beginning that can be read is known. An unknown algorithm is found before r is
// touched.
//
// The buffers that r is given begin at a multiple of 4096 bytes in memory and
// are 64 KiB, then 1 MiB long; as long as r fills them, each begins at a multiple
// of 64 KiB in the stream, as direct I/O wants it. Reading goes on while what
// was read is hashed; digests are spread over the processors.
//
// When ctx ends, Read returns without waiting for a Read of r under way: a dead
// mount may never answer. r may then only be closed, if its Close allows that.
func (o Options) Read(ctx context.Context, r io.Reader) (Sums, error) {
	s, err := NewSum(o.Algorithms...)
	if err != nil {
		return Sums{}, err
	}
	f := newFiller(r)
	defer f.stop()
	var l *lanes
	for {
		var p piece
		if ctx.Err() == nil {
			select {
			case p = <-f.pieces:
			case <-ctx.Done():
			}
		}
		if ctx.Err() != nil {
			// A piece at hand is dropped: the Sums stay those of a beginning.
			err = context.Cause(ctx)
			break
		}
		if err = o.take(s, &l, f, p); err != nil {
			break
		}
		if p.err != nil {
			err = p.err
			break
		}
	}
	if l != nil {
		l.finish()
	}
	if err == io.EOF {
		err = nil
	}
	return s.Sums(), err
}

// take hands one piece to all that want it. It fails only if Tee does; the
// piece isn't in the Sums then.
func (o Options) take(s *Sum, l **lanes, f *filler, p piece) error {
	n := len(p.data())
	if n == 0 {
		f.giveBack(p.buf)
		return nil
	}
	if o.Tee != nil {
		if _, err := o.Tee.Write(p.data()); err != nil {
			return err
		}
	}
	if p.err != nil && *l == nil { // the whole stream fits the first buffer: no goroutines for it
		s.Write(p.data())
		f.giveBack(p.buf)
	} else {
		if *l == nil {
			*l = startLanes(s, f.giveBack)
		}
		(*l).add(p)
	}
	if o.Progress != nil {
		o.Progress(int64(n))
	}
	return nil
}

// lanes spread the hashes of one Sum over goroutines. Each lane sees every piece
// in order; the last to be done with a buffer gives it back.
type lanes struct {
	s        *Sum
	in       []chan *shared
	wg       sync.WaitGroup
	giveBack func(*buffer)
}

type shared struct {
	piece
	left atomic.Int32
}

// cost orders algorithms by the time they take, measured on one amd64 core with
// SHA extensions (nanoseconds a KiB, roughly). Only the split into lanes hangs on it.
func cost(a fixity.Algorithm) int {
	switch a {
	case fixity.MD5:
		return 1500
	case fixity.SHA1:
		return 620
	case fixity.SHA224, fixity.SHA256:
		return 700
	case fixity.SHA384, fixity.SHA512:
		return 2000
	}
	return 320
}

func startLanes(s *Sum, giveBack func(*buffer)) *lanes {
	const blocks = -1 // stands for the block sums among the indices of s.hashes
	n := max(1, min(runtime.GOMAXPROCS(0), len(s.hashes)))
	work := make([][]int, n)
	load := make([]int, n)
	order := make([]int, len(s.hashes))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cost(s.algs[b]) - cost(s.algs[a]) })
	for _, i := range append(order, blocks) { // the dearest first, each to the lane with the least
		k := slices.Index(load, slices.Min(load))
		work[k] = append(work[k], i)
		if i != blocks {
			load[k] += cost(s.algs[i])
		}
	}
	l := &lanes{s: s, giveBack: giveBack}
	for _, w := range work {
		in := make(chan *shared, maxBuffers)
		l.in = append(l.in, in)
		l.wg.Go(func() {
			for p := range in {
				for _, i := range w {
					if i == blocks {
						s.addBlocks(p.data())
					} else {
						s.hashes[i].Write(p.data())
					}
				}
				if p.left.Add(-1) == 0 {
					giveBack(p.buf)
				}
			}
		})
	}
	return l
}

func (l *lanes) add(p piece) {
	l.s.size += int64(len(p.data()))
	sh := &shared{piece: p}
	sh.left.Store(int32(len(l.in)))
	for _, in := range l.in {
		in <- sh
	}
}

// finish waits until every piece is hashed.
func (l *lanes) finish() {
	for _, in := range l.in {
		close(in)
	}
	l.wg.Wait()
}
