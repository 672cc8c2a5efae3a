package discs_test

import (
	"os"
	"path/filepath"
	"testing"

	"firmus/cmd/firmus/internal/discs"
)

func TestScratchLeavesNothing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "discs [1]")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	// What a process left that was killed, and what is another's.
	for _, n := range []string{"sectors-123", "a.map"} {
		if err := os.WriteFile(filepath.Join(dir, n), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	a, err := discs.NewScratch(dir, "sectors-*")
	if err != nil {
		t.Fatal(err)
	}
	b, err := discs.NewScratch(dir, "sectors-*") // another check at the same time
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 3)
	for _, s := range []discs.Scratch{a, b} {
		if _, err := s.WriteAt([]byte("QV-"), 2048); err != nil {
			t.Error(err)
		}
		if _, err := s.ReadAt(buf, 2048); err != nil || string(buf) != "QV-" {
			t.Errorf("%q, %v", buf, err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 || left[0].Name() != "a.map" {
		t.Errorf("left: %v, %v", left, err)
	}
}
