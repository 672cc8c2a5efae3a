package policy_test

import (
	"testing"

	"firmus/fixity/policy"
)

func TestLitter(t *testing.T) {
	l, err := policy.NewLeaveOut(nil)
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
	l, err := policy.NewLeaveOut([]string{"*.LOG", "scratch/", "QV-0107/rehearsal/*.wav", "QV-*/old/", "take[0-9].wav"})
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
		if _, err := policy.NewLeaveOut([]string{p}); err == nil {
			t.Errorf("%q was accepted", p)
		}
	}
}
