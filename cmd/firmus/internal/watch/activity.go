package watch

import (
	"slices"
	"strings"
	"sync"
	"time"
)

// A recording grows while it was written to within growsFor, and has been for longer
// than growsSince: a file that is saved is written in one go.
const (
	growsFor   = 30 * time.Second
	growsSince = 2 * time.Second
	// mostWritten bounds how many files are remembered; the oldest are forgotten.
	mostWritten = 1000
)

// activity is what has been written to lately.
type activity struct {
	mu      sync.Mutex
	last    time.Time
	written map[place]stretch
}

type place struct{ store, set, path string }

type stretch struct{ first, last time.Time }

func (a *activity) wrote(store, set, path string, now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.last = now
	if a.written == nil {
		a.written = map[place]stretch{}
	}
	p := place{store, set, path}
	s, ok := a.written[p]
	if !ok || now.Sub(s.last) > growsFor {
		s.first = now
	}
	s.last = now
	a.written[p] = s
	if len(a.written) > mostWritten {
		for q, s := range a.written {
			if now.Sub(s.last) > growsFor {
				delete(a.written, q)
			}
		}
		if len(a.written) > mostWritten {
			clear(a.written) // what grows is written to again soon
		}
	}
}

// stirred notes that something happened that is no writing.
func (a *activity) stirred(now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.last = now
}

func (a *activity) gone(store, set, path string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.written, place{store, set, path})
}

func (a *activity) growing(in func(store string) bool, but []Event, now time.Time) string {
	a.mu.Lock()
	defer a.mu.Unlock()
	found := ""
	for p, s := range a.written {
		if now.Sub(s.last) > growsFor {
			delete(a.written, p)
			continue
		}
		if s.last.Sub(s.first) < growsSince || !in(p.store) || slices.ContainsFunc(but, func(e Event) bool {
			return e.Store == p.store && e.Set == p.set && (e.Path == p.path || strings.HasPrefix(p.path, e.Path+"/"))
		}) {
			continue
		}
		if name := p.set + "/" + p.path; found == "" || name < found {
			found = name
		}
	}
	return found
}

// quiet is how long ago anything happened; a long time if nothing ever did.
func (a *activity) quiet(now time.Time) time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.last.IsZero() {
		return 365 * 24 * time.Hour
	}
	return max(now.Sub(a.last), 0)
}
