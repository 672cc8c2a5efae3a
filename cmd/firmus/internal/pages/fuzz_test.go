package pages_test

import (
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/pages"
)

// FuzzAddresses: whatever is typed behind an address, each page answers, never with an error of
// ours, with nothing of it taken for marks, and nothing is done.
func FuzzAddresses(f *testing.F) {
	w, _ := damaged(f)
	b := w.entered()
	patterns := slices.Sorted(maps.Keys(pages.Routes()))
	gets := slices.DeleteFunc(patterns, func(p string) bool { return !strings.HasPrefix(p, "GET ") || strings.HasSuffix(p, "/events") })
	for i := range gets {
		f.Add(uint16(i), "1", "q=QV-0107&page=2&store=studio&set=masters")
	}
	f.Add(uint16(0), "%00", "from=-1&after=9223372036854775808&year=0&at=1e999&of=<script>")
	before := w.count()
	f.Fuzz(func(t *testing.T, which uint16, name, query string) {
		w.t = t
		_, path, _ := strings.Cut(gets[int(which)%len(gets)], " ")
		path = strings.TrimSuffix(parameter.ReplaceAllLiteralString(path, url.PathEscape(name)), "{$}")
		values, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, w.server.URL+path+"?"+values.Encode(), nil)
		if err != nil {
			return
		}
		spoken(t, r.URL.String(), b.do(r))
		if n := w.count(); n != before {
			t.Fatalf("%s: the record has %d events more", r.URL, n-before)
		}
	})
}

// fieldsOf are the names of the fields in the templates of pages.
func fieldsOf(f *testing.F) (names []string) {
	files, err := filepath.Glob("site/templates/*.html")
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`name="([a-z-]+)"`).FindAllSubmatch(text, -1) {
			names = append(names, string(m[1]))
		}
	}
	slices.Sort(names)
	if names = slices.Compact(names); len(names) < 30 {
		f.Fatalf("there are %d fields only", len(names))
	}
	return names
}

// spoken fails where an answer is an error of ours, takes something of what was typed for
// marks, or speaks of the database.
func spoken(t *testing.T, what string, got answer) {
	t.Helper()
	if got.code >= 500 || strings.Contains(got.text, "<script>alert") || strings.Contains(strings.ToLower(got.text), "sql:") {
		t.Errorf("%s: %d %s", what, got.code, got.text)
	}
}

// FuzzForms: whatever is posted to whatever form, there is an answer, and no copy in a store is
// changed, moved or removed. What decides about a finding asks for the mark of what was shown,
// which nobody guesses: the finding stays open.
func FuzzForms(f *testing.F) {
	w, finding := damaged(f)
	b := w.entered()
	posts := slices.DeleteFunc(slices.Sorted(maps.Keys(pages.Routes())), func(p string) bool {
		// Whoever signs out or in is somebody else; the setup has a function of its own.
		return !strings.HasPrefix(p, "POST ") || strings.HasPrefix(p, "POST /sign-") || p == "POST /enter" || strings.HasPrefix(p, "POST /setup/")
	})
	all := url.Values{}
	for _, name := range fieldsOf(f) {
		all.Set(name, "1")
	}
	for i := range posts {
		f.Add(uint16(i), "1", "reason=looked+at&by=Ada+Wren&saw=0123456789abcdef")
		f.Add(uint16(i), "vault", all.Encode())
	}
	f.Add(uint16(0), "%00", "saw=%00&reason=<script>alert(1)</script>&files=-1&files=99999999999999999999")
	f.Add(uint16(3), "..", "from=../../etc&into=masters/..&sides=A,,B&meant=edited&meant=new-transfer")
	copies := func() map[string]string {
		out := map[string]string{}
		for _, root := range []string{"studio", "vault"} {
			if err := filepath.WalkDir(filepath.Join(w.dir, root), func(p string, d os.DirEntry, err error) error {
				if err != nil || d.IsDir() || strings.Contains(p, ".firmus") || strings.HasPrefix(d.Name(), "manifest-") {
					return err
				}
				data, err := os.ReadFile(p)
				out[p] = string(data)
				return err
			}); err != nil {
				w.t.Fatal(err)
			}
		}
		return out
	}
	before := copies()
	if len(before) != 4 {
		f.Fatalf("%d copies", len(before))
	}
	f.Fuzz(func(t *testing.T, which uint16, name, form string) {
		w.t = t
		values, err := url.ParseQuery(form)
		if err != nil {
			return
		}
		_, path, _ := strings.Cut(posts[int(which)%len(posts)], " ")
		path = parameter.ReplaceAllLiteralString(path, url.PathEscape(name))
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, w.server.URL+path, strings.NewReader(values.Encode()))
		if err != nil {
			return
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		spoken(t, path+" "+form, b.do(r))
		if !maps.Equal(copies(), before) {
			t.Fatalf("%s %s: the copies aren't what they were", path, form)
		}
		if !w.finding(finding).Open() {
			t.Fatalf("%s %s: the finding isn't open any more", path, form)
		}
	})
}

// FuzzSetup: whatever is posted to the pages of the first run, there is an answer, and what is
// written is a configuration that can be read.
func FuzzSetup(f *testing.F) {
	dir := f.TempDir()
	base, link := setupServer(f, dir)
	w := &world{t: f, server: &httptest.Server{URL: base}}
	b := w.browser()
	_, key, _ := strings.Cut(link, "key=")
	if r := b.post("/enter", "key", key); r.code != http.StatusSeeOther {
		f.Fatalf("the link was answered with %d: %s", r.code, r.text)
	}
	places := []string{"holdings", "masters", "masters-in", "access", "second", "second-in", "cloud", "discs", "letters", "places", "register", "try/letters", "try/cloud", "write", "none"}
	for i := range places {
		f.Add(uint16(i), "name=Quillmere&masters=/a&access=none&second=/b&cloud=none&mail-server=mail.example.org&mail-to=a@example.org")
		f.Add(uint16(i), "folder=<script>alert(1)</script>&in=%00&masters="+url.QueryEscape(`D:\"x`)+"&columns=a%0ab&sheet=-1")
	}
	file := filepath.Join(dir, "firmus.toml")
	f.Fuzz(func(t *testing.T, which uint16, form string) {
		w.t = t
		values, err := url.ParseQuery(form)
		if err != nil {
			return
		}
		path := "/setup/" + places[int(which)%len(places)]
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, base+path, strings.NewReader(values.Encode()))
		if err != nil {
			return
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		spoken(t, path+" "+form, b.do(r))
		if _, err := os.Stat(file); err == nil {
			if _, err := config.Load(file); err != nil {
				t.Errorf("%s %s: what was written can't be read: %v", path, form, err)
			}
			if err := os.Remove(file); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// FuzzCookie: no cookie and no key that was made up lets anybody in.
func FuzzCookie(f *testing.F) {
	w, _ := damaged(f)
	w.entered() // somebody else is in
	f.Add("", "")
	f.Add("firmus=0123456789abcdef0123456789abcdef", "0123456789")
	f.Add("firmus=; firmus-session=%00", "'; DROP TABLE web_session; --")
	f.Fuzz(func(t *testing.T, cookie, key string) {
		w.t = t
		b := w.browser()
		for _, r := range []*http.Request{b.request("GET", "/"), b.request("GET", "/findings"), b.request("POST", "/work/intake"), b.request("POST", "/enter", "key", key)} {
			r.Header["Cookie"] = []string{strings.Map(func(r rune) rune {
				if r < ' ' || r == 0x7f {
					return -1
				}
				return r
			}, cookie)}
			got := b.do(r)
			spoken(t, r.URL.Path, got)
			if got.code == http.StatusOK && strings.Contains(got.text, "QV-0107") || got.code == http.StatusSeeOther && len(got.header["Set-Cookie"]) > 0 {
				t.Errorf("%s with %q, %q is let in: %d %s", r.URL.Path, cookie, key, got.code, got.text)
			}
		}
	})
}
