package pages_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"firmus/fixity"
)

// mass is a world in which a whole folder of many files was damaged at once.
func mass(t *testing.T, change func(w *world, path string)) (*world, int64) {
	w := newWorld(t, worldConfig)
	for i := range 25 {
		w.put(fmt.Sprintf("masters/QV-0107/take-%02d.wav", i), fmt.Sprint(i), "studio", "vault")
	}
	w.intake()
	for i := range 24 {
		change(w, fmt.Sprintf("masters/QV-0107/take-%02d.wav", i))
	}
	w.audit()
	fs := w.open()
	if len(fs) != 24 || fs[0].Incident == 0 {
		t.Fatalf("%d findings, of incident %d", len(fs), fs[0].Incident)
	}
	return w, fs[0].Incident
}

// A mass change is shown as one, and put right as one: once its number was typed.
func TestIncidentIsPutRight(t *testing.T) {
	w, id := mass(t, func(w *world, path string) { w.flip("vault/" + path) })
	b := w.entered()
	at := fmt.Sprintf("/incidents/%d", id)
	for _, path := range []string{"/", "/findings", at} {
		if r := b.get(path); r.code != 200 || !r.says("24 files of masters on vault") {
			t.Errorf("%s: %d %s", path, r.code, r.text)
		}
	}
	if r := b.post(at+"/recover", "by", "Ada", "files", "23"); r.code != http.StatusUnprocessableEntity {
		t.Errorf("another number: %d", r.code)
	}
	if r := b.follow(b.post(at+"/recover", "by", "Ada", "files", "24")); r.code != 200 || !r.says("24 copies were put back and read there: intact.") {
		t.Errorf("%d %s", r.code, r.text)
	}
	if n := len(w.open()); n != 0 {
		t.Errorf("%d findings are open", n)
	}
	if r := b.post(at+"/recover", "by", "Ada", "files", "24"); r.code != http.StatusConflict {
		t.Errorf("once more: %d", r.code)
	}
}

// A whole reorganisation is signed off, once its number was typed.
func TestReorganisationIsSignedOff(t *testing.T) {
	w, id := mass(t, func(w *world, path string) {
		from, to := filepath.Join(w.dir, "studio", path), filepath.Join(w.dir, "studio", "masters", "QV-0107 new", filepath.Base(path))
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			w.t.Fatal(err)
		}
		if err := os.Rename(from, to); err != nil {
			w.t.Fatal(err)
		}
	})
	b := w.entered()
	at := fmt.Sprintf("/incidents/%d/sign-off", id)
	for _, n := range []string{"", "1", "25", "many", "-24"} {
		if r := b.post(at, "by", "Ada", "reason", "new folders", "files", n); r.code != http.StatusUnprocessableEntity {
			t.Errorf("%q typed: %d", n, r.code)
		}
	}
	if r := b.follow(b.post(at, "by", "Ada", "reason", "new folders", "files", "24")); r.code != 200 || !r.says("24 findings were signed off") {
		t.Errorf("%d %s", r.code, r.text)
	}
}

// One decision closes all findings of a class, once their number was typed.
func TestClassIsSettled(t *testing.T) {
	w := newWorld(t, worldConfig)
	for _, n := range []string{"A", "B", "C"} {
		w.put("masters/QV-0107/QV-0107_"+n+".wav", n, "studio", "vault")
	}
	w.intake()
	for _, n := range []string{"A", "B", "C"} {
		w.flip("vault/masters/QV-0107/QV-0107_" + n + ".wav")
	}
	w.audit()
	id := w.open()[0].ID
	b := w.entered()
	mark, at := b.saw(id), fmt.Sprintf("/findings/%d/settle-class", id)
	if r := b.post(at, "saw", mark, "by", "Ada", "reason", "copies for the school", "files", "2"); r.code != http.StatusUnprocessableEntity {
		t.Errorf("another number: %d", r.code)
	}
	if r := b.follow(b.post(at, "saw", mark, "by", "Ada", "reason", "copies for the school", "files", "3")); r.code != 200 || len(w.open()) != 0 {
		t.Errorf("%d, %d are open", r.code, len(w.open()))
	}
	if f := w.finding(id); f.Settled != fixity.ByPerson {
		t.Errorf("it ended as %q", f.Settled)
	}
}

// An edit is signed off: what lies there becomes the version.
func TestEditIsSignedOff(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.put("access/QV-0107/QV-0107_A_01.wav", "one", "studio", "vault")
	w.intake()
	if _, err := w.app.Acts.Finish(t.Context(), []string{"access/QV-0107/QV-0107_A_01.wav"}, "done"); err != nil {
		t.Fatal(err)
	}
	w.put("access/QV-0107/QV-0107_A_01.wav", "two", "studio")
	saved := hour.Add(30 * time.Minute)
	if err := os.Chtimes(filepath.Join(w.dir, "studio/access/QV-0107/QV-0107_A_01.wav"), saved, saved); err != nil {
		t.Fatal(err)
	}
	w.audit()
	fs := w.open()
	if len(fs) != 1 {
		t.Fatalf("%d findings", len(fs))
	}
	b := w.entered()
	page := b.get(fmt.Sprintf("/findings/%d", fs[0].ID))
	if !page.says("Sign off the change") {
		t.Errorf("the page doesn't offer it: %s", page.text)
	}
	r := b.follow(b.post(fmt.Sprintf("/findings/%d/sign-off", fs[0].ID), "saw", b.saw(fs[0].ID), "by", "Ada", "reason", "cut anew"))
	if r.code != 200 || w.finding(fs[0].ID).Settled != fixity.SignedOff {
		t.Errorf("%d %s", r.code, r.text)
	}
}
