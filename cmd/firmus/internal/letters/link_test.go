package letters_test

import (
	stdhtml "html"
	"regexp"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity/ledger"
)

// typed is a command of the program, as far as its first options.
var typed = regexp.MustCompile(`\bfirmus [a-z]+`)

// A letter links to its finding where the pages have an address, and says all without.
func TestLink(t *testing.T) {
	linked := 0
	for name, m := range matters() {
		_, bare, _, err := letters.Write(m)
		if err != nil {
			t.Fatal(err)
		}
		m.Pages = "https://firmus.example.org"
		_, text, html, err := letters.Write(m)
		if err != nil {
			t.Fatal(err)
		}
		at := strings.Index(text, "https://firmus.example.org/")
		if m.Kind == ledger.LetterEnd {
			if at >= 0 {
				t.Errorf("%s links to what is over", name)
			}
			continue
		}
		if at < 0 {
			t.Errorf("%s has no link", name)
			continue
		}
		linked++
		link := regexp.MustCompile(`https://\S*[^\s.,:;)]`).FindString(text[at:])
		if !strings.Contains(stdhtml.UnescapeString(html), `<a href="`+link+`">`+link+`</a>`) {
			t.Errorf("%s: the HTML doesn't link to %s", name, link)
		}
		// What may be typed is said in both, and without pages nobody is sent to one.
		for _, m := range typed.FindAllString(strings.Join(strings.Fields(bare), " "), -1) {
			if !strings.Contains(strings.Join(strings.Fields(text), " "), m) {
				t.Errorf("%s: with a link it doesn't say %q:\n%s", name, m, text)
			}
		}
		if strings.Contains(bare, "open http") || strings.Contains(bare, "choose “") {
			t.Errorf("%s leads to pages that nobody reaches:\n%s", name, bare)
		}
		if strings.Contains(bare, "firmus recover ") && !strings.Contains(strings.Join(strings.Fields(text), " "), "and choose “Put") {
			t.Errorf("%s: who has no terminal isn't told what to choose:\n%s", name, text)
		}
	}
	if linked < 5 {
		t.Errorf("only %d letters were tried", linked)
	}
}

// The weekly letter, too, leads to pages where people reach them, and says what may be typed.
func TestWeeklyLinks(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "\n[web]\naddress = \"https://firmus.example.org\"\n")
	reels(w, 3, 0)
	w.post()
	w.audit(true)
	w.rot("studio/masters/QV-0100/QV-0100_A.wav", 0, 70_000)
	w.write("vault/masters/QV-0101/stray.wav", "stray", 2000)
	w.audit(true)
	w.pass(8 * 24 * time.Hour)
	flat := strings.Join(strings.Fields(w.newest("weekly")), " ")
	if n := len(regexp.MustCompile(`What to do: https://firmus\.example\.org/findings/(\d+) \(or firmus findings show (\d+)\)`).FindAllString(flat, -1)); n < 2 || strings.Contains(flat, "What to do: firmus") {
		t.Errorf("%d findings have a link:\n%s", n, flat)
	}
}
