package guarded_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/fixity"
)

const page = `.TH "FIRMUS" 1 `

// manual tells files of these tests.
func manual(head []byte) bool { return bytes.Contains(head, []byte(page)) }

// TestAnEditedPageStays: a page of the manual is replaced while nobody has changed it.
func TestAnEditedPageStays(t *testing.T) {
	file := filepath.Join(t.TempDir(), "firmus.1")
	f := guarded.Of(nil)
	for _, text := range []string{page + "one\n", page + "another\n"} {
		if err := f.Page(file, text); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(file); err != nil || !bytes.HasSuffix(got, []byte("\n"+text)) {
			t.Fatalf("%q, %v", got, err)
		}
	}
	ours, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, there := range []string{string(ours) + "a note\n", string(ours[:len(ours)-1]), page + "another\n", "", "RIFF"} {
		if err := os.WriteFile(file, []byte(there), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := f.Page(file, page); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("over %q: %v", there, err)
		}
		if got, err := os.ReadFile(file); err != nil || string(got) != there {
			t.Errorf("%q, %v", got, err)
		}
	}
}

func write(text string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, text); return err }
}

// TestAFailedWriteLeavesWhatLayThere: an error half-way, or a name that is taken in the
// meantime, leaves what lies there as it is, and nothing beside it.
func TestAFailedWriteLeavesWhatLayThere(t *testing.T) {
	broken := errors.New("broken")
	for _, tc := range []struct {
		name, there string // "" is nothing
		own         guarded.Own
		write       func(file string) func(io.Writer) error
		want        string
		err         error
	}{
		{"nothing there", "", manual, func(string) func(io.Writer) error { return write(page + "new") }, page + "new", nil},
		{"its own page", page, manual, func(string) func(io.Writer) error { return write(page + "new") }, page + "new", nil},
		{"its own page, and an error half-way", page, manual, func(string) func(io.Writer) error {
			return func(w io.Writer) error { return errors.Join(write("half")(w), broken) }
		}, page, broken},
		{"nothing there, and an error half-way", "", manual, func(string) func(io.Writer) error {
			return func(w io.Writer) error { return errors.Join(write("half")(w), broken) }
		}, "", broken},
		{"a file of somebody's", "RIFF", manual, func(string) func(io.Writer) error { return write(page) }, "RIFF", fixity.ErrRefused},
		{"its own, where nothing is replaced", page, nil, func(string) func(io.Writer) error { return write(page) }, page, fixity.ErrRefused},
		{"a file that comes meanwhile", "", manual, func(file string) func(io.Writer) error {
			return func(w io.Writer) error {
				return errors.Join(os.WriteFile(file, []byte("RIFF"), 0o644), write(page)(w))
			}
		}, "RIFF", fixity.ErrRefused},
		{"its own page becomes somebody's file meanwhile", page, manual, func(file string) func(io.Writer) error {
			return func(w io.Writer) error {
				return errors.Join(os.WriteFile(file, []byte("RIFF"), 0o644), write(page)(w))
			}
		}, "RIFF", fixity.ErrRefused},
	} {
		t.Run(tc.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "firmus.1")
			if tc.there != "" {
				if err := os.WriteFile(file, []byte(tc.there), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			err := guarded.Of(nil).Write(file, tc.own, tc.write(file))
			if tc.err == nil && err != nil || !errors.Is(err, tc.err) {
				t.Errorf("error %v, want %v", err, tc.err)
			}
			got, err := os.ReadFile(file)
			if err != nil && (tc.want != "" || !errors.Is(err, os.ErrNotExist)) {
				t.Fatal(err)
			}
			if string(got) != tc.want {
				t.Errorf("the file holds %q, want %q", got, tc.want)
			}
			names, err := os.ReadDir(filepath.Dir(file))
			if err != nil {
				t.Fatal(err)
			}
			for _, n := range names {
				if strings.HasPrefix(n.Name(), ".firmus") {
					t.Errorf("%s was left", n.Name())
				}
			}
		})
	}
}

// TestSheet: a sheet takes the place of one of its kind that nobody has changed, in any form;
// else it is refused, and says why.
func TestSheet(t *testing.T) {
	dir := t.TempDir()
	f := guarded.Of(&config.Config{State: filepath.Join(dir, "state")})
	if err := os.Mkdir(filepath.Join(dir, "state"), 0o700); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "holdings.csv")
	put := func(kind, text, refused string) {
		t.Helper()
		was, _ := os.ReadFile(file) // none yet
		may, err := f.MaySheet(file, kind), f.Sheet(file, kind, write(text))
		now, _ := os.ReadFile(file)
		switch {
		case (may == nil) != (err == nil):
			t.Errorf("%s: MaySheet says %v, Sheet %v", kind, may, err)
		case refused == "" && (err != nil || string(now) != text):
			t.Errorf("%s: %v, and %q lies there", kind, err, now)
		case refused != "" && (!errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), refused) || string(now) != string(was)):
			t.Errorf("%s: %v, and %q lies there", kind, err, now)
		}
	}
	put("holdings, csv", "one", "")
	put("holdings, csv", "two", "")
	put("item, csv", "three", "is something else (holdings, csv; this is item, csv)")
	put("holdings, csv", "four", "")
	if err := os.WriteFile(file, []byte("four, and a remark"), 0o644); err != nil {
		t.Fatal(err)
	}
	put("holdings, csv", "five", "was changed since Firmus wrote it")
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	put("item, csv", "six", "")
	put("item, csv", "seven", "")
	// A write that ends half-way leaves the note of what lies there.
	broken := errors.New("broken")
	if err := f.Sheet(file, "item, csv", func(w io.Writer) error { return errors.Join(write("half")(w), broken) }); !errors.Is(err, broken) {
		t.Errorf("error %v", err)
	}
	put("item, csv", "eight", "")
	// Another archive wrote it: it isn't known here.
	f = guarded.Of(&config.Config{State: filepath.Join(dir, "state2")})
	put("item, csv", "nine", "Firmus has no note that it wrote it")
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	// Without a state folder it is written all the same, once.
	f = guarded.Of(nil)
	put("item, csv", "ten", "")
	put("item, csv", "eleven", "Firmus has no note that it wrote it")
}
