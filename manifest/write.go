package manifest

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"

	"firmus/fixity"
)

// Writer writes a manifest line by line.
type Writer struct {
	w    *bufio.Writer
	alg  fixity.Algorithm
	last string
	n    int
	warn Warnings
}

// NewWriter writes a manifest by algorithm a to w.
func NewWriter(w io.Writer, a fixity.Algorithm) *Writer {
	return &Writer{w: bufio.NewWriterSize(w, 65_536), alg: a}
}

// Add writes the line of one file. Paths come in the order of their bytes, each
// once. A digest by another algorithm, a path out of order and one that leads
// out of the folder are refused, and nothing of them is written.
func (w *Writer) Add(path string, d fixity.Digest) error {
	if d.Algorithm != w.alg || d.IsZero() {
		return fmt.Errorf("write manifest line for %q: the digest is not by %s", path, w.alg)
	}
	if err := writable(path); err != nil {
		return fmt.Errorf("write manifest line for %q: %w", path, err)
	}
	if path <= w.last {
		return fmt.Errorf("write manifest line for %q: it doesn't come after %q", path, w.last)
	}
	name := Encode(path)
	if name != path {
		w.warn.Add(Warning{Reason: MarkOrBreak, File: Name(w.alg), Line: w.n + 1, Path: path})
	}
	for _, s := range []string{d.Sum, "  ", name, "\n"} {
		if _, err := w.w.WriteString(s); err != nil {
			return fmt.Errorf("write manifest: %w", err)
		}
	}
	w.last = path
	w.n++
	return nil
}

func writable(path string) error {
	if why, always := Leaves(path, ""); always {
		return errors.New(why)
	}
	switch {
	case path == "" || strings.HasSuffix(path, "/"):
		return errors.New("it names no file")
	case strings.IndexByte(path, 0) >= 0:
		return errors.New("it holds a NUL")
	case strings.HasPrefix(path, "./"):
		return errors.New(`it begins with "./"`)
	}
	return nil
}

// Finish writes out what is held back. The Warnings name the files that checksum
// programs won't find.
func (w *Writer) Finish() ([]Warning, error) {
	if err := w.w.Flush(); err != nil {
		return nil, fmt.Errorf("write manifest: %w", err)
	}
	return w.warn.List(), nil
}

// Lines is how many lines were written.
func (w *Writer) Lines() int { return w.n }
