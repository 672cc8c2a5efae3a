package udf_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discfstest"
)

// TestKernel reads volumes that another implementation wrote: see testdata/README.md.
func TestKernel(t *testing.T) {
	want := map[string][]byte{}
	for name, size := range map[string]int{
		"QV-0107/QV-0107_A.wav": 300_000, "QV-0107/notes.txt": 2047, "QV-0108/empty.txt": 0, "readme.txt": 1,
		"Ünïcode/e\u0301 combined.txt": 7, "日本語/歌 🎙.txt": 5000, "one/two/three/four.txt": 2049,
	} {
		want[name] = discfstest.Content(name, size)
	}
	for i := range 100 {
		name := fmt.Sprintf("many/take %03d.txt", i)
		want[name] = discfstest.Content(name, 20+i)
	}
	for i := range 200 {
		want["frag1.bin"] = append(want["frag1.bin"], bytes.Repeat([]byte{byte(i)}, 8192)...)
		want["frag2.bin"] = append(want["frag2.bin"], bytes.Repeat([]byte{byte(i)}, 4096)...)
	}
	want["sparse.bin"] = append(append([]byte("A"), make([]byte, 1<<20-1)...), 'Z')

	images, err := filepath.Glob("testdata/*.udf.gz")
	if err != nil || len(images) != 4 {
		t.Fatalf("volumes %q, %v", images, err)
	}
	for _, path := range images {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".udf.gz"), func(t *testing.T) {
			f, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			z, err := gzip.NewReader(f)
			if err != nil {
				t.Fatal(err)
			}
			img, err := io.ReadAll(z)
			if err != nil {
				t.Fatal(err)
			}
			_, tr := open(t, bytes.NewReader(img), int64(len(img)))
			n, links, pieces := 0, 0, 0
			for f, err := range tr.Files() {
				if err != nil {
					t.Fatal(err)
				}
				if f.Type == fixity.Link {
					links++
					continue
				}
				n++
				b, err := io.ReadAll(tr.Reader(f))
				if w, ok := want[f.Path]; !ok || err != nil || !bytes.Equal(b, w) {
					t.Errorf("%q: %d bytes and %v, not %d", f.Path, len(b), err, len(w))
				}
				if strings.HasPrefix(f.Path, "frag") {
					pieces += len(f.Extents)
				}
				if f.Path == "sparse.bin" && (len(f.Extents) != 3 || f.Extents[1].LBA != discfs.Hole) {
					t.Errorf("%q: %+v", f.Path, f.Extents)
				}
			}
			if n != len(want) || links != 1 || pieces < 20 {
				t.Errorf("%d files of %d, %d links, %d pieces of the scattered ones", n, len(want), links, pieces)
			}
		})
	}
}
