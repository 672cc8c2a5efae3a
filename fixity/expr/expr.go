// Package expr compiles a regular expression when it is first used.
//
// A run of the program uses few of its expressions. All of them together take more
// processor time to compile than a short command takes for its work.
package expr

import (
	"regexp"
	"sync"
)

// Once returns a function that compiles text the first time it is called, and returns the
// same expression each time. Several goroutines may call it at once. It panics if text is no
// expression by the syntax of package regexp: a test of cmd/firmus holds every text in the
// source to that.
func Once(text string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(text) })
}
