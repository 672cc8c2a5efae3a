package care_test

import (
	"errors"
	"strings"
	"testing"

	"firmus/fixity/care"
)

func pattern(t testing.TB, text string) *care.Pattern {
	t.Helper()
	if text == "" {
		return nil
	}
	p, err := care.NewPattern(text)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return p
}

func TestFieldsOfAPath(t *testing.T) {
	for name, tc := range map[string]struct {
		pattern, path string
		want          care.Fields
		fits          bool
	}{
		"template":                   {"{item}/{item}_{side}_{track}.wav", "QV-0107/QV-0107_A_03.wav", care.Fields{Item: "QV-0107", Side: "A", Track: "03"}, true},
		"cut in the other way":       {"{item}/{item}_{side}[_{track}].wav", "QV_7_B/QV_7_B_A.wav", care.Fields{Item: "QV_7_B", Side: "A"}, true},
		"literal in another case":    {"{item}_{side}.wav", "x/qv-0107_a.WAV", care.Fields{Item: "qv-0107", Side: "a"}, true},
		"item with a separator":      {"{item}_{side}.wav", "QV_0107_A.wav", care.Fields{Item: "QV_0107", Side: "A"}, true},
		"field twice, not the same":  {"{item}/{item}_{side}.wav", "QV-0107/QV-0108_A.wav", care.Fields{}, false},
		"field twice, in other case": {"{item}/{item}_{side}.wav", "qv-0107/QV-0107_A.wav", care.Fields{Item: "qv-0107", Side: "A"}, true},
		"name in any folder":         {"{barcode}_{side}.wav", "a/b/c/400638133_B.wav", care.Fields{Barcode: "400638133", Side: "B"}, true},
		"path as a whole":            {"box/{item}.wav", "a/box/QV-0107.wav", care.Fields{}, false},
		"part that lacks":            {"{item}_{side}[_{track}].wav", "QV-0107_A.wav", care.Fields{Item: "QV-0107", Side: "A"}, true},
		"part that is there":         {"{item}_{side}[_{track}].wav", "QV-0107_A_1.wav", care.Fields{Item: "QV-0107", Side: "A", Track: "1"}, true},
		"regular characters":         {"{item} (+).wav", "QV-0107 (+).wav", care.Fields{Item: "QV-0107"}, true},
		"regular characters stay so": {"{item}.wav", "QV-0107xwav", care.Fields{}, false},
		"another ending":             {"{item}.wav", "QV-0107.wav.tmp", care.Fields{}, false},
		"track of letters":           {"{item}_{track}.wav", "QV-0107_A.wav", care.Fields{}, false},
		"not UTF-8":                  {"{item}_{side}.wav", "QV\xff_A.wav", care.Fields{Item: "QV\xff", Side: "A"}, true},
		"named groups":               {`^(?P<barcode>\d{9})-(?P<side>[AB])`, "400638133-A.wav", care.Fields{Barcode: "400638133", Side: "A"}, true},
		"braces of an expression":    {`^\p{Lu}{2}-(\d{4})`, "QV-0107.wav", care.Fields{Item: "0107"}, true},
		"one group is the item":      {`(QV-\d{4})_`, "box 4/QV-0107_A.wav", care.Fields{Item: "QV-0107"}, true},
	} {
		t.Run(name, func(t *testing.T) {
			got, fits := pattern(t, tc.pattern).Fields(tc.path)
			if got != tc.want || fits != tc.fits {
				t.Errorf("%q of %q: %+v, %t, want %+v, %t", tc.pattern, tc.path, got, fits, tc.want, tc.fits)
			}
		})
	}
}

func TestPatternsThatAreNone(t *testing.T) {
	for text, want := range map[string]string{
		"{item}{side}.wav":        "nothing stands between",
		"{item}[{side}].wav":      "nothing stands between",
		"{item}_{side.wav":        "no }",
		"{item}}.wav":             "no {",
		"{item}[_{side}.wav":      "no ]",
		"{item}]_{side}.wav":      "no [",
		"{item}[_[{side}]].wav":   "inside another",
		"{}_{item}.wav":           `no field ""`,
		"{reel}.wav":              `no field "reel"`,
		`(?P<itme>QV)`:            `no field "itme"`,
		`(?P<item>QV)-(\d+)`:      "group 2 has no name",
		`(QV)-(\d+)`:              "one group",
		`QV-\d+`:                  "one group",
		`(QV`:                     "not a regular expression",
		"QV-0107_A.wav":           "one group",
		"{item}/{side}/{barcode]": "no }",
	} {
		p, err := care.NewPattern(text)
		if p != nil || err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
		var unknown care.UnknownField
		if errors.As(err, &unknown) != strings.Contains(want, "no field") {
			t.Errorf("%q: %T", text, err)
		}
	}
}

func TestItemOf(t *testing.T) {
	for _, tc := range []struct{ pattern, path, want string }{
		{"", "QV-0107/a.wav", "QV-0107"},
		{"", "a.wav", ""},
		{"{item}_{side}.wav", "box/QV-0107_A.wav", "QV-0107"},
		{"{item}_{side}.wav", "box/notes.txt", "box"},
		{"{barcode}_{side}.wav", "QV-0107/400638133_A.wav", "QV-0107"},
	} {
		if got := (care.Set{Pattern: pattern(t, tc.pattern)}).ItemOf(tc.path); got != tc.want {
			t.Errorf("%q of %q: %q, want %q", tc.pattern, tc.path, got, tc.want)
		}
	}
}

func TestFiling(t *testing.T) {
	for name, tc := range map[string]struct {
		set, store string
		identifies bool
		path, at   string
		holds      bool
	}{
		"same fields":              {"{item}_{side}_{track}.wav", "{track} {side} {item}.wav", true, "QV-0107_A_03.wav", "any/3 a qv-0107.wav", true},
		"another side":             {"{item}_{side}.wav", "{item} {side}.wav", true, "QV-0107_A.wav", "QV-0107 B.wav", false},
		"a track that one lacks":   {"{item}_{side}[_{track}].wav", "{item} {side}[ {track}].wav", true, "QV-0107_A.wav", "QV-0107 A.wav", true},
		"a track that one has":     {"{item}_{side}[_{track}].wav", "{item} {side}[ {track}].wav", true, "QV-0107_A.wav", "QV-0107 A 1.wav", false},
		"first folder":             {"", "{item}.wav", true, "QV-0107/transfer.wav", "QV-0107.wav", true},
		"first folder, no pattern": {"", "{item}_{side}.wav", true, "QV-0107/QV-0107_A.wav", "QV-0107_B.wav", true},
		"set's name doesn't fit":   {"{item}_{side}.wav", "{item} {side}.wav", true, "QV-0107/notes.txt", "QV-0107 A.wav", false},
		"store's name doesn't fit": {"{item}_{side}.wav", "{item} {side}.wav", true, "QV-0107_A.wav", "QV-0107.wav", false},
		"side in common only":      {"{item}_{side}.wav", "{barcode}_{side}.wav", false, "QV-0107_A.wav", "400638133_A.wav", true},
		"side in common, another":  {"{item}_{side}.wav", "{barcode}_{side}.wav", false, "QV-0107_A.wav", "400638133_B.wav", false},
		"nothing in common":        {"{item}_{side}.wav", "{barcode}.wav", false, "notes.txt", "400638133.wav", true},
		"twice in a folder":        {"{item}_{side}.wav", "{item} {side}.wav", true, "QV-0107_A.wav", "QV-0107 A.wav [id:1f]", true},
	} {
		t.Run(name, func(t *testing.T) {
			r := care.Rules{Sets: []care.Set{{Name: "masters", Pattern: pattern(t, tc.set)}},
				Stores: []care.Store{{Name: "cloud", Patterns: map[string]*care.Pattern{"masters": pattern(t, tc.store)}}, {Name: "vault"}}}
			f, ok := r.Filing("cloud", "masters")
			if !ok || f.Identifies() != tc.identifies || f.Holds(tc.path, tc.at) != tc.holds {
				t.Errorf("filing %t, identifies %t, holds %t", ok, f.Identifies(), f.Holds(tc.path, tc.at))
			}
			for _, other := range [][2]string{{"vault", "masters"}, {"cloud", "access"}, {"attic", "masters"}} {
				if _, ok := r.Filing(other[0], other[1]); ok {
					t.Errorf("%v has a filing", other)
				}
			}
		})
	}
}

// FuzzPattern: whatever the pattern and path, nothing panics, and a template finds in
// a name made of its fields just these.
func FuzzPattern(f *testing.F) {
	f.Add("{item}_{side}[_{track}].wav", "QV-0107_A_1.wav")
	f.Add(`(?P<item>QV)-(?P<side>.)`, "QV-A")
	f.Add("{item}", "\xff\x00")
	f.Add("{item}", "")
	f.Add("[0{track}]\xb5", "0")
	f.Fuzz(func(t *testing.T, text, path string) {
		p, err := care.NewPattern(text)
		if (p == nil) != (err != nil) {
			t.Fatalf("%v, %v", p, err)
		}
		if err == nil {
			x, fits := p.Fields(path)
			if !fits && x != (care.Fields{}) {
				t.Errorf("it doesn't fit and gives %+v", x)
			}
			for _, v := range []string{x.Item, x.Barcode, x.Side, x.Track} {
				if !strings.Contains(path, v) {
					t.Errorf("%q of %q is not in it", v, path)
				}
			}
		}
	})
}
