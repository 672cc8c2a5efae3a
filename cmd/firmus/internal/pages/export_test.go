package pages

import (
	"strings"
	"time"
)

// StillKept keeps a statement for a moment, and says whether it is still held some time later.
func StillKept(lasts time.Duration) bool {
	x := &madeOne{}
	x.mu.Lock()
	x.keep(struct{ statement }{}, time.Now(), 1, lasts)
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

// Routes are all patterns with the least role that they need, for tests.
func Routes() map[string]string {
	out := map[string]string{}
	for _, r := range allRoutes() {
		out[r.pattern] = string(r.needs)
	}
	return out
}

// Views are the names of all templates of pages.
func Views() (out []string) {
	v, err := parse()
	if err != nil {
		panic(err)
	}
	for name := range v {
		out = append(out, name)
	}
	return out
}

// Local is local.
func Local(next string) string { return local(next) }

// Shown is shown.
func Shown(s string) string { return shown(s) }

// Posts says that a pattern is an act.
func Posts(pattern string) bool { return strings.HasPrefix(pattern, "POST ") }

// Sentence is sentence.
func Sentence(s string) string { return sentence(s) }

// Left is left.
var Left = left

// TagOf is tagOf.
func TagOf(source string) string { return tagOf(source) }

// HoldClips takes all turns for clips.
func HoldClips() (release func()) {
	n := cap(clipTurns)
	for range n {
		clipTurns <- struct{}{}
	}
	return func() {
		for range n {
			<-clipTurns
		}
	}
}

// Words are words.
var Words = words
