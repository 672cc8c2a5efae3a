package audit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"firmus/fixity"
)

// What has been read is committed when it is so many files, or so old: a kill
// loses no more than that.
const (
	commitFiles = 500
	commitAfter = 200 * time.Millisecond
)

// read reads what is due in the shards that all gives. This goroutine goes through them and
// has their files read, several side by side, in goroutines of their own; another one keeps
// what comes of it. So what lies in many small folders is read as fast, and committed as
// seldom, as what lies in one.
//
// Files are begun in the order of shards and paths. What was read is committed as soon as
// it is known, and the cursor stays before the first file that is still being read. Who
// takes the shard up then reads none of the others again: they are marked as read.
func (a *Auditor) read(ctx context.Context, all func(yield func(fixity.Shard) error) error) error {
	n := 1
	if a.Readers != nil {
		n = max(a.Readers(), 1)
	}
	r := &run{a: a, turn: make(chan struct{}, n), slots: make(chan struct{}, max(n, 2)), done: make(chan finished, commitFiles), roots: map[rootKey]Store{}}
	r.ctx, r.stop = context.WithCancelCause(ctx)
	defer r.stop(nil)
	k := &keeper{run: r, open: map[*slice]bool{}}
	kept := make(chan error, 1)
	go func() { kept <- k.keep() }()
	if err := all(r.shard); err != nil && !errors.Is(err, errEnough) {
		r.stop(err)
	}
	r.wg.Wait()
	close(r.done)
	err := <-kept
	if cause := context.Cause(r.ctx); cause != nil && !errors.Is(err, cause) {
		return errors.Join(cause, err)
	}
	return err
}

// run is what the goroutines of one read share.
type run struct {
	a     *Auditor
	ctx   context.Context // ends with the first error
	stop  context.CancelCauseFunc
	slots chan struct{} // one for each file that is worked on
	turn  chan struct{} // one for each of them whose bytes are being read
	done  chan finished // to the keeper
	wg    sync.WaitGroup

	mu    sync.Mutex
	roots map[rootKey]Store
}

type rootKey struct {
	store, set string
	cache      fixity.Cache
}

// root opens a root once for each treatment of the page cache: what is stuck on a dead
// mount is then known to the next file.
func (r *run) root(s fixity.Shard, c fixity.Cache) (Store, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	key := rootKey{s.Store, s.Set, c}
	if st := r.roots[key]; st != nil {
		return st, nil
	}
	st, err := r.a.Open(s.Store, s.Set, c)
	if err == nil {
		r.roots[key] = st
	}
	return st, err
}

// slice is a shard that is being read. All but s as it was claimed is the keeper's.
type slice struct {
	s       fixity.Shard
	cursor  string
	next    int            // file; all before it are finished
	early   map[int]string // paths of those after it that are finished
	end     int            // how many files there are; -1 until that is known
	results []fixity.Result
	trouble string
}

// finished is one file of a slice, or that no more than n come.
type finished struct {
	of     *slice
	n      int
	end    bool
	path   string
	result *fixity.Result // nil: nothing is known of it
	note   string
}

// shard begins the files of a shard.
func (r *run) shard(s fixity.Shard) error {
	sl := &slice{s: s, cursor: s.Cursor, end: -1, early: map[int]string{}}
	n := 0
	for at := s; ; {
		page, err := r.a.Record.Due(r.ctx, at, pageSize)
		if err != nil {
			return err
		}
		for _, d := range page {
			if r.a.enough(d.Size) {
				return errEnough
			}
			for _, place := range []chan struct{}{r.slots, r.turn} {
				select {
				case place <- struct{}{}:
				case <-r.ctx.Done():
					return context.Cause(r.ctx)
				}
			}
			if r.ctx.Err() != nil {
				return context.Cause(r.ctx)
			}
			f := finished{of: sl, n: n, path: d.Path}
			r.wg.Go(func() {
				defer func() { <-r.slots }()
				if r.one(&reader{run: r, s: s, turn: true}, d, &f) {
					r.done <- f
				}
			})
			n, at.Cursor = n+1, d.Path
		}
		if len(page) < pageSize {
			r.done <- finished{of: sl, n: n, end: true}
			return nil
		}
	}
}

// one reads one copy or stray, whose turn it is. What keeps it from being read for another
// reason than the medium's is noted and isn't an error: it stays due. false: the run ends.
func (r *run) one(as *reader, d fixity.Due, f *finished) bool {
	defer as.giveTurn()
	x, err := as.readOne(r.ctx, d)
	switch {
	case err == nil:
		f.result = &x
	case r.ctx.Err() != nil:
		return false
	case errors.Is(err, fixity.ErrAway):
		r.stop(err)
		return false
	case errors.Is(err, fixity.ErrNotNow) && !as.s.Full:
		// Its turn has come, and nobody can take it: the promise to read it says until when a
		// person should see to that. Who orders that all be read is told that it wasn't.
		f.result = &fixity.Result{Path: d.Path, File: d.File, NotRead: true, NotNow: true}
	default:
		f.note = fmt.Sprintf("%q was not read: %v", d.Path, err)
		if d.File != 0 {
			f.result = &fixity.Result{Path: d.Path, File: d.File, NotRead: true}
		}
	}
	return true
}

// reader reads one file, as often as is needed.
type reader struct {
	*run
	s    fixity.Shard
	turn bool // it is its turn
}

func (r *reader) takeTurn() error {
	if r.turn {
		return nil
	}
	select {
	case r.run.turn <- struct{}{}:
		r.turn = true
		return nil
	case <-r.ctx.Done():
		return context.Cause(r.ctx)
	}
}

func (r *reader) giveTurn() {
	if r.turn {
		r.turn = false
		<-r.run.turn
	}
}

// keeper commits what was read.
type keeper struct {
	*run
	open    map[*slice]bool // begun, and not committed to their end
	waiting []*slice        // of them, those of which there is something to commit
	files   int             // results that wait
	last    time.Time       // of the last commit, by the machine's monotonic clock
}

// keep ends when no more comes. Then all that was read is in the ledger, also after an error,
// which it gives if it was the ledger's.
func (k *keeper) keep() error {
	k.last = time.Now()
	for {
		var due <-chan time.Time
		if len(k.waiting) > 0 {
			due = time.After(commitAfter - time.Since(k.last))
		}
		select {
		case f, more := <-k.done:
			if more {
				k.note(f)
				break
			}
			if context.Cause(k.ctx) == nil {
				return k.commit(k.ctx, true)
			}
			// What was read is not lost with the reason to stop.
			keep, cancel := context.WithTimeout(context.WithoutCancel(k.ctx), 5*time.Second)
			defer cancel()
			return k.commit(keep, true)
		case <-due:
		}
		if len(k.waiting) > 0 && (k.files >= commitFiles || time.Since(k.last) >= commitAfter) && k.ctx.Err() == nil {
			if err := k.commit(k.ctx, false); err != nil {
				k.stop(err)
			}
		}
	}
}

func (k *keeper) note(f finished) {
	sl := f.of
	k.open[sl] = true
	if f.end {
		sl.end = f.n
	} else {
		sl.early[f.n] = f.path
	}
	for path, ok := sl.early[sl.next]; ok; path, ok = sl.early[sl.next] {
		delete(sl.early, sl.next)
		sl.cursor, sl.next = path, sl.next+1
	}
	if f.result != nil {
		sl.results = append(sl.results, *f.result)
		k.files++
	}
	if f.note != "" {
		sl.trouble = f.note
		k.a.Progress.note(sl.s, f.note)
	}
	if (len(sl.results) > 0 || sl.trouble != "" || sl.end == sl.next) && !slices.Contains(k.waiting, sl) {
		k.waiting = append(k.waiting, sl)
	}
}

// commit writes what waits, and with end closes all slices. The shards that another process
// was faster with are left to it; then the error is fixity.ErrLost, after the others were
// committed.
func (k *keeper) commit(ctx context.Context, end bool) error {
	if end {
		k.waiting = k.waiting[:0]
		for sl := range k.open {
			k.waiting = append(k.waiting, sl)
		}
	}
	// Findings are numbered in the order of folders, however their files took their turns.
	slices.SortFunc(k.waiting, func(a, b *slice) int { return cmp.Or(cmp.Compare(a.s.Set, b.s.Set), cmp.Compare(a.s.Top, b.s.Top)) })
	var lost error
	for len(k.waiting) > 0 {
		var all []fixity.Readings
		for _, sl := range k.waiting {
			slices.SortFunc(sl.results, func(a, b fixity.Result) int { return strings.Compare(a.Path, b.Path) })
			done := sl.end == sl.next
			all = append(all, fixity.Readings{Shard: sl.s, Cursor: sl.cursor, Results: sl.results, End: end || done, Done: done, Trouble: sl.trouble})
		}
		err := k.a.Record.CommitReadings(ctx, all...)
		var of *fixity.LostError
		if errors.As(err, &of) {
			lost = err
			k.waiting = slices.DeleteFunc(k.waiting, func(sl *slice) bool {
				if sl.s.ID != of.Shard {
					return false
				}
				delete(k.open, sl)
				return true
			})
			continue
		}
		if err != nil {
			return errors.Join(lost, err)
		}
		for i, sl := range k.waiting {
			sl.s.Attempt++
			sl.s.Cursor, sl.results, sl.trouble = sl.cursor, nil, ""
			if all[i].End {
				delete(k.open, sl)
			}
		}
		k.waiting = nil
	}
	k.files, k.last = 0, time.Now()
	return lost
}
