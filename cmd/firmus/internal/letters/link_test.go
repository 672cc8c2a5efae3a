package letters_test

import (
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity/ledger"
)

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
		link := strings.Fields(text[at:])[0]
		if !strings.Contains(html, `<a href="`+link+`">`+link+`</a>`) {
			t.Errorf("%s: the HTML doesn't link to %s", name, link)
		}
		without := strings.Replace(text, "\nOn a page, with a form for what is to be done\n  "+link+"\n", "", 1)
		if without != bare {
			t.Errorf("%s: without the link it says another thing:\n%s", name, without)
		}
	}
	if linked < 5 {
		t.Errorf("only %d letters were tried", linked)
	}
}
