package pages_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
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
	all := b.mark(at, "all")
	if r := b.post(at+"/recover", "all", all, "by", "Ada", "files", "23"); r.code != http.StatusUnprocessableEntity {
		t.Errorf("another number: %d", r.code)
	}
	if r := b.follow(b.post(at+"/recover", "all", all, "by", "Ada", "files", "24")); r.code != 200 || !r.says("24 copies were put back and read there: intact.") {
		t.Errorf("%d %s", r.code, r.text)
	}
	if n := len(w.open()); n != 0 {
		t.Errorf("%d findings are open", n)
	}
	if r := b.post(at+"/recover", "all", all, "by", "Ada", "files", "24"); r.code != http.StatusConflict {
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
	all := b.mark(fmt.Sprintf("/incidents/%d", id), "all")
	if r := b.post(at, "by", "Ada", "reason", "new folders", "files", "24"); r.code != http.StatusBadRequest {
		t.Errorf("without a mark: %d", r.code)
	}
	for _, n := range []string{"", "1", "25", "many", "-24"} {
		if r := b.post(at, "all", all, "by", "Ada", "reason", "new folders", "files", n); r.code != http.StatusUnprocessableEntity {
			t.Errorf("%q typed: %d", n, r.code)
		}
	}
	if r := b.follow(b.post(at, "all", all, "by", "Ada", "reason", "new folders", "files", "24")); r.code != 200 || !r.says("24 findings were signed off") {
		t.Errorf("%d %s", r.code, r.text)
	}
}

// The set that a form is about is the one that was shown: if one of it is another matter
// now, the number is the same, and nothing is done. The page is shown as it is now.
func TestSetThatChangedIsRefused(t *testing.T) {
	w, id := mass(t, func(w *world, path string) { w.flip("vault/" + path) })
	b := w.entered()
	at := fmt.Sprintf("/incidents/%d", id)
	all := b.mark(at, "all")
	if err := os.Remove(filepath.Join(w.dir, "vault/masters/QV-0107/take-00.wav")); err != nil {
		t.Fatal(err)
	}
	w.audit()
	if fs := w.open(); len(fs) != 24 || fs[0].Incident != id || fs[0].Kind != fixity.Kind(fixity.Missing) {
		t.Fatalf("%d findings are open, the first %s, of incident %d", len(fs), fs[0].Kind, fs[0].Incident)
	}
	r := b.post(at+"/recover", "all", all, "by", "Ada", "files", "24", "reason", "all of them are right")
	if r.code != http.StatusConflict || len(w.open()) != 24 || !r.says("other findings of this incident are open than were shown") || !strings.Contains(r.text, `value="all of them are right"`) || strings.Contains(r.text, `value="24"`) {
		t.Errorf("%d, %d are open: %s", r.code, len(w.open()), r.text)
	}
	if now := b.mark(at, "all"); now == all || !strings.Contains(r.text, now) {
		t.Error("what was answered isn't the page as it is now")
	}
	if r := b.follow(b.post(at+"/recover", "all", b.mark(at, "all"), "by", "Ada", "files", "24")); !r.says("24 copies were put back") {
		t.Errorf("%d %s", r.code, r.text)
	}
}

// Of two people who decide at once about the same, one is refused, and none does a part.
func TestSetIsRacedFor(t *testing.T) {
	w := newWorld(t, worldConfig)
	for i := range 6 {
		w.put(fmt.Sprintf("masters/QV-0107/QV-0107_%d.wav", i), fmt.Sprint(i), "studio", "vault")
	}
	w.intake()
	for i := range 6 {
		w.flip(fmt.Sprintf("vault/masters/QV-0107/QV-0107_%d.wav", i))
	}
	w.audit()
	fs := w.open()
	b, c := w.entered(), w.entered()
	class, one := fs[0].ID, fs[5].ID
	mark, all, other := b.saw(class), b.mark(fmt.Sprintf("/findings/%d?like=all", class), "all"), c.saw(one)
	var wg sync.WaitGroup
	var ra, rb answer
	wg.Go(func() {
		ra = b.follow(b.post(fmt.Sprintf("/findings/%d/settle-class", class), "saw", mark, "all", all, "by", "Ada", "reason", "all", "files", "6"))
	})
	wg.Go(func() {
		rb = c.follow(c.post(fmt.Sprintf("/findings/%d/settle", one), "saw", other, "by", "Theo", "reason", "this one"))
	})
	wg.Wait()
	n := len(w.open())
	switch {
	case ra.code == 200 && n == 0 && w.finding(one).SettledBy == "Ada" && rb.code != 200:
	case rb.code == 200 && n == 5 && w.finding(one).SettledBy == "Theo" && ra.code == http.StatusConflict:
	default:
		t.Errorf("all: %d, one: %d, %d are open, the one was settled by %q", ra.code, rb.code, n, w.finding(one).SettledBy)
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
	if r := b.get(fmt.Sprintf("/findings/%d", id)); !strings.Contains(r.text, fmt.Sprintf(`href="/findings/%d?like=all#leave">Close all 3 findings`, id)) || strings.Contains(r.text, `name="all"`) {
		t.Errorf("all of them are read before that is asked for: %s", r.text)
	}
	mark, all, at := b.saw(id), b.mark(fmt.Sprintf("/findings/%d?like=all", id), "all"), fmt.Sprintf("/findings/%d/settle-class", id)
	if r := b.post(at, "saw", mark, "all", all, "by", "Ada", "reason", "copies for the school", "files", "2"); r.code != http.StatusUnprocessableEntity {
		t.Errorf("another number: %d", r.code)
	}
	if r := b.follow(b.post(at, "saw", mark, "all", all, "by", "Ada", "reason", "copies for the school", "files", "3")); r.code != 200 || len(w.open()) != 0 {
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
	if _, err := w.app.Deciding.Finish(t.Context(), []string{"access/QV-0107/QV-0107_A_01.wav"}, "done"); err != nil {
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
