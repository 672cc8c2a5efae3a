package manifest_test

import (
	"bytes"
	"errors"
	"io"
	"iter"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/replicas/disk"
	"firmus/replicas/testing/faulty"
)

func TestWrite(t *testing.T) {
	d := fixity.Digest{Algorithm: fixity.MD5, Sum: m1}
	lines := func(paths ...string) iter.Seq2[string, fixity.Digest] {
		return func(yield func(string, fixity.Digest) bool) {
			for _, p := range paths {
				if !yield(p, d) {
					return
				}
			}
		}
	}
	var b strings.Builder
	warn, err := write(&b, fixity.MD5, lines(" a ", "*b", "50%", "c\r\n", "d\\e", "f/g"))
	if err != nil {
		t.Fatal(err)
	}
	want := m1 + "   a \n" + m1 + "  *b\n" + m1 + "  50%25\n" + m1 + "  c%0D%0A\n" + m1 + "  d\\e\n" + m1 + "  f/g\n"
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}
	if len(warn) != 2 || warn[0].Path != "50%" || warn[0].Line != 3 || warn[0].Reason != manifest.MarkOrBreak || warn[1].Path != "c\r\n" {
		t.Errorf("%+v", warn)
	}
	for _, paths := range [][]string{{""}, {"a/"}, {"/a"}, {"../a"}, {"a/../b"}, {"./a"}, {"a\x00"}, {"b", "a"}, {"a", "a"}} {
		if _, err := write(io.Discard, fixity.MD5, lines(paths...)); err == nil {
			t.Errorf("%q was written", paths)
		}
	}
	if _, err := write(io.Discard, fixity.SHA1, lines("a")); err == nil {
		t.Error("a digest by another algorithm was written")
	}
	full := errors.New("no room")
	if _, err := write(failing{full}, fixity.MD5, lines("a")); !errors.Is(err, full) {
		t.Errorf("%v", err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// compute writes the manifests of f and gives their texts.
func compute(t *testing.T, f manifest.Folder, o manifest.Options, algs ...fixity.Algorithm) (map[fixity.Algorithm]string, manifest.Summary) {
	t.Helper()
	out := map[fixity.Algorithm]io.Writer{}
	texts := map[fixity.Algorithm]*bytes.Buffer{}
	for _, a := range algs {
		texts[a] = &bytes.Buffer{}
		out[a] = texts[a]
	}
	s, err := manifest.Compute(t.Context(), f, out, o)
	if err != nil {
		t.Fatal(err)
	}
	got := map[fixity.Algorithm]string{}
	for a, b := range texts {
		got[a] = b.String()
	}
	return got, s
}

func TestCompute(t *testing.T) {
	f := &fake{files: map[string]string{"a-b/x": "1", "a/x": "2", "a.wav": "3", "manifest-md5.txt": "old", "a/manifest-md5.txt": "4", ".firmus-store.x": "5", "a/.firmus-temp": "6"},
		types: map[string]fixity.Type{"link": fixity.Link, "Thumbs.db": fixity.LeftOut}}
	got, s := compute(t, f, manifest.Options{}, fixity.SHA256, fixity.MD5)
	paths, texts := []string{"a-b/x", "a.wav", "a/manifest-md5.txt", "a/x"}, []string{"1", "3", "4", "2"}
	for a, text := range got {
		want := ""
		for i, p := range paths {
			want += sum(a, texts[i]) + "  " + p + "\n"
		}
		if diff := cmp.Diff(want, text); diff != "" {
			t.Error(diff)
		}
	}
	if s.Files != 4 || s.Bytes != 4 || s.Cache != fixity.Bypassed {
		t.Errorf("%+v", s)
	}
	if diff := cmp.Diff([]string{"left-out", "not-followed"}, reasons(s.Warnings)); diff != "" {
		t.Error(diff)
	}
	// What was written is valid.
	for a, text := range got {
		f.files[manifest.Name(a)] = text
	}
	if res, err := verify(t, f, manifest.Options{}); err != nil || !res.Valid || res.Read != 4 {
		t.Errorf("%v %+v", err, res)
	}
	only, s := compute(t, f, manifest.Options{Root: true}, fixity.MD5)
	if want := sum(fixity.MD5, "3") + "  a.wav\n"; only[fixity.MD5] != want || s.Files != 1 {
		t.Errorf("%+v %+v", only, s)
	}
}

func TestComputeFails(t *testing.T) {
	for _, cause := range []error{fixity.ErrUnreadable, fixity.ErrChanged, fixity.ErrAway} {
		f := &fake{files: map[string]string{"a": "A", "b": "B"}, read: map[string]error{"b": cause}}
		if _, err := manifest.Compute(t.Context(), f, map[fixity.Algorithm]io.Writer{fixity.MD5: io.Discard}, manifest.Options{}); !errors.Is(err, cause) {
			t.Errorf("%v: %v", cause, err)
		}
	}
	f := &fake{files: map[string]string{"a": "A"}, list: map[string]error{"": errors.New("odd")}}
	if _, err := manifest.Compute(t.Context(), f, map[fixity.Algorithm]io.Writer{fixity.MD5: io.Discard}, manifest.Options{}); !errors.Is(err, fixity.ErrIncomplete) {
		t.Errorf("%v", err)
	}
}

// TestOneWrongReadingIsNoManifest: a file that gives another byte once, by whichever of its
// readings, is told, and no text is to be used. What an older manifest bears out is read once.
func TestOneWrongReadingIsNoManifest(t *testing.T) {
	files := map[string]string{"a.wav": "the first", "s/b.wav": "the second"}
	_, d := onDisk(t, files)
	right, _ := compute(t, d, manifest.Options{}, fixity.SHA256)
	known := manifest.Options{Known: func(p string, d fixity.Digest) bool { return d.Sum == s256(files[p]) }}
	for p := range files {
		for reading := range 3 {
			in := faulty.Wrap(d, faulty.FlipOnce(p, 3, 1, reading))
			var text bytes.Buffer
			_, err := manifest.Compute(t.Context(), in, map[fixity.Algorithm]io.Writer{fixity.SHA256: &text}, manifest.Options{})
			if reading < 2 && (!errors.Is(err, manifest.ErrUnsteady) || !strings.Contains(err.Error(), p)) || reading == 2 && (err != nil || text.String() != right[fixity.SHA256]) {
				t.Errorf("%s, reading %d: %v", p, reading, err)
			}
			text.Reset()
			_, err = manifest.Compute(t.Context(), faulty.Wrap(d, faulty.FlipOnce(p, 3, 1, reading)), map[fixity.Algorithm]io.Writer{fixity.SHA256: &text}, known)
			if (reading == 0) != errors.Is(err, manifest.ErrUnsteady) || reading > 0 && text.String() != right[fixity.SHA256] {
				t.Errorf("%s, known, reading %d: %v", p, reading, err)
			}
		}
	}
}

// onDisk makes a folder on a file system.
func onDisk(t *testing.T, files map[string]string) (string, *disk.Dir) {
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
	d, err := disk.Open(dir, disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return dir, d
}

// The checksum programs of an operating system accept every manifest that is
// written, and every list that they write is read.
func TestChecksumPrograms(t *testing.T) {
	programs := map[fixity.Algorithm]string{"md5": "md5sum", "sha1": "sha1sum", "sha224": "sha224sum", "sha256": "sha256sum", "sha384": "sha384sum", "sha512": "sha512sum", "blake3": "b3sum"}
	files := map[string]string{"a.wav": "A", " b ": "B", "*c": "C", "sub/d\\e": "D", "sub/Nu\u0301": "E", "sub/\u6b4c.wav": "F", "~x": "G", "sub/(SHA256)": "", "x\xff": "H"}
	for a, program := range programs {
		t.Run(program, func(t *testing.T) {
			path, err := exec.LookPath(program)
			if err != nil {
				if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
					t.Fatal(err)
				}
				t.Skip(program + " is not here")
			}
			dir, d := onDisk(t, files)
			if a == fixity.BLAKE3 { // b3sum wants names in UTF-8
				os.Remove(filepath.Join(dir, "x\xff"))
			}
			texts, _ := compute(t, d, manifest.Options{}, a)
			list := filepath.Join(dir, manifest.Name(a))
			write := func(text string) {
				if err := os.WriteFile(list, []byte(text), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			valid := func(what string, names ...string) {
				res, err := manifest.Verify(t.Context(), d, manifest.Options{})
				if err != nil || !res.Valid || res.Read == 0 {
					t.Errorf("%s: %v %v", what, err, res.Problems)
				}
			}
			write(texts[a])
			valid("ours")
			cmd := exec.Command(path, "-c", manifest.Name(a))
			cmd.Dir = dir
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Errorf("%v\n%s", err, out)
			}
			// Names with a line end or a backslash come in the escaped form.
			if err := os.WriteFile(filepath.Join(dir, "x\ny%25"), []byte("I"), 0o666); err != nil {
				t.Fatal(err)
			}
			var names []string
			for e, err := range manifest.Entries(t.Context(), d) {
				if err != nil {
					t.Fatal(err)
				}
				if e.Path != manifest.Name(a) {
					names = append(names, e.Path)
				}
			}
			forms := [][]string{nil}
			if a != fixity.BLAKE3 {
				forms = append(forms, []string{"--tag"}, []string{"--binary"})
			}
			for _, form := range forms {
				cmd := exec.Command(path, slices.Concat(form, []string{"--"}, names)...)
				cmd.Dir = dir
				out, err := cmd.Output()
				if err != nil {
					t.Fatal(err)
				}
				write(string(out))
				valid(strings.Join(form, " "))
			}
		})
	}
}

// Nothing outside a folder is opened: a FIFO lies there, and opening it would
// wait for a writer for ever.
func TestNothingOutsideIsOpened(t *testing.T) {
	outer, _ := onDisk(t, map[string]string{"in/a": "A"})
	fifo := filepath.Join(outer, "fifo")
	mkfifo(t, fifo)
	mkfifo(t, filepath.Join(outer, "in", "pipe"))
	var text string
	for _, p := range []string{"../fifo", fifo, "a/../../fifo", "link", "out/fifo", "pipe"} {
		text += s256("") + "  " + p + "\n"
	}
	for link, to := range map[string]string{"link": "../fifo", "out": ".."} {
		if err := os.Symlink(to, filepath.Join(outer, "in", link)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(outer, "in", "manifest-sha256.txt"), []byte(text+s256("A")+"  a\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	d, err := disk.Open(filepath.Join(outer, "in"), disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	res, err := manifest.Verify(t.Context(), d, manifest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"outside ../fifo", "outside " + fifo, "outside a/../../fifo", "link link", "link out", "special pipe"}
	if diff := cmp.Diff(want, kinds(res)); diff != "" {
		t.Error(diff)
	}
}

// write writes the manifest of the files that lines yields.
func write(w io.Writer, a fixity.Algorithm, lines iter.Seq2[string, fixity.Digest]) ([]manifest.Warning, error) {
	m := manifest.NewWriter(w, a)
	for path, d := range lines {
		if err := m.Add(path, d); err != nil {
			return nil, err
		}
	}
	return m.Finish()
}
