package pages_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

const patterned = `pattern = "{item}/{item}_{side}[_{track}].wav"
`

// Each side is listed with what comes next, and each reel has a page and a statement.
func TestReels(t *testing.T) {
	w := newWorld(t, strings.NewReplacer("role = \"master\"\n", "role = \"master\"\n"+patterned, "role = \"access\"\n", "role = \"access\"\n"+patterned).Replace(worldConfig))
	b := w.entered()
	for path, want := range map[string]string{"/reels": "No file that belongs to a reel is under care yet", "/print/reels": "None", "/discs": "No disc is registered", "/print/discs": "None", "/print/shift": "Nothing"} {
		if r := b.get(path); r.code != 200 || !r.says(want) {
			t.Errorf("with nothing under care, %s: %d, lacks %q", path, r.code, want)
		}
	}
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.put("access/QV-0107/QV-0107_A_01.wav", "107A01", "studio", "vault")
	w.put("masters/QV-0107/QV-0107_B.wav", "107B", "studio")
	w.put("masters/QV-0108/QV-0108_A.wav", "108A", "studio", "vault")
	w.intake()
	w.flip("vault/masters/QV-0108/QV-0108_A.wav")
	w.audit()
	r := b.get("/reels")
	for _, want := range []string{"2 reels, 3 sides", "1 to put right", "1 to edit", "not yet", `put right <a class="nowrap"`, "QV-0107</a> A", "QV-0107</a> B", "awaited"} {
		if !r.says(want) {
			t.Errorf("/reels lacks %q", want)
		}
	}
	for path, want := range map[string][]string{
		"/reels?next=edit":            {"QV-0107</a> B"},
		"/reels?next=put-right":       {"QV-0108</a> A"},
		"/print/reels?next=edit":      {"Sides: to edit", "QV-0107</a> B"},
		"/reels/QV-0107":              {"masters/QV-0107/QV-0107_A.wav", "Statement to print", "awaited"},
		"/reels/QV-0108":              {"damaged", "finding 1: altered"},
		"/print/reels/QV-0107":        {"Statement of QV-0107", "doesn't show that the transfer itself was good"},
		"/print/shift":                {"Taken under care: ", " files, by ", "Findings opened: 1", "to edit"},
		"/print/desk-card":            {"Desk card", "Studio, room 12"},
		"/print/take-over":            {"Take-over sheet"},
		"/print/holdings":             {"Quillmere", "by the number of independent stores"},
		"/print/holdings/csv":         {"store,place,set"},
		"/print/sides":                {"Where each reel is in the work", "QV-0107"},
		"/print/sides/csv?next=edit":  {"item,side,next", "QV-0107,B,edit"},
		"/print/sides/json":           {`"item":"QV-0107","side":"A"`},
		"/print/sides/xlsx":           {"PK"},
		"/print/year":                 {"Statement of the year", "Read within the promise"},
		"/print/year/json":            {"files_taken_in"},
		"/print/year?year=1999":       {"Nothing is known of this year"},
		"/print/reels/QV-0107/csv":    {"QV-0107/QV-0107_A.wav"},
		"/print":                      {"/print/year/xlsx"},
		"/reels?after=QV-0107&side=A": {"QV-0108</a> A"},
	} {
		r := b.get(path)
		for _, x := range want {
			if r.code != 200 || !r.says(x) {
				t.Errorf("%s: %d, lacks %q", path, r.code, x)
			}
		}
	}
	if r := b.get("/reels?next=edit"); r.says("QV-0108</a> A") {
		t.Error("a filter lets others through")
	}
	// What the register says is shown beside it, and reels that nobody has transferred.
	w.tx(func(t *ledger.Tx) error {
		return t.Register.PutSays([]fixity.RegisterSays{
			{Item: "QV-0107", Side: "A", Text: `{"Title":"Songs of the mill","Base":"acetate","Condition":"<i>sheds</i>","TreatedFrom":"2026-02-01"}`},
			{Item: "QV-0108", Side: "A", Unplayable: true, Text: `{"Base":"polyester"}`},
			{Item: "QV-0200", Side: "B", Text: `{"ToTransfer":true,"Title":"Market day","Base":"acetate","Priority":"vinegar"}`},
			{Item: "QV-0109", Side: "A", Text: `{"ToTransfer":true}`},
		}, "Ada")
	})
	w.flip("vault/masters/QV-0107/QV-0107_A.wav") // the record goes on, so sides are counted anew
	w.audit()
	b = w.entered()
	text := b.get("/reels").text
	for began := time.Now(); !strings.Contains(text, "4 reels, 5 sides") && time.Since(began) < time.Minute; { // counting rests after each count
		text = b.get("/reels").text
	}
	order := []string{"QV-0108</a> A", "QV-0200</a> B", "QV-0107</a> A", "QV-0107</a> B", "QV-0109</a> A"}
	if !slices.IsSortedFunc(order, func(a, b string) int { return strings.Index(text, a) - strings.Index(text, b) }) || !strings.Contains(text, order[0]) {
		t.Errorf("what can't be transferred again, and what is to be transferred sooner, doesn't come first:\n%s", text)
	}
	for path, want := range map[string][]string{
		"/reels":                {"Songs of the mill", "<i>sheds</i>", "in treatment since 2026-02-01", "can't be transferred again", "2 to transfer", "1 in treatment", "2 acetate"},
		"/reels?only=once":      {"QV-0108</a> A"},
		"/reels?only=treatment": {"QV-0107</a> A"},
		"/reels?base=acetate":   {"QV-0107</a> A", "QV-0200</a> B"},
		"/reels?next=transfer":  {"QV-0109</a> A", "priority: vinegar"},
		"/reels/QV-0200":        {"Market day", "this is what the register says"},
	} {
		r := b.get(path)
		for _, x := range want {
			if r.code != 200 || !r.says(x) {
				t.Errorf("%s: %d, lacks %q", path, r.code, x)
			}
		}
	}
	if strings.Contains(text, "<i>sheds") {
		t.Error("what the register says is taken for HTML")
	}
	if b.get("/reels?only=once").says("QV-0200") || b.get("/reels?base=acetate").says("QV-0108") {
		t.Error("a filter by the register lets others through")
	}
	for _, path := range []string{"/reels?only=all", "/reels/QV-9999", "/reels?next=everything", "/discs/QD-1", "/discs?show=all", "/print/discs/QD-1/burn", "/print/reels/x", "/print/year/pdf", "/print/year?year=3000", "/print/year?year=x", "/print/reels/QV-0107/exe"} {
		if r := b.get(path); r.code != 404 && r.code != 422 {
			t.Errorf("%s: %d", path, r.code)
		}
	}
	// A sheet brings its own style, and nothing but that is let in.
	csp := b.get("/print/desk-card").header.Get("Content-Security-Policy")
	if !strings.Contains(csp, "style-src 'sha256-") || strings.Contains(csp, "unsafe") || !strings.Contains(csp, "default-src 'none'") {
		t.Errorf("the policy of a sheet: %s", csp)
	}
	if r := w.person("Ben", fixity.Viewer).get("/print/take-over"); r.code != 403 {
		t.Errorf("the take-over sheet for who only looks: %d", r.code)
	}
}

// Discs are listed by box, each with what was burned and how it was read.
func TestDiscs(t *testing.T) {
	w, _ := damaged(t)
	w.tx(func(t *ledger.Tx) error {
		f, err := t.Files.At("access", "QV-0107/QV-0107_A_01.wav")
		if err != nil {
			return err
		}
		if err := t.Stores.Put(ledger.Store{Name: "discs", Kind: "optical"}); err != nil {
			return err
		}
		for _, twin := range []string{"A", "B"} {
			d, err := t.Discs.Add(ledger.Disc{Store: "discs", Number: "QD-0031", Twin: twin, Kind: ledger.AudioDisc, Box: "4", Label: `<b>"x"`}, []ledger.DiscFile{{N: 1, File: f.ID, Version: 1}}, "Ada", "")
			if err != nil {
				return err
			}
			if twin == "A" {
				if err := t.Discs.Drawn(w.now().UTC().Format("2006-01"), 1, []ledger.Disc{d}, "Ada"); err != nil {
					return err
				}
			}
		}
		return nil
	})
	b := w.entered()
	for path, want := range map[string][]string{
		"/discs":                    {"2 discs", "Box 4", "QD-0031 A", "never", "it was never read", "&lt;b&gt;"},
		"/discs?show=due":           {"Discs to read now", "QD-0031 B"},
		"/discs?show=month":         {"This month's discs", "Still to be read:", "QD-0031 A"},
		"/discs?box=4":              {"QD-0031 A"},
		"/discs?box=5":              {"No disc"},
		"/discs/QD-0031%20A":        {"audio disc, copy 1 of 2", "QD-0031 B", "QV-0107_A_01.wav", "It was never read", "It should be read now"},
		"/print/discs":              {"Discs to pull this month", "read now"},
		"/print/discs/QD-0031/burn": {"QD-0031"},
		"/reels/QV-0107":            {"QD-0031 A"},
		"/reels":                    {"QD-0031 A", "QD-0031 B"},
	} {
		r := b.get(path)
		for _, x := range want {
			if r.code != 200 || !r.says(x) && !strings.Contains(r.text, x) {
				t.Errorf("%s: %d, lacks %q", path, r.code, x)
			}
		}
	}
}

func (w *world) tx(do func(*ledger.Tx) error) {
	w.t.Helper()
	if err := w.app.Ledger.Tx(w.t.Context(), w.now(), do); err != nil {
		w.t.Fatal(err)
	}
}

// With many files each page of reels is answered in time: its numbers are counted beside.
func BenchmarkReelsOfManyFiles(b *testing.B) { benchmarkReels(b, 200_000) }

func benchmarkReels(b *testing.B, files int) {
	w := newWorld(b, worldConfig)
	x := ledgertest.Large{Ledger: w.app.Ledger, Set: "masters", Stores: []string{"studio", "vault"}, Now: w.now()}
	if err := x.Adopt(b.Context(), "disk"); err != nil {
		b.Fatal(err)
	}
	if err := x.Fill(b.Context(), 0, files); err != nil {
		b.Fatal(err)
	}
	in := w.entered()
	for _, path := range []string{"/reels", "/reels?next=edit&after=QV-00500", "/reels/QV-00500", "/discs", "/print/shift"} {
		began := time.Now()
		in.get(path)
		first := time.Since(began)
		var took []time.Duration
		for range 21 {
			began := time.Now()
			if r := in.get(path); r.code != 200 {
				b.Fatal(path, r.code)
			}
			took = append(took, time.Since(began))
		}
		slices.Sort(took)
		fmt.Fprintf(os.Stderr, "%s: first %v, median %v, longest %v\n", path, first, took[10], took[20])
	}
}
