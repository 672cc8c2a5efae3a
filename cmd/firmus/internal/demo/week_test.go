package demo_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/demo"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
)

// TestWeek: the files of the week are what they are said to be, and the FLAC holds
// the samples of the WAVE it takes the place of.
func TestWeek(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	now := time.Now()
	if _, err := demo.Make(dir, now); err != nil {
		t.Fatal(err)
	}
	if err := demo.Week(dir, now); err != nil {
		t.Fatal(err)
	}
	if err := demo.Migrate(dir, now); err != nil {
		t.Fatal(err)
	}
	look := func(p string) (sound.Sound, []sound.Note) {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(dir, "studio", "masters", filepath.FromSlash(p)))
		if err != nil {
			t.Fatal(err)
		}
		s, notes, err := essence.Read(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		return s, notes
	}
	has := func(notes []sound.Note, c sound.Code) bool {
		for _, n := range notes {
			if n.Code == c {
				return true
			}
		}
		return false
	}
	if _, n := look(demo.CutTransfer); !has(n, sound.DataBeyondEnd) {
		t.Errorf("%s: %v, want it cut short", demo.CutTransfer, n)
	}
	if _, n := look(demo.Silenced); !has(n, sound.Zeros) {
		t.Errorf("%s: %v, want zeros", demo.Silenced, n)
	}
	old, n := look(demo.Original)
	if len(n) > 0 {
		t.Errorf("%s: %v", demo.Original, n)
	}
	flac, n := look(demo.Migrated)
	if sound.Judge(n) != sound.Whole || !sound.Alike(old, flac) {
		t.Errorf("%s doesn't hold the samples of %s: %v\n%+v\n%+v", demo.Migrated, demo.Original, n, old, flac)
	}
}
