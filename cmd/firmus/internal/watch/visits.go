package watch

import (
	"context"
	"os"
	"time"
)

// Visitor is a store that may come and go.
type Visitor struct {
	Store string
	Roots []string // its folders on this machine
	// Here says that the store itself is there. It is asked when another folder is
	// in the place of a root than before, and not while nothing changes: a drive that
	// sleeps is left asleep.
	Here func(ctx context.Context) bool
}

// LookEvery is how often it is looked for stores that may have come.
const LookEvery = 15 * time.Second

// Visits tells of stores that come and go until ctx ends. A store that is there at
// first has come too, with first set. One that hangs delays no other.
func Visits(ctx context.Context, every time.Duration, vs []Visitor, came func(store string, first bool), left func(store string)) {
	for _, v := range vs {
		go v.follow(ctx, every, came, left)
	}
	<-ctx.Done()
}

func (v Visitor) follow(ctx context.Context, every time.Duration, came func(string, bool), left func(string)) {
	var was []os.FileInfo
	here, first := false, true
	for ctx.Err() == nil {
		is := v.roots()
		if first || !same(was, is) || !here && filled(is) {
			now := filled(is) && v.Here(ctx)
			if ctx.Err() != nil {
				return
			}
			switch {
			case now && !here:
				came(v.Store, first)
			case here && !now:
				left(v.Store)
			case now && here && !same(was, is): // another one in its place
				left(v.Store)
				came(v.Store, false)
			}
			here = now
		}
		was, first = is, false
		select {
		case <-ctx.Done():
		case <-time.After(every):
		}
	}
}

// roots looks at the folders without reading them: what the system keeps in mind of
// a mounted folder.
func (v Visitor) roots() []os.FileInfo {
	out := make([]os.FileInfo, len(v.Roots))
	for i, r := range v.Roots {
		if fi, err := os.Stat(r); err == nil && fi.IsDir() {
			out[i] = fi
		}
	}
	return out
}

func filled(is []os.FileInfo) bool {
	for _, fi := range is {
		if fi != nil {
			return true
		}
	}
	return false
}

func same(a, b []os.FileInfo) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if (a[i] == nil) != (b[i] == nil) || a[i] != nil && !os.SameFile(a[i], b[i]) {
			return false
		}
	}
	return true
}
