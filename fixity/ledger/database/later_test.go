//go:build unix

package database_test

import (
	"os"
	"path/filepath"
	"testing"
)

// A connection that is made after the file went makes no other in its place.
func TestALaterConnectionMakesNoFile(t *testing.T) {
	d, file := open(t)
	dir := filepath.Dir(file)
	if err := os.Rename(dir, dir+"-away"); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := d.Connect(t.Context(), 4); err == nil {
		t.Error("a connection was made to a file that isn't there")
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("in its place lie %v, %v", left, err)
	}
}
