//go:build unix

package main

import (
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// apartFor in the environment names the one test that a process was started for.
const apartFor = "FIRMUS_TEST_APART"

// apart has a test run beside others, in a process of its own: a test that goes to another folder
// and changes the environment would have all others wait. It is false in that process; where it is
// true, the test was run, and nothing is left to do. goesBy are the variables of the environment
// that it reads besides FIRMUS_ALL_PARTS, so that go test takes no result for another's.
func apart(t *testing.T, goesBy ...string) bool {
	t.Helper()
	if os.Getenv(apartFor) == t.Name() {
		return false
	}
	for _, name := range append(goesBy, "FIRMUS_ALL_PARTS") {
		os.Getenv(name)
	}
	t.Parallel()
	args := []string{"-test.run=^" + t.Name() + "$", "-test.v", "-test.paniconexit0", "-test.count=1"}
	if testing.Short() {
		args = append(args, "-test.short")
	}
	if end, ok := t.Deadline(); ok { // it says itself where it stands when its time is over
		args = append(args, "-test.timeout="+(time.Until(end)-5*time.Second).String())
	}
	c := exec.CommandContext(t.Context(), os.Args[0], args...)
	c.Env = append(os.Environ(), apartFor+"="+t.Name())
	out, err := c.CombinedOutput()
	said := "in a process of its own:\n| " + strings.ReplaceAll(strings.TrimSpace(string(out)), "\n", "\n| ")
	switch {
	case err == nil && strings.Contains(said, "\n| --- PASS: "+t.Name()+" ("):
		t.Log(said)
	case err == nil && strings.Contains(said, "\n| --- SKIP: "+t.Name()+" ("):
		t.Skip(said)
	default:
		t.Fatalf("%v\n%s", err, said)
	}
	return true
}
