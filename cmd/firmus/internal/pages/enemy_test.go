package pages_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/pages"
	"firmus/cmd/firmus/internal/people"
	"firmus/fixity"
	"firmus/testdata"
)

var jobLink = regexp.MustCompile(`^/work/jobs/[a-z0-9]+$`)

// What a technician does with restricted recordings is told by names: who only looks sees
// none of it, neither while it goes on nor afterwards.
func TestRestrictedActs(t *testing.T) {
	w := newWorld(t, strings.Replace(withSources, "role = \"master\"\n", "role = \"master\"\nrestricted = true\n", 1))
	w.file("stick/lament/lament of the widow.wav", "one")
	may, not := w.person("Theo", fixity.Technician), w.person("Vera", fixity.Viewer)
	folder := filepath.Join(w.dir, "stick", "lament")
	r := may.post("/work/receive", "folder", folder, "set", "masters", "item", "QV-0200")
	job := r.header.Get("Location")
	if r.code != http.StatusSeeOther || !jobLink.MatchString(job) {
		t.Fatalf("receive: %d to %q", r.code, job)
	}
	if r := may.follow(r); !r.says("lament of the widow") {
		t.Fatalf("the one who received it: %d %s", r.code, r.text)
	}
	for _, path := range []string{job, job + "/events"} {
		if r := not.get(path); r.code != http.StatusForbidden || strings.Contains(r.text, "lament") {
			t.Errorf("%s for a viewer: %d %s", path, r.code, r.text)
		}
	}
	for _, path := range []string{"/", "/setup"} {
		if r := not.get(path); r.code != http.StatusOK || strings.Contains(r.text, "lament") {
			t.Errorf("%s for a viewer: %d %s", path, r.code, r.text)
		}
	}
	if r := not.get("/"); !r.says("KEEP THE STICK “name withheld”") {
		t.Error("Today doesn't say that a stick must be kept")
	}
}

// Where nothing is restricted, a viewer may watch.
func TestViewersWatch(t *testing.T) {
	w := newWorld(t, withSources)
	w.file("stick/REC/one.wav", "one")
	may, looks := w.person("Theo", fixity.Technician), w.person("Vera", fixity.Viewer)
	r := may.post("/work/receive", "folder", filepath.Join(w.dir, "stick", "REC"), "set", "masters", "item", "QV-0200")
	job := r.header.Get("Location")
	may.follow(r)
	if r := looks.get(job); r.code != http.StatusOK {
		t.Errorf("%s for a viewer: %d", job, r.code)
	}
}

// Wrong guesses from one address hold that address up, and whom they were meant for hardly
// at all; an account of one's own is no way round.
func TestNobodyLocksOthersOut(t *testing.T) {
	w := newWorld(t, worldConfig+"[web]\nlisten = \"127.0.0.1:0\"\naddress = \"https://127.0.0.1\"\nproxies = [\"127.0.0.1\"]\n")
	w.person("Mallory", fixity.Viewer)
	w.person("Ada", fixity.Reviewer)
	try := func(from, name, password string) int {
		b := w.browser()
		r := b.request("POST", "/sign-in", "name", name, "password", password)
		r.Header.Set("X-Forwarded-For", from)
		return b.do(r).code
	}
	const enemy, friend = "192.0.2.66", "192.0.2.7"
	guessed := 0
	for range 100 { // an hour
		if try(enemy, "Ada", "a wrong long password") == http.StatusUnauthorized {
			guessed++
		}
		if c := try(enemy, "Mallory", passphrase); c != http.StatusSeeOther && c != http.StatusTooManyRequests {
			t.Fatalf("one's own account: %d", c)
		}
		w.pass(36 * time.Second)
	}
	if guessed > 20 {
		t.Errorf("%d guesses in an hour from one address", guessed)
	}
	if c := try(friend, "Ada", passphrase); c == http.StatusTooManyRequests {
		w.pass(30 * time.Second)
		c = try(friend, "Ada", passphrase)
		if c != http.StatusSeeOther {
			t.Errorf("half a minute later, from elsewhere: %d", c)
		}
	} else if c != http.StatusSeeOther {
		t.Errorf("from elsewhere: %d", c)
	}
}

// Many addresses that guess together hold an account up half a minute again and again, but
// not where its person signed in before. A new password forgets those places.
func TestGuessesElsewhereDoNotHoldUp(t *testing.T) {
	w := newWorld(t, worldConfig+"[web]\nlisten = \"127.0.0.1:0\"\naddress = \"https://127.0.0.1\"\nproxies = [\"127.0.0.1\"]\n")
	w.account("Ada", fixity.Reviewer)
	try := func(from, password string) int {
		b := w.browser()
		r := b.request("POST", "/sign-in", "name", "Ada", "password", password)
		r.Header.Set("X-Forwarded-For", from)
		return b.do(r).code
	}
	const home, hotel = "192.0.2.7", "198.51.100.20"
	if c := try(home, passphrase); c != http.StatusSeeOther {
		t.Fatalf("at first: %d", c)
	}
	// guess fails so often from so many places that the next try has to wait the longest.
	guess := func(n int, from func(int) string) {
		for failed := 0; failed < n; {
			if try(from(failed), "a wrong long password") == http.StatusUnauthorized {
				failed++
			} else {
				w.pass(time.Minute)
			}
		}
	}
	many := func(i int) string { return fmt.Sprintf("203.0.113.%d", i) }
	guess(10, many)
	if c := try(hotel, passphrase); c != http.StatusTooManyRequests {
		t.Errorf("from a place that isn't known: %d", c)
	}
	if c := try(home, passphrase); c != http.StatusSeeOther {
		t.Errorf("from home: %d", c)
	}
	// Slips at home are held up at home, and a right sign-in there frees no guesser.
	guess(9, func(int) string { return home })
	if c := try(home, passphrase); c != http.StatusTooManyRequests {
		t.Errorf("guesses from home: %d", c)
	}
	w.pass(time.Minute)
	guess(10, many)
	if c := try(home, passphrase); c != http.StatusSeeOther {
		t.Errorf("from home, later: %d", c)
	}
	if c := try("203.0.113.200", "a wrong long password"); c != http.StatusTooManyRequests {
		t.Errorf("the guessers were freed: %d", c)
	}
	if err := people.Reset(t.Context(), w.app.Ledger, w.now(), "Ada", "another long password", "", people.Needs{}, "the test"); err != nil {
		t.Fatal(err)
	}
	if c := try(home, "another long password"); c != http.StatusTooManyRequests {
		t.Errorf("after a new password: %d", c)
	}
}

// Damage of an access file in the store where files arrive isn't made the truth by one
// reason: that it was edited has to be said besides. A file that was saved needs no more
// than the reason.
func TestDamageIsNotAnEdit(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.put("access/QV-0107/QV-0107_A_01.wav", "107A01", "studio", "vault")
	w.put("access/QV-0108/QV-0108_A_01.wav", "108A01", "studio", "vault")
	w.intake()
	w.pass(4 * 24 * time.Hour) // editing has ended
	w.flip("studio/access/QV-0107/QV-0107_A_01.wav")
	if err := os.WriteFile(filepath.Join(w.dir, "studio/access/QV-0108/QV-0108_A_01.wav"), testdata.Wave("cut anew", 210_000), 0o644); err != nil {
		t.Fatal(err)
	}
	w.audit()
	b := w.entered()
	for _, f := range w.open() {
		path, saw := fmt.Sprintf("/findings/%d", f.ID), b.saw(f.ID)
		damaged := strings.Contains(f.Path, "0107")
		if got := b.get(path).says("This looks like damage, not like an edit."); got != damaged {
			t.Errorf("%s: the page warns: %v", f.Path, got)
		}
		r := b.post(path+"/sign-off", "saw", saw, "by", "Ada", "reason", "cut anew")
		if damaged && (r.code != http.StatusUnprocessableEntity || !w.finding(f.ID).Open()) {
			t.Errorf("%s was signed off without a word: %d", f.Path, r.code)
		}
		if damaged {
			r = b.post(path+"/sign-off", "saw", saw, "by", "Ada", "reason", "cut anew", "edited", "yes")
		}
		if r := b.follow(r); w.finding(f.ID).Open() {
			t.Errorf("%s was not signed off: %d %s", f.Path, r.code, r.text)
		}
	}
}

// A stick that is received under a wrong number, after it was received under the right one,
// is told of.
func TestReceivedTwice(t *testing.T) {
	w := newWorld(t, withSources)
	w.file("stick/REC/one.wav", "one")
	b := w.person("Theo", fixity.Technician)
	receive := func(item string) answer {
		return b.follow(b.post("/work/receive", "folder", filepath.Join(w.dir, "stick", "REC"), "set", "masters", "item", item, "sides", "A"))
	}
	const slip = "the same recording is under care already as masters/QV-0200/QV-0200_A.wav. Is the number right?"
	for range 2 { // going on with it is no slip
		if r := receive("QV-0200"); !r.says("KEEP THE STICK") || r.says("under care already") {
			t.Errorf("%s", r.text)
		}
	}
	if r := receive("QV-0210"); !r.says(slip) {
		t.Errorf("%s", r.text)
	}
}

// Those who listen keep nobody from the pages: when too many clips are asked for, the rest is
// told at once to come again.
func TestTooManyClips(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	release := pages.HoldClips()
	began := time.Now()
	r := b.get(fmt.Sprintf("/findings/%d/clip/vault", id))
	release()
	if r.code != http.StatusConflict || !r.says("the store is busy") || time.Since(began) > 5*time.Second {
		t.Errorf("%d after %s: %s", r.code, time.Since(began), r.text)
	}
	if r := b.get(fmt.Sprintf("/findings/%d/clip/vault", id)); r.code != http.StatusOK {
		t.Errorf("afterwards: %d", r.code)
	}
}
