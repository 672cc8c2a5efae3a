package pages_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/pages"
	"firmus/fixity"
	"firmus/testdata"
)

// Today says to who does the work what has to be transferred again, which sticks to keep by
// what they are called, and asks about masters that look edited.
func TestTodayAtTheDesk(t *testing.T) {
	w := newWorld(t, worldConfig)
	lay := func(path string, b []byte) {
		p := filepath.Join(w.dir, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(p, hour, hour); err != nil {
			t.Fatal(err)
		}
	}
	desk, viewer := w.person("Ada Wren", fixity.Technician), w.person("Tom Reed", fixity.Viewer)
	if r := desk.get("/"); !r.says("Next on the deck") || !r.says("No recording under care is known to have ended too early.") || !r.says(`href="/print/shift"`) ||
		r.says("Sides that were transferred") || !r.says("or the register has a row for it") {
		t.Errorf("the desk of an empty archive: %s", r.text)
	}
	silent := testdata.Wave("108A", 600_000)
	for i := range silent[44:300_000] {
		silent[44+i] = 0x80 // no sound, of 8 bits
	}
	lay("studio/masters/QV-0108/QV-0108_A.wav", silent)
	lay("studio/masters/QV-0109/QV-0109_A.wav", testdata.Wave("109A", 200_000)[:120_000]) // cut off while it was written
	lay("STICK-07/REC00001.WAV", testdata.Wave("110A", 90_000))
	w.intake()
	from, err := w.app.Acts.Folder(filepath.Join(w.dir, "STICK-07"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.app.Receiving.Receive(t.Context(), receiving.ReceiveOrder{Source: from, Name: filepath.Join(w.dir, "STICK-07"), Into: "masters/QV-0110", Sides: []string{"A"}}); err != nil {
		t.Fatal(err)
	}
	if r := desk.get("/reels"); r.code != 200 {
		t.Fatal(r.text)
	}
	var r answer
	for range 100 { // the sides are counted beside the page
		if r = desk.get("/"); r.says(`href="/reels?next=edit"`) {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	for _, s := range []string{`href="/reels?next=edit"`, "transfer again, while it can be played", "QV-0109", "KEEP THE STICK “STICK-07”", "A suspicion:", `href="/reels/QV-0108"`, "begins in digital silence"} {
		if !r.says(s) {
			t.Errorf("Today doesn't say %q: %s", s, r.text)
		}
	}
	if n := strings.Count(r.text, ">masters/QV-0109/QV-0109_A.wav</a>"); n != 1 {
		t.Errorf("a transfer is asked for %d times", n)
	}
	if r := viewer.get("/"); r.says("Next on the deck") || r.says("A suspicion") || !r.says("KEEP THE STICK “STICK-07”") {
		t.Errorf("Today of who only looks: %s", r.text)
	}
}

func TestTagOf(t *testing.T) {
	for source, want := range map[string]string{
		"/media/ada/STICK-07":             "STICK-07",
		"/media/ada/STICK-07/DCIM/100":    "STICK-07",
		"/media/STICK-07":                 "STICK-07",
		"/run/media/ada/STICK-07/rec":     "STICK-07",
		"/Volumes/STICK 7/rec":            "STICK 7",
		`E:\REC`:                          "E:",
		`E:\`:                             "E:",
		"/home/ada/from the stick/":       "from the stick",
		"sticks/7":                        "7",
		"/":                               "/",
		"/media/../home/ada/STICK-07/rec": "rec",
	} {
		if got := pages.TagOf(source); got != want {
			t.Errorf("%s: %q, want %q", source, got, want)
		}
	}
}

// Today says to everybody that the clock is earlier than the record, as nothing is done by it then.
func TestTodayTellsOfAClockThatIsWrong(t *testing.T) {
	w := newWorld(t, worldConfig)
	viewer := w.person("Tom Reed", fixity.Viewer)
	if r := viewer.get("/"); r.says("the clock says") {
		t.Errorf("it is right: %s", r.text)
	}
	w.pass(-48 * time.Hour)
	if r := viewer.get("/"); !r.says("the clock says") || !r.says("set the clock right") {
		t.Errorf("two days back: %s", r.text)
	}
}
