package care

import (
	"fmt"
	"hash/fnv"
	"time"

	"firmus/fixity"
	"firmus/fixity/policy"
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
func NextDue(c Copy, at time.Time, cache fixity.Cache, store policy.Store) time.Time {
	switch {
	case c.State != fixity.Intact && c.State != fixity.Behind && c.State != fixity.Editing:
		if store.ReadADay > 0 {
			return at
		}
		return Now
	case cache == fixity.Allowed:
		return Now
	case store.ReadWithin <= 0:
		return Never
	}
	return policy.NextDue(c.File, at, store.ReadWithin)
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

// sooner makes a copy due at the next audit; what is due ahead of that stays so.
func (c Copy) sooner() Copy {
	if c.Due.IsZero() || c.Due.UnixNano() < 0 {
		return c
	}
	c.Due = Now
	return c
}
