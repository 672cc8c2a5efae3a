package database_test

import (
	"testing"
	"testing/fstest"
	"time"
)

// TestAMigrationHurriesByItself: its steps don't wait for the drive, and what is written
// then does.
func TestAMigrationHurriesByItself(t *testing.T) {
	l, _ := openNew(t)
	for _, steps := range []fstest.MapFS{
		{"sqlite/00001_a.sql": {Data: []byte("-- +goose Up\nCREATE TABLE a (n INTEGER);\n")}},
		{"sqlite/00001_a.sql": {Data: []byte("-- +goose Up\nCREATE TABLE a (n INTEGER);\n")}, "sqlite/00002_b.sql": {Data: []byte("-- +goose Up\nCREATE TABLE b (n INTEGER);\n")}},
	} {
		if err := l.Migrate(t.Context(), steps, t.TempDir(), "Ada Wren", time.Unix(0, 0)); err != nil {
			t.Fatal(err)
		}
		if n, err := l.Waits(t.Context()); n != 2 || err != nil {
			t.Errorf("then a commit waits %d, %v", n, err)
		}
		if commit, checkpoint, err := l.Empties(t.Context()); !commit || !checkpoint || err != nil {
			t.Errorf("a commit empties the drive's cache: %v, a checkpoint: %v, %v", commit, checkpoint, err)
		}
		if v, err := l.SchemaVersion(t.Context()); v != int64(len(steps)) || err != nil {
			t.Errorf("the schema is %d after %d steps, %v", v, len(steps), err)
		}
	}
}
