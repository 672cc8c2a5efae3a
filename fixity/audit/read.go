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
	r := &slice{a: a, s: s, until: until, began: time.Now(), last: time.Now()}
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
	until   time.Time
	began   time.Time // by the machine's monotonic clock: for the rate only
	last    time.Time // of the last commit
	bytes   int64
	cursor  string
	results []fixity.Result
	trouble string
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

// tooLong is the size of a file that can't be read by the slice's end at the rate
// measured so far. The first file is always read: it has the slice of its own.
func (r *slice) tooLong(d fixity.Due) int64 {
	if r.until.IsZero() || r.bytes == 0 {
		return 0
	}
	left := r.until.Sub(r.a.Now())
	rate := float64(r.bytes) / max(time.Since(r.began).Seconds(), 0.001)
	if left <= 0 || float64(d.Size)/rate > left.Seconds() {
		return max(d.Size, 1)
	}
	return 0
}

func (r *slice) commit(ctx context.Context, end, done bool) error {
	if err := r.a.Record.CommitReadings(ctx, r.s, r.cursor, r.results, end, done, r.trouble); err != nil {
		return err
	}
	r.s.Cursor, r.results, r.trouble, r.last = r.cursor, nil, "", time.Now()
	return nil
}

// one reads one copy or stray. What keeps it from being read for another reason
// than the medium's is noted and isn't an error: it stays due.
func (r *slice) one(ctx context.Context, d fixity.Due) error {
	x, err := r.a.readOne(ctx, r.s, d)
	switch {
	case err == nil:
		r.results = append(r.results, x)
		r.bytes += x.Size
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
	return nil
}
