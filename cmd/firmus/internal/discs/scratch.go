package discs

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"firmus/fixity/ledger/private"
)

// Scratch is a file for what a check of a disc reads. It is gone when it is closed, and
// where the system lets a file be removed that is open, with the process, however that
// ends.
type Scratch struct{ *os.File }

// NewScratch makes one in dir, which is made if need be, with a name of the pattern
// (os.CreateTemp). Those that were left there by a process that was killed are removed.
func NewScratch(dir, pattern string) (Scratch, error) {
	if err := private.MkdirAll(dir); err != nil {
		return Scratch{}, fmt.Errorf("folder for discs: %w", err)
	}
	left, err := os.ReadDir(dir)
	if err != nil {
		return Scratch{}, fmt.Errorf("folder for discs: %w", err)
	}
	for _, x := range left {
		if ok, _ := filepath.Match(pattern, x.Name()); ok {
			// One in use has no name any more, or the system refuses.
			_ = os.Remove(filepath.Join(dir, x.Name()))
		}
	}
	f, err := os.CreateTemp(dir, pattern)
	if err != nil {
		return Scratch{}, fmt.Errorf("room for a disc: %w", err)
	}
	_ = os.Remove(f.Name()) // Windows refuses: Close does it there
	return Scratch{f}, nil
}

// Close closes and removes it.
func (s Scratch) Close() error {
	err := s.File.Close()
	if gone := os.Remove(s.Name()); err == nil && !errors.Is(gone, os.ErrNotExist) {
		err = gone
	}
	return err
}
