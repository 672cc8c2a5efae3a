package guarded_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/guarded"
	"firmus/fixity"
)

// laid are the files in a folder of uploads, with what they hold; marks are told apart by "".
func laid(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	if err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(p)
		rel, _ := filepath.Rel(dir, p)
		out[filepath.ToSlash(rel)] = string(b)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// A folder of uploads that a run began to fill and didn't end is gone on with; one that is
// whole, or that somebody else made, is left alone.
func TestUploadsGoOn(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "to-upload")
	f := guarded.Of(nil)
	begin := func() *guarded.Uploads {
		t.Helper()
		u, err := f.Uploads(dir)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	u := begin()
	if err := errors.Join(u.Done("list.txt", "nothing"), u.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("nothing was laid, and there is a folder: %v", err)
	}

	// It ends after the first file, as a kill would end it.
	u = begin()
	if err := u.Lay("cloud", "masters", "QV-0101/a.wav", write("sound")); err != nil {
		t.Fatal(err)
	}
	other := begin() // while another run fills it
	if err := other.Lay("cloud", "masters", "QV-0101/b.wav", write("other")); !errors.Is(err, fixity.ErrBusy) {
		t.Errorf("two runs at once: %v", err)
	}
	if err := errors.Join(other.Close(), u.Close()); err != nil {
		t.Fatal(err)
	}
	if n := len(laid(t, dir)); n != 2 {
		t.Errorf("%d files are there, want one and a mark", n)
	}

	// Somebody's own file under a name that is to be laid stays.
	mine := filepath.Join(dir, "cloud", "masters", "QV-0101", "b.wav")
	if err := os.WriteFile(mine, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	u = begin()
	if err := u.Lay("cloud", "masters", "QV-0101/b.wav", write("sound b")); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("over somebody's file: %v", err)
	}
	if got := laid(t, dir)["cloud/masters/QV-0101/b.wav"]; got != "mine" {
		t.Errorf("somebody's file holds %q now", got)
	}
	if err := errors.Join(u.Close(), os.Remove(mine)); err != nil {
		t.Fatal(err)
	}

	u = begin()
	broken := errors.New("broken")
	if err := u.Lay("cloud", "masters", "QV-0101/a.wav", func(w io.Writer) error { return errors.Join(write("so")(w), broken) }); !errors.Is(err, broken) {
		t.Errorf("an error half-way: %v", err)
	}
	for at, text := range map[string]string{"QV-0101/a.wav": "sound", "QV-0101/b.wav": "sound b"} {
		if err := u.Lay("cloud", "masters", at, write(text)); err != nil {
			t.Error(err)
		}
	}
	if err := errors.Join(u.Done("list.txt", "what goes where"), u.Close()); err != nil {
		t.Fatal(err)
	}
	got := laid(t, dir)
	for at, text := range map[string]string{"cloud/masters/QV-0101/a.wav": "sound", "cloud/masters/QV-0101/b.wav": "sound b", "list.txt": "what goes where"} {
		if got[at] != text {
			t.Errorf("%s holds %q, want %q", at, got[at], text)
		}
	}
	if len(got) != 3 {
		t.Errorf("more lies there: %v", got)
	}
	if _, err := f.Uploads(dir); !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "is not empty") {
		t.Errorf("a folder that is whole: %v", err)
	}
}

// A secret is read by its owner only, also where it takes an older one's place.
func TestSecret(t *testing.T) {
	file := filepath.Join(t.TempDir(), "key.json")
	own := func([]byte) bool { return true }
	for _, text := range []string{"one", "another"} {
		if err := guarded.Of(nil).Secret(file, own, write(text)); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(file); err != nil || string(got) != text {
			t.Errorf("%q, %v", got, err)
		}
		if st, err := os.Stat(file); err != nil || st.Mode().Perm()&0o077 != 0 && os.PathSeparator == '/' {
			t.Errorf("%v, %v", st.Mode(), err)
		}
		if err := os.Chmod(file, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
