package bag

import (
	"io"
	"strings"

	"firmus/manifest"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/htmlindex"
	"golang.org/x/text/encoding/ianaindex"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/encoding/unicode/utf32"
)

// encodingOf finds a text encoding by its IANA name or a common other one.
func encodingOf(name string) (encoding.Encoding, bool) {
	switch strings.ToUpper(name) {
	case "UTF-8", "UTF8":
		return unicode.UTF8, true
	case "UTF-16": // big-endian without a mark (RFC 2781, section 4.3)
		return unicode.UTF16(unicode.BigEndian, unicode.UseBOM), true
	case "UTF-32":
		return utf32.UTF32(utf32.BigEndian, utf32.UseBOM), true
	case "UTF-32BE":
		return utf32.UTF32(utf32.BigEndian, utf32.IgnoreBOM), true
	case "UTF-32LE":
		return utf32.UTF32(utf32.LittleEndian, utf32.IgnoreBOM), true
	}
	if e, err := ianaindex.IANA.Encoding(name); err == nil && e != nil {
		return e, true
	}
	if e, err := htmlindex.Get(name); err == nil && e != encoding.Replacement {
		return e, true
	}
	return nil, false
}

// decode gives the text of r in UTF-8. marked says that it began with a byte
// order mark that doesn't belong there (RFC 8493, section 2.3); the mark is
// passed over. Bytes that are no text in e become U+FFFD, except in UTF-8, where
// they stay: bad finds either.
func decode(r io.Reader, e encoding.Encoding) (text io.Reader, marked bool) {
	if e != unicode.UTF8 {
		r = e.NewDecoder().Reader(r)
	}
	text, head := manifest.Head(r, 3)
	if marked = string(head) == "\ufeff"; marked {
		io.CopyN(io.Discard, text, 3) // they are in memory
	}
	return text, marked
}

// bad says that decoded text holds what was no text.
func bad(s string, e encoding.Encoding) bool {
	return strings.ToValidUTF8(s, "") != s || e != unicode.UTF8 && strings.ContainsRune(s, '\uFFFD')
}
