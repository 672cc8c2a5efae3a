package pages_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/pages"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

// count is how many events the record has.
func (w *world) count() (n int64) {
	w.t.Helper()
	w.view(func(t *ledger.Tx) (err error) { n, err = t.Log.Count(); return err })
	return n
}

// untouched fails if anything was recorded, settled or written since before.
func (w *world) untouched(before, finding int64, what string) {
	w.t.Helper()
	if n := w.count(); n != before {
		w.t.Errorf("%s: the record has %d events more", what, n-before)
	}
	if !w.finding(finding).Open() {
		w.t.Fatalf("%s: the finding was settled", what)
	}
	got, err := os.ReadFile(filepath.Join(w.dir, "studio", "masters", "QV-0107", "QV-0107_A.wav"))
	if err != nil || string(got) != string(testdata.Wave("107A", 200_000)) {
		w.t.Fatalf("%s: the recording is another: %v", what, err)
	}
}

// A request that isn't from a page here, or whose session isn't one, changes nothing, by
// whatever route: the table of routes is gone through, so a new one is tried too.
func TestForeignRequestsByEveryRoute(t *testing.T) {
	w, id := damaged(t)
	in := w.entered()
	stale := w.entered()
	if r := stale.post("/sign-out"); r.code != http.StatusSeeOther {
		t.Fatal(r.code)
	}
	u, _ := url.Parse(w.server.URL)
	name := in.c.Jar.Cookies(u)[0].Name
	form := []string{"saw", in.saw(id), "by", "Ada", "reason", "because", "typed", "vault", "store", "vault", "files", "1"}
	before := w.count()
	tries := map[string]struct {
		b      *browser
		change func(*http.Request)
		want   int
	}{
		"from another site":           {in, func(r *http.Request) { r.Header.Set("Origin", "https://elsewhere.example") }, http.StatusForbidden},
		"from another port":           {in, func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") }, http.StatusForbidden},
		"fetched by another site":     {in, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, http.StatusForbidden},
		"from a sibling's name":       {in, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") }, http.StatusForbidden},
		"by another name":             {in, func(r *http.Request) { r.Host = "elsewhere.example" }, http.StatusMisdirectedRequest},
		"without a session":           {w.browser(), func(*http.Request) {}, http.StatusUnauthorized},
		"with a session that is over": {stale, func(*http.Request) {}, http.StatusUnauthorized},
		"with a made-up session": {w.browser(), func(r *http.Request) {
			r.AddCookie(&http.Cookie{Name: name, Value: strings.Repeat("A", 43)})
		}, http.StatusUnauthorized},
		"with the session of elsewhere": {in, func(r *http.Request) { r.Header.Set("X-Forwarded-For", "203.0.113.9") }, http.StatusUnauthorized},
	}
	for pattern, needs := range pages.Routes() {
		if !strings.Contains(pattern, " ") {
			pattern = "GET " + pattern
		}
		method, path := fill(pattern, id)
		for what, try := range tries {
			if needs == "" && try.want == http.StatusUnauthorized || method != http.MethodPost && try.want == http.StatusForbidden {
				continue // whoever isn't in may come to these; looking changes nothing
			}
			r := try.b.request(method, path, form...)
			try.change(r)
			if a := try.b.do(r); a.code != try.want {
				t.Errorf("%s %s: %d, want %d", pattern, what, a.code, try.want)
			}
		}
	}
	w.untouched(before, id, "foreign requests")
	// The session itself is good all the while, and ends with its time.
	if r := in.get("/findings"); r.code != 200 {
		t.Errorf("afterwards: %d", r.code)
	}
	w.pass(8 * 24 * time.Hour)
	for pattern, needs := range pages.Routes() {
		if needs == "" {
			continue
		}
		method, path := fill(pattern, id)
		if a := in.do(in.request(method, path, form...)); a.code != http.StatusUnauthorized {
			t.Errorf("%s with an expired session: %d", pattern, a.code)
		}
	}
	w.untouched(before, id, "expired sessions")
}

// An act that was done isn't done again by sending its form again.
func TestReplayedForms(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	form := []string{"saw", b.saw(id), "by", "Ada", "reason", "known"}
	b.follow(b.post(fmt.Sprintf("/findings/%d/settle", id), form...))
	if w.finding(id).Open() {
		t.Fatal("it was not settled")
	}
	before := w.count()
	for _, act := range []string{"settle", "sign-off", "recover", "settle-class"} {
		if r := b.post(fmt.Sprintf("/findings/%d/%s", id, act), form...); r.code != http.StatusConflict && r.code != http.StatusUnprocessableEntity {
			t.Errorf("%s by the form of before: %d %s", act, r.code, r.header.Get("Location"))
		}
	}
	if n := w.count(); n != before {
		t.Errorf("%d events more", n-before)
	}
}

// What an address names that isn't there is said so, with the right status, by every route.
func TestNothingOfThatName(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	before := w.count()
	n := 0
	for pattern := range pages.Routes() {
		if !strings.Contains(pattern, "{") || strings.Contains(pattern, "{$}") {
			continue
		}
		method, path, _ := strings.Cut(pattern, " ")
		for _, name := range []string{"999999", "0", "-1", "9223372036854775808", "1e3", "x", "nowhere", "..%2F..%2Fetc%2Fpasswd", "%00", "%2e%2e", "\u202e", "%FF%FE", strings.Repeat("9", 300), "%3Cscript%3E", "' OR 1=1 --"} {
			at := parameter.ReplaceAllLiteralString(path, strings.NewReplacer(" ", "%20", "\u202e", "%E2%80%AE").Replace(name))
			r := b.do(b.request(method, at, "saw", "00", "by", "Ada", "reason", "because", "typed", name))
			if n++; r.code < 400 || r.code > 499 {
				t.Errorf("%s %s: %d %s", method, at, r.code, r.header.Get("Location"))
			}
			if strings.Contains(r.text, "<script>") || strings.Contains(r.text, "\u202e") || strings.Contains(strings.ToLower(r.text), "sql") {
				t.Errorf("%s %s says %s", method, at, r.text)
			}
		}
	}
	if n < 100 {
		t.Errorf("only %d were tried", n)
	}
	w.untouched(before, id, "names of nothing")
}

// served is the world behind the server that the daemon has, with its limits of time. It
// returns its address and a browser that is in.
func (w *world) served() (addr string, in *browser) {
	w.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	link, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- w.app.ServePages(ctx, slog.New(slog.DiscardHandler), "127.0.0.1:0", func(url string) { link <- url })
	}()
	w.t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			w.t.Error(err)
		}
	})
	u, err := url.Parse(<-link)
	if err != nil {
		w.t.Fatal(err)
	}
	b := w.browser()
	res, err := b.c.PostForm("http://"+u.Host+"/enter", url.Values{"key": {u.Query().Get("key")}})
	if err != nil || res.StatusCode != http.StatusSeeOther {
		w.t.Fatal(res, err)
	}
	res.Body.Close()
	return u.Host, b
}

// Requests that never end, and a thousand connections, keep nobody else from the pages and
// the archive from no audit; the server ends them.
func TestSlowAndEndlessRequests(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits for limits of time to pass")
	}
	t.Parallel()
	w, id := damaged(t)
	addr, in := w.served()
	before := w.count()
	var all []net.Conn
	dial := func() net.Conn {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, c)
		t.Cleanup(func() { c.Close() })
		return c
	}
	for i := range 1000 {
		c := dial()
		switch {
		case i%4 == 0: // a head that doesn't end
			fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: %s\r\nX-Slow: ", addr)
		case i%4 == 1: // a form that doesn't come
			fmt.Fprintf(c, "POST /sign-in HTTP/1.1\r\nHost: %s\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 100000\r\n\r\nname=", addr)
		case i%4 == 2: // nothing at all
		default: // a page that nobody takes
			fmt.Fprintf(c, "GET /sign-in HTTP/1.1\r\nHost: %s\r\n\r\n", addr)
		}
	}
	look := func(when string) {
		began := time.Now()
		res, err := in.c.Get("http://" + addr + "/")
		if err != nil {
			t.Fatalf("%s: %v", when, err)
		}
		defer res.Body.Close()
		if _, err := io.Copy(io.Discard, res.Body); err != nil || res.StatusCode != 200 {
			t.Errorf("%s: %d %v", when, res.StatusCode, err)
		}
		if d := time.Since(began); d > 8*time.Second {
			t.Errorf("%s: Today took %s", when, d)
		}
	}
	look("among a thousand connections")
	// A body without an end is cut off where a form may not be longer.
	c := dial()
	fmt.Fprintf(c, "POST /sign-in HTTP/1.1\r\nHost: %s\r\nContent-Type: application/x-www-form-urlencoded\r\nTransfer-Encoding: chunked\r\n\r\n", addr)
	sent, chunk := 0, "10000\r\n"+strings.Repeat("a", 0x10000)+"\r\n"
	for ; sent < 100<<20; sent += len(chunk) {
		if _, err := io.WriteString(c, chunk); err != nil {
			break
		}
	}
	if sent >= 100<<20 {
		t.Error("a hundred megabytes of a form were taken")
	}
	r, err := w.app.Acts.Audit(t.Context(), acts.AuditOrder{Full: true})
	if err != nil || len(r) != 2 || len(r[0].Trouble)+len(r[1].Trouble) > 0 {
		t.Errorf("an audit meanwhile: %+v %v", r, err)
	}
	look("after them")
	// The server ends what doesn't come to an end.
	for _, i := range []int{0, 400, 996, 1, 401, 997} {
		_ = all[i].SetReadDeadline(time.Now().Add(30 * time.Second))
		if _, err := io.Copy(io.Discard, all[i]); err != nil && os.IsTimeout(err) {
			t.Errorf("connection %d is open still", i)
		}
	}
	if !w.finding(id).Open() || w.count() < before {
		t.Error("something was changed")
	}
}
