package pages_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"firmus/cmd/firmus/testing/browsertest"
)

// A form that is refused comes again with what was typed, and with the page as it is now. A
// tick or a number is a word about what was shown: it stays only while that is so.
func TestRefusedFormKeepsWhatWasTyped(t *testing.T) {
	w, id := mass(t, func(w *world, path string) { w.flip("vault/" + path) })
	b := w.entered()
	at := fmt.Sprintf("/incidents/%d", id)
	all := b.mark(at, "all")
	evil := `"><script>alert(1)</script>`
	r := b.post(at+"/recover", "all", all, "by", "Ada "+evil, "reason", "the stick & the drive", "files", "23")
	if r.code != http.StatusUnprocessableEntity || !r.says("You typed 23, and 24 findings of this incident are open") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	if !strings.Contains(r.text, `value="the stick &amp; the drive"`) || !strings.Contains(r.text, `value="23"`) || strings.Contains(r.text, "<script>alert") || !strings.Contains(r.text, `id="once-more"`) {
		t.Errorf("what was typed: %s", r.text)
	}
	if n := strings.Count(r.text, "the stick &amp; the drive"); n != 1 {
		t.Errorf("it stands in %d fields", n)
	}

	// Of a page that doesn't have the form, and of another site, nothing is filled in.
	req := b.request("POST", at+"/recover", "all", all, "by", "Ada", "files", "23")
	for _, from := range []string{"http://elsewhere.example/x", w.server.URL + "/work", w.server.URL + "/findings/1/clip/vault", "::"} {
		req := req.Clone(t.Context())
		req.Body = b.request("POST", at, "all", all, "by", "Ada", "files", "23").Body
		req.Header.Set("Referer", from)
		if r := b.do(req); r.code != http.StatusUnprocessableEntity || !r.says("You typed 23") {
			t.Errorf("from %s: %d %s", from, r.code, r.text)
		}
	}
}

// The same in a browser without script: the finding changed while a reason was typed. The
// page comes as it is now, with the reason, and the second try is about what is so.
func TestRefusedFormInABrowser(t *testing.T) {
	t.Parallel()
	b := browsertest.New(t)
	w, id := damaged(t)
	b.NoScript()
	b.Open(w.link())
	b.Click("Open")
	b.Wait("To decide")
	b.Open(fmt.Sprintf("%s/findings/%d", w.server.URL, id))
	tab(t, b, "by-recover")
	b.Press("Ada Wren")
	tab(t, b, "reason-recover")
	b.Press("heard at 0:12, a click in both channels")
	w.flipAt("vault/masters/QV-0107/QV-0107_A.wav", 20_000)
	w.audit()
	b.Click("Put it right")
	b.Wait("It has changed meanwhile")
	value := func(id string) string { return browsertest.Eval[string](b, `document.getElementById("`+id+`").value`) }
	if by, reason := value("by-recover"), value("reason-recover"); by != "Ada Wren" || reason != "heard at 0:12, a click in both channels" || !w.finding(id).Open() {
		t.Errorf("what was typed has become %q and %q", by, reason)
	}
	b.Click("Put it right")
	b.Wait("recovered from studio and read there")
}
