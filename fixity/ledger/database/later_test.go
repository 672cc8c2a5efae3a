//go:build unix

package database_test

import (
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity/ledger/database"
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

// SQLite removes the -wal with the last connection, and another one there would be another
// hand's: so one connection is there while the database is open, whatever became of the others.
func TestAConnectionIsAlwaysThere(t *testing.T) {
	d, file := open(t)
	if err := d.Pin(t.Context()); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if err := d.GiveUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := d.Here(); err != nil {
			t.Fatal(err)
		}
		write(t, d, func(x *database.Tx) error {
			_, err := x.Exec(`INSERT INTO counter VALUES ($1, 1)`, rand.Text())
			return err
		})
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(file + "-wal"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("after the end: %v", err)
	}
}
