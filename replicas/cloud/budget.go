package cloud

import (
	"fmt"
	"sync"
	"time"
)

// Budget bounds how many bytes are read a day: services charge for more, or
// refuse it. Days are those of UTC. Several stores may share one. A nil *Budget
// bounds nothing.
//
// A file that was begun is read to its end. One that is longer than a whole day's
// bytes is begun only while nothing else was read that day, so that it is read
// at all.
type Budget struct {
	perDay int64
	now    func() time.Time
	mu     sync.Mutex
	day    int64 // days since 1970
	used   int64
}

// NewBudget allows perDay bytes a day; 0 allows any number, and counts.
func NewBudget(perDay int64, now func() time.Time) *Budget {
	return &Budget{perDay: perDay, now: now}
}

// Used is how many bytes were read, or are promised to a read, today.
func (b *Budget) Used() int64 {
	if b == nil {
		return 0
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.turn()
	return b.used
}

// Note counts n bytes that were read at a time by an earlier process.
func (b *Budget) Note(at time.Time, n int64) {
	if b == nil {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.turn()
	if dayOf(at) == b.day {
		b.used += n
	}
}

// take promises n bytes to a read, or fails with ErrTomorrow. The day is for
// giving back what was not read.
func (b *Budget) take(n int64) (day int64, err error) {
	if b == nil {
		return 0, nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.turn()
	if b.perDay > 0 && b.used > 0 && b.used+n > b.perDay {
		return 0, fmt.Errorf("%w: %d of the %d bytes allowed a day are read, and this file has %d", ErrTomorrow, b.used, b.perDay, n)
	}
	b.used += n
	return b.day, nil
}

// giveBack returns n promised bytes that were not read; on a later day there is
// nothing to give back to.
func (b *Budget) giveBack(day, n int64) {
	if b == nil {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.turn()
	if day == b.day {
		b.used = max(b.used-n, 0)
	}
}

func (b *Budget) turn() {
	if d := dayOf(b.now()); d != b.day {
		b.day, b.used = d, 0
	}
}

func dayOf(t time.Time) int64 { return t.Unix() / 86400 }
