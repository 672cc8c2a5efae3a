package named_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/named"
)

func TestRead(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "list.csv")
	if err := os.WriteFile(file, []byte("four"), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := named.Read(file, 4); err != nil || string(b) != "four" {
		t.Errorf("%q, %v", b, err)
	}
	for _, c := range []struct {
		path string
		most int64
		says string
	}{
		{file, 3, "has more than 3 bytes"},
		{dir, 10, "is a folder, not a file"},
		{os.DevNull, 10, "is a device, not a file"},
	} {
		b, err := named.Read(c.path, c.most)
		if b != nil || !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %q, %v", c.path, b, err)
		}
	}
	if _, err := named.Read(filepath.Join(dir, "none"), 10); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file that isn't there: %v", err)
	}
}
