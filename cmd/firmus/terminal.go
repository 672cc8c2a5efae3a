package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"unicode/utf8"

	"golang.org/x/term"
)

// plain passes text on to what may be a terminal. A file's name can hold characters that
// move the cursor, set colours or turn the writing round; each is shown as a code
// (\x1b, \u202e), which in JSON stands for the same character.
type plain struct {
	mu   sync.Mutex
	w    io.Writer
	tail []byte // the beginning of a character that the last Write cut
}

func (p *plain) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	text := append(p.tail, b...)
	p.tail = nil
	out := make([]byte, 0, len(text))
	for len(text) > 0 {
		plain := 0 // most of what is written is
		for plain < len(text) && (text[plain] >= ' ' && text[plain] < 0x7f || text[plain] == '\n' || text[plain] == '\t') {
			plain++
		}
		out = append(out, text[:plain]...)
		if text = text[plain:]; len(text) == 0 {
			break
		}
		r, n := utf8.DecodeRune(text)
		switch {
		case r == utf8.RuneError && n == 1 && !utf8.FullRune(text):
			p.tail = append(p.tail, text...)
			n = len(text)
		case r == utf8.RuneError && n == 1:
			out = fmt.Appendf(out, `\x%02x`, text[0])
		case r < ' ':
			out = fmt.Appendf(out, `\x%02x`, r)
		case moves(r):
			out = fmt.Appendf(out, `\u%04x`, r)
		default:
			out = append(out, text[:n]...)
		}
		text = text[n:]
	}
	if _, err := p.w.Write(out); err != nil {
		return 0, err
	}
	return len(b), nil
}

// moves says that a terminal takes a character of more than one byte, or DEL, for an
// order: the second set of control characters, and those that turn the writing round.
func moves(r rune) bool {
	return r >= 0x7f && r <= 0x9f || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}

// onTerminal says that a person types there.
func onTerminal(in io.Reader) bool {
	f, ok := in.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
