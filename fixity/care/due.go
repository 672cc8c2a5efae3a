package care

import (
	"fmt"
	"hash/fnv"
	"time"

	"firmus/fixity"
)

// Never is a due time that doesn't come; AtOnce is due ahead of all that is merely
// due; Now is due at the next audit.
var (
	Never  = time.Unix(0, 1<<62).UTC()
	AtOnce = time.Unix(0, -1).UTC()
	Now    = time.Time{}
)

// NextDue is when a copy that was read at a time, with the cache so treated, should
// be read again. Damage is looked at again in each audit, so that putting it right
// shows, also where size and time stay the same. If a day's bytes are bounded, it
// comes after what was not looked at yet. A reading that the cache may have answered
// satisfies no promise.
func NextDue(c Copy, at time.Time, cache fixity.Cache, store Store) time.Time {
	switch {
	case !ReadInTurn(c.State):
		if store.ReadADay > 0 {
			return at
		}
		return Now
	case cache == fixity.Allowed:
		return Now
	case store.ReadWithin <= 0:
		return Never
	}
	return ReadAgain(c.File, at, store.ReadWithin)
}

// FirstReading is when a copy that a service reports right is first read: spread over
// nine tenths of the promise, so that a new store isn't downloaded in one night.
func FirstReading(file int64, now time.Time, within time.Duration) time.Time {
	if within <= 0 {
		return Never
	}
	h := fnv.New32a()
	fmt.Fprintf(h, "first %d", file)
	return now.Add(time.Duration(float64(within) * 0.9 * float64(h.Sum32()%1000) / 1000)).UTC()
}

// Turn is which copies an audit reads, by when they are due.
type Turn struct {
	UpTo   time.Time // what is due by then
	Beyond time.Time // and what is due after that, Never aside: a clock that was wrong has set that
}

// TurnOf is the turn of an audit at a time, of a store with a promise to read (0: none).
// full reads everything; ahead only what is due ahead of its turn.
func TurnOf(full, ahead bool, promise time.Duration, now time.Time) Turn {
	switch {
	case full:
		return Turn{Never, Never}
	case ahead:
		return Turn{AtOnce, Never}
	case promise <= 0:
		return Turn{now, Never}
	}
	return Turn{now, now.Add(promise)}
}

// Has says that a copy which is due at a time is read.
func (t Turn) Has(due time.Time) bool {
	return rank(due) <= rank(t.UpTo) || rank(due) > rank(t.Beyond) && rank(due) < rank(Never)
}

// DueAtOnce says that a copy is due ahead of all that is merely due.
func (c Copy) DueAtOnce() bool { return rank(c.Due) < rank(Now) }

// DueNow says that what was known of a copy's bytes may not be so any more, or that somebody
// wants them read.
func (c Copy) DueNow() bool { return rank(c.Due) <= rank(Now) }

// ReadAtOnce says that a copy is read as soon as its store is used. Of what is gone or
// elsewhere a listing must tell.
func (c Copy) ReadAtOnce() bool {
	return c.DueAtOnce() && c.Lies()
}

// MayRunAhead says whether what is due ahead of its turn may be read of a store with a
// bound of bytes a day, of which so many were read. It may until twice the bound: a drive
// that dies, or a program that exchanges everything, would else have a whole store fetched
// in one night.
func MayRunAhead(store Store, read int64) bool { return store.ReadADay <= 0 || read < 2*store.ReadADay }

// Cost is how many bytes reading a copy in a state takes: what is wrong is read twice.
func Cost(s fixity.State, size int64) int64 {
	if s.Damaged() {
		return 2 * size
	}
	return size
}

// rank orders due times: AtOnce, Now, then the others as they come.
func rank(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

// dueBy makes a copy due at a time, unless it is due before.
func (c Copy) dueBy(t time.Time) Copy {
	if rank(c.Due) > rank(t) {
		c.Due = t
	}
	return c
}
