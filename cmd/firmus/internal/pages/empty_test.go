package pages_test

import (
	"net/http"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/pages"
	"firmus/fixity"
)

// Where nothing is under care yet each page is there all the same, and says so in words: no
// route fails, and no template shows what Go writes for something that isn't there.
func TestNothingYet(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig+"[store.shelf]\nkind = \"optical\"\n")
	b := w.person("Ada Wren", fixity.Reviewer)
	for b.get("/reels").code == http.StatusServiceUnavailable {
	}
	n := 0
	for pattern := range pages.Routes() {
		method, path := fill(pattern, 1)
		if method != http.MethodGet {
			continue
		}
		r := b.get(strings.Replace(path, "{$}", "", 1))
		switch named := strings.Contains(pattern, "{") && !strings.Contains(pattern, "{$}"); {
		case r.code >= 500:
			t.Errorf("%s: %d", pattern, r.code)
		case !named && r.code == http.StatusOK:
			n++
		}
		for _, bad := range []string{"<no value>", "%!", "<nil>", "ZgotmplZ", "0001-01-01", "1 Jan 0001"} {
			if strings.Contains(r.text, bad) {
				t.Errorf("%s says %q", pattern, bad)
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d pages were there", n)
	}
}
