package pages_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
)

// What lay in the place of a file that was put back is listed, and removed once it may be and
// the number was typed.
func TestTidyOnAPage(t *testing.T) {
	w, id := damaged(t)
	b := w.person("Ada Wren", fixity.Reviewer)
	if r := b.follow(b.post("/findings/"+itoa(id)+"/recover", "saw", b.saw(id), "paused", "yes")); r.code != 200 {
		t.Fatal(r.text)
	}
	if f := w.finding(id); f.Open() {
		t.Fatalf("it wasn't put right: %+v", f)
	}
	kept := func() int {
		found, err := filepath.Glob(filepath.Join(w.dir, "vault", "masters", ".firmus-kept", "*", "*.wav*"))
		if err != nil {
			t.Fatal(err)
		}
		return len(found)
	}
	if kept() != 1 {
		all, _ := os.ReadDir(filepath.Join(w.dir, "vault", "masters"))
		t.Fatalf("%d files are kept: %v", kept(), all)
	}
	if r := b.get("/stores/vault"); !r.says("List what is kept") || r.says("Remove them") {
		t.Errorf("the store's page has no form: %s", r.text)
	}
	if r := b.follow(b.post("/stores/vault/kept")); !r.says("1 file is kept. 0 files may be removed") || !r.says("QV-0107_A") {
		t.Errorf("the list: %s", r.text)
	}
	if r := b.follow(b.post("/stores/vault/tidy", "saw", "x", "files", "1", "reason", "room")); r.code != 422 || kept() != 1 {
		t.Errorf("what may not be removed yet: %d, %d kept: %s", r.code, kept(), r.text)
	}
	w.pass(31 * 24 * time.Hour)
	b = w.person("Tom Reed", fixity.Reviewer)
	r := b.follow(b.post("/stores/vault/kept"))
	listed := regexp.MustCompile(`/stores/vault\?kept=([0-9a-f]+)#tidy`).FindStringSubmatch(r.text)
	if listed == nil {
		t.Fatalf("the list leads to no form: %s", r.text)
	}
	saw := b.mark("/stores/vault?kept="+listed[1], "saw")
	// What was listed is held to: another mark, or none, removes nothing.
	for mark, code := range map[string]int{"": 422, strings.Repeat("0", 32): 409} {
		if r := b.follow(b.post("/stores/vault/tidy", "saw", mark, "files", "1", "reason", "room")); r.code != code || kept() != 1 {
			t.Errorf("mark %q: %d, %d kept: %s", mark, r.code, kept(), r.text)
		}
	}
	if !r.says("1 file may be removed") {
		t.Errorf("the list: %s", r.text)
	}
	if r := b.follow(b.post("/stores/vault/tidy", "saw", saw, "files", "2", "reason", "room")); r.code != 422 || kept() != 1 {
		t.Errorf("another number: %d, %d kept: %s", r.code, kept(), r.text)
	}
	if r := b.follow(b.post("/stores/vault/tidy", "saw", saw, "files", "1", "reason", "room")); !r.says("1 file was removed") || kept() != 0 {
		t.Errorf("it was not removed: %d kept: %s", kept(), r.text)
	}
	if r := b.follow(b.post("/stores/vault/kept")); !r.says("Nothing is kept there") {
		t.Errorf("the list afterwards: %s", r.text)
	}
}

// What lies where files arrive and isn't under care yet stands on Today, and is marked when it
// should have been taken in long ago; what is taken in does no more.
func TestArrivalsOnToday(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "A", "studio", "vault")
	w.intake()
	w.put("masters/QV-0300/QV-0300_A.wav", "new", "studio")
	w.put("masters/QV-0300/QV-0300_B.wav", "newer", "studio")
	w.audit()
	b := w.entered()
	if r := b.get("/"); !r.says("Arrived, and not under care yet") || !r.says("masters/QV-0300") || !r.says("2 files, 400 kB") || r.says("Look at it: it should") || r.says("masters/QV-0107") {
		t.Errorf("Today: %s", r.text)
	}
	w.pass(49 * time.Hour)
	if r := b.get("/"); !r.says("Look at it: it should have been taken in by now.") {
		t.Errorf("two days later: %s", r.text)
	}
	w.intake()
	if r := b.get("/"); r.says("Arrived, and not under care yet") {
		t.Errorf("once it is taken in: %s", r.text)
	}
}
