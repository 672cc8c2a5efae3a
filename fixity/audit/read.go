package audit

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
)

// What has been read is committed when it is so many files, or so old: a kill
// loses no more than that.
const (
	commitFiles = 500
	commitAfter = 200 * time.Millisecond
)

// read reads what is due in a shard.
func (a *Auditor) read(ctx context.Context, s fixity.Shard, until time.Time) (Left, error) {
	r := &slice{a: a, s: s, until: until, last: time.Now(), roots: map[fixity.Cache]Store{}}
	left, err := r.run(ctx)
	if err == nil {
		return left, nil
	}
	if errors.Is(err, fixity.ErrLost) {
		return Left{}, err
	}
	// What was read is not lost with the reason to stop.
	keep, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	return Left{}, errors.Join(err, r.commit(keep, true, false))
}

type slice struct {
	a       *Auditor
	s       fixity.Shard
	roots   map[fixity.Cache]Store
	until   time.Time
	last    time.Time // of the last commit, by the machine's monotonic clock
	rate    rate
	cursor  string
	results []fixity.Result
	trouble string
}

// root opens the shard's root once for each treatment of the page cache: what is
// stuck on a dead mount is then known to the next file.
func (r *slice) root(c fixity.Cache) (Store, error) {
	if st := r.roots[c]; st != nil {
		return st, nil
	}
	st, err := r.a.Open(r.s.Store, r.s.Set, c)
	if err == nil {
		r.roots[c] = st
	}
	return st, err
}

// rate is how fast a store gives its bytes. Files that are smaller than rateLeast
// say how fast it opens files.
type rate struct {
	bytes int64
	took  time.Duration
}

const rateLeast = 1 << 20

func (r *rate) add(bytes int64, took time.Duration) {
	if bytes >= rateLeast {
		r.bytes, r.took = r.bytes+bytes, r.took+took
	}
}

// lasts is how long a file will take to read, 0 while that isn't known.
func (r *rate) lasts(size int64) time.Duration {
	if r.bytes == 0 || size <= 0 {
		return 0
	}
	return time.Duration(float64(size) / float64(r.bytes) * float64(r.took))
}

func (r *slice) run(ctx context.Context) (Left, error) {
	r.cursor = r.s.Cursor
	for {
		at := r.s
		at.Cursor = r.cursor
		page, err := r.a.Record.Due(ctx, at, pageSize)
		if err != nil {
			return Left{}, err
		}
		for _, d := range page {
			if long := r.tooLong(d); long > 0 {
				return Left{Longest: long}, r.commit(ctx, true, false)
			}
			if err := r.one(ctx, d); err != nil {
				return Left{}, err
			}
			r.cursor = d.Path
			if len(r.results) >= commitFiles || time.Since(r.last) >= commitAfter {
				if err := r.commit(ctx, false, false); err != nil {
					return Left{}, err
				}
			}
		}
		if len(page) < pageSize {
			return Left{Done: true}, r.commit(ctx, true, true)
		}
	}
}

// tooLong is the size of a file that can't be read by the slice's end, 0 if it
// can, or if the store's rate isn't known yet.
func (r *slice) tooLong(d fixity.Due) int64 {
	if r.until.IsZero() {
		return 0
	}
	if left := r.until.Sub(r.a.Now()); left <= 0 || r.rate.lasts(d.Size) > left {
		return max(d.Size, 1)
	}
	return 0
}

func (r *slice) commit(ctx context.Context, end, done bool) error {
	if err := r.a.Record.CommitReadings(ctx, r.s, r.cursor, r.results, end, done, r.trouble); err != nil {
		return err
	}
	r.s.Attempt++
	r.s.Cursor, r.results, r.trouble, r.last = r.cursor, nil, "", time.Now()
	return nil
}

// one reads one copy or stray. What keeps it from being read for another reason
// than the medium's is noted and isn't an error: it stays due.
func (r *slice) one(ctx context.Context, d fixity.Due) error {
	began := time.Now()
	x, err := r.readOne(ctx, d)
	switch {
	case err == nil:
		r.results = append(r.results, x)
		r.rate.add(x.Size, time.Since(began))
		return nil
	case context.Cause(ctx) != nil:
		return context.Cause(ctx)
	case errors.Is(err, fixity.ErrAway):
		return err
	}
	text := fmt.Sprintf("%q was not read: %v", d.Path, err)
	if r.a.Watch.Note != nil {
		r.a.Watch.Note(r.s, text)
	}
	r.trouble = text
	if d.File != 0 {
		r.results = append(r.results, fixity.Result{Path: d.Path, File: d.File, NotRead: true})
	}
	return nil
}
