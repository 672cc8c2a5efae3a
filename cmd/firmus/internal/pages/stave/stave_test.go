package stave_test

import (
	"encoding/xml"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/pages/stave"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

var update = flag.Bool("update", false, "write the golden figures anew")

const length = 31*time.Minute + 52*time.Second

var at = time.Date(2026, 3, 2, 2, 11, 0, 0, time.UTC)

func span(from, to time.Duration) damage.Span {
	return damage.Span{InSound: true, From: from, To: to}
}

func voice(store string, s fixity.State, how fixity.Anatomy, hurt ...damage.Span) report.Voice {
	return report.Voice{Name: store, Copy: ledger.Copy{Store: store, State: s, Size: 1000, Read: fixity.Evidence{At: at, OK: s == fixity.Intact}},
		Kind: fixity.Kind(s), How: how, Hurt: hurt, Words: string(s)}
}

// figures are one of each thing that a stave draws.
func figures() map[string]report.Stave {
	spot := span(17*time.Minute+42*time.Second+340*time.Millisecond, 17*time.Minute+42*time.Second+460*time.Millisecond)
	reported := voice("cloud", fixity.Intact, "")
	reported.Copy.Read, reported.Copy.Reported = fixity.Evidence{}, fixity.Evidence{At: at, OK: true}
	away := voice("vault", fixity.Intact, "")
	away.Away = true
	return map[string]report.Stave{
		"damaged": {Length: length, Voices: []report.Voice{voice("studio", fixity.Altered, fixity.Zeroed, spot), reported, away, voice("safe", fixity.Awaited, "")}},
		"ends": {Length: length, Voices: []report.Voice{voice("studio", fixity.Altered, fixity.CutShort, span(20*time.Minute, length)), voice("cloud", fixity.Altered, fixity.Grown, span(length, length+time.Minute)),
			voice("vault", fixity.Missing, "")}},
		"gaps": {Length: length, Voices: []report.Voice{voice("studio", fixity.Unreadable, "", span(time.Minute, 2*time.Minute), span(length-time.Second, length)), voice("cloud", fixity.Unreadable, ""),
			voice("vault", fixity.Unsteady, ""), voice("safe", fixity.Altered, fixity.Replaced)}},
		"disputed": {Length: 8 * time.Second, Disputed: true, Voices: []report.Voice{voice("studio", fixity.Intact, ""), voice("cloud", fixity.Disputed, fixity.Flipped, span(time.Second, 3*time.Second), span(2*time.Second, 4*time.Second))}},
		"hostile": {Length: time.Hour, Voices: []report.Voice{voice(`"><script>alert(1)</script>`, fixity.Altered, fixity.Flipped, span(0, time.Minute)),
			voice("\u202egnp.live", fixity.Intact, ""), voice(strings.Repeat("ä", 127), fixity.Intact, ""), voice("]]>&'\x00\xff", fixity.Intact, "")}},
	}
}

func draw(t *testing.T, s report.Stave) string {
	t.Helper()
	h, err := stave.HTML(s, "st")
	if err != nil {
		t.Fatal(err)
	}
	return string(h)
}

func TestGolden(t *testing.T) {
	for name, s := range figures() {
		got := draw(t, s)
		golden := filepath.Join("testdata", name+".html")
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s is drawn otherwise than testdata has it; run with -update and look at it", name)
		}
	}
}

// element is what a figure is made of.
type element struct {
	name, class string
	attr        map[string]string
}

// parse reads a figure as strict XML: every tag closed, every attribute quoted, no entity
// but XML's own.
func parse(t *testing.T, figure string) (rows [][]element, text string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(figure))
	var words strings.Builder
	for {
		tok, err := d.Token()
		if err == io.EOF {
			return rows, words.String()
		}
		if err != nil {
			t.Fatalf("not XML: %v\n%s", err, figure)
		}
		switch x := tok.(type) {
		case xml.CharData:
			words.Write(x)
		case xml.StartElement:
			e := element{name: x.Name.Local, attr: map[string]string{}}
			for _, a := range x.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			e.class = e.attr["class"]
			if e.name == "script" || e.attr["style"] != "" || e.attr["onload"] != "" {
				t.Errorf("a figure with %s %v", e.name, e.attr)
			}
			if e.class == "voice" {
				rows = append(rows, nil)
			}
			if n := len(rows); n > 0 {
				rows[n-1] = append(rows[n-1], e)
			}
		}
	}
}

func per(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(strings.TrimSuffix(s, "%"), 64)
	if err != nil || !strings.HasSuffix(s, "%") {
		t.Fatalf("%q is no share", s)
	}
	return x
}

// Boxes lie where the damage is and are as long, lines fill all between them, and nothing
// that is wrong is narrower than three pixels.
func TestGeometry(t *testing.T) {
	for name, s := range figures() {
		rows, _ := parse(t, draw(t, s))
		if len(rows) != len(s.Voices) {
			t.Fatalf("%s: %d rows of %d copies", name, len(rows), len(s.Voices))
		}
		for i, v := range s.Voices {
			d := v.Drawn(s.Length)
			var lines, boxes, gaps float64
			var at []element
			stops := 0
			for _, e := range rows[i] {
				switch e.class {
				case "firm", "thin", "dotted":
					lines += per(t, e.attr["x2"]) - per(t, e.attr["x1"])
				case "hollow":
					lines += (per(t, e.attr["x2"]) - per(t, e.attr["x1"])) / 2
				case "wrong":
					boxes += per(t, e.attr["width"])
					at = append(at, e)
					if e.attr["stroke-width"] != "3" || e.attr["stroke"] != "currentColor" {
						t.Errorf("%s, %s: a box may be drawn narrower than 3 pixels: %v", name, v.Name, e.attr)
					}
				case "gap":
					if e.attr["stroke-width"] != "3" {
						t.Errorf("%s, %s: a gap may be drawn narrower than 3 pixels: %v", name, v.Name, e.attr)
					}
					gaps += per(t, e.attr["width"])
				case "stop":
					stops++
					if got, want := per(t, e.attr["x1"]), 100*float64(d.Ends)/float64(s.Length); math.Abs(got-want) > 0.001 {
						t.Errorf("%s, %s: it ends at %f %%, want %f", name, v.Name, got, want)
					}
				}
			}
			hurt := 0.0
			for k, h := range d.Hurt {
				n := 100 * float64(h.To-h.From) / float64(s.Length)
				hurt += n
				if d.Mark != report.WrongBytes {
					continue
				}
				if x := 100 * float64(h.From) / float64(s.Length); math.Abs(per(t, at[k].attr["x"])-x) > 0.001 || math.Abs(per(t, at[k].attr["width"])-n) > 0.001 {
					t.Errorf("%s, %s: box %v, want %f %% from %f on", name, v.Name, at[k].attr, n, x)
				}
			}
			switch {
			case d.CutShort:
				if want := 100 * float64(d.Ends) / float64(s.Length); stops != 1 || math.Abs(lines-want) > 0.001 {
					t.Errorf("%s, %s: %f %% of a line before its end, want %f", name, v.Name, lines, want)
				}
			case d.Base == report.Nothing:
				if lines+boxes > 0 {
					t.Errorf("%s, %s: a line where nothing is", name, v.Name)
				}
			case d.Mark == report.Nothing:
				if math.Abs(lines+hurt-100) > 0.001 || math.Abs(gaps-hurt) > 0.001 {
					t.Errorf("%s, %s: %f %% of a line beside gaps of %f", name, v.Name, lines, hurt)
				}
			default:
				if math.Abs(lines+boxes-100) > 0.001 {
					t.Errorf("%s, %s: lines and boxes are %f %% of the length", name, v.Name, lines+boxes)
				}
			}
		}
	}
}

// What the text of a stave shows, the picture says in words too: each copy's name, what it
// is, its times and the meaning of each sign.
func TestSaysWhatTheTextSays(t *testing.T) {
	for name, s := range figures() {
		rows, text := parse(t, draw(t, s))
		for i, v := range s.Voices {
			alt := ""
			for _, e := range rows[i] {
				if e.class == "voice-line" {
					alt = e.attr["aria-label"]
				}
			}
			for _, want := range append(s.Told(v), v.Words) {
				if !strings.Contains(alt, want) || !strings.Contains(text, want) {
					t.Errorf("%s: %q isn't told of %s: %q", name, want, v.Name, alt)
				}
			}
		}
		for _, m := range s.Legend() {
			if !strings.Contains(text, m.Text) {
				t.Errorf("%s: the legend lacks %q", name, m.Text)
			}
		}
	}
	if _, text := parse(t, draw(t, figures()["damaged"])); !strings.Contains(text, "0:17:42.340 to 0:17:42.460 (0.12 s)") || !strings.Contains(text, "not to scale") {
		t.Errorf("a short stretch lacks its time, or that it is drawn wider: %s", text)
	}
	if h, err := stave.HTML(report.Stave{Voices: figures()["damaged"].Voices}, "x"); h != "" || err != nil {
		t.Errorf("a recording of unknown length is drawn: %q, %v", h, err)
	}
}

// Whatever the length, the scale's texts don't touch: a seventh of 300 pixels holds the
// longest.
func TestScale(t *testing.T) {
	for _, n := range []time.Duration{time.Nanosecond, 3 * time.Millisecond, time.Second, 31 * time.Second, 5 * time.Minute, 32 * time.Minute, time.Hour, 3 * time.Hour, 400 * time.Hour} {
		h, err := stave.HTML(report.Stave{Length: n, Voices: []report.Voice{voice("studio", fixity.Intact, "")}}, "x")
		if err != nil {
			t.Fatal(err)
		}
		scale, _, _ := strings.Cut(string(h), "</svg>")
		texts := strings.Count(scale, "<text ") - 1
		if texts < 1 || texts > 8 {
			t.Errorf("%v: %d texts: %s", n, texts, scale)
		}
	}
}

func TestMarks(t *testing.T) {
	for _, w := range fixity.Vocabulary {
		if w.Group == "state" && stave.Mark(w.Code) == "" {
			t.Errorf("the state %s has no mark", w.Code)
		}
	}
	seen := map[string]string{}
	for _, s := range stave.Marked() {
		m := string(stave.Mark(s))
		if err := xml.Unmarshal([]byte(m), new(struct{})); err != nil {
			t.Errorf("%s: %v", s, err)
		}
		if o, ok := seen[m]; ok {
			t.Errorf("%s and %s have the same mark", s, o)
		}
		seen[m] = s
	}
	if stave.Mark("<b>") != "" {
		t.Error("a state that isn't one has a mark")
	}
}
