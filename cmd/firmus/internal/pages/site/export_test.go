package site

import "time"

// StillKept keeps a statement for a moment, and says whether it is still held some time later.
func StillKept(lasts time.Duration) bool {
	x := &madeOne{}
	x.mu.Lock()
	x.keep(struct{ Statement }{}, time.Now(), 1, lasts)
	x.mu.Unlock()
	for range 200 {
		time.Sleep(lasts)
		x.mu.Lock()
		held := x.s != nil
		x.mu.Unlock()
		if !held {
			return false
		}
	}
	return true
}

// Local is local.
func Local(next string) string { return local(next) }

// Left is left.
var Left = left
