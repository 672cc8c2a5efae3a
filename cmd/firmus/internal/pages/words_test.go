package pages_test

import (
	"net/http"
	"strings"
	"testing"

	"firmus/fixity"
)

// What is refused on a page is said in the page's words: who reads it has no command line.
func TestRefusalsSpeakOfPages(t *testing.T) {
	w, vault := damaged(t)
	w.put("masters/QV-0108/QV-0108_A.wav", "108", "studio", "vault")
	w.intake()
	w.flip("studio/masters/QV-0108/QV-0108_A.wav")
	w.audit()
	b := w.person("Ada Wren", fixity.Reviewer)
	tried := 0
	for _, f := range w.open() {
		if f.Subject != fixity.OfFile {
			continue
		}
		for _, meant := range []string{"", "new-transfer", "description", "lost-otherwise"} {
			r := b.follow(b.post("/findings/"+itoa(f.ID)+"/sign-off", "saw", b.saw(f.ID), "reason", "as if", "meant", meant))
			if r.code != http.StatusUnprocessableEntity {
				t.Errorf("finding %d, %q: %d %s", f.ID, meant, r.code, r.text)
				continue
			}
			tried++
			_, main, _ := strings.Cut(r.text, "<main")
			for _, bad := range []string{"--", "firmus audit", "firmus findings", "firmus recover"} {
				if strings.Contains(main, bad) {
					t.Errorf("finding %d, %q speaks of commands: %s", f.ID, meant, main)
				}
			}
		}
		if f.ID == vault {
			if r := b.post("/findings/"+itoa(f.ID)+"/sign-off", "saw", b.saw(f.ID), "reason", "as if", "meant", "master"); !r.says("the page of finding " + itoa(f.ID)) {
				t.Errorf("where to look: %s", r.text)
			}
		}
	}
	if tried < 8 {
		t.Fatalf("only %d refusals were seen", tried)
	}
}
