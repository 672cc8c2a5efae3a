package workbook_test

import (
	"bytes"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
)

func TestCSV(t *testing.T) {
	latin := func(s string) string { b, _ := charmap.Windows1252.NewEncoder().String(s); return b }
	wide := func(s string) string {
		b, _ := unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder().String(s)
		return b
	}
	for _, test := range []struct {
		name, text, encoding string
		want                 []string
		problems             []string
		why                  register.Why
		says                 string
	}{
		{name: "commas", text: "Number,Title\nQV-1,\"a, b\"\n", want: []string{"1 Number|Title", "2 QV-1|a, b"}},
		{name: "semicolons, with commas in them", text: "Number;Length\r\nQV-1;3,5\r\nQV-2;4,5\r\n", want: []string{"1 Number|Length", "2 QV-1|3,5", "3 QV-2|4,5"}},
		{name: "tabs", text: "Number\tTitle\nQV-1\ta,b", want: []string{"1 Number|Title", "2 QV-1|a,b"}},
		{name: "sep=", text: "sep=|\nNumber|a;b\n1|2;3\n", want: []string{"1 Number|a;b", "2 1|2;3"}},
		{name: "CR alone", text: "Number,Title\rQV-1,a\r", want: []string{"1 Number|Title", "2 QV-1|a"}},
		{name: "a mark before a quotation mark", text: "\xef\xbb\xbf\"Number\",Title\n1,2\n", want: []string{"1 Number|Title", "2 1|2"}},
		{name: "UTF-16 with its mark", text: "\xff\xfe" + wide("Number,Bürger\n1,2\n"), want: []string{"1 Number|Bürger", "2 1|2"}},
		{name: "UTF-16 without", text: wide("Number,Bürger\n1,2\n"), want: []string{"1 Number|Bürger", "2 1|2"}},
		{name: "UTF-16 cut short", text: wide("Number,Bürger\n1,2\n")[1:], encoding: "utf-16le", why: register.Damaged},
		{name: "Windows-1252 isn't guessed", text: latin("Number,Title\nQV-1,Bürger\n"), why: register.UnknownCode, says: `"QV-1,Bürger" is right`},
		{name: "Windows-1252 as said", text: latin("Number,Title\nQV-1,Bürger\n"), encoding: "windows-1252", want: []string{"1 Number|Title", "2 QV-1|Bürger"}},
		{name: "a byte that Windows-1252 hasn't", text: "Number,Title\nQV-1,a\x81b\n", encoding: "windows-1252", why: register.UnknownCode, says: "no meaning"},
		{name: "another encoding", text: "Number,T\xfc\n", encoding: "ebcdic", why: register.UnknownCode, says: "known are"},
		{name: "a bad byte after the mark of UTF-8", text: "\xef\xbb\xbfNumber,T\xfc\n", why: register.UnknownCode},
		{name: "zero bytes", text: "Number,a\n\x00\x01\n", why: register.NoSheets},
		{name: "lines within quotation marks", text: "Number,Title\nQV-1,\"a\r\nb \"\"c\"\"\"\nQV-2,d\n", want: []string{"1 Number|Title", "2 QV-1|a⏎b \"c\"", "3 QV-2|d"}},
		{name: "blank lines count", text: "Number,Title\n\n,,\nQV-1,a\n", want: []string{"1 Number|Title", "4 QV-1|a"}},
		{name: "a stray quotation mark in a field", text: "Number,Title\nQV-1,7\" reel\nQV-2,b\n", want: []string{"1 Number|Title", "2 QV-1|7\" reel", "3 QV-2|b"}, problems: []string{"2 quotes"}},
		{name: "one that never ends", text: "Number,Title\nQV-1,\"a\nQV-2,b\nQV-3,c\n", why: register.Quotes, says: "line 2 of the text"},
		{name: "one that ends before a letter", text: "Number,Title\nQV-1,\"a\nQV-2,b\" c\nQV-3,c\n", why: register.Quotes, says: "line 2"},
		{name: "one that swallows rows", text: "Number,Title,Side\nQV-1,\"a,A\nQV-2,b,A\nQV-3,c\",A\n", why: register.Quotes, says: "line 2"},
		{name: "one that swallows the beginning of a row", text: "Number,Title,Side\nQV-1,\"a,A\nQV-2,b\",A\n", why: register.Quotes, says: "line 2"},
		{name: "a row with more fields", text: "Number,Title\nQV-1,a,b\nQV-2,c\nQV-3\n", want: []string{"1 Number|Title", "2 QV-1|a|b", "3 QV-2|c", "4 QV-3"}, problems: []string{"2 fields"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			b, err := open([]byte(test.text), workbook.Options{Encoding: test.encoding})
			if why(err) != test.why || err != nil && !strings.Contains(err.Error(), test.says) {
				t.Fatalf("%v (%s)", err, why(err))
			}
			if err != nil {
				return
			}
			got, found := shown(t, b, 0)
			if d := cmp.Diff(test.want, got); d != "" {
				t.Error(d)
			}
			var problems []string
			for _, p := range found.Problems {
				problems = append(problems, string(rune('0'+p.Row))+" "+p.Kind)
			}
			if d := cmp.Diff(test.problems, problems); d != "" {
				t.Error(d)
			}
		})
	}
}

// A text of more than 64 MiB is refused, in whatever encoding it is written; one of that size
// takes less than 200 MiB.
func TestTextsAreBounded(t *testing.T) {
	line := "QV-0107;A;" + strings.Repeat("x", 1000) + "\n"
	most := strings.Repeat(line, 64<<20/len(line))
	wide := bytes.Repeat([]byte("\x4c\x6b"), 24<<20) // U+6B4C, in UTF-16LE; three bytes in UTF-8
	for name, text := range map[string][]byte{"UTF-8": []byte(most + line + line), "UTF-16": append([]byte("\xff\xfe"), wide...)} {
		if _, err := open(text, workbook.Options{}); why(err) != register.TooLarge {
			t.Errorf("%s: %v", name, err)
		}
	}
	text := []byte(most)
	most = ""
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	b, err := open(text, workbook.Options{})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	if _, err := b.Sheets[0].Lines(t.Context(), func(register.Line) error { n++; return nil }); err != nil || n < 60_000 {
		t.Fatal(n, err)
	}
	runtime.ReadMemStats(&after)
	// All that was asked for, whether it was given back or not, and the text itself.
	if mib := (after.TotalAlloc - before.TotalAlloc + uint64(len(text))) >> 20; mib > 200 {
		t.Errorf("it takes %d MiB", mib)
	} else {
		t.Logf("%d MiB", mib)
	}
}
