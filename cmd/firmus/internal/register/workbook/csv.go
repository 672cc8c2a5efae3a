package workbook

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"firmus/cmd/firmus/internal/register"
)

// Encodings are the names of those that a text can be said to have.
var Encodings = []string{"utf-8", "utf-16le", "utf-16be", "windows-1252", "macintosh"}

// decoders are of encodings other than UTF-8.
var decoders = map[string]encoding.Encoding{
	"utf-16le":     unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM),
	"utf-16be":     unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM),
	"windows-1252": charmap.Windows1252,
	"macintosh":    charmap.Macintosh,
}

// openCSV opens a text with a line a row.
func openCSV(ctx context.Context, raw []byte, code string) (register.Book, error) {
	if len(raw) > mostText {
		return register.Book{}, unreadable(register.TooLarge, "the text has %d MiB; a register has %d at most", (len(raw)+1<<20-1)>>20, mostText>>20)
	}
	text, err := decode(raw, code)
	if err != nil {
		return register.Book{}, err
	}
	c := csv{text: text}
	if rest, ok := cutSep(&c); ok {
		c.text = rest
	} else {
		c.sep = separator(text)
	}
	// Once through to see that all of it can be read: the header is looked for before the rest.
	if _, err := c.lines(ctx, func(register.Line) error { return nil }); err != nil {
		return register.Book{}, err
	}
	return register.Book{Sheets: []register.Sheet{{Lines: c.lines}}, End: endOf(text)}, nil
}

// endOf says whether the last line of a text has its end.
func endOf(text string) register.End {
	if text != "" && strings.IndexByte("\r\n", text[len(text)-1]) >= 0 {
		return register.Ended
	}
	return register.Unended
}

// decode makes UTF-8 of a text. What can't be decided is asked.
func decode(raw []byte, code string) (string, error) {
	marks := []struct {
		code string
		mark []byte
	}{{"utf-8", []byte("\xef\xbb\xbf")}, {"utf-16le", []byte("\xff\xfe")}, {"utf-16be", []byte("\xfe\xff")}}
	for _, m := range marks {
		if rest, ok := bytes.CutPrefix(raw, m.mark); ok {
			raw, code = rest, m.code // its own mark is surer than what a person said
			break
		}
	}
	if code == "" {
		code = "utf-8"
		// UTF-16 without a mark is valid UTF-8 too: half of its bytes are zero.
		head := raw[:min(len(raw), 4096)]
		if zeros := bytes.Count(head, []byte{0}); zeros*5 > len(head)*2 {
			if code = "utf-16le"; head[0] == 0 {
				code = "utf-16be"
			}
		}
	}
	var text string
	if d, ok := decoders[code]; ok {
		if strings.HasPrefix(code, "utf-16") && len(raw)%2 != 0 {
			return "", unreadable(register.Damaged, "the text ends in the middle of a character (UTF-16). It may be cut short: save it anew")
		}
		var b strings.Builder
		b.Grow(len(raw))
		if n, err := io.Copy(&b, io.LimitReader(d.NewDecoder().Reader(bytes.NewReader(raw)), mostText+1)); err != nil {
			return "", err
		} else if n > mostText {
			return "", unreadable(register.TooLarge, "the text has more than %d MiB as UTF-8, which no register has", mostText>>20)
		}
		if text = b.String(); strings.ContainsRune(text, utf8.RuneError) {
			at := strings.IndexRune(text, utf8.RuneError)
			return "", &register.Unreadable{Why: register.UnknownCode, Row: lineAt(text, at), Text: fmt.Sprintf("the text isn't %s: it holds a byte that has no meaning there, in %q. Change encoding below [register]", code, around(text, at))}
		}
	} else if code != "utf-8" {
		return "", unreadable(register.UnknownCode, "encoding %q isn't known; known are %s", code, strings.Join(Encodings, ", "))
	} else if text = string(raw); !utf8.ValidString(text) {
		at := 0
		for at < len(text) {
			r, n := utf8.DecodeRuneInString(text[at:])
			if r == utf8.RuneError && n == 1 {
				break
			}
			at += n
		}
		seen, _ := charmap.Windows1252.NewDecoder().String(text[max(0, at-40):min(len(text), at+40)])
		return "", &register.Unreadable{Why: register.UnknownCode, Row: lineAt(text, at), Text: fmt.Sprintf(
			"the text isn't UTF-8. If %q is right, write encoding = \"windows-1252\" below [register]. Else save the spreadsheet as XLSX or ODS, or as CSV in UTF-8", around(seen, min(40, at)))}
	}
	if at := strings.IndexByte(text, 0); at >= 0 {
		return "", &register.Unreadable{Why: register.NoSheets, Row: lineAt(text, at), Text: "this is no text: it holds a zero byte. Name the spreadsheet itself"}
	}
	return text, nil
}

// lineAt is the line of the text that a place lies in.
func lineAt(text string, at int) int {
	before := text[:at]
	n := strings.Count(before, "\n")
	if n == 0 {
		n = strings.Count(before, "\r")
	}
	return n + 1
}

// around is the words around a place, for a message.
func around(text string, at int) string {
	from, to := max(0, at-20), min(len(text), at+20)
	s := strings.ToValidUTF8(text[from:to], "")
	if rel := min(at-from, len(s)); rel >= 0 { // one line of it
		if i := strings.LastIndexAny(s[:rel], "\r\n"); i >= 0 {
			s = s[i+1:]
		}
		s, _, _ = strings.Cut(strings.TrimLeft(s, "\r\n"), "\n")
	}
	return strings.TrimSpace(s)
}

// csv is a text of records.
type csv struct {
	text string
	sep  byte
}

// cutSep takes off a first line such as "sep=;", which a spreadsheet program reads.
func cutSep(c *csv) (rest string, ok bool) {
	if len(c.text) < 5 || !strings.EqualFold(c.text[:4], "sep=") {
		return "", false
	}
	c.sep = c.text[4]
	rest = c.text[5:]
	for _, end := range []string{"\r\n", "\n", "\r"} {
		if r, ok := strings.CutPrefix(rest, end); ok {
			return r, true
		}
	}
	return rest, rest == ""
}

// separator finds out what stands between the fields: with the right one, lines have
// equally many, and more than one.
func separator(text string) byte {
	best, bestSame, bestFields := byte(','), 0, 0
	for _, sep := range []byte{';', ',', '\t', '|'} {
		counts := map[int]int{}
		n := 0
		p := csv{text: text, sep: sep}
		for len(p.text) > 0 && n < 200 {
			fields, _, _, err := p.record(nil)
			if err != nil {
				break
			}
			if n++; len(fields) > 1 {
				counts[len(fields)]++
			}
		}
		for fields, same := range counts {
			if same > bestSame || same == bestSame && fields > bestFields {
				best, bestSame, bestFields = sep, same, fields
			}
		}
	}
	return best
}

// errQuote says where in the text a quotation mark is wrong.
type errQuote struct{ line int }

func (e errQuote) Error() string { return fmt.Sprintf("quotation mark in line %d", e.line) }

// errFields says that a row has more fields than any spreadsheet.
var errFields = errors.New("fields without end")

// record takes the next record off the text. lines is how many lines of the text it took,
// stray that a quotation mark stands in a field that doesn't begin with one: there it is
// only itself. A quotation mark that opens a field must close it.
func (c *csv) record(to []string) (fields []string, lines int, stray bool, err error) {
	fields, s := to[:0], c.text
	for {
		if len(fields) >= mostInLine { // and one more begins
			return nil, lines, stray, errFields
		}
		if strings.HasPrefix(s, `"`) {
			var b strings.Builder
			rest, own := s[1:], 0
			for {
				i := strings.IndexByte(rest, '"')
				if i < 0 {
					return nil, lines, stray, errQuote{lines + 1}
				}
				own += ends(rest[:i])
				b.WriteString(rest[:i])
				if rest = rest[i+1:]; !strings.HasPrefix(rest, `"`) {
					break
				}
				b.WriteByte('"')
				rest = rest[1:]
			}
			if rest != "" && rest[0] != c.sep && rest[0] != '\r' && rest[0] != '\n' {
				return nil, lines, stray, errQuote{lines + 1}
			}
			lines += own
			fields = append(fields, strings.ReplaceAll(strings.ReplaceAll(b.String(), "\r\n", "\n"), "\r", "\n"))
			s = rest
		} else {
			i := 0
			for i < len(s) && s[i] != c.sep && s[i] != '\r' && s[i] != '\n' {
				i++
			}
			stray = stray || strings.Contains(s[:i], `"`)
			fields = append(fields, s[:i])
			s = s[i:]
		}
		switch {
		case s == "":
			c.text = ""
			return fields, lines + 1, stray, nil
		case s[0] == c.sep:
			s = s[1:]
			continue
		}
		if strings.HasPrefix(s, "\r\n") {
			s = s[1:]
		}
		c.text = s[1:]
		return fields, lines + 1, stray, nil
	}
}

// ends counts the ends of lines: CR, LF, or both.
func ends(s string) int {
	return strings.Count(s, "\n") + strings.Count(s, "\r") - strings.Count(s, "\r\n")
}

// lines gives the records as lines, numbered as a spreadsheet program numbers them: a
// record is a row, however many lines of the text it takes.
func (c csv) lines(ctx context.Context, each func(register.Line) error) (found register.Found, err error) {
	var fields []string
	var cells []register.Cell
	counts := map[int]int{}
	type odd struct{ row, fields int }
	var odds []odd
	line := 1
	for row := 1; len(c.text) > 0; row++ {
		if row%1000 == 0 && context.Cause(ctx) != nil {
			return found, context.Cause(ctx)
		}
		if row > mostLines {
			return found, unreadable(register.TooLarge, "the text has more than %d rows", mostLines)
		}
		var n int
		var stray bool
		if fields, n, stray, err = c.record(fields); err == errFields {
			return found, &register.Unreadable{Why: register.TooLarge, Row: row, Text: fmt.Sprintf("the row has more than %d fields", mostInLine)}
		} else if err != nil {
			q, _ := err.(errQuote)
			return found, &register.Unreadable{Why: register.Quotes, Row: row, Text: fmt.Sprintf(
				"a quotation mark opens a field in line %d of the text, and no other closes it. Double it (\"\") within a field that stands in quotation marks, or save the spreadsheet as XLSX or ODS", line+q.line-1)}
		}
		if n > 1 && c.swallows(fields, counts) {
			return found, &register.Unreadable{Why: register.Quotes, Row: row, Text: fmt.Sprintf(
				"the field that a quotation mark opens in line %d of the text holds whole rows, as if the mark were stray. Take it out, or save the spreadsheet as XLSX or ODS", line)}
		}
		line += n
		if stray {
			found.Problems = append(found.Problems, register.Problem{Row: row, Kind: "quotes", Tells: register.Tell(register.LoneQuote)})
		}
		cells = cells[:0]
		some := false
		for i, f := range fields {
			if len(f) > mostCell && utf8.RuneCountInString(f) > mostCell {
				return found, &register.Unreadable{Why: register.TooLarge, Row: row, Column: register.Letters(i), Text: "the cell holds more than 32,767 characters. A quotation mark may be lacking"}
			}
			cell := register.Cell{Text: f}
			if f != "" {
				cell.Kind, some = register.TextCell, true
			}
			cells = append(cells, cell)
		}
		if !some {
			continue
		}
		counts[len(fields)]++
		odds = append(odds, odd{row, len(fields)})
		if err := each(register.Line{Number: row, Cells: cells}); err != nil {
			return found, err
		}
	}
	usual, most := 0, 0
	for n, times := range counts {
		if times > most || times == most && n > usual {
			usual, most = n, times
		}
	}
	for _, o := range odds {
		if o.fields > usual && usual > 1 { // fewer: programs leave blank ends out
			found.Problems = append(found.Problems, register.Problem{Row: o.row, Kind: "fields", Tells: register.Tell(register.FieldsTooMany, o.fields, usual, string(c.sep))})
		}
	}
	slices.SortStableFunc(found.Problems, func(a, b register.Problem) int { return a.Row - b.Row })
	return found, nil
}

// swallows says that a field over several lines looks like rows: a whole line within it has
// as many separators as rows before it, or its ends do with the fields beside them.
func (c csv) swallows(fields []string, counts map[int]int) bool {
	for i, f := range fields {
		lines := strings.Split(f, "\n")
		if len(lines) == 1 {
			continue
		}
		seps := func(k int) int { return strings.Count(lines[k], string(c.sep)) }
		last := len(lines) - 1
		for k := 1; k < last; k++ {
			if n := seps(k); n > 1 && counts[n+1] > 0 {
				return true
			}
		}
		begins, ends := i+1+seps(0), seps(last)+len(fields)-i
		if seps(0)+seps(last) > 1 && counts[begins] > 0 && counts[ends] > 0 {
			return true
		}
	}
	return false
}
