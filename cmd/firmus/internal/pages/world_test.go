package pages_test

import (
	"context"
	"fmt"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
	"firmus/testdata"
)

// world is an archive of two drives with its pages, served as they are.
type world struct {
	t      testing.TB
	dir    string
	app    *app.App
	server *httptest.Server
	mu     sync.Mutex
	drive  *discDrive    // that discs are read in; nil without one
	ahead  time.Duration // of the system's clock
}

const worldConfig = `name  = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[set.access]
role = "access"
editing = "3d"
[store.studio]
kind = "disk"
arrivals = true
place = "Studio, room 12"
sets = { masters = "studio/masters", access = "studio/access" }
[store.vault]
kind = "disk"
own_drive = true
sets = { masters = "vault/masters", access = "vault/access" }
`

// hour lies before the world's clock, for files that have been at rest.
var hour = time.Now().Add(-time.Hour)

func newWorld(t testing.TB, cfg string, before ...func(*world)) *world {
	t.Helper()
	w := &world{t: t, dir: t.TempDir()}
	if err := os.WriteFile(filepath.Join(w.dir, "firmus.toml"), []byte(cfg), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{"studio/masters", "studio/access", "vault/masters", "vault/access"} {
		if err := os.MkdirAll(filepath.Join(w.dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	ledgertest.Ready(t, filepath.Join(w.dir, "state"))
	c, err := config.Load(filepath.Join(w.dir, "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if w.app, err = app.Open(t.Context(), app.Options{Config: c, By: "the test", Now: w.now}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.app.Close() })
	for _, do := range before {
		do(w)
	}
	w.serve()
	return w
}

// restarted is the same archive, as another process has it open.
func (w *world) restarted() *world {
	w.t.Helper()
	c, err := config.Load(filepath.Join(w.dir, "firmus.toml"))
	if err != nil {
		w.t.Fatal(err)
	}
	b := &world{t: w.t, dir: w.dir, ahead: w.ahead}
	if b.app, err = app.Open(w.t.Context(), app.Options{Config: c, By: "the test", Now: b.now}); err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { b.app.Close() })
	b.serve()
	return b
}

func (w *world) serve() {
	w.t.Helper()
	t := w.t
	ctx, stop := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	w.server = httptest.NewUnstartedServer(nil)
	site, err := w.app.Site(slog.New(slog.DiscardHandler), w.server.Listener.Addr().String(), func(do func(context.Context)) { wg.Go(func() { do(ctx) }) })
	if err != nil {
		t.Fatal(err)
	}
	w.server.Config.Handler = site
	w.server.Start()
	t.Cleanup(func() { stop(); wg.Wait(); w.server.Close() })
}

func (w *world) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return time.Now().Add(w.ahead)
}

// pass moves the clock on.
func (w *world) pass(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ahead += d
}

// put lays a recording into stores.
func (w *world) put(path, seed string, stores ...string) {
	w.t.Helper()
	for _, s := range stores {
		p := filepath.Join(w.dir, s, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			w.t.Fatal(err)
		}
		if err := os.WriteFile(p, testdata.Wave(seed, 200_000), 0o644); err != nil {
			w.t.Fatal(err)
		}
		if err := os.Chtimes(p, hour, hour); err != nil {
			w.t.Fatal(err)
		}
	}
}

// flip damages a stretch of a file, and leaves its time.
func (w *world) flip(path string) { w.t.Helper(); w.flipAt(path, 100_000) }

func (w *world) flipAt(path string, at int64) {
	w.t.Helper()
	f, err := os.OpenFile(filepath.Join(w.dir, filepath.FromSlash(path)), os.O_RDWR, 0)
	if err != nil {
		w.t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt(make([]byte, 3000), at); err != nil {
		w.t.Fatal(err)
	}
	if err := os.Chtimes(f.Name(), hour, hour); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) intake() {
	w.t.Helper()
	if _, err := w.app.Receiving.Intake(w.t.Context(), receiving.IntakeOrder{}); err != nil {
		w.t.Fatal(err)
	}
	w.audit()
}

func (w *world) audit() {
	w.t.Helper()
	if _, err := w.app.Acts.Audit(w.t.Context(), acts.AuditOrder{Full: true}); err != nil {
		w.t.Fatal(err)
	}
}

// open are the open findings.
func (w *world) open() (out []ledger.Finding) {
	w.t.Helper()
	w.view(func(t *ledger.Tx) (err error) { out, err = t.Findings.Open(""); return err })
	return out
}

func (w *world) view(do func(*ledger.Tx) error) {
	w.t.Helper()
	if err := w.app.Ledger.View(w.t.Context(), do); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) finding(id int64) (f ledger.Finding) {
	w.t.Helper()
	w.view(func(t *ledger.Tx) (err error) { f, err = t.Findings.Get(id); return err })
	return f
}

// damaged is a world with one master that is damaged in the vault.
func damaged(t testing.TB) (*world, int64) {
	w := newWorld(t, worldConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.put("access/QV-0107/QV-0107_A_01.wav", "107A01", "studio", "vault")
	w.intake()
	w.flip("vault/masters/QV-0107/QV-0107_A.wav")
	w.audit()
	fs := w.open()
	if len(fs) != 1 {
		t.Fatalf("%d findings are open, want 1: %+v", len(fs), fs)
	}
	return w, fs[0].ID
}

// browser is a person's browser.
type browser struct {
	w *world
	c *http.Client
}

func (w *world) browser() *browser {
	jar, _ := cookiejar.New(nil)
	return &browser{w, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// entered is a browser that opened a one-time link.
func (w *world) entered() *browser {
	w.t.Helper()
	b := w.browser()
	url, err := w.app.NewLink(w.t.Context(), strings.TrimPrefix(w.server.URL, "http://"))
	if err != nil {
		w.t.Fatal(err)
	}
	_, key, _ := strings.Cut(url, "key=")
	if r := b.post("/enter", "key", key); r.code != http.StatusSeeOther {
		w.t.Fatalf("the link was answered with %d: %s", r.code, r.text)
	}
	return b
}

const passphrase = "seven reels of acetate"

// quick is what argon2id keeps of passphrase with its smallest settings (RFC 9106, section
// 3.1): a try takes no tenth of a second, as it does of what people.Add keeps.
const quick = "$argon2id$v=19$m=8,t=1,p=1$dGVzdHMgbmVlZCBub25lLg$YMle0+rLF5Dzyu13Ii7CzQhvWxsgRge+wYEJbwDrTio"

// account adds one, with passphrase.
func (w *world) account(name string, role fixity.PersonRole) {
	w.t.Helper()
	if err := w.app.Ledger.Tx(w.t.Context(), w.now(), func(t *ledger.Tx) error {
		if err := t.People.EndSessionsOf(""); err != nil {
			return err
		}
		return t.People.AddAccount(ledger.Account{Name: name, Role: role, Secret: quick}, "the test")
	}); err != nil {
		w.t.Fatal(err)
	}
}

// person is a browser in which somebody is signed in.
func (w *world) person(name string, role fixity.PersonRole) *browser {
	w.t.Helper()
	w.account(name, role)
	b := w.browser()
	if r := b.post("/sign-in", "name", name, "password", passphrase); r.code != http.StatusSeeOther {
		w.t.Fatalf("%s was answered with %d: %s", name, r.code, r.text)
	}
	return b
}

type answer struct {
	code   int
	text   string
	header http.Header
}

func (b *browser) do(r *http.Request) answer {
	b.w.t.Helper()
	res, err := b.c.Do(r)
	if err != nil {
		b.w.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		b.w.t.Fatal(err)
	}
	return answer{res.StatusCode, string(text), res.Header}
}

func (b *browser) request(method, path string, form ...string) *http.Request {
	b.w.t.Helper()
	v := url.Values{}
	for i := 0; i+1 < len(form); i += 2 {
		v.Add(form[i], form[i+1])
	}
	r, err := http.NewRequestWithContext(b.w.t.Context(), method, b.w.server.URL+path, strings.NewReader(v.Encode()))
	if err != nil {
		b.w.t.Fatal(err)
	}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	return r
}

func (b *browser) get(path string) answer { b.w.t.Helper(); return b.do(b.request("GET", path)) }

func (b *browser) post(path string, form ...string) answer {
	b.w.t.Helper()
	return b.do(b.request("POST", path, form...))
}

var hiddenField = regexp.MustCompile(`<input type="hidden" name="saw" value="([0-9a-f]+)">`)

// saw is the mark that a finding's page carries.
func (b *browser) saw(id int64) string {
	b.w.t.Helper()
	r := b.get(fmt.Sprintf("/findings/%d", id))
	m := hiddenField.FindStringSubmatch(r.text)
	if m == nil {
		b.w.t.Fatalf("the page of finding %d has no mark: %d %s", id, r.code, r.text)
	}
	return m[1]
}

// mark is a mark of a name that a page carries in a form.
func (b *browser) mark(path, name string) string {
	b.w.t.Helper()
	r := b.get(path)
	m := regexp.MustCompile(`<input type="hidden" name="` + name + `" value="([^"]+)">`).FindStringSubmatch(r.text)
	if m == nil {
		b.w.t.Fatalf("%s has no mark %q: %d %s", path, name, r.code, r.text)
	}
	return m[1]
}

// follow follows redirects and the progress of a job until the page is one of its end.
func (b *browser) follow(r answer) answer {
	b.w.t.Helper()
	for range 600 {
		if to := r.header.Get("Location"); r.code == http.StatusSeeOther {
			r = b.get(to)
			if strings.HasPrefix(to, "/work/jobs/") && strings.Contains(r.text, `id="live"`) {
				time.Sleep(20 * time.Millisecond)
				r = answer{http.StatusSeeOther, "", http.Header{"Location": {to}}}
			}
			continue
		}
		return r
	}
	b.w.t.Fatal("it never ended")
	return r
}

// says says that a page has a text in it.
func (a answer) says(text string) bool {
	return strings.Contains(strings.Join(strings.Fields(html.UnescapeString(a.text)), " "), text)
}

func itoa(n int64) string { return strconv.FormatInt(n, 10) }
