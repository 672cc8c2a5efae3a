package letters_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"firmus/fixity/ledger"
)

// lostButAs damages all copies of a master of which another file has the bytes, and gives the
// letters about that; then is done once all is under care.
func lostButAs(w *world, other string, then func()) []ledger.Letter {
	w.Helper()
	const path = "masters/QV-0102/QV-0102_A.wav"
	w.write("studio/"+path, "master2", 150_002)
	w.copy("studio/"+path, "studio/"+other)
	reels(w, 4, 0)
	w.copy("studio/"+other, "vault/"+other)
	w.audit(true)
	then()
	w.post()
	told := len(w.outbox())
	w.rot("studio/"+path, 0, 70_000)
	w.rot("vault/"+path, 1, 70_000)
	w.now = w.now.Add(time.Hour)
	w.audit(true)
	w.post()
	all := w.outbox()[told:]
	if len(all) == 0 {
		w.Fatal("no letter")
	}
	return all
}

// Where all copies of a master are damaged and another file has its bytes, the letter says so,
// names that file, and never that no intact copy is known.
func TestALetterNamesTheFileThatHasTheSameBytes(t *testing.T) {
	t.Parallel()
	const other = "access/QV-0102/QV-0102_A_01.wav"
	w := newWorld(t, "")
	for _, l := range lostButAs(w, other, func() {}) {
		flat := strings.Join(strings.Fields(l.Text), " ")
		if !strings.HasPrefix(l.Subject, "AT RISK") || strings.Contains(flat, "No intact copy of it is known") {
			t.Errorf("%s\n\n%s", l.Subject, l.Text)
		}
		for _, s := range []string{"No copy of it is intact, but another file with the same checksum is: ", "But another file has the same checksum: it stands after FROM", w.path("studio/" + other)} {
			if !strings.Contains(flat, s) && !strings.Contains(l.Text, s) {
				t.Errorf("%q isn't said:\n%s", s, l.Text)
			}
		}
	}
}

// If that file is restricted, its name and place are left out, as those of the file itself are.
func TestALetterKeepsTheNameOfARestrictedFileWithTheSameBytes(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	restrict := func() {
		b, err := os.ReadFile(w.path("firmus.toml"))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(w.path("firmus.toml"), []byte(strings.Replace(string(b), "[set.access]\n", "[set.access]\nrestricted = true\n", 1)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, l := range lostButAs(w, "access/QV-0102/QV-0102_A_Secret-Song.wav", restrict) {
		if strings.Contains(l.Subject+l.Text, "Secret") || !strings.Contains(strings.Join(strings.Fields(l.Text), " "), "A recording in this letter is restricted") {
			t.Errorf("%s\n\n%s", l.Subject, l.Text)
		}
	}
}
