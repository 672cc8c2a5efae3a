package people

import (
	"sync"
	"time"
)

// Throttle slows the guessing of passwords down: after some failures each further try
// has to wait, twice as long each time. It is kept by whom was tried and from where, and
// in memory: a restart forgets it.
type Throttle struct {
	mu   sync.Mutex
	seen map[string]failures
}

type failures struct {
	n    int
	last time.Time
}

const (
	freeTries = 5
	firstWait = 2 * time.Second
	forgotten = time.Hour // without a failure
	mostKept  = 10000
)

func (f failures) until(longest time.Duration) time.Time {
	if f.n < freeTries {
		return time.Time{}
	}
	return f.last.Add(min(firstWait<<min(f.n-freeTries, 20), longest))
}

// Try is how long a try has to wait; 0 if it may be made now. It is counted as one that
// failed, before the password is tried: tries at the same time count too. One that has to
// wait isn't counted. No try waits for more than longest.
func (t *Throttle) Try(now time.Time, k string, longest time.Duration) (wait time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if wait := t.seen[k].until(longest).Sub(now); wait > 0 {
		return wait
	}
	if t.seen == nil || len(t.seen) > mostKept {
		kept := map[string]failures{}
		for k, f := range t.seen {
			if now.Sub(f.last) < forgotten && f.n >= freeTries {
				kept[k] = f
			}
		}
		if len(kept) > mostKept {
			clear(kept)
		}
		t.seen = kept
	}
	f := t.seen[k]
	if now.Sub(f.last) >= forgotten {
		f.n = 0
	}
	t.seen[k] = failures{f.n + 1, now}
	return 0
}

// TakeBack takes back one try that was counted and didn't fail.
func (t *Throttle) TakeBack(k string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if f := t.seen[k]; f.n > 1 {
		t.seen[k] = failures{f.n - 1, f.last}
	} else {
		delete(t.seen, k)
	}
}

// Succeeded forgets the failures.
func (t *Throttle) Succeeded(k string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.seen, k)
}
