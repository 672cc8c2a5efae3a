package provided_test

import (
	"context"
	"path"
	"testing"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/provided"
	"firmus/replicas/disk"
)

// FuzzRead: whatever a list holds, what is made of it is of files that are there, in their
// order, and each sum is one of its algorithm.
func FuzzRead(f *testing.F) {
	for _, s := range []string{md("A") + "  a.wav\n", md("A") + " *a.wav\r\n" + s2("B") + "  b.wav\n", "MD5 (a.wav) = " + md("A") + "\n", "\\" + md("A") + "  a\\nb.wav\n",
		"; made elsewhere\na.wav " + md("A") + "\n", md("A") + "  ../../etc/passwd\n", "\ufeff" + md("A") + "  ./a.wav\n"} {
		for kind := range byte(5) {
			f.Add(s, kind)
		}
	}
	f.Fuzz(func(t *testing.T, text string, kind byte) {
		list := []string{"manifest-md5.txt", "a.wav.md5", "SHA256SUMS", "checksums.txt", "tagmanifest-sha256.txt"}[kind%5]
		files := map[string]string{rel("a.wav"): "A", rel("b.wav"): "B", rel("a\nb.wav"): "C", rel("bagit.txt"): v("1.0"), rel(list): text}
		folder, err := disk.Open(write(t, files), disk.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var warn manifest.Warnings
		last := ""
		for sum, err := range provided.Read(context.Background(), folder, "QV-0107", &warn) {
			if err != nil {
				continue
			}
			if _, ok := files[rel(sum.Path)]; !ok || sum.Path < last || path.Clean(sum.Path) != sum.Path {
				t.Fatalf("of %q after %q", sum.Path, last)
			}
			last = sum.Path
			if d, err := fixity.ParseDigest(sum.Digest.Algorithm, sum.Digest.Sum); err != nil || d != sum.Digest {
				t.Fatalf("%+v is no digest: %v", sum.Digest, err)
			}
			if sum.List != list || sum.Line < 1 {
				t.Fatalf("out of line %d of %q", sum.Line, sum.List)
			}
		}
	})
}
