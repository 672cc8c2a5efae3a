package pages_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/testing/browsertest"
	"firmus/fixity/ledger"
)

// printsAs prints the page that is open to a PDF, and gives its pages as poppler's pdftotext
// reads them.
func printsAs(t *testing.T, b *browsertest.Tab, name string) (pages []string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "page.pdf")
	b.PDF(file)
	if dir := os.Getenv("FIRMUS_PICTURES"); dir != "" {
		if err := exec.Command("pdftoppm", "-r", "60", "-png", file, filepath.Join(dir, "pdf-"+name)).Run(); err != nil {
			t.Error(err)
		}
	}
	out, err := exec.Command("pdftotext", "-layout", file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSuffix(string(out), "\f"), "\f") // each page ends with a form feed
}

// What is made to be printed prints whole: on as few sheets as it is made for, and with its
// text on them.
func TestSheetsPrint(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("pdftotext"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") != "" {
			t.Fatal(err)
		}
		t.Skip("pdftotext isn't there (poppler-utils)")
	}
	b := browsertest.New(t)
	w, _ := damaged(t)
	w.tx(func(t *ledger.Tx) error {
		f, err := t.Files.At("access", "QV-0107/QV-0107_A_01.wav")
		if err != nil {
			return err
		}
		if err := t.Stores.Put(ledger.Store{Name: "discs", Kind: "optical"}); err != nil {
			return err
		}
		_, err = t.Discs.Add(ledger.Disc{Store: "discs", Number: "QD-0031", Twin: "A", Kind: ledger.AudioDisc, Box: "4"}, []ledger.DiscFile{{N: 1, File: f.ID, Version: 1}}, "Ada", "")
		return err
	})
	b.Open(w.link())
	b.Click("Open")
	for _, c := range []struct {
		name, path string
		most       int // sheets
		says       []string
	}{
		{"desk-card", "/print/desk-card", 1, []string{"Studio, room 12"}},
		{"take-over", "/print/take-over", 4, []string{"studio", "vault"}},
		{"holdings", "/print/holdings", 4, []string{"Quillmere Valley Song Survey", "vault"}},
		{"year", "/print/year", 2, []string{"Statement of the year", "Read within the promise", "share of files read within"}},
		{"reel", "/print/reels/QV-0107", 3, []string{"Statement of QV-0107", "independent stores", "read and right"}},
		{"shift", "/print/shift", 2, []string{"Quillmere Valley Song Survey"}},
		{"discs", "/print/discs?show=due", 1, []string{"QD-0031 A", "Box 4"}},
		{"burn", "/print/discs/QD-0031/burn", 2, []string{"QD-0031 A", "QV-0107_A_01.wav"}},
		{"reels", "/print/reels", 1, []string{"QV-0107"}},
	} {
		b.Open(w.server.URL + c.path)
		sheets := printsAs(t, b, c.name)
		if len(sheets) > c.most {
			t.Errorf("%s takes %d sheets, not %d", c.path, len(sheets), c.most)
		}
		all := strings.Join(sheets, "\n")
		for _, want := range c.says {
			if !strings.Contains(strings.ToLower(all), strings.ToLower(want)) { // headings are set in capitals
				t.Errorf("%s doesn't print %q:\n%s", c.path, want, all)
			}
		}
		for i, s := range sheets {
			if len(strings.Fields(s)) < 5 {
				t.Errorf("%s: sheet %d of %d is all but empty: %q", c.path, i+1, len(sheets), s)
			}
		}
	}
}

// A statement that was made lately is given again while the record doesn't go on, and is made
// anew once it does.
func TestStatementsAreKept(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.intake()
	b := w.entered()
	first := b.get("/print/holdings/json").text
	if !strings.Contains(first, `"files":1`) {
		t.Fatal(first)
	}
	w.pass(5 * time.Minute)
	if again := b.get("/print/holdings/json").text; again != first {
		t.Errorf("it was made again: %s", again)
	}
	w.pass(6 * time.Minute)
	if later := b.get("/print/holdings/json").text; later == first {
		t.Error("it is given again for longer than it says")
	}
	named := b.get("/print/holdings/json?all=1").text
	w.pass(5 * time.Minute)
	if other := b.get("/print/holdings/json?all=another").text; named == first || other != named {
		t.Errorf("what is asked for by another word is made, and kept, once more: %s", other)
	}
	w.put("masters/QV-0108/QV-0108_A.wav", "108A", "studio", "vault")
	w.intake()
	if later := b.get("/print/holdings/json").text; !strings.Contains(later, `"files":2`) {
		t.Errorf("it is of before the intake: %s", later)
	}
}
