package manifest

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"

	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// MaxLineBytes is the longest line that is read, without its end: a Windows path
// of 32,767 UTF-16 units with every byte percent-coded, a SHA-512 digest, and room.
const MaxLineBytes = 320 << 10

// LineError says that one line can't be read. Lines after it can.
type LineError struct {
	Line   int // counted from 1
	Detail string
}

func (e *LineError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Detail) }

// TextLines yields the lines of r without their ends, which may be LF, CR or CRLF
// (RFC 8493, section 2.3). A line longer than MaxLineBytes is an error that is a
// *LineError, and the lines behind it follow; an error of r is yielded last. No
// more than one line and one buffer are held in memory.
func TextLines(r io.Reader) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		s := splitter{r: bufio.NewReaderSize(r, 65_536)}
		for {
			line, err := s.next()
			if err == io.EOF {
				return
			}
			var one *LineError
			if !yield(line, err) || err != nil && !errors.As(err, &one) {
				return
			}
		}
	}
}

type splitter struct {
	r    *bufio.Reader
	line []byte
	n    int
	err  error // met while looking past a line's end
}

// next gives io.EOF only when no byte is left.
func (s *splitter) next() (string, error) {
	s.line = s.line[:0]
	s.n++
	long, begun := false, false
	for {
		if s.err == nil {
			_, s.err = s.r.Peek(1)
		}
		if err := s.err; err != nil {
			if err != io.EOF || !begun {
				return "", err
			}
			return s.end(long)
		}
		begun = true
		b, _ := s.r.Peek(s.r.Buffered())
		i := bytes.IndexAny(b, "\r\n")
		part := b
		if i >= 0 {
			part = b[:i]
		}
		if long = long || len(s.line)+len(part) > MaxLineBytes; !long {
			s.line = append(s.line, part...)
		}
		if i < 0 {
			s.r.Discard(len(b))
			continue
		}
		cr := b[i] == '\r'
		s.r.Discard(i + 1)
		if cr {
			var c []byte
			if c, s.err = s.r.Peek(1); s.err == nil && c[0] == '\n' {
				s.r.Discard(1)
			}
		}
		return s.end(long)
	}
}

func (s *splitter) end(long bool) (string, error) {
	if long {
		return "", &LineError{s.n, fmt.Sprintf("the line is longer than %d bytes", MaxLineBytes)}
	}
	return string(s.line), nil
}

// Head gives the first n bytes of r, fewer if it has fewer, and a reader of all
// its bytes. An error of r is kept for that reader: bufio.Reader forgets one that
// Peek met.
func Head(r io.Reader, n int) (io.Reader, []byte) {
	head := make([]byte, 0, n)
	var err error
	for len(head) < n && err == nil {
		var got int
		got, err = r.Read(head[len(head):n])
		head = head[:len(head)+got]
	}
	if err != nil && err != io.EOF {
		return io.MultiReader(bytes.NewReader(head), failed{err}), head
	}
	return io.MultiReader(bytes.NewReader(head), r), head
}

// failed is a reader that gave an error.
type failed struct{ err error }

func (f failed) Read([]byte) (int, error) { return 0, f.err }

// plainText takes a byte order mark off r and reads UTF-16 where the mark says
// so. The reason is "" if there was none.
func plainText(r io.Reader) (io.Reader, Reason) {
	b, head := Head(r, 3)
	switch {
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		io.CopyN(io.Discard, b, 3) // they are in memory
		return b, ByteOrder
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		return transform.NewReader(b, unicode.UTF16(unicode.BigEndian, unicode.ExpectBOM).NewDecoder()), Recoded
	}
	return b, ""
}
