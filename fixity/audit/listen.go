package audit

import (
	"io"

	"firmus/fixity"
)

// Listener is given all bytes of a file that is read, in order, and says at the end
// what sound is in them.
type Listener interface {
	io.Writer
	// Heard is what was heard, in the form in which the Record takes it (Result.Heard).
	// It is called once, after the last byte; fixity.ErrChanged if that wasn't the last.
	Heard() (string, error)
	// Close ends it where Heard isn't called; it may be called at any time.
	Close() error
}

// ear holds who listens to a reading, if anybody does.
type ear struct{ Listener }

func (e *ear) close() {
	if e.Listener != nil {
		e.Close()
	}
}

func (e *ear) heard() (string, error) {
	if e.Listener == nil {
		return "", nil
	}
	return e.Heard()
}

// listen gives the bytes of a file under care to whoever is to listen to it; nil if
// nobody is.
func (r *reader) listen(d fixity.Due, e *ear) func(size int64) io.Writer {
	if r.a.Listen == nil || d.File == 0 {
		return nil
	}
	return func(size int64) io.Writer {
		e.Listener = r.a.Listen(r.s, d.Path, size)
		if e.Listener == nil {
			return nil
		}
		return e.Listener
	}
}
