// Package walk takes a file apart in one direction, with bounded memory, from
// bytes that pass by or from a reader that can leave stretches out. A format is a
// chain of steps, each of which says what it needs and which step comes then.
package walk

import (
	"fmt"
	"io"

	"firmus/fixity"
)

// MaxNeed is the most bytes that a step may need at once.
const MaxNeed = 1024

// Step says what is to be done with the next bytes: exactly one of Need, Skip and
// Pass is meant, and a step of none goes to Then at once. Without Then all that
// follows is left alone.
type Step struct {
	Need int   // gather so many bytes for Then, at most MaxNeed
	Skip int64 // leave so many out
	Pass int64 // give so many to the walker's sink, if the walk is by Write

	// Keep are the first bytes of Need, handed back by a step that got too many.
	Keep []byte

	// Then is the next step. b is valid until it returns, and what it kept of b.
	Then func(b []byte) Step
}

// Walker walks along the steps. Use one of Write, ReadAt and Pull.
type Walker struct {
	// Sink gets the bytes of Pass, in pieces of any length.
	Sink func(p []byte)

	step Step
	left int64 // of Skip or Pass
	buf  []byte
	at   int64
}

// Begin sets the first step; it may be called before the walk only.
func (w *Walker) Begin(s Step) { w.set(s) }

// At is the number of bytes behind the walk: in Then, the offset of the byte
// behind b.
func (w *Walker) At() int64 { return w.at }

// Pending are the bytes gathered for a step that has not got all that it needs.
func (w *Walker) Pending() []byte { return w.buf }

func (w *Walker) set(s Step) {
	for {
		w.buf = append(w.buf[:0], s.Keep...)
		w.step, w.left = s, s.Skip+s.Pass
		if s.Then == nil || s.Need > len(w.buf) || w.left > 0 {
			return
		}
		s = s.Then(w.buf)
	}
}

// Write takes the next bytes. It never fails.
func (w *Walker) Write(p []byte) (int, error) {
	all := len(p)
	for len(p) > 0 {
		switch {
		case w.step.Then == nil:
			w.at += int64(len(p))
			return all, nil
		case w.step.Need > 0:
			n := min(len(p), w.step.Need-len(w.buf))
			w.buf = append(w.buf, p[:n]...)
			w.at += int64(n)
			p = p[n:]
			if len(w.buf) == w.step.Need {
				w.set(w.step.Then(w.buf))
			}
		default:
			n := int(min(int64(len(p)), w.left))
			if w.step.Pass > 0 && w.Sink != nil {
				w.Sink(p[:n])
			}
			w.at += int64(n)
			w.left -= int64(n)
			p = p[n:]
			if w.left == 0 {
				w.set(w.step.Then(nil))
			}
		}
	}
	return all, nil
}

// ReadAt walks to the end of a file of the given size and reads only what steps
// need. A file that ends sooner is fixity.ErrChanged.
func (w *Walker) ReadAt(r io.ReaderAt, size int64) error {
	buf := make([]byte, MaxNeed)
	for w.at < size && w.step.Then != nil {
		if w.step.Need == 0 {
			n := min(w.left, size-w.at)
			w.at += n
			if w.left -= n; w.left == 0 {
				w.set(w.step.Then(nil))
			}
			continue
		}
		b := buf[:min(int64(w.step.Need-len(w.buf)), size-w.at)]
		n, err := r.ReadAt(b, w.at)
		if n < len(b) {
			if err == io.EOF {
				return fmt.Errorf("file ends at byte %d of %d: %w", w.at+int64(n), size, fixity.ErrChanged)
			}
			return fmt.Errorf("at byte %d: %w", w.at+int64(n), err)
		}
		w.Write(b)
	}
	w.at = size
	return nil
}

// Pull reads from r until the walk rests, no byte more, or until r ends, which is
// no error. What is skipped or passed goes nowhere.
func (w *Walker) Pull(r io.Reader) error {
	buf := make([]byte, MaxNeed)
	for w.step.Then != nil {
		b := buf[:min(int64(len(buf)), w.left)]
		if w.step.Need > 0 {
			b = buf[:w.step.Need-len(w.buf)]
		}
		n, err := r.Read(b)
		w.Write(b[:n])
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("at byte %d: %w", w.at, err)
		}
	}
	return nil
}
