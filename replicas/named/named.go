// Package named opens the files that a person or the configuration names: lists, passwords,
// keys, the configuration itself. A name may lead to a pipe, a device or a folder by
// mistake; that is said at once, and nothing waits for what never comes.
package named

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"

	"firmus/fixity"
)

// Open opens a file to read. If it is no regular file the error wraps fixity.ErrRefused and
// says what it is.
func Open(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe would be waited on for ever
	if err != nil {
		return nil, err
	}
	fi, err := f.Stat()
	if err == nil && !fi.Mode().IsRegular() {
		err = fmt.Errorf("%s is %s, not a file. Name a file: %w", path, kind(fi.Mode()), fixity.ErrRefused)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// Read reads a file of at most so many bytes whole. A longer one is refused likewise.
func Read(path string, most int64) ([]byte, error) {
	f, err := Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(text)) > most {
		return nil, fmt.Errorf("%s has more than %s bytes, so it isn't what is asked for. Name another file: %w", path, fixity.Number(most), fixity.ErrRefused)
	}
	return text, err
}

// Folder refuses a place where a folder is to be, or to be made, and something else lies; the
// error wraps fixity.ErrRefused and says what it is. Nothing is opened.
func Folder(path string) error {
	fi, err := os.Stat(path)
	if err != nil || fi.IsDir() {
		return nil // nothing lies there, or whoever opens it says what is wrong
	}
	what := kind(fi.Mode())
	if fi.Mode().IsRegular() {
		what = "a file"
	}
	return fmt.Errorf("%s is %s, not a folder. Name a folder: %w", path, what, fixity.ErrRefused)
}

func kind(m fs.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	case m&fs.ModeDevice != 0:
		return "a device"
	}
	return "something else"
}
