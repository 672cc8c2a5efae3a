package main

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
)

// Packages that make tables, expressions and pages before main cost each short command more
// than its work does. From 4 MB on Go's first collection of memory comes to that. The memory
// is measured because it is nearly the same each time.
func TestStart(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(exe, "version")
	c.Env = append(os.Environ(), beProgram+"=1", "GODEBUG=inittrace=1")
	var trace strings.Builder
	c.Stderr = &trace
	if err := c.Run(); err != nil {
		t.Fatal(err)
	}
	const most = 80_000 // bytes, of one package of ours; of this one the tests are a part
	packages, sum := 0, 0
	for _, m := range regexp.MustCompile(`(?m)^init (\S+) @.*, (\d+) bytes`).FindAllStringSubmatch(trace.String(), -1) {
		var n int
		if _, err := fmt.Sscan(m[2], &n); err != nil {
			t.Fatal(err)
		}
		packages++
		sum += n
		if strings.HasPrefix(m[1], "firmus/") && m[1] != "firmus/cmd/firmus" && n > most {
			t.Errorf("%s takes %d bytes before main: %d are allowed", m[1], n, most)
		}
	}
	if packages < 100 {
		t.Fatalf("only %d packages were seen", packages)
	}
	if sum > 2_500_000 {
		t.Errorf("all packages take %d bytes before main", sum)
	}
}
