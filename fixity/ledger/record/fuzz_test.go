package record_test

import (
	"strings"
	"testing"

	"firmus/fixity/ledger/record"
)

// FuzzGatherEvents: whatever event files hold, what is counted adds up, and reading them
// twice over finds nothing more.
func FuzzGatherEvents(f *testing.F) {
	const first = `{"seq":0,"at":"2026-03-01T12:00:00Z","by":"ada","verb":"begun","data":{"holdings":"Quillmere Valley Song Survey"}}`
	f.Add(first + "\n" + strings.Replace(first, `"seq":0`, `"seq":1`, 1) + "\n")
	f.Add(first + "\r\n" + strings.Replace(first, "ada", "bob", 1) + "\n")
	f.Add(first[:60] + "\n\x00\x00\x00")
	f.Add(strings.Replace(first, `"seq":0`, `"seq":9223372036854775807`, 1) + "\n" + strings.Replace(first, `"seq":0`, `"seq":-1`, 1))
	f.Fuzz(func(t *testing.T, text string) {
		g, err := record.GatherEvents(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		lines := int64(strings.Count(text, "\n") + 1)
		if g.Events < 0 || g.Beyond < 0 || g.Torn < 0 || g.Events+g.Beyond+int64(g.Torn) > lines {
			t.Errorf("%d events, %d beyond, %d torn in %d lines", g.Events, g.Beyond, g.Torn, lines)
		}
		twice, err := record.GatherEvents(strings.NewReader(text + "\n" + text))
		if err != nil || twice.Events != g.Events || twice.Beyond != g.Beyond || twice.Holdings != g.Holdings {
			t.Errorf("twice: %d events and %d beyond, once: %d and %d; %v", twice.Events, twice.Beyond, g.Events, g.Beyond, err)
		}
	})
}

// FuzzParseLine: a line of a result is read whole, or not at all.
func FuzzParseLine(f *testing.F) {
	for _, s := range []string{"7 2 read bypassed intact 1772366400000000000", "7 2 read bypassed intact", "-1 0 read allowed differs 0 ", "9223372036854775808 1 a b c 1", "1  a b c 1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := record.ParseLine(s)
		if err != nil {
			if l != (record.Line{}) {
				t.Errorf("%q is refused, and is %+v", s, l)
			}
			return
		}
		if n := strings.Count(s, " "); n != 5 || !strings.HasSuffix(s, " "+string(l.Strength)+" "+string(l.Cache)+" "+string(l.Outcome)+s[strings.LastIndex(s, " "):]) {
			t.Errorf("%q is %+v", s, l)
		}
	})
}
