package pages_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"firmus/cmd/firmus/testing/browsertest"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// The pages that only some archives have can be used by everybody too: an incident, a disc
// and its sheet, what an act came to, and the sign-in. FIRMUS_PICTURES names a folder for
// pictures of them, on a phone and on paper.
func TestOtherPagesAreAccessible(t *testing.T) {
	t.Parallel()
	text := axe(t)
	b := browsertest.New(t)
	w, incident := mass(t, func(w *world, path string) { w.flip("vault/" + path) })
	w.tx(func(t *ledger.Tx) error {
		f, err := t.Files.At("masters", "QV-0107/take-00.wav")
		if err != nil {
			return err
		}
		if err := t.Stores.Put(ledger.Store{Name: "discs", Kind: "optical"}); err != nil {
			return err
		}
		for _, twin := range []string{"A", "B"} {
			if _, err := t.Discs.Add(ledger.Disc{Store: "discs", Number: "QD-0031", Twin: twin, Kind: ledger.AudioDisc, Box: "4"}, []ledger.DiscFile{{N: 1, File: f.ID, Version: 1}}, "Ada", ""); err != nil {
				return err
			}
		}
		return nil
	})
	n := 0
	look := func(path string) {
		t.Helper()
		b.Open(w.server.URL + path)
		fits(t, b, text, path)
		if dir := os.Getenv("FIRMUS_PICTURES"); dir != "" {
			n++
			b.Size(360, 800)
			b.Picture(filepath.Join(dir, fmt.Sprintf("other-%02d-phone.png", n)))
			b.Size(1280, 900)
			b.Picture(filepath.Join(dir, fmt.Sprintf("other-%02d.png", n)))
		}
	}
	b.Open(w.link())
	b.Click("Open")
	for _, path := range []string{fmt.Sprintf("/incidents/%d", incident), "/discs/QD-0031%20A", "/print/discs/QD-0031/burn", "/work?store=vault&full=yes&only=masters%2FQV-0107&disc=QD-0031&decide=QD-0031"} {
		look(path)
	}
	// What an act came to, on the page of its own.
	r := w.entered().post("/work/audit", "store", "studio", "by", "Ada")
	b.Open(w.server.URL + r.header.Get("Location"))
	b.Wait("No difference was found in studio.")
	look(r.header.Get("Location"))
	w.account("Ada Wren", fixity.Reviewer)
	look("/sign-in")
}
