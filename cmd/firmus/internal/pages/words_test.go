package pages_test

import (
	"context"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/pages"
	"firmus/cmd/firmus/internal/pages/site"
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

// A page has the form for what a person is to do, or says it in its own words. A command is
// named only where who reads it edits a file, or where no page may answer.
func TestPagesNameNoCommands(t *testing.T) {
	t.Parallel()
	letters := []bool{}
	w := newWorld(t, worldConfig, func(w *world) {
		w.app.Checks = func(_ context.Context, letter bool) ([]site.Checked, error) {
			letters = append(letters, letter)
			return []site.Checked{{What: "state folder", Detail: "/state", Mark: "ok", OK: true}, {What: "store vault, set masters", Detail: "no folder", Mark: "NOT OK"}}, nil
		}
	})
	b := w.person("Ada Wren", fixity.Reviewer)
	if r := b.get("/"); !r.says("Take in now") || !strings.Contains(r.text, `href="/work#take-in"`) {
		t.Errorf("Today doesn't lead to the intake: %s", r.text)
	}
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.put("masters/QV-0107/QV-0107_B.wav", "107B", "studio")
	if r := b.follow(b.post("/work/intake")); r.code != http.StatusOK || !r.says("2 files are taken under care, 400 kB.") || !r.says("1 file") {
		t.Errorf("the intake: %d %s", r.code, r.text)
	}
	if r := b.follow(b.post("/work/intake")); !r.says("Nothing new was there to take in.") {
		t.Errorf("the second intake: %s", r.text)
	}
	// How long an intake takes is told from all that it reads: the new file in both stores.
	w.put("masters/QV-0108/QV-0108_A.wav", "108A", "studio", "vault")
	st, err := os.Stat(filepath.Join(w.dir, "vault/masters/QV-0108/QV-0108_A.wav"))
	if err != nil {
		t.Fatal(err)
	}
	toRead := int64(-1)
	if _, err := w.app.Receiving.Intake(t.Context(), receiving.IntakeOrder{Found: func(n int64) { toRead = n }}); err != nil || toRead != 2*st.Size() {
		t.Errorf("the intake said that %d bytes are to be read, want %d: %v", toRead, 2*st.Size(), err)
	}
	if r := b.follow(b.post("/health/check")); !r.says("Something is NOT OK") || !r.says("store vault, set masters") {
		t.Errorf("the check: %d %s", r.code, r.text)
	}
	b.follow(b.post("/health/check", "letter", "yes"))
	if !slices.Equal(letters, []bool{false, true}) {
		t.Errorf("letters asked for: %v", letters)
	}
	kept := b.get("/record/checkpoint").text
	if r := b.follow(b.post("/record/check", "against", kept)); !r.says("still holds") {
		t.Errorf("a checkpoint: %s", r.text)
	}
	if r := b.follow(b.post("/record/check", "against", strings.Replace(kept, "\n2", "\n9", 1)+"x")); r.says("still holds") {
		t.Errorf("a forged checkpoint holds: %s", r.text)
	}
	command := regexp.MustCompile(`firmus [a-z]+`)
	may := map[string][]string{
		"/register":        {"firmus register"},                                // the configuration is a file
		"/print/desk-card": {"firmus service", "firmus check", "firmus audit"}, // no page may answer
		"/print/take-over": {"firmus findings"},                                // likewise: kept for years, on paper
		"/enter":           {"firmus open"},                                    // who reads it has no page to open
		"/sign-in":         {"firmus account"},                                 // likewise
	}
	n := 0
	for route := range pages.Routes() {
		method, path, _ := strings.Cut(route, " ")
		if method != "GET" || strings.Contains(path, "{") && path != "/{$}" {
			continue
		}
		n++
		r := b.get(strings.TrimSuffix(path, "{$}"))
		_, main, ok := strings.Cut(r.text, "<main")
		if !ok {
			main = r.text
		}
		for _, c := range command.FindAllString(main, -1) {
			if !slices.Contains(may[path], c) {
				t.Errorf("%s names a command: %s", path, c)
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d pages were looked at", n)
	}
}
