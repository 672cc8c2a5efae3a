package bag_test

import (
	"crypto/md5"
	"crypto/sha256"
	"crypto/sha512"
	"fmt"
	"hash"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/manifest"
	"firmus/manifest/bag"
	"firmus/replicas/disk"
)

// folder is a bag on a real file system: path -> text.
type folder map[string]string

func (f folder) clone() folder { return maps.Clone(f) }

// write makes the files below a new folder and gives its path.
func (f folder) write(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "bag")
	if err := os.Mkdir(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	for path, text := range f {
		full := filepath.Join(dir, filepath.FromSlash(path))
		if path[len(path)-1] == '/' {
			if err := os.MkdirAll(full, 0o777); err != nil {
				t.Fatal(err)
			}
			continue
		}
		if err := os.MkdirAll(filepath.Dir(full), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func open(dir string) (manifest.Folder, error) { return disk.Open(dir, disk.Options{}) }

func sum(a fixity.Algorithm, text string) string {
	var h hash.Hash
	switch a {
	case fixity.MD5:
		h = md5.New()
	case fixity.SHA256:
		h = sha256.New()
	case fixity.SHA512:
		h = sha512.New()
	default: // one that the standard library hasn't
		s, err := digest.NewSum(a)
		if err != nil {
			panic(err)
		}
		s.Write([]byte(text))
		d, _ := s.Sums().Get(a)
		return d.Sum
	}
	h.Write([]byte(text))
	return fmt.Sprintf("%x", h.Sum(nil))
}

const v1 = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

// lines is a manifest of texts by algorithm a, in the order of their paths.
func lines(a fixity.Algorithm, texts folder) string {
	var b strings.Builder
	for _, p := range slices.Sorted(maps.Keys(texts)) {
		fmt.Fprintf(&b, "%s  %s\n", sum(a, texts[p]), strings.NewReplacer("%", "%25", "\n", "%0A", "\r", "%0D").Replace(p))
	}
	return b.String()
}

// plain is a valid bag of version 1.0 without tag manifests.
func plain() folder {
	f := folder{"data/a.wav": "the first song", "data/sub/b.wav": "the second", "bagit.txt": v1}
	f["manifest-sha256.txt"] = lines(fixity.SHA256, f.under("data/"))
	return f
}

func (f folder) under(prefix string) folder {
	got := folder{}
	for p, text := range f {
		if strings.HasPrefix(p, prefix) && p[len(p)-1] != '/' {
			got[p] = text
		}
	}
	return got
}

// full is a valid bag of version 1.0 with two algorithms, tag manifests and more.
func full() folder { return fullBy(fixity.SHA256, fixity.SHA512) }

func fullBy(algs ...fixity.Algorithm) folder {
	f := folder{
		"bagit.txt":         v1,
		"bag-info.txt":      "Source-Organization: Quillmere Valley Song Survey\nPayload-Oxum: 24.2\nBagging-Date: 1971-06-04\n",
		"data/a.wav":        "the first song",
		"data/sub/b.wav":    "the second",
		"metadata/note.xml": "<note/>",
	}
	for _, a := range algs {
		f["manifest-"+string(a)+".txt"] = lines(a, f.under("data/"))
	}
	f.tag(algs...)
	return f
}

// tag writes the tag manifests anew.
func (f folder) tag(algs ...fixity.Algorithm) {
	tags := folder{}
	for p, text := range f {
		if !strings.HasPrefix(p, "data/") && !strings.HasPrefix(p, "tagmanifest-") {
			tags[p] = text
		}
	}
	for _, a := range algs {
		f["tagmanifest-"+string(a)+".txt"] = lines(a, tags)
	}
}

func problems(r bag.Result) []string {
	got := []string{}
	for _, p := range r.Problems {
		got = append(got, string(p.Kind)+" "+p.Path)
	}
	return got
}

func reasons(ws []manifest.Warning) []string {
	got := []string{}
	for _, w := range ws {
		got = append(got, string(w.Reason))
	}
	slices.Sort(got)
	return slices.Compact(got)
}

func verify(t *testing.T, dir string) bag.Result {
	t.Helper()
	f, err := open(dir)
	if err != nil {
		t.Fatal(err)
	}
	res, err := bag.Verify(t.Context(), f, bag.Options{System: "linux"})
	if err != nil {
		t.Fatal(err)
	}
	if res.Valid && (len(res.Problems) > 0 || !res.Complete) {
		t.Errorf("valid in spite of %v", res.Problems)
	}
	for _, p := range res.Problems {
		if p.Kind.Means() == "" {
			t.Errorf("kind %q means nothing", p.Kind)
		}
	}
	return res
}
