package pages_test

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

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
		if got := b.do(r); got.code >= 500 || strings.Contains(got.text, "<script>alert") || strings.Contains(strings.ToLower(got.text), "sql:") {
			t.Errorf("%s: %d %s", r.URL, got.code, got.text)
		}
		if n := w.count(); n != before {
			t.Fatalf("%s: the record has %d events more", r.URL, n-before)
		}
	})
}
