package digest

import (
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"firmus/fixity"
)

// lanes spread the hashes of one Sum over goroutines. Each lane sees every piece
// in order; the last to be done with a buffer gives it back.
type lanes struct {
	s     *Sum
	in    []chan *shared
	slots chan struct{} // one for each buffer in use
	wg    sync.WaitGroup
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

// startLanes takes over one count of working.
func startLanes(s *Sum) *lanes {
	const blocks = -1 // stands for the block sums among the indices of s.hashes
	n := max(1, min(runtime.GOMAXPROCS(0), len(s.hashes)))
	work := make([][]int, n)
	load := make([]int, n)
	order := make([]int, len(s.hashes))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cost(s.algs[b]) - cost(s.algs[a]) })
	if !s.noBlocks {
		order = append(order, blocks)
	}
	for _, i := range order { // the dearest first, each to the lane with the least
		k := slices.Index(load, slices.Min(load))
		work[k] = append(work[k], i)
		if i != blocks {
			load[k] += cost(s.algs[i])
		}
	}
	l := &lanes{s: s, slots: make(chan struct{}, maxBuffers-1)}
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
					p.giveBack()
					<-l.slots
				}
			}
		})
	}
	return l
}

// add waits until a buffer is free besides the one that it is given.
func (l *lanes) add(p piece) {
	l.slots <- struct{}{}
	l.s.size += int64(len(p.data()))
	sh := &shared{piece: p}
	sh.left.Store(int32(len(l.in)))
	for _, in := range l.in {
		in <- sh
	}
}

func (l *lanes) finish() {
	for _, in := range l.in {
		close(in)
	}
	l.wg.Wait()
	working.Add(-1)
}
