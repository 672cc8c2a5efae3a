package care_test

import (
	"path"
	"strings"
	"testing"

	"firmus/fixity/care"
)

func TestLitter(t *testing.T) {
	l, err := care.NewLeaveOut(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		path  string
		isDir bool
		want  bool
	}{
		{"QV-0107/QV-0107_A.wav", false, false},
		{"QV-0107", true, false},
		{"QV-0107/.DS_Store", false, true},
		{"QV-0107/._QV-0107_A.wav", false, true},
		{"QV-0107/Icon\r", false, true},
		{"QV-0107/Icon", false, false},
		{".localized", false, true},
		{"Thumbs.db", false, true},
		{"THUMBS.DB", false, true},
		{"QV-0107/Desktop.ini", false, true},
		{"$RECYCLE.BIN", true, true},
		{"$RECYCLE.BIN", false, false}, // a file of a folder's name is no litter
		{".Trash-1000", true, true},
		{"System Volume Information", true, true},
		{"QV-0107/~$notes.docx", false, true},
		{"QV-0107/take.wav.part", false, true},
		{"QV-0107/take.tmp", false, true},
		{"take.tmp", true, false},
		{"QV-0107/take.tmp/real.wav", false, false}, // its folder is asked about, not the path
		{"QV-0107/QV-0107_A.wav.reapeaks", false, true},
		{"QV-0107/QV-0107_A.PK", false, true},
		{"QV-0107/notes.txt", false, false},
		{"QV-0107/backup~", false, true},
		{"\xff\xfe.tmp", false, true},
		{"", false, false},
	} {
		if got := l.Match(c.path, c.isDir); got != c.want {
			t.Errorf("%q (folder %v): %v, want %v", c.path, c.isDir, got, c.want)
		}
	}
}

func TestOwnPatterns(t *testing.T) {
	l, err := care.NewLeaveOut([]string{"*.LOG", "scratch/", "QV-0107/rehearsal/*.wav", "QV-*/old/", "take[0-9].wav"})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		path  string
		isDir bool
		want  bool
	}{
		{"a/b/import.log", false, true},
		{"a/scratch", true, true},
		{"scratch", false, false},
		{"QV-0107/rehearsal/one.wav", false, true},
		{"qv-0107/Rehearsal/one.WAV", false, true},
		{"QV-0108/rehearsal/one.wav", false, false},
		{"QV-0107/rehearsal/deep/one.wav", false, false}, // a star doesn't cross folders
		{"QV-0107/old", true, true},
		{"QV-0107/a/old", true, false},
		{"a/take7.wav", false, true},
		{"a/take77.wav", false, false},
		{".DS_Store", false, true}, // the defaults stay
	} {
		if got := l.Match(c.path, c.isDir); got != c.want {
			t.Errorf("%q (folder %v): %v, want %v", c.path, c.isDir, got, c.want)
		}
	}
}

func TestPatternsThatAreIllFormed(t *testing.T) {
	for _, p := range []string{"", "/", "[", "a[b", "x/[", `end\`} {
		if _, err := care.NewLeaveOut([]string{p}); err == nil {
			t.Errorf("%q was accepted", p)
		}
	}
}

// TestPatternsAreThoseOfPathMatch: what is compared in a shorter way comes out the same.
func TestPatternsAreThoseOfPathMatch(t *testing.T) {
	names := []string{"a", "ab", "ab.tmp", ".tmp", "tmp", "a*b", "a[b", "~$x", "x~", "~", "a.tmp~", "*", "**", "a\\b", "é.tmp", "\xff.tmp", "a?c", "abc"}
	for _, pattern := range append([]string{"*", "**", "a*", "*b", "a*b", "*a*", "?", "a?c", "[ab]*", "*[a-c]", "a\\*b", "\\**", "*\\*", "ab", "a\\\\b", "*~", "~$*"}, care.Litter...) {
		text, isDir := strings.CutSuffix(strings.ToLower(pattern), "/")
		l, err := care.NewLeaveOut([]string{pattern})
		if err != nil {
			t.Fatal(err)
		}
		litter, err := care.NewLeaveOut(nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			want, err := path.Match(text, strings.ToLower(name))
			if err != nil {
				t.Fatal(err)
			}
			want = want || litter.Match("QV/"+name, isDir)
			if got := l.Match("QV/"+name, isDir); got != want {
				t.Errorf("%q matches %q: %t, want %t", pattern, name, got, want)
			}
		}
	}
	litter, err := care.NewLeaveOut(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, pattern := range care.Litter {
		text, isDir := strings.CutSuffix(strings.ToLower(pattern), "/")
		if name := strings.ReplaceAll(text, "*", "x"); !litter.Match(name, isDir) {
			t.Errorf("%q doesn't match %q", pattern, name)
		}
	}
}
