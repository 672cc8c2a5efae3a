package pages_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

func (w *world) under(set, path string) (out []ledger.File) {
	w.t.Helper()
	w.view(func(t *ledger.Tx) (err error) { out, err = t.Files.Under(set, path); return err })
	return out
}

// What would be retired is shown first; many need their number, the last copy of a recording
// a tick, all a reason; and what changed since it was shown is refused.
func TestRetireOnAPage(t *testing.T) {
	w := newWorld(t, worldConfig)
	for i := range 25 {
		w.put(fmt.Sprintf("access/QV-0107/song-%02d.wav", i), fmt.Sprint(i), "studio", "vault")
	}
	w.put("access/QV-0108/same.wav", "0", "studio", "vault")
	w.intake()
	b := w.person("Ada Wren", fixity.Reviewer)
	page := "/retire?what=access/QV-0107"
	r := b.get(page)
	if r.code != 200 || !r.says("25 files would be retired") || !r.says("access/QV-0107/song-24.wav") || !r.says("No intact copy of another file under care has the same bytes as these") || strings.Count(r.text, "song-00.wav") != 1 {
		t.Fatalf("the plan: %d %s", r.code, r.text)
	}
	all := b.mark(page, "all")
	post := func(with ...string) answer {
		return b.post("/retire", append([]string{"what", "access/QV-0107", "all", all}, with...)...)
	}
	for name, r := range map[string]answer{
		"no number":      post("reason", "given back", "last", "yes"),
		"another number": post("reason", "given back", "last", "yes", "files", "24"),
		"no reason":      post("last", "yes", "files", "25"),
		"no tick":        post("reason", "given back", "files", "25"),
	} {
		if r.code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, r.code, r.text)
		}
	}
	if r := b.post("/retire", "what", "access/QV-0107", "reason", "x", "files", "25", "last", "yes"); r.code != http.StatusBadRequest {
		t.Errorf("without a mark: %d", r.code)
	}
	if len(w.under("access", "QV-0107")) != 25 {
		t.Fatal("something was retired")
	}
	w.flip("vault/access/QV-0107/song-03.wav")
	w.audit()
	if r := post("reason", "given back", "last", "yes", "files", "25"); r.code != http.StatusConflict || len(w.under("access", "QV-0107")) != 25 {
		t.Errorf("what changed: %d %s", r.code, r.text)
	}
	all = b.mark(page, "all")
	if r := b.follow(post("reason", "given back", "last", "yes", "files", "25")); !r.says("25 files are retired") || len(w.under("access", "QV-0107")) != 0 {
		t.Errorf("%d %s", r.code, r.text)
	}
	if _, err := os.Stat(filepath.Join(w.dir, "studio/access/QV-0107/song-00.wav")); err != nil {
		t.Error(err)
	}
	for _, what := range []string{"access/QV-0107", "nowhere/x", "access/../..", "masters", "\x00"} {
		if r := b.get("/retire?what=" + strings.ReplaceAll(what, "\x00", "%00")); r.code != 404 && r.code != 422 {
			t.Errorf("%q: %d", what, r.code)
		}
	}
	if r := w.person("Theo", fixity.Technician).get(page); r.code != http.StatusForbidden {
		t.Errorf("a technician: %d", r.code)
	}
}

// A file that alone has the bytes of another one, whose copies are all damaged, is the last of
// them although that one is under care: it needs the tick, and says which relies on it. What
// became so after the page was shown is refused.
func TestRetireOnAPageWhatAnotherFileReliesOn(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "song", "studio", "vault")
	w.put("access/QV-0107/uncut.wav", "song", "studio", "vault")
	w.intake()
	w.audit()
	b := w.person("Ada Wren", fixity.Reviewer)
	const page = "/retire?what=access/QV-0107"
	if r := b.get(page); r.says("No intact copy of another file") {
		t.Errorf("the master has the bytes: %s", r.text)
	}
	before := b.mark(page, "all")
	w.flip("studio/masters/QV-0107/QV-0107_A.wav")
	w.flip("vault/masters/QV-0107/QV-0107_A.wav")
	w.audit()
	if r := b.post("/retire", "what", "access/QV-0107", "all", before, "reason", "a double"); r.code != http.StatusConflict || len(w.under("access", "QV-0107")) != 1 {
		t.Errorf("what became so since: %d %s", r.code, r.text)
	}
	r := b.get(page)
	if !r.says("No intact copy of another file under care has the same bytes as any of them") || !r.says("These stay under care, have no intact copy of their own") || !r.says("masters/QV-0107/QV-0107_A.wav") {
		t.Errorf("%s", r.text)
	}
	all := b.mark(page, "all")
	if r := b.post("/retire", "what", "access/QV-0107", "all", all, "reason", "a double"); r.code != http.StatusUnprocessableEntity || len(w.under("access", "QV-0107")) != 1 {
		t.Errorf("without the tick: %d %s", r.code, r.text)
	}
	if r := b.follow(b.post("/retire", "what", "access/QV-0107", "all", all, "reason", "a double", "last", "yes")); !r.says("1 file is retired") {
		t.Errorf("with it: %d %s", r.code, r.text)
	}
}

// Files that were converted without loss take the places of the old ones, once each pair was
// heard to be the same; one that isn't stays.
func TestMigrateOnAPage(t *testing.T) {
	w := newWorld(t, worldConfig)
	for _, s := range []string{"A", "B", "C", "D"} {
		w.put("masters/QV-0107/QV-0107_"+s+".wav", s, "studio", "vault")
	}
	w.intake()
	lay := func(name string, seed string, more string) {
		t.Helper()
		b := testdata.Wave(seed, 200_000)
		b = append(b, more...) // a chunk behind the sound
		n := len(b) - 8
		b[4], b[5], b[6], b[7] = byte(n), byte(n>>8), byte(n>>16), byte(n>>24)
		p := filepath.Join(w.dir, "studio/masters/QV-0107", name)
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(p, hour, hour); err != nil {
			t.Fatal(err)
		}
	}
	const chunk = "note\x04\x00\x00\x00song"
	lay("QV-0107_A.wave", "A", chunk)
	lay("QV-0107_B.wave", "B", chunk)
	lay("QV-0107_C.wave", "another", chunk)
	w.pass(24 * time.Hour)
	if _, err := w.app.Receiving.Intake(t.Context(), receiving.IntakeOrder{}); err != nil {
		t.Fatal(err)
	}
	b := w.person("Ada Wren", fixity.Reviewer)
	page := "/migrate?under=masters/QV-0107&from=wav&to=.WAVE"
	r := b.get(page)
	if r.code != 200 || !r.says("2 files would be replaced") || !r.says("They don't hold the same samples") || !r.says("No file of the new ending lies beside these") || !r.says("masters/QV-0107/QV-0107_D.wav") {
		t.Fatalf("the plan: %d %s", r.code, r.text)
	}
	form := []string{"under", "masters/QV-0107", "from", "wav", "to", ".WAVE", "all", b.mark(page, "all")}
	if r := b.post("/migrate", form...); r.code != http.StatusUnprocessableEntity {
		t.Errorf("without a reason: %d", r.code)
	}
	if r := b.follow(b.post("/migrate", append(form, "reason", "described")...)); !r.says("2 files were replaced") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	var left []string
	for _, f := range w.under("masters", "QV-0107") {
		left = append(left, f.Path[len("QV-0107/QV-0107_"):])
	}
	if got := strings.Join(left, " "); got != "A.wave B.wave C.wav C.wave D.wav" {
		t.Errorf("under care are %s", got)
	}
	if r := b.post("/migrate", append(form, "reason", "again")...); r.code != http.StatusConflict {
		t.Errorf("once more: %d", r.code)
	}
}
