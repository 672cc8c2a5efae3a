package pages

import (
	"strings"
)

// Routes are all patterns with the least role that they need, for tests.
func Routes() map[string]string {
	out := map[string]string{}
	for _, r := range allRoutes() {
		out[r.Pattern] = string(r.Needs)
	}
	return out
}

// Posts says that a pattern is an act.
func Posts(pattern string) bool { return strings.HasPrefix(pattern, "POST ") }

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
