package stores

import (
	"context"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"time"

	"firmus/fixity"
)

// mostReaders are as many as keep a drive without a spindle busy, and the processors.
const mostReaders = 4

// Readers is how many files of the store are best read side by side: as many as its limits
// say; else one, since a spindle goes to and fro between several; or, without a spindle, as
// many as there are processors. What the system doesn't call solid is tried: it calls the
// disks of virtual machines and many on USB rotating, and says nothing of shares and of
// memory.
func (u *Used) Readers() int {
	switch {
	case u.limits.Readers > 0:
		return u.limits.Readers
	case u.s.kind(u.Rule.Name) != diskKind || u.beside || runtime.GOMAXPROCS(0) == 1:
		return 1
	}
	t, drive := u.s.turns(), u.Drive()
	t.mu.Lock()
	solid, known := t.solid[drive]
	t.mu.Unlock()
	if !known {
		ctx, cancel := context.WithTimeout(u.ctx, deviceWithin)
		defer cancel()
		solid = u.s.Solid != nil && u.s.Solid(ctx, u.Rule.Name)
		known = solid
		if !solid {
			solid, known = u.answersAtOnce(ctx)
		}
		if known {
			t.mu.Lock()
			if t.solid == nil {
				t.solid = map[string]bool{}
			}
			t.solid[drive] = solid
			t.mu.Unlock()
		}
	}
	if !solid {
		return 1
	}
	return min(runtime.GOMAXPROCS(0), mostReaders)
}

// A spindle turns once in 4 to 11 ms (15,000 to 5,400 a minute), and its head takes as long
// to a place far off: half a turn is the least that a read at any place takes on the average.
// Without one it takes a fifth of a millisecond, on USB, too (common practice).
const (
	atOnce   = time.Millisecond
	tries    = 9
	fewTries = 5       // fewer say nothing
	farApart = 1 << 20 // bytes: a file so long has places that lie apart
)

// answersAtOnce reads a little at places far apart, past the page cache, and says whether
// most came at once. known is false if the store holds too little for that.
func (u *Used) answersAtOnce(ctx context.Context) (solid, known bool) {
	var took []time.Duration
	for _, set := range u.Rule.Sets {
		root, err := u.Root(set, fixity.Bypassed)
		if err != nil {
			continue
		}
		shards, err := root.Shards(ctx)
		if err != nil {
			continue // it is away, or not here as yet
		}
		for i := range tries {
			if k := i * len(shards) / tries; i == 0 || k != (i-1)*len(shards)/tries {
				took = append(took, tryShard(ctx, root, shards[k], max(1, tries/len(shards)))...)
			}
		}
	}
	if len(took) < fewTries {
		return false, false
	}
	slices.Sort(took)
	return took[len(took)/2] < atOnce, true
}

// tryShard reads at up to n places of the first long file of a shard.
func tryShard(ctx context.Context, root Root, shard string, n int) (took []time.Duration) {
	seen := 0
	for e, err := range root.List(ctx, shard) {
		if seen++; err != nil || seen > 100 {
			return nil
		}
		if e.Type != fixity.File || e.Size < farApart {
			continue
		}
		b := make([]byte, 4096)
		for range n {
			// Elsewhere each time: a drive remembers what it was asked for last.
			at := rand.Int64N(e.Size) &^ 4095
			r, err := root.Open(ctx, e, at)
			if err != nil {
				return took
			}
			began := time.Now()
			_, err = io.ReadFull(r, b)
			d := time.Since(began)
			r.Close()
			if err != nil && err != io.ErrUnexpectedEOF {
				return took
			}
			took = append(took, d)
		}
		return took
	}
	return nil
}
