package reels

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"
	"sort"
	"sync"
	"time"

	"firmus/fixity/ledger"
)

// Key is a side's place in the order of all.
type Key struct{ Item, Side string }

// Filter says which sides are asked for; the zero value is all.
type Filter struct {
	Next Next
	Only Only
	Base string
}

// Only are sides of which the register says something that matters. Pages have it in their
// addresses: never change one.
type Only string

// What may be asked for.
const (
	OnlyOnce      Only = "once"      // can't be transferred again
	OnlyTreatment Only = "treatment" // in treatment
	OnlyPriority  Only = "priority"  // to be transferred sooner
)

// Onlys are all, in the order in which they are shown.
var Onlys = []Only{OnlyOnce, OnlyTreatment, OnlyPriority}

// Words say what sides it means.
func (o Only) Words() string {
	switch o {
	case OnlyOnce:
		return "that can't be transferred again"
	case OnlyTreatment:
		return "in treatment"
	case OnlyPriority:
		return "to be transferred sooner"
	}
	return ""
}

// Of says that the side is one of them.
func (o Only) Of(s Side) bool {
	switch o {
	case OnlyOnce:
		return s.Once
	case OnlyTreatment:
		return s.InTreatment()
	case OnlyPriority:
		return s.rank() == sooner
	}
	return true
}

// Fits says that the side is asked for.
func (f Filter) Fits(s Side) bool {
	return (f.Next == "" || f.Next == s.Next) && f.Only.Of(s) && (f.Base == "" || s.Says != nil && s.Says.Base == f.Base)
}

// Overview is what comes next with every side, counted at one time.
type Overview struct {
	At     time.Time
	Plan   Plan
	Items  int64
	Counts map[Next]int64
	Only   map[Only]int64
	Bases  map[string]int64 // by what the register says
	keys   []Key
	at     map[Key]int
	told   []told
	files  []int32 // of the side's item
	first  int     // how many come before the order of their numbers
}

// told is what a filter asks of a side.
type told struct {
	next Next
	base string
	only [3]bool // as Onlys
}

func (x told) fits(f Filter) bool {
	i := slices.Index(Onlys, f.Only)
	return (f.Next == "" || f.Next == x.next) && (f.Base == "" || f.Base == x.base) && (i < 0 || x.only[i])
}

// Sides is how many there are.
func (o *Overview) Sides() int64 { return int64(len(o.keys)) }

// Unsided says that no name of a file and no row of the register tells a side: each reel
// stands as one.
func (o *Overview) Unsided() bool {
	return !slices.ContainsFunc(o.keys, func(k Key) bool { return k.Side != "" })
}

// mostFiles is how many files the items of a page of sides have, but for the last one: they
// are read for it.
const mostFiles = 600

// Page gives up to n keys of sides behind one, of those that are asked for; more says that
// others follow. Of sides with very many files it gives fewer.
func (o *Overview) Page(f Filter, after Key, n int) (keys []Key, more bool) {
	i, files := 0, 0
	if after != (Key{}) {
		if at, ok := o.at[after]; ok {
			i = at + 1
		} else { // it is gone; those that come first were seen already
			i = sort.Search(len(o.keys), func(i int) bool {
				return i >= o.first && cmp.Or(cmp.Compare(o.keys[i].Item, after.Item), cmp.Compare(o.keys[i].Side, after.Side)) > 0
			})
		}
	}
	for ; i < len(o.keys); i++ {
		if !o.told[i].fits(f) {
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

// Reader reads sides with all their copies, an item once.
type Reader struct {
	Plan Plan
	have map[string][]Side
}

// Item are the sides of an item, with what the register says of them.
func (r *Reader) Item(t *ledger.Tx, item string) ([]Side, error) {
	if sides, ok := r.have[item]; ok {
		return sides, nil
	}
	files, err := t.Files.OfItemWorking(item)
	if err != nil {
		return nil, err
	}
	says, err := t.Register.Says(item)
	if err != nil {
		return nil, err
	}
	p := r.Plan
	if p.Said, err = SaidOf(says); err != nil {
		return nil, err
	}
	if r.have == nil {
		r.have = map[string][]Side{}
	}
	r.have[item] = p.SidesOf(files)
	return r.have[item], nil
}

// Side is one of them; ok is false if it is there no more.
func (r *Reader) Side(t *ledger.Tx, k Key) (s Side, ok bool, err error) {
	sides, err := r.Item(t, k.Item)
	for _, s := range sides {
		if s.Side == k.Side {
			return s, true, err
		}
	}
	return s, false, err
}

// Look makes the overview of a ledger.
func Look(ctx context.Context, l *ledger.Ledger, plan func(*ledger.Tx) (Plan, error), now time.Time) (*Overview, error) {
	return look(ctx, l, plan, now, nil)
}

// Whole makes the overview of a ledger, and calls each for all sides, with what every store has
// of them: by item, those of which no file is there last. Overview.Place has their order.
func Whole(ctx context.Context, l *ledger.Ledger, plan func(*ledger.Tx) (Plan, error), now time.Time, each func(Plan, Side) error) (*Overview, error) {
	return look(ctx, l, plan, now, each)
}

func look(ctx context.Context, l *ledger.Ledger, plan func(*ledger.Tx) (Plan, error), now time.Time, each func(Plan, Side) error) (o *Overview, err error) {
	type one struct {
		Key
		told
		rank  int
		files int32
	}
	var all []one
	err = l.View(ctx, func(t *ledger.Tx) (err error) {
		o = &Overview{At: now, Counts: map[Next]int64{}, Only: map[Only]int64{}, Bases: map[string]int64{}, at: map[Key]int{}}
		all = nil
		if o.Plan, err = plan(t); err != nil {
			return err
		}
		says, err := t.Register.AllSays()
		if err != nil {
			return err
		}
		if o.Plan.Said, err = SaidOf(says); err != nil {
			return err
		}
		last := ""
		return o.Plan.each(t, each != nil, func(s Side, files int32) error {
			x := one{Key{s.Item, s.Side}, told{next: s.Next}, s.rank(), files}
			if s.Says != nil {
				x.base = s.Says.Base
			}
			for i, only := range Onlys {
				if x.only[i] = only.Of(s); x.only[i] {
					o.Only[only]++
				}
			}
			if x.base != "" {
				o.Bases[x.base]++
			}
			if s.Item != last || len(all) == 0 {
				last = s.Item
				o.Items++
			}
			o.Counts[s.Next]++
			all = append(all, x)
			if each == nil {
				return nil
			}
			return each(o.Plan, s)
		})
	})
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(all, func(a, b one) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Side, b.Side))
	})
	for i, x := range all {
		if x.rank < usual {
			o.first++
		}
		o.at[x.Key] = i
		o.keys, o.told, o.files = append(o.keys, x.Key), append(o.told, x.told), append(o.files, x.files)
	}
	o.Plan.Said = nil // pages read that of their own reels
	return o, nil
}

// each calls each for all sides, with how many files their item has: those of an item one after
// another, by item, and those of which no file is there last.
func (p Plan) each(t *ledger.Tx, whole bool, each func(Side, int32) error) error {
	rest := p
	rest.Said = maps.Clone(p.Said)
	give := func(p Plan, files []ledger.Working) error {
		of := map[string]int32{}
		for _, f := range files {
			of[f.File.Item]++
		}
		sides := p.SidesOf(files)
		slices.SortStableFunc(sides, func(a, b Side) int { return cmp.Or(cmp.Compare(a.Item, b.Item), cmp.Compare(a.Side, b.Side)) })
		for _, s := range sides {
			if err := each(s, of[s.Item]); err != nil {
				return err
			}
		}
		return nil
	}
	if err := t.Files.EachWorking(whole, func(files []ledger.Working) error {
		part := p
		part.Said = Said{}
		for _, f := range files {
			if says, ok := rest.Said[f.File.Item]; ok {
				part.Said[f.File.Item] = says
				delete(rest.Said, f.File.Item)
			}
		}
		return give(part, files)
	}); err != nil {
		return err
	}
	return give(rest, nil)
}

// Place is where a side stands in the order of all.
func (o *Overview) Place(k Key) int { return o.at[k] }

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
