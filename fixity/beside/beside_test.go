package beside_test

import (
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"

	"firmus/fixity/beside"
)

// What somebody holds stays, what nobody holds any more goes, and nothing of another name is
// touched.
func TestClear(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{".firmus-x-left", ".firmus-xleft", "mine"} {
		if err := os.WriteFile(filepath.Join(dir, n), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.MkdirAll(filepath.Join(dir, ".firmus-x-folder", "sub", "more"), 0o700); err != nil {
		t.Fatal(err)
	}
	f, err := beside.File(dir, ".firmus-x-", 0o600)
	if err != nil {
		t.Fatal(err)
	}
	d, err := beside.Folder(dir, ".firmus-x-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(d.Name(), "file"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	beside.Clear(dir, ".firmus-x-")
	for _, p := range []string{f.Name(), filepath.Join(d.Name(), "file"), filepath.Join(dir, "mine"), filepath.Join(dir, ".firmus-xleft")} {
		if _, err := os.Stat(p); err != nil {
			t.Error(err)
		}
	}
	if es, err := os.ReadDir(dir); err != nil || len(es) != 4 {
		t.Errorf("%v, %v", es, err)
	}
	if err := f.Close(); err != nil {
		t.Error(err)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	beside.Clear(dir, ".firmus-x-")
	if es, err := os.ReadDir(dir); err != nil || len(es) != 2 {
		t.Errorf("%v, %v", es, err)
	}
	beside.Clear(filepath.Join(dir, "none"), ".firmus-x-")
}

// One that is made while another clears away is never taken from under its maker.
func TestMadeWhileAnotherClears(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("an open file is held there by itself")
	}
	dir := t.TempDir()
	var wait sync.WaitGroup
	over := make(chan struct{})
	wait.Go(func() {
		for {
			select {
			case <-over:
				return
			default:
				beside.Clear(dir, ".firmus-x-")
			}
		}
	})
	for range 500 {
		f, err := beside.File(dir, ".firmus-x-", 0o600)
		if err != nil {
			t.Error(err)
			break
		}
		if _, err := os.Stat(f.Name()); err != nil {
			t.Errorf("it was taken away: %v", err)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
	close(over)
	wait.Wait()
}
