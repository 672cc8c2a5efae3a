package workbook

import (
	"bufio"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"

	"firmus/cmd/firmus/internal/register"
)

// scanner walks through XML token by token. It keeps the names of open elements, which the
// decoder's raw tokens don't, and never lets a text or a tag grow without end.
type scanner struct {
	d    *xml.Decoder
	open []string // local names
	name string   // of the element that began or ended last
	attr []xml.Attr
	text []byte // of the text that came last; valid until the next token
}

// token is what came.
type token int

const (
	opened token = iota
	closed
	words
	over
)

func newScanner(r io.Reader) *scanner {
	d := xml.NewDecoder(bufio.NewReaderSize(&guard{r: r}, 1<<16))
	// Parts of spreadsheets are UTF-8; one that says something else isn't guessed at.
	return &scanner{d: d}
}

// errNode is a text or a tag without end.
var errNode = errors.New("a text without end")

// guard ends a stream that has no "<" for too long: the decoder would keep all of it.
type guard struct {
	r     io.Reader
	since int
}

func (g *guard) Read(p []byte) (int, error) {
	n, err := g.r.Read(p)
	if i := bytes.LastIndexByte(p[:n], '<'); i >= 0 {
		if first := bytes.IndexByte(p[:n], '<'); g.since+first > mostNode {
			return 0, errNode
		}
		g.since = n - i
	} else {
		g.since += n
	}
	if g.since > mostNode {
		return 0, errNode
	}
	return n, err
}

// next is the next thing of interest. At the end no element is open.
func (s *scanner) next() (token, error) {
	for {
		t, err := s.d.RawToken()
		if errors.Is(err, io.EOF) && err == io.EOF {
			if len(s.open) > 0 {
				return over, fmt.Errorf("it ends within <%s>", s.open[len(s.open)-1])
			}
			return over, nil
		}
		if err != nil {
			return over, err
		}
		switch t := t.(type) {
		case xml.StartElement:
			if len(s.open) >= 1000 {
				return over, errors.New("elements within elements without end")
			}
			s.name, s.attr = t.Name.Local, t.Attr
			s.open = append(s.open, t.Name.Local)
			return opened, nil
		case xml.EndElement:
			if len(s.open) == 0 || s.open[len(s.open)-1] != t.Name.Local {
				return over, fmt.Errorf("</%s> ends what didn't begin", t.Name.Local)
			}
			s.name, s.attr = t.Name.Local, nil
			s.open = s.open[:len(s.open)-1]
			return closed, nil
		case xml.CharData:
			s.text = t
			return words, nil
		case xml.Directive:
			if bytes.HasPrefix(bytes.ToUpper(bytes.TrimSpace(t)), []byte("DOCTYPE")) {
				return over, errors.New("it declares a document type, which no spreadsheet does")
			}
		}
	}
}

// is gives an attribute of the element that began; prefixes don't count.
func (s *scanner) is(name string) string {
	for i := range s.attr {
		if s.attr[i].Name.Local == name {
			return s.attr[i].Value
		}
	}
	return ""
}

// has says that the element that began has an attribute.
func (s *scanner) has(name string) bool {
	for i := range s.attr {
		if s.attr[i].Name.Local == name {
			return true
		}
	}
	return false
}

// depth is how many elements are open.
func (s *scanner) depth() int { return len(s.open) }

// in goes through what lies in the element that just began, to its end.
func (s *scanner) in(each func(token) error) error {
	depth := s.depth() - 1
	for {
		t, err := s.next()
		if err != nil {
			return err
		}
		if t == closed && s.depth() == depth {
			return nil
		}
		if err := each(t); err != nil {
			return err
		}
	}
}

// each goes through all elements that begin from here to the end.
func (s *scanner) each(do func() error) error {
	for {
		t, err := s.next()
		if err != nil || t == over {
			return err
		}
		if t == opened {
			if err := do(); err != nil {
				return err
			}
		}
	}
}

// skip leaves out the element that just began.
func (s *scanner) skip() error { return s.in(func(token) error { return nil }) }

// rest reads to the end.
func (s *scanner) rest() error {
	for {
		if t, err := s.next(); err != nil || t == over {
			return err
		}
	}
}

// wrong makes a message of what is wrong with a part.
func (s *scanner) wrong(name string, err error) error {
	var u *register.Unreadable
	var syntax *xml.SyntaxError
	switch {
	case errors.As(err, &u), errors.Is(err, errStop):
		return err
	case errors.Is(err, errNode):
		return unreadable(register.TooLarge, "the part %s of the file holds a text of more than %d characters, which no cell does", name, mostNode)
	case errors.As(err, &syntax):
		return unreadable(register.Damaged, damaged, fmt.Errorf("its part %s, line %d: %s", name, syntax.Line, syntax.Msg))
	}
	var given gave
	if errors.As(err, &given) {
		return given.error
	}
	return unreadable(register.Damaged, damaged, partly(name, err))
}

// errStop ends the reading of a part whose rest nobody needs.
var errStop = errors.New("enough")

// gave is an error of who reads a sheet's lines, and none of the file.
type gave struct{ error }

// hand gives a line to who reads.
func hand(each func(register.Line) error, l register.Line) error {
	if err := each(l); err != nil {
		return gave{err}
	}
	return nil
}
