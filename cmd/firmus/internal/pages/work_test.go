package pages_test

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/testdata"
)

const withSources = worldConfig + "[work]\nsources = [\"stick\"]\n"

func (w *world) file(path, seed string) {
	w.t.Helper()
	p := filepath.Join(w.dir, filepath.FromSlash(path))
	if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
		w.t.Fatal(err)
	}
	if err := os.WriteFile(p, testdata.Wave(seed, 200_000), 0o644); err != nil {
		w.t.Fatal(err)
	}
}

// An afternoon at the desk, by forms alone.
func TestWork(t *testing.T) {
	w := newWorld(t, withSources)
	w.file("stick/REC/one.wav", "one")
	w.file("stick/REC/two.wav", "two")
	b := w.person("Theo", fixity.Technician)
	page := b.get("/work")
	folder := filepath.Join(w.dir, "stick", "REC")
	if page.code != 200 || !page.says(folder) {
		t.Fatalf("the stick isn't offered: %d %s", page.code, page.text)
	}
	ordered := b.post("/work/receive", "folder", folder, "set", "masters", "item", "QV-0200", "sides", "A, B")
	r := b.follow(ordered)
	if live := b.get(ordered.header.Get("Location") + "/events"); !strings.Contains(live.text, "B of ") {
		t.Errorf("what is received isn't told out of how much: %s", live.text)
	}
	if r.code != 200 || !r.says("KEEP THE STICK") || !r.says("masters/QV-0200/QV-0200_A.wav") {
		t.Fatalf("receive: %d %s", r.code, r.text)
	}
	if _, err := os.Stat(filepath.Join(w.dir, "studio/masters/QV-0200/QV-0200_B.wav")); err != nil {
		t.Error(err)
	}
	if r := b.get("/"); !r.says("KEEP THE STICK") {
		t.Error("Today doesn't say that the stick must be kept")
	}
	for _, f := range []string{"QV-0200_A.wav", "QV-0200_B.wav"} {
		text, err := os.ReadFile(filepath.Join(w.dir, "studio/masters/QV-0200", f))
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(w.dir, "vault/masters/QV-0200", f)
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if r := b.follow(b.post("/work/audit", "store", "vault", "full", "yes")); r.code != 200 || !r.says("No difference was found in vault.") {
		t.Errorf("audit: %d %s", r.code, r.text)
	}
	if r := b.follow(b.post("/work/recognise", "folder", folder)); r.code != 200 || !r.says("May it be erased? Yes") {
		t.Errorf("recognise: %d %s", r.code, r.text)
	}
	w.put("access/QV-0200/QV-0200_A_01.wav", "cut", "studio")
	w.intake()
	if r := b.get("/work"); !r.says("access/QV-0200/QV-0200_A_01.wav") {
		t.Fatalf("what is edited isn't offered: %s", r.text)
	}
	if r := b.follow(b.post("/work/finish", "file", "access/QV-0200/QV-0200_A_01.wav")); r.code != 200 || !r.says("1 file is finished") {
		t.Errorf("finish: %d %s", r.code, r.text)
	}
	for path, form := range map[string][]string{
		"/work/finish": {"file", "../../etc/passwd"}, "/work/receive": {"folder", folder, "set", "masters", "item", "../../outside"}, "/work/disc": {"number", "7"},
	} {
		if r := b.follow(b.post(path, form...)); r.code < 400 && !strings.Contains(r.text, `role="alert"`) {
			t.Errorf("%s %v: %d %s", path, form, r.code, r.text)
		}
	}
	if r := b.post("/work/audit", "store", "nowhere"); r.code != http.StatusNotFound {
		t.Errorf("a store that isn't: %d", r.code)
	}
}

// Folders outside of those that may be chosen are never read, by whatever path.
func TestFoldersToChooseFrom(t *testing.T) {
	w := newWorld(t, withSources)
	w.file("stick/REC/one.wav", "one")
	w.file("private/secret.wav", "secret")
	b := w.entered()
	tries := []string{filepath.Join(w.dir, "private"), filepath.Join(w.dir, "stick", "..", "private"), w.dir, "/", "", "stick", ".", filepath.Join(w.dir, "stick-other"), filepath.Join(w.dir, "state")}
	if runtime.GOOS != "windows" {
		if err := os.Symlink(filepath.Join(w.dir, "private"), filepath.Join(w.dir, "stick", "link")); err != nil {
			t.Fatal(err)
		}
		tries = append(tries, filepath.Join(w.dir, "stick", "link"))
	}
	for _, dir := range tries {
		for _, act := range []string{"receive", "recognise"} {
			r := b.post("/work/"+act, "folder", dir, "set", "masters", "item", "QV-0001", "by", "Ada")
			if r.code != http.StatusForbidden && r.code != http.StatusUnprocessableEntity {
				t.Errorf("%s of %q: %d %s", act, dir, r.code, r.header.Get("Location"))
			}
		}
	}
	if r := b.get("/work"); r.says("private") {
		t.Error("a link's target is offered")
	}
}

func TestStoresOnPages(t *testing.T) {
	w, _ := damaged(t)
	b := w.entered()
	for _, path := range []string{"/stores", "/stores/vault", "/stores/studio"} {
		if r := b.get(path); r.code != 200 {
			t.Errorf("%s: %d %s", path, r.code, r.text)
		}
	}
	if r := b.get("/stores/nowhere"); r.code != http.StatusNotFound {
		t.Errorf("%d", r.code)
	}
	if r := b.follow(b.post("/stores/vault/adopt", "by", "Ada", "reason", "formatted by mistake")); r.code != 200 || !r.says("vault") {
		t.Errorf("adopt: %d %s", r.code, r.text)
	}
	if r := b.post("/stores/vault/retire", "by", "Ada", "reason", "sold", "typed", "studio"); r.code != http.StatusUnprocessableEntity {
		t.Errorf("retire with another name typed: %d", r.code)
	}
	if r := b.follow(b.post("/stores/vault/retire", "by", "Ada", "plan", "yes")); !r.says("Nothing was done. 2 files would be left with one independent copy") {
		t.Errorf("what would be left: %s", r.text)
	}
	if r := b.follow(b.post("/stores/vault/replace", "by", "Ada", "reason", "a new drive", "typed", "vault")); r.code != 200 || !r.says("Another drive has taken the place of vault.") || !r.says("2 files, ") {
		t.Errorf("replace: %d %s", r.code, r.text)
	}
	if r := b.follow(b.post("/stores/vault/retire", "by", "Ada", "reason", "sold", "typed", "vault")); !r.says("The store is retired") {
		t.Errorf("retire: %s", r.text)
	}
}

// hostile are names as no archive would give them.
var hostile = []string{
	`<script>alert(1)</script>`, `"onmouseover="alert(1)`, `' style='color:red`, `</title><h1>`, "\u202egpj.wav", "a\u200bb", "{{.}}", "${x}", "%2e%2e", "javascript:alert(1)", "line\nbreak",
	strings.Repeat("é", 120), "\u2066x\u2069",
}

var tag = regexp.MustCompile(`(?i)<(script>|h1>alert|img src=x)|onmouseover="alert`)

// Names are shown as what they are on every page that shows them.
func TestHostileNames(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("these names are none on Windows")
	}
	w := newWorld(t, worldConfig)
	for _, h := range hostile {
		name := strings.ReplaceAll(h, "/", "\u2215")
		w.put("masters/"+name+"/"+name[:min(len(name), 240)]+".wav", h, "studio", "vault")
	}
	w.intake()
	for _, h := range hostile {
		name := strings.ReplaceAll(h, "/", "\u2215")
		w.flip("vault/masters/" + name + "/" + name[:min(len(name), 240)] + ".wav")
	}
	w.audit()
	b := w.entered()
	fs := w.open()
	if len(fs) < len(hostile) {
		t.Fatalf("%d findings", len(fs))
	}
	paths := []string{"/", "/findings", "/record", "/search?q=wav", "/search?q=" + "%3Cscript%3Ealert(1)%3C/script%3E", "/stores/vault",
		"/reels", "/reels?next=put-right", "/print/reels", "/print", "/print/shift", "/print/holdings", "/print/desk-card", "/print/take-over", "/discs", "/print/discs"}
	for _, f := range fs {
		paths = append(paths, "/findings/"+itoa(f.ID), "/findings/"+itoa(f.ID)+"/listen")
	}
	for _, h := range hostile {
		name := url.PathEscape(strings.ReplaceAll(h, "/", "\u2215"))
		paths = append(paths, "/reels/"+name, "/print/reels/"+name)
	}
	for _, p := range paths {
		r := b.get(p)
		if r.code != 200 {
			t.Errorf("%s: %d", p, r.code)
		}
		if m := tag.FindString(r.text); m != "" {
			t.Errorf("%s holds %q", p, m)
		}
		if strings.ContainsAny(r.text, "\u202e\u200b\u2066\u2069") {
			t.Errorf("%s holds a mark that can't be seen", p)
		}
	}
	for _, f := range fs[:3] {
		r := b.follow(b.post("/findings/"+itoa(f.ID)+"/settle", "saw", b.saw(f.ID), "by", `<b>"Ada"</b>`, "reason", hostile[0]))
		if m := tag.FindString(r.text); r.code != 200 || m != "" {
			t.Errorf("a reason: %d %q", r.code, m)
		}
	}
}
