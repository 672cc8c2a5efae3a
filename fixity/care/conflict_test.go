package care_test

import (
	"slices"
	"testing"

	"firmus/fixity/care"
)

func TestConflictTwins(t *testing.T) {
	for p, want := range map[string]string{
		"QV-0107/QV-0107_A (1).wav":                       "QV-0107/QV-0107_A.wav",
		"QV-0107/QV-0107_A(2).WAV":                        "QV-0107/QV-0107_A.WAV",
		"QV-0107/QV-0107_A (T. O.'s conflicted copy).wav": "QV-0107/QV-0107_A.wav",
		"QV-0107/QV-0107_A.conflict-20260301.flac":        "QV-0107/QV-0107_A.flac",
		"QV-0107/QV-0107_A - Copy.wav":                    "QV-0107/QV-0107_A.wav",
		"QV-0107/Copy of QV-0107_A.wav":                   "QV-0107/QV-0107_A.wav",
	} {
		if got := care.ConflictsOf(p); !slices.Contains(got, want) {
			t.Errorf("%q: %q, want %q among them", p, got, want)
		}
	}
	for _, p := range []string{"QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_A_01.wav", "notes (1).txt", "a/(1).wav", "QV-0107/Copyist's song.wav"} {
		if got := care.ConflictsOf(p); len(got) != 0 {
			t.Errorf("%q: %q, want none", p, got)
		}
	}
}
