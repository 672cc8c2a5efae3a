package care

import (
	"hash/fnv"
	"time"

	"firmus/fixity"
)

// ReadAgain is when a copy that was last read at last should be read again, so that
// it is read within the promise. The share of the promise that passes, 0.5 to 0.9,
// comes from a hash of the file's id, so that what was first read in one night
// doesn't all come due in one. A promise of 0 is none: the zero time.
func ReadAgain(file int64, last time.Time, within time.Duration) time.Time {
	if within <= 0 {
		return time.Time{}
	}
	h := fnv.New32a()
	var b [8]byte
	for i := range b {
		b[i] = byte(file >> (8 * i))
	}
	h.Write(b[:])
	share := 0.5 + 0.4*float64(h.Sum32()%1000)/1000
	return last.Add(time.Duration(float64(within) * share))
}

// LateGrace is how long after a broken promise it becomes a finding: a nightly
// schedule can't do better than a day. *Common practice.*
const LateGrace = 24 * time.Hour

// Waited says that a promise that began at since is over at now. A since in the
// future (the clock was wrong then) counts from now.
func Waited(since, now time.Time, promise time.Duration) bool {
	return now.Sub(since) > promise
}

// InWindow says that an access file whose last change was seen at changed is
// inside its editing window at now. A change in the future (the clock was wrong)
// counts as now.
func InWindow(set Set, finished bool, changed, now time.Time) bool {
	return set.Role == fixity.Access && !finished && now.Sub(changed) < set.Editing
}
