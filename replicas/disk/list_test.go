package disk_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"

	"github.com/google/go-cmp/cmp"
)

func TestShardsAndLitter(t *testing.T) {
	ctx := context.Background()
	d := open(t, disk.Options{LeaveOut: func(path string, isDir bool) bool {
		return isDir && filepath.Base(path) == "System Volume Information" || !isDir && strings.HasSuffix(path, ".pk")
	}}, map[string]string{
		"QV-0107/a.wav": "1", "QV-0107/a.pk": "22", "QV-0107/System Volume Information/x": "3", "QV-0107/.firmus-new-1": "4",
		"QV-0108/b/c.wav": "5", "QV-0108/lost+found/d.wav": "6", "a-b/x": "7", "a/x": "8", "System Volume Information/x": "9", "lost+found/x": "10",
		".firmus-ledger/x": "11", ".firmus-store.shelf": "12", "b.wav": "13", "b.pk": "14",
	})
	shards, err := d.Shards(ctx)
	check(t, err)
	if want := []string{"", "QV-0107", "QV-0108", "a", "a-b"}; !slices.Equal(shards, want) {
		t.Errorf("shards %q, want %q", shards, want)
	}
	type seen struct {
		Path string
		Size int64
		Type fixity.Type
	}
	got := map[string][]seen{}
	for _, shard := range append(shards, "System Volume Information", "lost+found", ".firmus-ledger", "b.wav", "none") {
		for e, err := range d.List(ctx, shard) {
			check(t, err)
			got[shard] = append(got[shard], seen{e.Path, e.Size, e.Type})
			s, err := d.Stat(ctx, e.Path)
			if err != nil || s != e {
				t.Errorf("listed %+v, by itself %+v, %v", e, s, err)
			}
			if e.Type == fixity.File && runtime.GOOS != "windows" && e.Pin.Change == 0 {
				t.Errorf("%q has no change time", e.Path)
			}
		}
	}
	want := map[string][]seen{
		"":        {{"System Volume Information", 0, fixity.LeftOut}, {"b.pk", 0, fixity.LeftOut}, {"b.wav", 2, fixity.File}, {"lost+found", 0, fixity.LeftOut}},
		"QV-0107": {{"QV-0107/System Volume Information", 0, fixity.LeftOut}, {"QV-0107/a.pk", 0, fixity.LeftOut}, {"QV-0107/a.wav", 1, fixity.File}},
		"QV-0108": {{"QV-0108/b/c.wav", 1, fixity.File}, {"QV-0108/lost+found/d.wav", 1, fixity.File}},
		"a":       {{"a/x", 1, fixity.File}},
		"a-b":     {{"a-b/x", 1, fixity.File}},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestShardThatCannotBe(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{"a/b/c": "1"})
	for _, shard := range []string{"a/b", "..", ".", "/", "a/"} {
		paths, err := list(d, shard)
		if len(paths) > 0 || !errors.Is(err, fixity.ErrIncomplete) {
			t.Errorf("shard %q: %q, %v", shard, paths, err)
		}
	}
}

func TestStat(t *testing.T) {
	ctx := context.Background()
	d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": "12345"})
	for _, path := range []string{"QV-0107/b.wav", "QV-0108/a.wav", "QV-0107/a.wav/x", "QV-0107"} {
		if e, err := d.Stat(ctx, path); !errors.Is(err, fixity.ErrVanished) {
			t.Errorf("%q: %+v, %v, want vanished", path, e, err)
		}
	}
}

// TestStoreGoesDuringWalk: what was seen is given; the end is away, whether
// nothing lies there then or another folder.
func TestStoreGoesDuringWalk(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a folder that is open isn't renamed there")
	}
	for _, another := range []bool{false, true} {
		d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": "1", "QV-0107/b/c.wav": "2"})
		var paths []string
		var last error
		for e, err := range d.List(context.Background(), "QV-0107") {
			if last = err; err != nil {
				break
			}
			if paths = append(paths, e.Path); len(paths) == 1 {
				check(t, os.Rename(d.Root(), d.Root()+".unplugged"))
				if another {
					check(t, os.Mkdir(d.Root(), 0o777))
				}
			}
		}
		if len(paths) == 0 || !errors.Is(last, fixity.ErrAway) || !errors.Is(last, fixity.ErrIncomplete) {
			t.Errorf("another folder %v: %q, then %v; want away and incomplete", another, paths, last)
		}
	}
}

// TestFolderGoesDuringWalk: what is deleted under a walk isn't there; no error.
func TestFolderGoesDuringWalk(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": "1", "QV-0107/b/c.wav": "2", "QV-0107/d.wav": "3"})
	var paths []string
	for e, err := range d.List(context.Background(), "QV-0107") {
		check(t, err)
		if paths = append(paths, e.Path); len(paths) == 1 {
			check(t, os.RemoveAll(filepath.Join(d.Root(), "QV-0107", "b")))
		}
	}
	if want := []string{"QV-0107/a.wav", "QV-0107/d.wav"}; !slices.Equal(paths, want) {
		t.Errorf("%q, want %q", paths, want)
	}
}

func TestDevice(t *testing.T) {
	a, b := open(t, disk.Options{}, nil), open(t, disk.Options{}, nil)
	x, err := a.Device(context.Background())
	check(t, err)
	y, err := b.Device(context.Background())
	check(t, err)
	if x.ID == "" || x != y {
		t.Errorf("two folders of one drive: %+v and %+v", x, y)
	}
}

// BenchmarkList compares a walk with the standard library's, which gives another
// order and follows its path by name.
func BenchmarkList(b *testing.B) {
	root := b.TempDir()
	const folders, files = 20, 200
	for i := range folders {
		dir := filepath.Join(root, "QV", fmt.Sprintf("QV-%04d", i))
		if err := os.MkdirAll(dir, 0o777); err != nil {
			b.Fatal(err)
		}
		for j := range files {
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%04d.wav", j)), nil, 0o666); err != nil {
				b.Fatal(err)
			}
		}
	}
	d, err := disk.Open(root, disk.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Run("baseline WalkDir and Info", func(b *testing.B) {
		for b.Loop() {
			n := 0
			err := filepath.WalkDir(root, func(_ string, e os.DirEntry, err error) error {
				if err == nil && !e.IsDir() {
					n++
					_, err = e.Info()
				}
				return err
			})
			if n != folders*files || err != nil {
				b.Fatal(n, err)
			}
		}
		b.ReportMetric(folders*files*float64(b.N)/b.Elapsed().Seconds(), "files/s")
	})
	b.Run("List", func(b *testing.B) {
		for b.Loop() {
			n := 0
			for _, err := range d.List(context.Background(), "QV") {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			if n != folders*files {
				b.Fatal(n)
			}
		}
		b.ReportMetric(folders*files*float64(b.N)/b.Elapsed().Seconds(), "files/s")
	})
}
