//go:build unix

package disk_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
)

// TestBegin: in one call a file is shown and opened as it is by Stat and then by Open,
// whatever lies there.
func TestBegin(t *testing.T) {
	d := open(t, disk.Options{Cache: fixity.Allowed}, map[string]string{"a/b/side.wav": "side A", "top.wav": "B", "a/empty.wav": ""})
	check(t, os.Symlink("side.wav", filepath.Join(d.Root(), "a/b/link.wav")))
	check(t, os.Symlink("b", filepath.Join(d.Root(), "a/linked")))
	check(t, os.WriteFile(filepath.Join(d.Root(), "a/shut.wav"), []byte("shut"), 0))
	ctx := t.Context()
	opened := 0
	for _, path := range []string{"a/b/side.wav", "top.wav", "a/empty.wav", "a/b/link.wav", "a/linked/side.wav", "a/b", "a/none.wav", "none/none.wav", "a/shut.wav", "../out.wav", ""} {
		e, wantErr := d.Stat(ctx, path)
		var want fixity.Reader
		if wantErr == nil && e.Type == fixity.File {
			want, wantErr = d.Open(ctx, e, 0)
		}
		got, r, err := d.Begin(ctx, path)
		if got != e || fmt.Sprint(err) != fmt.Sprint(wantErr) || (r == nil) != (want == nil) {
			t.Fatalf("%q: %+v, %v, %v; Stat and Open give %+v, %v, %v", path, got, r, err, e, want, wantErr)
		}
		if r == nil {
			continue
		}
		opened++
		a, errA := io.ReadAll(r)
		b, errB := io.ReadAll(want)
		if string(a) != string(b) || len(a) != int(e.Size) || errA != nil || errB != nil {
			t.Errorf("%q: %q, %v; Open gives %q, %v", path, a, errA, b, errB)
		}
		check(t, r.Close())
		check(t, want.Close())
	}
	if opened < 3 {
		t.Errorf("only %d files were opened", opened)
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if _, r, err := d.Begin(gone, "top.wav"); err == nil || r != nil {
		t.Errorf("after the context's end: %v, %v", r, err)
	}
}

// BenchmarkBegin shows and opens small files in one call; the baseline does one after the
// other.
func BenchmarkBegin(b *testing.B) {
	dir := b.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "QV-0001"), 0o700); err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "QV-0001", "side.wav"), []byte("side A"), 0o600); err != nil {
		b.Fatal(err)
	}
	d, err := disk.Open(dir, disk.Options{Store: "studio", Cache: fixity.Allowed})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	b.Run("baseline", func(b *testing.B) {
		for b.Loop() {
			e, err := d.Stat(ctx, "QV-0001/side.wav")
			if err != nil {
				b.Fatal(err)
			}
			r, err := d.Open(ctx, e, 0)
			if err != nil {
				b.Fatal(err)
			}
			r.Close()
		}
	})
	b.Run("begin", func(b *testing.B) {
		for b.Loop() {
			_, r, err := d.Begin(ctx, "QV-0001/side.wav")
			if err != nil {
				b.Fatal(err)
			}
			r.Close()
		}
	})
}
