package disk_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
)

// open makes a Dir of a fresh folder that holds files.
func open(t *testing.T, o disk.Options, files map[string]string) *disk.Dir {
	t.Helper()
	root := filepath.Join(t.TempDir(), "root")
	if err := os.Mkdir(root, 0o777); err != nil {
		t.Fatal(err)
	}
	for p, text := range files {
		put(t, filepath.Join(root, p), text)
	}
	d, err := disk.Open(root, o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// list is the paths of a shard, and the error its listing ended with.
func list(d *disk.Dir, shard string) (paths []string, err error) {
	for e, err := range d.List(context.Background(), shard) {
		if err != nil {
			return paths, err
		}
		paths = append(paths, e.Path)
	}
	return paths, nil
}

// TestReadsAnySizeAtAnyOffset compares what a Reader gives with what was
// written, for each treatment of the page cache and memory aligned or not.
func TestReadsAnySizeAtAnyOffset(t *testing.T) {
	sizes := []int{0, 1, 511, 4095, 4096, 4097, 65536, 65537, 300_000}
	for _, cache := range []fixity.Cache{"", fixity.Dropped, fixity.Allowed} {
		d := open(t, disk.Options{Cache: cache}, nil)
		for _, size := range sizes {
			want := make([]byte, size)
			for i := range want {
				want[i] = byte(i*7 + i>>8)
			}
			put(t, filepath.Join(d.Root(), "a.wav"), string(want))
			e, err := d.Stat(context.Background(), "a.wav")
			if err != nil {
				t.Fatal(err)
			}
			for _, offset := range []int{0, 1, 4096, size / 2, size, size + 1} {
				for _, piece := range []int{1000, 4096, 1 << 20} {
					r, err := d.Open(context.Background(), e, int64(offset))
					if err != nil {
						t.Fatal(err)
					}
					var got bytes.Buffer
					_, err = io.CopyBuffer(struct{ io.Writer }{&got}, struct{ io.Reader }{r}, make([]byte, piece))
					if err != nil {
						t.Errorf("%q size %d offset %d: %v", cache, size, offset, err)
					}
					if !bytes.Equal(got.Bytes(), want[min(offset, size):]) {
						t.Errorf("%q size %d offset %d in pieces of %d: other bytes", cache, size, offset, piece)
					}
					if err := r.Close(); err != nil {
						t.Error(err)
					}
					if c := r.Cache(); cache == fixity.Allowed && c != cache || cache != fixity.Allowed && c == fixity.Allowed {
						t.Errorf("cache %q, asked for %q", c, cache)
					}
				}
			}
		}
	}
}

func TestAbsentRootIsAway(t *testing.T) {
	d, err := disk.Open(filepath.Join(t.TempDir(), "none"), disk.Options{Store: "shelf", Marker: true})
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	_, idErr := d.Identify(ctx)
	_, shErr := d.Shards(ctx)
	_, liErr := list(d, "")
	_, stErr := d.Stat(ctx, "a")
	_, opErr := d.Open(ctx, fixity.Entry{Path: "a"}, 0)
	_, deErr := d.Device(ctx)
	reErr := d.Replace(ctx, "a", func(io.Writer) error { return nil })
	adErr := d.Adopt(ctx, fixity.Identity{Holdings: "h", Store: "s", Set: "m"})
	for name, err := range map[string]error{"Identify": idErr, "Shards": shErr, "List": liErr, "Stat": stErr, "Open": opErr, "Device": deErr, "Replace": reErr, "Adopt": adErr} {
		if !errors.Is(err, fixity.ErrAway) {
			t.Errorf("%s: %v, want away", name, err)
		}
		if errors.Is(err, fixity.ErrVanished) {
			t.Errorf("%s: %v says vanished too", name, err)
		}
	}
	if !errors.Is(liErr, fixity.ErrIncomplete) {
		t.Errorf("List: %v, want incomplete too", liErr)
	}
}
