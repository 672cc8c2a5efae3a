package pages_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/people"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

func TestEveryAnswerKeepsThePolicy(t *testing.T) {
	w, id := damaged(t)
	in, out := w.entered(), w.browser()
	for _, path := range []string{"/", "/findings", fmt.Sprintf("/findings/%d", id), "/record", "/health", "/search?q=107", "/static/style.css", "/enter?key=x", "/sign-in", "/nothing"} {
		for who, b := range map[string]*browser{"in": in, "out": out} {
			r := b.get(path)
			csp := r.header.Get("Content-Security-Policy")
			if !strings.Contains(csp, "frame-ancestors 'none'") || !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("%s (%s): policy %q", path, who, csp)
			}
			if r.header.Get("X-Content-Type-Options") != "nosniff" || r.header.Get("Referrer-Policy") == "" {
				t.Errorf("%s (%s): headers %v", path, who, r.header)
			}
			if strings.Contains(r.text, "<script>") || strings.Contains(r.text, " style=") || strings.Contains(r.text, "onclick") {
				t.Errorf("%s (%s) has script or style within it", path, who)
			}
		}
	}
}

// What is served to everybody is a file at a time: no list of them.
func TestStaticFilesAreNotListed(t *testing.T) {
	b := newWorld(t, worldConfig).browser()
	for path, want := range map[string]int{"/static/player.js": 200, "/static/live.js": 200, "/static/icon.svg": 200, "/static/": 401, "/static": 401, "/static/nothing.js": 401} {
		if r := b.get(path); r.code != want || strings.Contains(r.text, "player.js\"") {
			t.Errorf("%s: %d, want %d: %s", path, r.code, want, r.text)
		}
	}
}

func TestWithoutASession(t *testing.T) {
	w, id := damaged(t)
	b := w.browser()
	for _, path := range []string{"/", "/findings", fmt.Sprintf("/findings/%d", id), "/record", "/nothing", "/work/jobs/x/events"} {
		if r := b.get(path); r.code != http.StatusUnauthorized || !r.says("firmus open") || strings.Contains(r.text, "QV-0107") {
			t.Errorf("%s: %d %s", path, r.code, r.text)
		}
	}
	w.person("Ada", fixity.Reviewer)
	for _, path := range []string{"/", "/findings", "/nothing"} {
		if r := b.get(path); r.code != http.StatusSeeOther || !strings.HasPrefix(r.header.Get("Location"), "/sign-in") {
			t.Errorf("with accounts, %s: %d to %q", path, r.code, r.header.Get("Location"))
		}
	}
}

// A program that looks at links before a person does must not use one up.
func TestOneTimeLink(t *testing.T) {
	w := newWorld(t, worldConfig)
	link, err := w.app.NewLink(t.Context(), strings.TrimPrefix(w.server.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	path := strings.TrimPrefix(link, w.server.URL)
	_, key, _ := strings.Cut(link, "key=")
	preview := w.browser()
	for range 3 {
		if r := preview.get(path); r.code != 200 || r.header.Get("Set-Cookie") != "" {
			t.Fatalf("%d %v", r.code, r.header)
		}
	}
	b := w.browser()
	r := b.post("/enter", "key", key)
	if c := r.header.Get("Set-Cookie"); r.code != http.StatusSeeOther || !strings.Contains(c, "HttpOnly") || !strings.Contains(c, "SameSite=Lax") {
		t.Fatalf("%d %v", r.code, r.header)
	}
	if r := b.get("/"); r.code != 200 {
		t.Errorf("after the link: %d", r.code)
	}
	if r := w.browser().post("/enter", "key", key); r.code != http.StatusUnauthorized {
		t.Errorf("the same link once more: %d", r.code)
	}
	if link, err = w.app.NewLink(t.Context(), "127.0.0.1:1"); err != nil {
		t.Fatal(err)
	}
	w.pass(25 * time.Hour)
	_, key, _ = strings.Cut(link, "key=")
	if r := w.browser().post("/enter", "key", key); r.code != http.StatusUnauthorized {
		t.Errorf("a link of yesterday: %d", r.code)
	}
}

func TestSessionsEnd(t *testing.T) {
	w := newWorld(t, worldConfig)
	b := w.entered()
	w.pass(6 * 24 * time.Hour)
	if r := b.get("/"); r.code != 200 {
		t.Fatalf("within a week: %d", r.code)
	}
	w.pass(6 * 24 * time.Hour) // it was used meanwhile
	if r := b.get("/"); r.code != 200 {
		t.Fatalf("a session that is used goes on: %d", r.code)
	}
	w.pass(8 * 24 * time.Hour)
	if r := b.get("/"); r.code != http.StatusUnauthorized {
		t.Errorf("after a week without use: %d", r.code)
	}
	b = w.entered()
	if r := b.post("/sign-out"); r.code != http.StatusSeeOther {
		t.Fatal(r.code)
	}
	if r := b.get("/"); r.code != http.StatusUnauthorized {
		t.Errorf("after signing out: %d", r.code)
	}
	// With the first account the link's session is over: nobody is in without a name.
	b = w.entered()
	ada := w.person("Ada", fixity.Reviewer)
	if r := b.get("/findings"); r.code != http.StatusSeeOther {
		t.Errorf("a session of a link beside accounts: %d", r.code)
	}
	if r := ada.get("/findings"); r.code != 200 || !r.says("Ada, reviewer") {
		t.Errorf("Ada: %d", r.code)
	}
	if err := people.Reset(t.Context(), w.app.Ledger, w.now(), "Ada", "another long password", "", people.Needs{}, "the test"); err != nil {
		t.Fatal(err)
	}
	if r := ada.get("/findings"); r.code != http.StatusSeeOther {
		t.Errorf("after another password: %d", r.code)
	}
}

// What doesn't come from a page here changes nothing.
func TestForeignRequests(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	path, mark := fmt.Sprintf("/findings/%d/settle", id), b.saw(id)
	form := []string{"saw", mark, "by", "Ada", "reason", "known"}
	for name, change := range map[string]func(*http.Request){
		"another origin":    func(r *http.Request) { r.Header.Set("Origin", "https://elsewhere.example") },
		"fetched by a site": func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"no origin at all":  func(r *http.Request) { r.Header.Set("Origin", "null") },
	} {
		r := b.request("POST", path, form...)
		change(r)
		if a := b.do(r); a.code != http.StatusForbidden {
			t.Errorf("%s: %d", name, a.code)
		}
	}
	for _, host := range []string{"elsewhere.example", "elsewhere.example:80", "127.0.0.1.elsewhere.example", ""} {
		for _, method := range []string{"GET", "POST"} {
			r := b.request(method, path, form...)
			r.Host = host
			if a := b.do(r); host != "" && a.code != http.StatusMisdirectedRequest {
				t.Errorf("%s for %q: %d", method, host, a.code)
			}
		}
	}
	if f := w.finding(id); !f.Open() {
		if f.SettledBy != "Ada" { // the empty host is that of the address
			t.Errorf("it was settled: %+v", f)
		}
	}
}

func TestRecoverOnThePage(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	page := b.get(fmt.Sprintf("/findings/%d", id))
	bad := filepath.Join(w.dir, "vault", "masters", "QV-0107", "QV-0107_A.wav")
	good := filepath.Join(w.dir, "studio", "masters", "QV-0107", "QV-0107_A.wav")
	for _, want := range []string{"FROM", good, "TO", bad, "DAMAGED", "ASIDE", ".firmus-kept"} {
		if !page.says(want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	mark := b.saw(id)
	path := fmt.Sprintf("/findings/%d/recover", id)
	if r := b.post(path, "saw", mark); r.code != http.StatusUnprocessableEntity || !r.says("Type your name") {
		t.Errorf("without a name: %d", r.code)
	}
	if r := b.post(path, "by", "Ada"); r.code != http.StatusBadRequest {
		t.Errorf("without what was seen: %d", r.code)
	}
	r := b.follow(b.post(path, "saw", mark, "by", "Ada", "reason", "the drive was knocked over"))
	if r.code != 200 || !r.says("recovered from studio and read there") {
		t.Errorf("%d %s", r.code, r.text)
	}
	got, err := os.ReadFile(bad)
	if err != nil || string(got) != string(testdata.Wave("107A", 200_000)) {
		t.Errorf("what lies there isn't the recording: %v", err)
	}
	if f := w.finding(id); f.Settled != fixity.PutBack {
		t.Errorf("the finding ended as %q", f.Settled)
	}
	if r := b.post(path, "saw", mark, "by", "Ada"); r.code != http.StatusConflict {
		t.Errorf("the same form once more: %d", r.code)
	}
	w.view(func(t2 *ledger.Tx) error {
		e, err := t2.Log.Last(fixity.RecoveryOrdered, "vault")
		if e.By != "Ada" || e.Reason != "the drive was knocked over" {
			t.Errorf("the record has %+v", e)
		}
		return err
	})
}

func TestSettleOnThePage(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	mark, path := b.saw(id), fmt.Sprintf("/findings/%d/settle", id)
	if r := b.post(path, "saw", mark, "by", "Ada", "reason", " "); r.code != http.StatusUnprocessableEntity {
		t.Errorf("without a reason: %d", r.code)
	}
	if !w.finding(id).Open() {
		t.Fatal("it was settled without a reason")
	}
	r := b.follow(b.post(path, "saw", mark, "by", "Ada", "reason", "a copy for the school"))
	if r.code != 200 || !r.says("settled") || !r.says("a copy for the school") {
		t.Errorf("%d %s", r.code, r.text)
	}
	if r := b.post(path, "saw", mark, "by", "Ben", "reason", "me too"); r.code != http.StatusConflict || !r.says("changed meanwhile") {
		t.Errorf("somebody else with the same page: %d %s", r.code, r.text)
	}
	if f := w.finding(id); f.SettledBy != "Ada" {
		t.Errorf("settled by %q", f.SettledBy)
	}
}

// A form whose subject has changed is refused, and says what is so now.
func TestFormThatHasBecomeUntrue(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	mark := b.saw(id)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "vault") // put back by hand
	w.audit()
	for _, act := range []string{"recover", "settle", "sign-off"} {
		r := b.post(fmt.Sprintf("/findings/%d/%s", id, act), "saw", mark, "by", "Ada", "reason", "because")
		if r.code != http.StatusConflict {
			t.Errorf("%s: %d %s", act, r.code, r.text)
		}
	}
	for _, path := range []string{"/findings/0", "/findings/-1", "/findings/x", "/findings/99999", "/findings/99999999999999999999", "/incidents/7", "/findings?from=x.y", "/record?before=x"} {
		if r := b.get(path); r.code != http.StatusNotFound {
			t.Errorf("%s: %d", path, r.code)
		}
	}
	if r := b.post("/findings/99999/settle", "saw", "00", "by", "Ada", "reason", "x"); r.code != http.StatusNotFound {
		t.Errorf("an act on nothing: %d", r.code)
	}
}
