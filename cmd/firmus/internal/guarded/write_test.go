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

const page = "<!DOCTYPE html>" + guarded.Generator

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
		{"nothing there", "", guarded.Page, func(string) func(io.Writer) error { return write(page + "new") }, page + "new", nil},
		{"its own page", page, guarded.Page, func(string) func(io.Writer) error { return write(page + "new") }, page + "new", nil},
		{"its own page, and an error half-way", page, guarded.Page, func(string) func(io.Writer) error {
			return func(w io.Writer) error { return errors.Join(write("half")(w), broken) }
		}, page, broken},
		{"nothing there, and an error half-way", "", guarded.Page, func(string) func(io.Writer) error {
			return func(w io.Writer) error { return errors.Join(write("half")(w), broken) }
		}, "", broken},
		{"a file of somebody's", "RIFF", guarded.Page, func(string) func(io.Writer) error { return write(page) }, "RIFF", fixity.ErrRefused},
		{"its own, where nothing is replaced", page, nil, func(string) func(io.Writer) error { return write(page) }, page, fixity.ErrRefused},
		{"a file that comes meanwhile", "", guarded.Page, func(file string) func(io.Writer) error {
			return func(w io.Writer) error {
				return errors.Join(os.WriteFile(file, []byte("RIFF"), 0o644), write(page)(w))
			}
		}, "RIFF", fixity.ErrRefused},
		{"its own page becomes somebody's file meanwhile", page, guarded.Page, func(file string) func(io.Writer) error {
			return func(w io.Writer) error {
				return errors.Join(os.WriteFile(file, []byte("RIFF"), 0o644), write(page)(w))
			}
		}, "RIFF", fixity.ErrRefused},
	} {
		t.Run(tc.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "sheet.html")
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
