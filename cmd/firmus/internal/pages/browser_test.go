package pages_test

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/people"
	"firmus/cmd/firmus/testing/browsertest"
	"firmus/fixity"
)

// tab presses the tabulator until what has the focus is named so by its id, or by the text
// of a button.
func tab(t *testing.T, b *browsertest.Tab, name string) {
	t.Helper()
	for range 80 {
		b.Press("\t")
		if browsertest.Eval[bool](b, fmt.Sprintf(`document.activeElement.id == %q || document.activeElement.tagName == "BUTTON" && document.activeElement.textContent.trim() == %q`, name, name)) {
			return
		}
	}
	t.Fatalf("the keyboard doesn't come to %q", name)
}

// link is a one-time link.
func (w *world) link() string {
	w.t.Helper()
	url, err := w.app.NewLink(w.t.Context(), strings.TrimPrefix(w.server.URL, "http://"))
	if err != nil {
		w.t.Fatal(err)
	}
	return url
}

// From a letter's link to the copy that is right again, by keyboard alone.
func TestFromTheLetterByKeyboard(t *testing.T) {
	t.Parallel()
	b := browsertest.New(t)
	w, id := damaged(t)
	if err := people.Add(t.Context(), w.app.Ledger, w.now(), "Ada Wren", passphrase, fixity.Reviewer, "the test"); err != nil {
		t.Fatal(err)
	}
	b.Open(fmt.Sprintf("%s/findings/%d", w.server.URL, id))
	b.Wait("Forgotten?")
	if got := browsertest.Eval[string](b, `document.activeElement.id`); got != "name" {
		t.Errorf("the focus is on %q, not on the name", got)
	}
	b.Press("Ada Wren")
	tab(t, b, "password")
	b.Press(passphrase + "\r")
	b.Wait("Put the intact copy from studio in its place")
	// What is heard are the samples of the copy that was taken in.
	heard := browsertest.Eval[string](b, `fetch(document.querySelectorAll(".heard audio")[1].src).then(r => r.arrayBuffer()).then(a => Array.from(new Uint8Array(a, 44), x => x.toString(16).padStart(2, "0")).join(""))`)
	file, err := os.ReadFile(filepath.Join(w.dir, "studio/masters/QV-0107/QV-0107_A.wav"))
	if err != nil {
		t.Fatal(err)
	}
	var samples []byte // its 8 bits as 16
	for _, s := range file[44:] {
		samples = binary.LittleEndian.AppendUint16(samples, uint16(s-128)<<8)
	}
	if len(heard) < 2*2*8000*9 || !strings.Contains(hex.EncodeToString(samples), heard) {
		t.Errorf("%d bytes are heard, and they aren't the file's", len(heard)/2)
	}
	tab(t, b, "Put it right")
	b.Press("\r")
	b.Wait("recovered from studio and read there")
	if f := w.finding(id); f.Settled != fixity.PutBack {
		t.Errorf("the finding ended as %q", f.Settled)
	}
}

// What goes on is shown without script too: the page is loaded anew until it is over.
func TestWithoutScript(t *testing.T) {
	t.Parallel()
	b := browsertest.New(t)
	w := newWorld(t, strings.Replace(worldConfig, "own_drive = true", "own_drive = true\nrate = \"60kB/s\"", 1))
	w.put("masters/QV-0107/QV-0107_A.wav", "A", "studio")
	w.intake()
	w.put("masters/QV-0107/QV-0107_A.wav", "A", "vault")
	b.NoScript()
	b.Open(w.link())
	b.Wait("This link opens them once")
	tab(t, b, "Open")
	b.Press("\r")
	b.Wait("To decide")
	b.Open(w.server.URL + "/work")
	tab(t, b, "read-store")
	b.Press("vault")
	tab(t, b, "read-by")
	b.Press("Ada\r")
	b.Wait("It goes on if you close this page")
	b.Wait("No difference was found in vault.")
}

// Nothing is wider than the page: on a phone, and at four times the size of the letters.
// Each field has its label, and each link and button a name.
func TestNothingIsTooWide(t *testing.T) {
	t.Parallel()
	b := browsertest.New(t)
	w, id := damaged(t)
	b.Open(w.link())
	b.Click("Open")
	b.Wait("To decide")
	for _, path := range []string{"/", "/findings", fmt.Sprintf("/findings/%d", id), "/work", "/stores", "/stores/vault", "/record", "/health", "/search?q=QV"} {
		for _, width := range []int64{320, 390, 600, 1200} { // 320 is 1280 at 400 % (WCAG 2.2, 1.4.10)
			b.Size(width, 800)
			b.Open(w.server.URL + path)
			if over := browsertest.Eval[float64](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
				t.Errorf("%s is %g too wide for %d", path, over, width)
			}
			// Nor is any cell so narrow that words are broken letter by letter.
			if thin := browsertest.Eval[float64](b, `[...document.querySelectorAll("td")].filter(e => e.innerText.trim().length > 8 && e.clientHeight > 12 * e.clientWidth).length`); thin > 0 {
				t.Errorf("%s, %d wide: %g cells are too narrow", path, width, thin)
			}
		}
		for what, n := range map[string]string{
			"fields without a label":    `[...document.querySelectorAll("input:not([type=hidden]),select,textarea")].filter(e => !e.labels.length).length`,
			"ids that stand twice":      `(a => a.length - new Set(a).size)([...document.querySelectorAll("[id]")].map(e => e.id))`,
			"main headings too few":     `1 - document.querySelectorAll("h1").length`,
			"links and buttons unnamed": `[...document.querySelectorAll("a,button")].filter(e => !e.textContent.trim()).length`,
		} {
			if got := browsertest.Eval[float64](b, n); got != 0 {
				t.Errorf("%s: %s: %g", path, what, got)
			}
		}
	}
}

// Both versions play as one: a click on a waveform plays from there, a start of the other
// goes on at the same place and ends the first, and both hear what the server gave.
func TestPlayer(t *testing.T) {
	t.Parallel()
	b := browsertest.New(t)
	w, id := damaged(t)
	b.Open(w.link())
	b.Click("Open")
	b.Wait("To decide")
	b.Open(fmt.Sprintf("%s/findings/%d", w.server.URL, id))
	b.Until(`document.querySelectorAll(".wavebox .playline").length == 2`)
	audio := func(i int) string { return fmt.Sprintf(`document.querySelectorAll(".heard audio")[%d]`, i) }
	at := func(i int) float64 { return browsertest.Eval[float64](b, audio(i)+".currentTime") }

	b.Touch("(//span[@class='wavebox'])[1]") // in its middle
	b.Until(audio(0) + ".currentTime > 5.05 && !" + audio(0) + ".paused")
	if got := at(0); got > 9.5 {
		t.Errorf("a click in the middle of ten seconds plays from second %g", got)
	}
	if left := browsertest.Eval[float64](b, `parseFloat(document.querySelector(".playline").style.left)`); left < 50 || left > 95 {
		t.Errorf("the line stands at %g %%", left)
	}
	browsertest.Eval[bool](b, audio(1)+`.play().then(() => true)`)
	b.Until(audio(0) + ".paused && " + audio(1) + ".currentTime > 5.05")
	if a, c := at(0), at(1); c < a-0.5 || c > a+4 {
		t.Errorf("the other goes on at second %g, the first was at %g", c, a)
	}
	b.Until(audio(1) + ".ended")
	if x, y := browsertest.Eval[float64](b, audio(0)+".duration"), browsertest.Eval[float64](b, audio(1)+".duration"); x != 10 || y != 10 {
		t.Errorf("the clips are %g and %g seconds long", x, y)
	}
}
