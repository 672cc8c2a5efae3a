package reels

import (
	"context"
	"errors"
	"sort"
	"sync"
	"time"

	"firmus/fixity/ledger"
)

// Key is a side's place in the order of all.
type Key struct{ Item, Side string }

func (k Key) after(o Key) bool { return k.Item > o.Item || k.Item == o.Item && k.Side > o.Side }

// Overview is what comes next with every side, counted at one time.
type Overview struct {
	At     time.Time
	Plan   Plan
	Items  int64
	Counts map[Next]int64
	keys   []Key
	nexts  []Next
	files  []int32 // of the side's item
}

// Sides is how many there are.
func (o *Overview) Sides() int64 { return int64(len(o.keys)) }

// mostFiles is how many files the items of a page of sides have, but for the last one: they
// are read for it.
const mostFiles = 600

// Page gives up to n keys of sides behind one, of those with whom something comes next, ""
// all; more says that others follow. Of sides with very many files it gives fewer.
func (o *Overview) Page(next Next, after Key, n int) (keys []Key, more bool) {
	i, files := 0, 0
	if after != (Key{}) {
		i = sort.Search(len(o.keys), func(i int) bool { return o.keys[i].after(after) })
	}
	for ; i < len(o.keys); i++ {
		if next != "" && o.nexts[i] != next {
			continue
		}
		if len(keys) == n || files > mostFiles {
			return keys, true
		}
		if k := len(keys); k == 0 || keys[k-1].Item != o.keys[i].Item {
			files += int(o.files[i])
		}
		keys = append(keys, o.keys[i])
	}
	return keys, false
}

// Look makes the overview of a ledger.
func Look(ctx context.Context, l *ledger.Ledger, plan func(*ledger.Tx) (Plan, error), now time.Time) (*Overview, error) {
	o := &Overview{At: now, Counts: map[Next]int64{}}
	var files []ledger.Working
	if err := l.View(ctx, func(t *ledger.Tx) (err error) {
		if o.Plan, err = plan(t); err != nil {
			return err
		}
		files, err = t.Files.AllWorking()
		return err
	}); err != nil {
		return nil, err
	}
	of := map[string]int32{}
	for _, f := range files {
		of[f.File.Item]++
	}
	last := ""
	for _, s := range o.Plan.SidesOf(files) {
		if o.keys = append(o.keys, Key{s.Item, s.Side}); o.Items == 0 || s.Item != last {
			o.Items++
		}
		last = s.Item
		o.nexts, o.files = append(o.nexts, s.Next), append(o.files, of[s.Item])
		o.Counts[s.Next]++
	}
	return o, nil
}

// Counter keeps an overview and counts anew when the record has gone on, never while
// somebody waits who can be given an earlier count, and never so often that counting takes
// more than a small part of the time.
type Counter struct {
	// Count makes the overview; Mark changes when the ledger has.
	Count func(context.Context) (*Overview, error)
	Mark  func(context.Context) (int64, error)
	// Run begins something that outlives a request, and doesn't wait for it.
	Run func(func(context.Context))

	mu    sync.Mutex
	now   *Overview
	mark  int64
	took  time.Duration
	ended time.Time
	going *counting // nil: nobody counts
}

// counting is a count that goes on.
type counting struct {
	done chan struct{}
	o    *Overview
	err  error
}

// ErrCounting says that the first count goes on, and takes longer than somebody waits.
var ErrCounting = errors.New("the sides are being counted for the first time")

const (
	// quick is how long counting may take while somebody waits for it.
	quick = 20 * time.Millisecond
	// rest is how many times as long as it took counting rests at least.
	rest = 20
	// first is how long is waited for the first count.
	first = time.Second
)

// Overview is the newest one, counted now if there is none yet, or if that is quick. Where
// the first count takes longer than a second the error is ErrCounting, and it goes on.
func (c *Counter) Overview(ctx context.Context) (*Overview, error) {
	mark, err := c.Mark(ctx)
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	now := c.now
	if now != nil && (c.mark == mark || c.going != nil || time.Since(c.ended) <= rest*c.took) {
		c.mu.Unlock()
		return now, nil
	}
	g := c.begin(mark)
	slow := now != nil && c.took > quick
	c.mu.Unlock()
	if slow {
		return now, nil
	}
	t := time.NewTimer(first)
	defer t.Stop()
	select {
	case <-g.done:
		return g.o, g.err
	case <-t.C:
		if now != nil {
			return now, nil
		}
		return nil, ErrCounting
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Newest is the newest one there is, without waiting; nil if the first count goes on. What
// is out of date is counted anew.
func (c *Counter) Newest(ctx context.Context) (*Overview, error) {
	mark, err := c.Mark(ctx)
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now == nil || c.mark != mark && time.Since(c.ended) > rest*c.took {
		c.begin(mark)
	}
	return c.now, nil
}

// begin has it counted, once at a time. c.mu is held.
func (c *Counter) begin(mark int64) *counting {
	if c.going != nil {
		return c.going
	}
	g := &counting{done: make(chan struct{})}
	c.going = g
	c.Run(func(ctx context.Context) {
		began := time.Now()
		g.o, g.err = c.Count(ctx)
		c.mu.Lock()
		c.going, c.ended, c.took = nil, time.Now(), time.Since(began)
		if g.err == nil {
			c.now, c.mark = g.o, mark
		}
		c.mu.Unlock()
		close(g.done)
	})
	return g
}
