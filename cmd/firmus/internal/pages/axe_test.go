package pages_test

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/pages"
	"firmus/cmd/firmus/internal/pages/firstrun"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/testing/browsertest"
)

// axe is the text of axe-core, whose file FIRMUS_AXE names (node_modules/axe-core/axe.min.js
// of npm's package): a program by others that holds pages against WCAG.
func axe(t *testing.T) string {
	t.Helper()
	file := os.Getenv("FIRMUS_AXE")
	if file == "" {
		if os.Getenv("FIRMUS_ALL_PARTS") != "" {
			t.Fatal("FIRMUS_AXE doesn't name axe-core's axe.min.js")
		}
		t.Skip("FIRMUS_AXE doesn't name axe-core's axe.min.js")
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// fits says of the page that is open what is wrong with it: what axe-core finds against
// WCAG 2.2, levels A and AA, in light and dark; a page that is wider than a phone, or than
// a window at 200 %; a thing to use that the keyboard doesn't come to.
func fits(t *testing.T, b *browsertest.Tab, axe, name string) {
	t.Helper()
	const run = `;axe.run(document, {runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]}}).then(r => r.passes.length < 5 ? "axe-core looked at nothing" : r.violations.map(v => v.id + ": " + v.help + "\n" + v.nodes.map(n => "  " + n.html.slice(0, 200) + "\n  " + n.failureSummary.replace(/\s+/g, " ")).join("\n")).join("\n"))`
	b.Size(1280, 900)
	for _, dark := range []bool{false, true} {
		b.Dark(dark)
		if wrong := browsertest.Eval[string](b, axe+run); wrong != "" {
			t.Errorf("%s (dark: %t):\n%s", name, dark, wrong)
		}
	}
	b.Dark(false)
	for _, width := range []int64{640, 360, 320} { // 1280 at 200 %; phones; WCAG's 1.4.10
		b.Size(width, 800)
		if over := browsertest.Eval[string](b, `(() => { const w = document.documentElement.clientWidth; if (document.documentElement.scrollWidth <= w) return ""; return [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > w + 1).slice(0, 5).map(e => e.outerHTML.slice(0, 120)).join("\n") || "wider than the window" })()`); over != "" {
			t.Errorf("%s is wider than %d pixels:\n%s", name, width, over)
		}
	}
	b.Size(1280, 900)
}

// tabs presses the Tab key through a page, and fails if it doesn't come to each thing there
// is to use, or if it can't be seen where it is.
func tabs(t *testing.T, b *browsertest.Tab, name string) {
	t.Helper()
	want := browsertest.Eval[int](b, `document.activeElement.blur(), window.met = new Set(), [...document.querySelectorAll("a[href],button,input:not([type=hidden]),select,textarea,summary,audio,[tabindex='0']")].filter(e => e.checkVisibility() && !e.closest("details:not([open]) > :not(summary)") && !(e.type === "radio" && !e.checked && document.querySelector("input[type=radio][name='" + e.name + "']:checked"))).length`)
	for range want + 40 {
		b.Press("\t")
		if bad := browsertest.Eval[string](b, `(() => { const e = document.activeElement; if (!e || e === document.body) return ""; window.met.add(e); const s = getComputedStyle(e); return e.tagName !== "AUDIO" && s.outlineStyle === "none" ? e.outerHTML.slice(0, 120) : "" })()`); bad != "" {
			t.Errorf("%s: nothing shows that the keyboard is at %s", name, bad)
			return
		}
		if browsertest.Eval[int](b, "window.met.size") >= want {
			return
		}
	}
	t.Errorf("%s: the keyboard comes to %d of %d things", name, browsertest.Eval[int](b, "window.met.size"), want)
}

// files are routes that answer with no page, here or at all: there is no sitting, nothing that
// waits for a second person, and no job that was refused.
var files = []string{"GET /print/sitting", "GET /print/holdings/{form}", "GET /print/year/{form}", "GET /print/sides/{form}", "GET /print/reels/{item}/{form}", "GET /proposals/{id}", "GET /work/jobs/{id}/form", "GET /record/checkpoint", "GET /findings/{id}/clip/{store}", "GET /findings/{id}/wave/{store}", "GET /work/jobs/{id}/events", "GET /work/jobs/{id}", "GET /enter", "GET /sign-in", "GET /incidents/{id}", "GET /discs/{number}", "GET /print/discs/{number}/burn",
	"GET /print/discs/{number}/checks/{id}", "GET /discs/{number}/checks/{id}/surface.svg"}

// Every page of the table of routes can be used by everybody.
func TestEveryPageIsAccessible(t *testing.T) {
	t.Parallel()
	text := axe(t)
	b := browsertest.New(t)
	w, id := damaged(t)
	link, err := w.app.NewLink(t.Context(), strings.TrimPrefix(w.server.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	b.Open(link)
	fits(t, b, text, "/enter")
	b.Click("Open")
	tried := 0
	for pattern, needs := range pages.Routes() {
		if !strings.HasPrefix(pattern, "GET ") || needs == "" || slices.Contains(files, pattern) || strings.HasPrefix(pattern, "GET /register/") { // those have a test of their own
			continue
		}
		path := strings.ReplaceAll(strings.TrimPrefix(pattern, "GET "), "{$}", "")
		path = strings.NewReplacer("{id}", fmt.Sprint(id), "{name}", "vault", "{item}", "QV-0107").Replace(path)
		b.Open(w.server.URL + path)
		if status := browsertest.Eval[int](b, "performance.getEntriesByType('navigation')[0].responseStatus"); status != http.StatusOK {
			t.Errorf("%s: %d", path, status)
		}
		fits(t, b, text, path)
		tried++
	}
	for _, path := range []string{"/nothing", "/search?q=107", "/reels?next=put-right", "/findings/" + fmt.Sprint(id) + "?at=0:01"} {
		b.Open(w.server.URL + path)
		fits(t, b, text, path)
	}
	for _, path := range []string{"/", "/findings/" + fmt.Sprint(id), "/work", "/setup", "/stores/vault"} {
		b.Open(w.server.URL + path)
		tabs(t, b, path)
	}
	if tried < 15 {
		t.Errorf("only %d pages were tried", tried)
	}
}

// So can those of the first run.
func TestSetupIsAccessible(t *testing.T) {
	t.Parallel()
	text := axe(t)
	b := browsertest.New(t)
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "music", "masters", "QV-0107"), 0o755); err != nil {
		t.Fatal(err)
	}
	base, link := setupServer(t, dir)
	b.Open(link)
	fits(t, b, text, "/enter")
	b.Click("Open")
	for _, step := range []string{"holdings", "masters", "masters?in=" + dir + "/music", "access", "second", "cloud", "discs", "letters", "places"} {
		b.Open(base + "/setup/" + step)
		fits(t, b, text, "/setup/"+step)
		tabs(t, b, "/setup/"+step)
	}
	for step, form := range map[string]string{"holdings": "name=Quillmere", "masters": "masters=" + dir + "/music/masters", "access": "none=1", "second": "none=1", "cloud": "none=1", "discs": "none=1", "letters": "none=1", "places": "none=1"} {
		if code := browsertest.Eval[int](b, fmt.Sprintf(`fetch("/setup/%s", {method: "POST", headers: {"Content-Type": "application/x-www-form-urlencoded"}, body: %q}).then(r => r.status)`, step, form)); code != http.StatusOK {
			t.Errorf("%s: %d", step, code)
		}
	}
	b.Open(base + "/setup/result")
	b.Wait("What will be written")
	fits(t, b, text, "/setup/result")
	tabs(t, b, "/setup/result")
}

// setupServer serves the pages of a first run.
func setupServer(t testing.TB, dir string) (base, link string) {
	t.Helper()
	server := httptest.NewUnstartedServer(nil)
	none := func(context.Context, *config.Config) ([]site.Checked, error) {
		return []site.Checked{{What: "configuration", Mark: "ok", OK: true}, {What: "letters", Mark: "not set up", OK: true}, {What: "store vault", Detail: "NOT FOUND", Mark: "NOT OK"}}, nil
	}
	addr := server.Listener.Addr().String()
	site, link, err := firstrun.New(firstrun.Options{Path: filepath.Join(dir, "firmus.toml"), Listen: addr, Log: slog.New(slog.DiscardHandler), Guarded: guarded.Of(nil),
		Places: func() []string { return []string{dir} }, Check: none, Cloud: none, Mail: none, Done: func() {}}, "http://"+addr)
	if err != nil {
		t.Fatal(err)
	}
	server.Config.Handler = site
	server.Start()
	t.Cleanup(server.Close)
	return server.URL, link
}

// Nobody but who opened the link comes to the setup, and from nowhere but this computer.
func TestOnlyTheHolderSetsUp(t *testing.T) {
	dir := t.TempDir()
	base, link := setupServer(t, dir)
	w := &world{t: t, server: &httptest.Server{URL: base}}
	holder, other := w.browser(), w.browser()
	path, key, _ := strings.Cut(strings.TrimPrefix(link, base), "?key=")
	routes := []string{"/", "/setup", "/setup/holdings", "/setup/masters?in=/etc", "/setup/result", "/nothing"}
	acts := []string{"/setup/holdings", "/setup/masters", "/setup/write", "/setup/try/letters", "/setup/try/cloud"}
	closed := func(b *browser, who string, change func(*http.Request), want int) {
		t.Helper()
		for _, p := range routes {
			r := b.request("GET", p)
			change(r)
			if a := b.do(r); a.code != want && want != http.StatusForbidden {
				t.Errorf("%s, %s: %d, want %d", who, p, a.code, want)
			}
		}
		for _, p := range acts {
			r := b.request("POST", p, "name", "theirs", "masters", "/etc", "replace", "1")
			change(r)
			if a := b.do(r); a.code != want {
				t.Errorf("%s, POST %s: %d, want %d", who, p, a.code, want)
			}
		}
	}
	as := func(*http.Request) {}
	closed(other, "without the link", as, http.StatusUnauthorized)
	for range 3 { // who looks at links before people do uses none up
		if r := other.get(path + "?key=" + key); r.code != 200 || r.header.Get("Set-Cookie") != "" {
			t.Fatalf("%d", r.code)
		}
	}
	far := holder.request("POST", path, "key", key)
	far.Header.Set("X-Forwarded-For", "203.0.113.9")
	if r := holder.do(far); r.code != http.StatusUnauthorized {
		t.Errorf("the link from elsewhere: %d", r.code)
	}
	if r := other.post(path, "key", key+"x"); r.code != http.StatusUnauthorized {
		t.Errorf("a link that was guessed: %d", r.code)
	}
	if r := holder.post(path, "key", key); r.code != http.StatusSeeOther {
		t.Fatalf("the link: %d", r.code)
	}
	if r := other.post(path, "key", key); r.code != http.StatusUnauthorized {
		t.Errorf("the link once more: %d", r.code)
	}
	closed(other, "after another has opened it", as, http.StatusUnauthorized)
	closed(holder, "by another name", func(r *http.Request) { r.Host = "elsewhere.example" }, http.StatusMisdirectedRequest)
	closed(holder, "from another site", func(r *http.Request) { r.Header.Set("Origin", "https://elsewhere.example") }, http.StatusForbidden)
	closed(holder, "through a proxy", func(r *http.Request) { r.Header.Set("Forwarded", "for=203.0.113.9") }, http.StatusUnauthorized)
	for in, want := range map[string]int{"/": 403, "/etc": 403, dir + "/..": 403, dir + "/nothing": 404, "nowhere": 404, dir: 200} {
		if r := holder.get("/setup/masters?in=" + in); r.code != want {
			t.Errorf("looking into %s: %d, want %d", in, r.code, want)
		}
	}
	for _, step := range []string{"nothing", "..%2Fwrite", "result"} {
		if r := holder.post("/setup/"+step, "name", "x"); r.code != http.StatusNotFound {
			t.Errorf("answering %s: %d", step, r.code)
		}
	}
	if r := holder.post("/setup/holdings", "name", `<script>alert(1)</script>`); r.code != http.StatusSeeOther {
		t.Errorf("%d", r.code)
	}
	if r := holder.get("/setup/masters"); strings.Contains(r.text, "<script>alert") {
		t.Error("a name is a script")
	}
	if r := holder.post("/setup/write"); r.code != http.StatusSeeOther { // not all is answered
		t.Errorf("%d", r.code)
	}
	if list, _ := filepath.Glob(filepath.Join(dir, "*")); len(list) != 0 {
		t.Errorf("there is %q", list)
	}
}
