package letters_test

import (
	"testing"

	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity/care"
)

// No performer or title leaves the house in a name, unless it may.
func TestShown(t *testing.T) {
	for path, want := range map[string]string{
		"QV-0107/QV-0107_A.wav":                           "QV-0107/QV-0107_A.wav",
		"QV-0107/QV-0107_A_01.wav":                        "QV-0107/QV-0107_A_01.wav",
		"QV-0107/QV-0107_A_01 The Miller's Daughter.wav":  "QV-0107/QV-0107_A_01….wav",
		"QV-0107 Harvest songs/side A.flac":               "QV-0107…/side A.flac",
		"QV-0107/A/take 2 Ada Wren.wav":                   "QV-0107/A/….wav",
		"QV-0107/QV-0107_ADA_WREN.wav":                    "QV-0107/QV-0107….wav",
		"Harvest songs/01 The Miller.wav":                 "…/01….wav",
		"1958-08-03 Lower Quillmere/03.wav":               "1958-08-03…/03.wav",
		"QV-0107/QV-0107_A.The Miller's Daughter":         "QV-0107/QV-0107_A…",
		"QV-0107/QV-0107_A\nBcc: everybody@elsewhere.wav": "QV-0107/QV-0107….wav",
		"QV-0107/Lied f\xfcr alle.wav":                    "QV-0107/….wav",
		"QVS-0107/x.wav":                                  "QVS-0107/x.wav",
		"":                                                "",
	} {
		if got := letters.Shown(path, false); got != want {
			t.Errorf("%q is shown as %q, want %q", path, got, want)
		}
	}
	if got := letters.Shown("Harvest songs/01 The Miller.wav", true); got != "Harvest songs/01 The Miller.wav" {
		t.Errorf("with titles: %q", got)
	}
}

func TestName(t *testing.T) {
	for path, want := range map[string]string{
		"QV-0107/QV-0107_A.wav": "QV-0107_A",
		"QV-0107/side A.wav":    "QV-0107, side A",
		"QV-0107.wav":           "QV-0107",
		"QV-0107/Ada Wren.wav":  "QV-0107, …",
	} {
		if got := letters.Name(path); got != want {
			t.Errorf("%q is named %q, want %q", path, got, want)
		}
	}
}

// A set's pattern says item, side and track; titles that it finds stay in the house.
// A subject that names nothing can't be acted on.
func TestNameNeverNothing(t *testing.T) {
	for p, want := range map[string]string{
		"The Miller.wav":         "The Miller.wav",
		"Songs/The Miller.wav":   "The Miller.wav",
		"QV-0107/The Miller.wav": letters.Name("QV-0107/The Miller.wav"),
		"QV-0107/QV-0107_A.wav":  "QV-0107_A",
	} {
		if got := letters.Name(p); got != want || got == "…" {
			t.Errorf("%s: %q, not %q", p, got, want)
		}
	}
}

func TestNameByPattern(t *testing.T) {
	for _, tc := range []struct{ pattern, path, want string }{
		{"{item}/{item}_{side}[_{track}].wav", "QV-0107/QV-0107_A.wav", "QV-0107, side A"},
		{"{item}/{item}_{side}[_{track}].wav", "QV-0107/QV-0107_B_03.wav", "QV-0107, side B, track 03"},
		{"{item}/{item}_{side}[_{track}].wav", "QV-0107/QV-0107 master.wav", "QV-0107…"},
		{"{item}/{track} *.wav", "QV-0107/03 *.wav", "QV-0107, track 03"},
		{"{side} of {item}.wav", "box 4/A of QV-0107.wav", "QV-0107, side A"},
		{`^(?P<item>[^/]+)/(?P<side>[^/]+)\.wav`, "QV-0107 The Long Hill/Sung by Rowan.wav", "QV-0107…, side …"},
		{"{item}.wav", "box 4/QV-0107.wav", "QV-0107"},
	} {
		p, err := care.NewPattern(tc.pattern)
		if err != nil {
			t.Fatal(err)
		}
		r := care.Rules{Sets: []care.Set{{Name: "masters", Pattern: p}}}
		if got := letters.NameIn(r, "masters", tc.path); got != tc.want {
			t.Errorf("%q of %q: %q, want %q", tc.pattern, tc.path, got, tc.want)
		}
		if got := letters.NameIn(r, "access", tc.path); got != letters.Name(tc.path) {
			t.Errorf("a set without a pattern: %q", got)
		}
	}
}

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"a\r\nBcc: x":           "a\ufffd\ufffdBcc: x",
		"a\u2028b\u2029c\u0085": "a\ufffdb\ufffdc\ufffd",
		"gpj.\u202eexe":         "gpj.\ufffdexe",
		"\x1b[31mred":           "\ufffd[31mred",
		"na\xefve":              "na\ufffdve",
		"Gwenllïan  —  “Öl”":    "Gwenllïan  —  “Öl”",
	} {
		if got := letters.Clean(in); got != want {
			t.Errorf("Clean(%q) = %q, want %q", in, got, want)
		}
	}
}
