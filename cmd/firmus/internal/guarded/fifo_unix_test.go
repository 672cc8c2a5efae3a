//go:build unix

package guarded_test

import (
	"errors"
	"path/filepath"
	"syscall"
	"testing"

	"firmus/cmd/firmus/internal/guarded"
	"firmus/fixity"
)

// TestAPipeNeverHoldsUpAnOutput: a pipe that nobody writes to lies at the name. It is
// refused like any file of somebody's, and never opened.
func TestAPipeNeverHoldsUpAnOutput(t *testing.T) {
	file := filepath.Join(t.TempDir(), "sheet.html")
	if err := syscall.Mkfifo(file, 0o666); err != nil {
		t.Skip(err)
	}
	if err := guarded.Of(nil).Write(file, manual, write(page)); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("a page over a pipe: %v, want refused", err)
	}
	if err := guarded.Of(nil).Outside(file); err != nil {
		t.Errorf("a pipe in an ordinary folder: %v", err)
	}
}
