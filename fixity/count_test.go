package fixity_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"firmus/fixity"
)

func TestCount(t *testing.T) {
	for want, got := range map[string]string{
		"1 file": fixity.Count(1, "file"), "0 files": fixity.Count(0, "file"), "2,000 copies": fixity.Count(2000, "copy"),
		"1 day": fixity.Count(int64(1), "day"), "3 days": fixity.Count(3, "day"), "2 boxes": fixity.Count(2, "box"),
		"-1,000 switches": fixity.Count(-1000, "switch"), "1 file is": fixity.Counted(1, "file", "is", "are"), "5 files are": fixity.Counted(5, "file", "is", "are"),
	} {
		if got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}

// "1 files" is never said: what a person reads counts by Count alone.
func TestNoPluralOfOne(t *testing.T) {
	bad := regexp.MustCompile(`(%d|%s) (files|copies|findings|discs|recordings|sides|sessions|channels|days|events|stores|differences|problems|tracks|items|letters|reels|hours)\b`)
	// Numbers that are never 1, of a total ("3 of 12 files"), or of what only the
	// contributors' guide names.
	passed := regexp.MustCompile(`of %d |of %s |all %d |--files|--discs|all %s |mlog/|the ledger knows|at most|two tables of contents`)
	seen := 0
	for _, root := range []string{"../cmd/firmus", "../fixity", "../manifest", "../replicas"} {
		err := filepath.WalkDir(root, func(p string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(p, ".go") || strings.HasSuffix(p, "_test.go") || strings.Contains(p, "/testing/") || strings.Contains(p, "demo") || strings.Contains(p, "mlog") {
				return err
			}
			text, err := os.ReadFile(p)
			seen++
			for i, line := range strings.Split(string(text), "\n") {
				if bad.MatchString(line) && !passed.MatchString(line) && !strings.HasPrefix(strings.TrimSpace(line), "//") {
					t.Errorf("%s:%d: %s", p, i+1, strings.TrimSpace(line))
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if seen < 100 {
		t.Fatalf("only %d files were looked at", seen)
	}
}
