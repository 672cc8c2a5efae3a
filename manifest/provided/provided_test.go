package provided_test

import (
	"bufio"
	"context"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/provided"
	"firmus/replicas/disk"
)

func write(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for p, text := range files {
		full := filepath.Join(dir, filepath.FromSlash(p))
		if err := os.MkdirAll(filepath.Dir(full), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func md(s string) string  { return fmt.Sprintf("%x", md5.Sum([]byte(s))) }
func s1(s string) string  { return fmt.Sprintf("%x", sha1.Sum([]byte(s))) }
func s2(s string) string  { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }
func v(s string) string   { return "BagIt-Version: " + s + "\nTag-File-Character-Encoding: UTF-8\n" }
func zero(n int) string   { return strings.Repeat("0", n) }
func rel(s string) string { return "QV-0107/" + s }

func TestRead(t *testing.T) {
	cases := []struct {
		name     string
		files    map[string]string
		shard    string
		want     []string // path, algorithm, list, line
		warnings []string
	}{
		{name: "none", files: map[string]string{rel("a.wav"): "A"}, shard: "QV-0107"},
		{name: "no such folder", files: map[string]string{rel("a.wav"): "A"}, shard: "QV-0108"},
		{name: "a folder manifest", shard: "QV-0107", files: map[string]string{rel("a.wav"): "A", rel("manifest-sha256.txt"): s2("A") + "  a.wav\n"},
			want: []string{"a.wav sha256 manifest-sha256.txt 1"}},
		{name: "files in the root", shard: "", files: map[string]string{"a.wav": "A", "manifest-sha256.txt": s2("A") + "  a.wav\n", rel("a.wav"): "", rel("a.wav.md5"): md("")},
			want: []string{"a.wav sha256 manifest-sha256.txt 1"}},
		{name: "lists below", shard: "QV-0107", files: map[string]string{rel("s/a.wav"): "A", rel("s/t/b.wav"): "A", rel("s/MD5SUMS"): md("A") + "  t/b.wav\n" + md("A") + "  a.wav\n"},
			want: []string{"s/a.wav md5 s/MD5SUMS 2", "s/t/b.wav md5 s/MD5SUMS 1"}},
		{name: "a list for one file, with a name", shard: "QV-0107", files: map[string]string{rel("a.wav"): "A", rel("a.wav.md5"): md("A") + " *a.wav\r\n"},
			want: []string{"a.wav md5 a.wav.md5 1"}, warnings: []string{"star QV-0107/a.wav.md5"}},
		{name: "a list for one file, the digest alone", shard: "QV-0107", files: map[string]string{rel("a.wav"): "A", rel("a.wav.sha1"): s1("A")},
			want: []string{"a.wav sha1 a.wav.sha1 1"}, warnings: []string{"digest-only QV-0107/a.wav.sha1"}},
		{name: "a digest alone and no file to be of", shard: "QV-0107", files: map[string]string{rel("SHA1SUMS"): s1("A")}, warnings: []string{"not-a-line QV-0107/SHA1SUMS"}},
		{name: "several algorithms in one list", shard: "QV-0107", files: map[string]string{rel("a"): "A", rel("checksums.txt"): "# made by hand\n" + md("A") + "  a\n" + s1("A") + "  a\nSHA256 (a) = " + s2("A") + "\n"},
			want: []string{"a md5 checksums.txt 2", "a sha1 checksums.txt 3", "a sha256 checksums.txt 4"}, warnings: []string{"comment QV-0107/checksums.txt", "tagged QV-0107/checksums.txt"}},
		{name: "a length that fits two algorithms", shard: "QV-0107", files: map[string]string{rel("a"): "A", rel("checksum.txt"): s2("A") + "  a\n"},
			want: []string{"a sha256 checksum.txt 1"}, warnings: []string{"ambiguous QV-0107/checksum.txt"}},
		{name: "escaped names, no percent-coding", shard: "QV-0107", files: map[string]string{rel("a\nb"): "A", rel("50%25"): "B", rel("x.md5"): `\` + md("A") + `  a\nb` + "\n" + md("B") + "  50%25\n"},
			want: []string{"50%25 md5 x.md5 2", "a\nb md5 x.md5 1"}, warnings: []string{"escaped QV-0107/x.md5"}},
		{name: "backslashes, case", shard: "QV-0107", files: map[string]string{rel("s/a.wav"): "A", rel("x.md5"): md("A") + " *S\\A.WAV\n"},
			want: []string{"s/a.wav md5 x.md5 1"}, warnings: []string{"backslash QV-0107/x.md5", "case QV-0107/x.md5", "star QV-0107/x.md5"}},
		{name: "UTF-16", shard: "QV-0107", files: map[string]string{rel("a"): "A", rel("x.md5"): "\xff\xfe" + strings.Join(strings.Split(md("A")+"  a\n", ""), "\x00") + "\x00"},
			want: []string{"a md5 x.md5 1"}, warnings: []string{"text-encoding QV-0107/x.md5"}},
		{name: "not a list at all", shard: "QV-0107", files: map[string]string{rel("x.md5"): "hello\nworld\n"}, warnings: []string{"not-a-line QV-0107/x.md5"}},
		{name: "paths that lead out", shard: "QV-0107", files: map[string]string{"a": "A", rel("b"): "B", rel("s/x.md5"): md("A") + "  ../../a\n" + md("B") + "  ../b\n" + md("A") + "  /a\n"},
			warnings: []string{"leads-out QV-0107/s/x.md5", "leads-out QV-0107/s/x.md5", "leads-out QV-0107/s/x.md5"}},
		{name: "a file that isn't there", shard: "QV-0107", files: map[string]string{rel("x.md5"): md("A") + "  a\n"}, warnings: []string{"not-there QV-0107/x.md5"}},
		{name: "twice in one list", shard: "QV-0107", files: map[string]string{rel("a"): "A", rel("x.md5"): md("A") + "  a\n" + md("B") + "  a\n"},
			want: []string{"a md5 x.md5 1"}, warnings: []string{"named-twice QV-0107/x.md5"}},
		{name: "a bag", shard: "QV-0107", files: map[string]string{rel("bagit.txt"): v("1.0"), rel("data/50%"): "A", rel("manifest-md5.txt"): md("A") + " data/50%25\n", rel("tagmanifest-md5.txt"): md(v("1.0")) + " bagit.txt\n"},
			want: []string{"bagit.txt md5 tagmanifest-md5.txt 1", "data/50% md5 manifest-md5.txt 1"}},
		{name: "an old bag in a folder", shard: "QV-0107", files: map[string]string{rel("b/bagit.txt"): v("0.97"), rel("b/data/50%25"): "A", rel("b/manifest-md5.txt"): md("A") + " data/50%25\n"},
			want: []string{"b/data/50%25 md5 b/manifest-md5.txt 1"}},
		{name: "a bag of a version that isn't known", shard: "QV-0107", files: map[string]string{rel("bagit.txt"): v("7.0"), rel("data/a"): "A", rel("manifest-md5.txt"): md("A") + " data/a\n"},
			warnings: []string{"not-read QV-0107/manifest-md5.txt"}},
		{name: "a tag manifest without a bag", shard: "QV-0107", files: map[string]string{rel("a"): "A", rel("tagmanifest-md5.txt"): md("A") + " a\n"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f, err := disk.Open(write(t, c.files), disk.Options{})
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			var warn manifest.Warnings
			for s, err := range provided.Read(t.Context(), f, c.shard, &warn) {
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, fmt.Sprintf("%s %s %s %d", s.Path, s.Digest.Algorithm, s.List, s.Line))
				prefix := c.shard + "/"
				if c.shard == "" {
					prefix = ""
				}
				text := c.files[prefix+s.Path]
				want := map[fixity.Algorithm]string{fixity.MD5: md(text), fixity.SHA1: s1(text), fixity.SHA256: s2(text)}[s.Digest.Algorithm]
				if s.Digest.Sum != want && c.name != "twice in one list" {
					t.Errorf("%s: digest %v", s.Path, s.Digest)
				}
			}
			slices.Sort(got)
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			var warnings []string
			for _, w := range warn.List() {
				warnings = append(warnings, string(w.Reason)+" "+w.File)
			}
			slices.Sort(warnings)
			if diff := cmp.Diff(c.warnings, warnings); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// Names of lists, and names that are none.
func TestNames(t *testing.T) {
	lists := map[string]int{
		"a.md5": 32, "a.wav.MD5": 32, "MD5SUMS": 32, "md5sum.txt": 32, "md5sums.txt": 32, "QV-0107_md5.txt": 32, "md5": 32, "x.md5sum": 32,
		"SHA1SUMS": 40, "x.sha1": 40, "x.sha-1": 40, "x.sha224": 56, "SHA256SUMS": 64, "x.sha256": 64, "x.sha256sums": 64, "sha-256.txt": 64,
		"x.sha384": 96, "SHA512SUMS": 128, "x.sha512": 128, "x.b3": 64, "B3SUMS": 64, "x.b3sum": 64, "x.blake3": 64,
		"checksums.txt": 32, "checksum.txt": 40, "CHECKSUMS": 64, "QV-0107.checksums.txt": 128,
	}
	for name, digits := range lists {
		f, err := disk.Open(write(t, map[string]string{"i/a": "A", "i/" + name: zero(digits) + "  a\n"}), disk.Options{})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for s, err := range provided.Read(t.Context(), f, "i", new(manifest.Warnings)) {
			if err != nil || s.Path != "a" || 2*s.Digest.Algorithm.Size() != digits {
				t.Errorf("%s: %+v %v", name, s, err)
			}
			n++
		}
		if n != 1 {
			t.Errorf("%s: %d lines", name, n)
		}
	}
	for _, name := range []string{"QV-0107-B3", "b3", "md5.wav", "checksums.wav", "a.sha", "amd5", "manifest-crc32.txt", "md5sum.md"} {
		f, err := disk.Open(write(t, map[string]string{"i/a": "A", "i/" + name: zero(32) + "  a\n"}), disk.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for s, err := range provided.Read(t.Context(), f, "i", new(manifest.Warnings)) {
			t.Errorf("%s: %+v %v", name, s, err)
		}
	}
}

// broken fails to open the file at path.
type broken struct {
	manifest.Folder
	path string
	err  error
	list error
}

func (b broken) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	if e.Path == b.path {
		return nil, b.err
	}
	return b.Folder.Open(ctx, e, offset)
}

func (b broken) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		for e, err := range b.Folder.List(ctx, shard) {
			if !yield(e, err) {
				return
			}
		}
		if b.list != nil {
			yield(fixity.Entry{}, b.list)
		}
	}
}

func TestErrors(t *testing.T) {
	f, err := disk.Open(write(t, map[string]string{"i/a": "A", "i/x.md5": md("A") + "  a\n", "i/y.sha1": s1("A") + "  a\n", "i/b/bagit.txt": v("1.0"), "i/b/manifest-md5.txt": ""}), disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	read := func(f manifest.Folder) (n int, warn manifest.Warnings, last error) {
		for _, err := range provided.Read(t.Context(), f, "i", &warn) {
			if last = err; err == nil {
				n++
			}
		}
		return n, warn, last
	}
	if n, _, err := read(f); n != 2 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
	for _, path := range []string{"i/x.md5", "i/b/bagit.txt"} {
		for _, cause := range []error{fixity.ErrChanged, fixity.ErrDenied, fixity.ErrAway, fixity.ErrInUse} {
			if _, _, err := read(broken{Folder: f, path: path, err: cause}); !errors.Is(err, cause) {
				t.Errorf("%s, %v: %v", path, cause, err)
			}
		}
	}
	if n, warn, err := read(broken{Folder: f, path: "i/x.md5", err: fixity.ErrUnreadable}); n != 1 || err != nil || len(warn.List()) != 1 {
		t.Errorf("%d, %v, %v", n, err, warn.List())
	}
	if n, warn, err := read(broken{Folder: f, path: "i/b/bagit.txt", err: fixity.ErrUnreadable}); n != 2 || err != nil || len(warn.List()) != 1 {
		t.Errorf("%d, %v, %v", n, err, warn.List())
	}
	if _, _, err := read(broken{Folder: f, list: fixity.ErrIncomplete}); !errors.Is(err, fixity.ErrIncomplete) {
		t.Errorf("%v", err)
	}
	for range provided.Read(t.Context(), f, "i", new(manifest.Warnings)) {
		break // a consumer that wants no more
	}
}

// A list of a whole archive that lies beside one reel is passed by line by line: what it
// names elsewhere is not kept.
func TestALongListIsNotHeldInMemory(t *testing.T) {
	dir := write(t, map[string]string{rel("a.wav"): "A"})
	f, err := os.Create(filepath.Join(dir, "QV-0107", "SHA256SUMS"))
	if err != nil {
		t.Fatal(err)
	}
	const lines = 400_000
	w := bufio.NewWriter(f)
	for i := lines; i > 0; i-- { // not in order: what is kept is sorted in memory
		fmt.Fprintf(w, "%064x  reels/QV-%07d/QV-%07d_A.wav\n", i, i, i)
	}
	fmt.Fprintf(w, "%s  A.WAV\n", s2("A"))
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		t.Fatal(err)
	}
	d, err := disk.Open(dir, disk.Options{Store: "studio", Cache: fixity.Allowed})
	if err != nil {
		t.Fatal(err)
	}
	held := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before, found := held(), 0
	var warn manifest.Warnings
	for s, err := range provided.Read(t.Context(), d, "QV-0107", &warn) {
		if err != nil {
			t.Fatal(err)
		}
		if found++; s.Path != "a.wav" || s.Line != lines+1 {
			t.Errorf("%+v", s)
		}
		if now := held(); now > before+16<<20 {
			t.Errorf("%d bytes are held more than before", now-before)
		}
	}
	if found != 1 {
		t.Errorf("%d lines were found to name something", found)
	}
	if len(warn.List()) > 2*manifest.MaxTold {
		t.Errorf("%d warnings", len(warn.List()))
	}
}

// A list that names one file over and over, in whatever spelling, is no list: it is passed
// over as a whole, and never held in memory.
func TestAListThatRepeatsItselfIsNotHeldInMemory(t *testing.T) {
	dir := write(t, map[string]string{rel("a.wav"): "A", rel("b.wav"): "B", rel("b.wav.sha256"): s2("B") + "  b.wav\n"})
	f, err := os.Create(filepath.Join(dir, "QV-0107", "SHA256SUMS"))
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriter(f)
	for i := range 200_000 { // not in order: what is kept is sorted in memory
		fmt.Fprintf(w, "%064x  %s\n", i, [2]string{"a.wav", "A.WAV"}[i%2])
	}
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		t.Fatal(err)
	}
	d, err := disk.Open(dir, disk.Options{Store: "studio", Cache: fixity.Allowed})
	if err != nil {
		t.Fatal(err)
	}
	held := func() uint64 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	runtime.GC()
	before, most := held(), uint64(0)
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
				most = max(most, held())
			}
		}
	}()
	var got []string
	var warn manifest.Warnings
	for s, err := range provided.Read(t.Context(), d, "QV-0107", &warn) {
		if err != nil {
			t.Error(err)
		}
		got = append(got, s.Path+" "+s.List)
	}
	close(stop)
	<-ended
	if want := []string{"b.wav b.wav.sha256"}; !slices.Equal(got, want) {
		t.Errorf("lines %q, want %q", got, want)
	}
	if more := int64(most) - int64(before); more > 24<<20 {
		t.Errorf("up to %d bytes were held more than before", more)
	}
	if !slices.ContainsFunc(warn.List(), func(w manifest.Warning) bool {
		return w.Reason == manifest.OutOfReach && w.File == rel("SHA256SUMS") && strings.Contains(w.Detail, "more than 1,160 times")
	}) {
		t.Errorf("warnings %v", warn.List())
	}
}
