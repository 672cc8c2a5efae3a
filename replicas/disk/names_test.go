package disk_test

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"firmus/replicas/disk"
)

// Of a root itself, Names gives what is ours and nothing else; of a folder that isn't ours
// nothing.
func TestNamesOfOurOwn(t *testing.T) {
	dir := t.TempDir()
	for _, p := range []string{".firmus-ledger/a", ".firmus-ledger/b", "QV-0107/x"} {
		if err := os.MkdirAll(filepath.Join(dir, filepath.FromSlash(p)), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, ".firmus-store.vault"), []byte("x"), 0o644); err != nil {
		t.Fatal(err)
	}
	d, err := disk.Open(dir, disk.Options{Store: "studio"})
	if err != nil {
		t.Fatal(err)
	}
	for folder, want := range map[string][]string{"": {".firmus-ledger", ".firmus-store.vault"}, ".firmus-ledger": {"a", "b"}, ".firmus-none": nil} {
		if got, err := d.Names(t.Context(), folder); err != nil || !slices.Equal(got, want) {
			t.Errorf("%q: %q, %v", folder, got, err)
		}
	}
	if got, err := d.Names(t.Context(), "QV-0107"); err == nil {
		t.Errorf("of a folder that isn't ours: %q", got)
	}
}
