package bag_test

import (
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/bag"
	"firmus/replicas/disk"
)

// read is all that lies below dir.
func read(t *testing.T, dir string) folder {
	t.Helper()
	got := folder{}
	err := fs.WalkDir(os.DirFS(dir), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(path)))
		got[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

var day = time.Date(1971, 6, 4, 12, 0, 0, 0, time.UTC)

func TestMake(t *testing.T) {
	src := folder{"QV-0107_A.wav": "the first song", "notes/read me.txt": "", "z": "last", "manifest-md5.txt": "of the source"}
	dir := src.write(t)
	then := time.Date(1970, 1, 2, 3, 4, 5, 0, time.UTC)
	if err := os.Chtimes(filepath.Join(dir, "z"), then, then); err != nil {
		t.Fatal(err)
	}
	dest := filepath.Join(t.TempDir(), "bag")
	steps := map[bag.Step]map[string]int64{bag.Copying: {}, bag.Comparing: {}, bag.ReadingBack: {}}
	made, err := bag.Make(t.Context(), dir, dest, bag.MakeOptions{
		Open: open,
		Info: bag.Info{{"Source-Organization", "Quillmere Valley Song Survey"}, {"Contact-Name", "A"}, {"Contact-Name", "B"}},
		Date: day,
		Tags: []bag.TagFile{{"metadata/premis.xml", []byte("<premis/>")}},
		Progress: func(step bag.Step, path string, n int64) {
			steps[step][path] += n
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if made.Files != 4 || made.Bytes != int64(len("the first song"+"last"+"of the source")) || len(made.Warnings) > 0 || made.Cache == "" || made.Cache == fixity.Allowed {
		t.Errorf("made %+v", made)
	}
	got := read(t, dest)
	payload := folder{}
	for p, text := range src {
		payload["data/"+p] = text
	}
	want := payload.clone()
	want["bagit.txt"] = v1
	want["bag-info.txt"] = "Source-Organization: Quillmere Valley Song Survey\nContact-Name: A\nContact-Name: B\nBagging-Date: 1971-06-04\nPayload-Oxum: 31.4\n"
	want["metadata/premis.xml"] = "<premis/>"
	want["manifest-sha512.txt"] = lines(fixity.SHA512, payload)
	want.tag(fixity.SHA512)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if res := verify(t, dest); !res.Valid || len(res.Warnings) > 0 {
		t.Errorf("%+v", res)
	}
	if fi, err := os.Stat(filepath.Join(dest, "data", "z")); err != nil || !fi.ModTime().Equal(then) {
		t.Errorf("%v %v", fi.ModTime(), err)
	}
	if n := steps[bag.Copying]["data/QV-0107_A.wav"]; n != 14 {
		t.Errorf("%d bytes copied", n)
	}
	if n := steps[bag.ReadingBack]["data/QV-0107_A.wav"]; n != 14 {
		t.Errorf("%d bytes read back", n)
	}
	if diff := cmp.Diff(src, read(t, dir)); diff != "" {
		t.Errorf("the source was touched: %s", diff)
	}
	if text, err := json.Marshal(made); err != nil || !strings.HasPrefix(string(text), `{"files":4,"bytes":31,"cache":"`) {
		t.Errorf("%s %v", text, err)
	}
	alone(t, dest)
}

// alone checks that nothing lies beside dest.
func alone(t *testing.T, dest string) {
	t.Helper()
	beside, err := os.ReadDir(filepath.Dir(dest))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range beside {
		if e.Name() != filepath.Base(dest) {
			t.Errorf("%q was left behind", e.Name())
		}
	}
}

func TestMakeAlgorithms(t *testing.T) {
	for _, a := range manifest.Algorithms {
		t.Run(string(a), func(t *testing.T) {
			dir := folder{"a": "A", "b/c": "C"}.write(t)
			dest := filepath.Join(t.TempDir(), "bag")
			made, err := bag.Make(t.Context(), dir, dest, bag.MakeOptions{Open: open, Algorithms: []fixity.Algorithm{a, fixity.SHA256, a}})
			if err != nil {
				t.Fatal(err)
			}
			res := verify(t, dest)
			want := []string{}
			if a == fixity.BLAKE3 {
				want = []string{"not-in-rfc"}
			}
			if diff := cmp.Diff(want, reasons(made.Warnings)); diff != "" || !res.Valid {
				t.Errorf("%s %v", diff, res.Problems)
			}
		})
	}
}

func TestMakeEmpty(t *testing.T) {
	dest := filepath.Join(t.TempDir(), "bag")
	if _, err := bag.Make(t.Context(), folder{}.write(t), dest, bag.MakeOptions{Open: open}); err != nil {
		t.Fatal(err)
	}
	if res := verify(t, dest); !res.Valid {
		t.Error(res.Problems)
	}
}

func TestMakeWarns(t *testing.T) {
	dir := folder{"50%\n": "x", "A": "1", "a": "2", "con.wav": "3", "empty/": "", "t.": "4"}.write(t)
	dest := filepath.Join(t.TempDir(), "bag")
	made, err := bag.Make(t.Context(), dir, dest, bag.MakeOptions{Open: open})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"empty-folder", "percent-or-break", "twin", "windows-name"}, reasons(made.Warnings)); diff != "" {
		t.Error(diff)
	}
	f, err := disk.Open(dest, disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if res, err := bag.Verify(t.Context(), f, bag.Options{}); err != nil || !res.Valid {
		t.Error(err, res.Problems)
	}
}

func TestMakeRefuses(t *testing.T) {
	src := folder{"a": "A"}
	cases := []struct {
		name string
		src  folder
		do   func(t *testing.T, src, dest string)
		dest string // below the source if it begins with "in"
		o    bag.MakeOptions
		err  error
	}{
		{name: "something lies there", src: src, do: func(t *testing.T, _, dest string) { must(t, os.Mkdir(dest, 0o777)) }, err: fixity.ErrRefused},
		{name: "a dangling link lies there", src: src, do: func(t *testing.T, _, dest string) { must(t, os.Symlink("nowhere", dest)) }, err: fixity.ErrRefused},
		{name: "inside the source", src: src, dest: "in", err: fixity.ErrRefused},
		{name: "no folder", src: src, do: func(t *testing.T, src, _ string) {
			must(t, os.RemoveAll(src))
			must(t, os.WriteFile(src, nil, 0o666))
		}, err: fixity.ErrRefused},
		{name: "no source", src: src, do: func(t *testing.T, src, _ string) { must(t, os.RemoveAll(src)) }, err: fs.ErrNotExist},
		{name: "a link", src: src, do: func(t *testing.T, src, _ string) { must(t, os.Symlink("a", filepath.Join(src, "b"))) }, err: fixity.ErrRefused},
		{name: "two normalisations of one name", src: folder{"Nu\u0301": "1", "N\u00fa": "2"}, err: fixity.ErrRefused},
		{name: "two normalisations of a folder's name", src: folder{"Nu\u0301/a": "1", "N\u00fa/b": "2"}, err: fixity.ErrRefused},
		{name: "a name that isn't UTF-8", src: folder{"a\xff": "1"}, err: fixity.ErrRefused},
		{name: "an unknown algorithm", src: src, o: bag.MakeOptions{Algorithms: []fixity.Algorithm{"crc32"}}, err: fixity.ErrRefused},
		{name: "Payload-Oxum is worked out", src: src, o: bag.MakeOptions{Info: bag.Info{{"PAYLOAD-OXUM", "1.1"}}}, err: fixity.ErrRefused},
		{name: "a label with a colon", src: src, o: bag.MakeOptions{Info: bag.Info{{"a:b", "c"}}}, err: fixity.ErrRefused},
		{name: "a value with a line end", src: src, o: bag.MakeOptions{Info: bag.Info{{"a", "c\nd"}}}, err: fixity.ErrRefused},
		{name: "a tag file in the payload", src: src, o: bag.MakeOptions{Tags: []bag.TagFile{{Path: "data/x"}}}, err: fixity.ErrRefused},
		{name: "a tag file that leads out", src: src, o: bag.MakeOptions{Tags: []bag.TagFile{{Path: "../x"}}}, err: fixity.ErrRefused},
		{name: "a tag file of a name that is taken", src: src, o: bag.MakeOptions{Tags: []bag.TagFile{{Path: "manifest-md5.txt"}}}, err: fixity.ErrRefused},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := c.src.write(t)
			dest := filepath.Join(t.TempDir(), "bag")
			if c.dest != "" {
				dest = filepath.Join(dir, c.dest)
			}
			if c.do != nil {
				c.do(t, dir, dest)
			}
			c.o.Open = open
			_, err := bag.Make(t.Context(), dir, dest, c.o)
			if !errors.Is(err, c.err) {
				t.Fatalf("error %v", err)
			}
			if c.dest == "" {
				alone(t, dest)
			}
		})
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// What is read back isn't what was written: no bag.
func TestMakeReadsBack(t *testing.T) {
	dir := folder{"a": "A"}.write(t)
	for _, path := range []string{"data/a", "bag-info.txt", "manifest-sha512.txt", "bagit.txt"} {
		dest := filepath.Join(t.TempDir(), "bag")
		_, err := bag.Make(t.Context(), dir, dest, bag.MakeOptions{Open: func(d string) (manifest.Folder, error) {
			if d != dir {
				full := filepath.Join(d, filepath.FromSlash(path))
				text, err := os.ReadFile(full)
				must(t, err)
				text[0] ^= 1
				must(t, os.WriteFile(full, text, 0o666))
			}
			return open(d)
		}})
		if !errors.Is(err, bag.ErrNotAsWritten) {
			t.Errorf("%s: %v", path, err)
		}
		alone(t, dest)
		if _, err := os.Lstat(dest); err == nil {
			t.Errorf("%s: a bag lies there", path)
		}
	}
}

func TestMakeStopped(t *testing.T) {
	dir := folder{"a": "A", "b": "B"}.write(t)
	why := errors.New("enough")
	for k := 1; ; k++ {
		ctx, cancel := context.WithCancelCause(t.Context())
		dest := filepath.Join(t.TempDir(), "bag")
		n := 0
		_, err := bag.Make(ctx, dir, dest, bag.MakeOptions{Open: open, Progress: func(bag.Step, string, int64) {
			if n++; n == k {
				cancel(why)
			}
		}})
		alone(t, dest)
		if err == nil {
			if n < 4 {
				t.Errorf("only %d steps were stopped", n)
			}
			return
		}
		if !errors.Is(err, why) {
			t.Fatalf("step %d: %v", k, err)
		}
		if _, err := os.Lstat(dest); err == nil {
			t.Errorf("step %d: half a bag", k)
		}
	}
}

// from fills a file from several, each in the place of the one before.
func from(paths ...string) func(context.Context, func() (io.Writer, error)) (time.Time, error) {
	return func(_ context.Context, begin func() (io.Writer, error)) (time.Time, error) {
		for _, p := range paths {
			text, err := os.ReadFile(p)
			if err != nil {
				return time.Time{}, err
			}
			w, err := begin()
			if err == nil {
				_, err = w.Write(text)
			}
			if err != nil {
				return time.Time{}, err
			}
		}
		return time.Unix(1000, 0), nil
	}
}

// A file that is filled by the caller holds what was written to it last; one that isn't what
// it should be, or that nobody wrote to, makes no bag.
func TestFill(t *testing.T) {
	dir := folder{"long": "not this one", "a": "A"}.write(t)
	is := func(text string) fixity.Digest {
		s := sha256.Sum256([]byte(text))
		return fixity.DigestOf(fixity.SHA256, s[:])
	}
	for _, x := range []struct {
		name string
		file bag.File
		ok   bool
	}{
		{"begun anew", bag.File{Fill: from(filepath.Join(dir, "long"), filepath.Join(dir, "a")), Want: []fixity.Digest{is("A")}}, true},
		{"a digest that isn't asked for", bag.File{Fill: from(filepath.Join(dir, "a")), Want: []fixity.Digest{{}}}, true},
		{"another one", bag.File{Fill: from(filepath.Join(dir, "a"), filepath.Join(dir, "long")), Want: []fixity.Digest{is("A")}}, false},
		{"opened, another one", bag.File{Open: func(ctx context.Context) (fixity.Reader, error) {
			f, err := open(dir)
			if err != nil {
				return nil, err
			}
			for e, err := range manifest.Entries(ctx, f) {
				if err != nil || e.Path == "long" {
					return f.Open(ctx, e, 0)
				}
			}
			return nil, fixity.ErrVanished
		}, Want: []fixity.Digest{is("A")}}, false},
		{"nothing", bag.File{Fill: from()}, false},
		{"no such", bag.File{Fill: from(filepath.Join(dir, "a"), filepath.Join(dir, "nosuch"))}, false},
	} {
		dest := filepath.Join(t.TempDir(), "bag")
		x.file.Path = "a"
		_, err := bag.Build(t.Context(), func(yield func(bag.File, error) bool) { yield(x.file, nil) }, dest, bag.MakeOptions{Open: open, Algorithms: []fixity.Algorithm{fixity.SHA256}})
		alone(t, dest)
		held, there := os.ReadFile(filepath.Join(dest, "data", "a"))
		switch {
		case (err == nil) != x.ok, (there == nil) != x.ok:
			t.Errorf("%s: %v, %v", x.name, err, there)
		case x.ok && (string(held) != "A" || !verify(t, dest).Valid):
			t.Errorf("%s: %q", x.name, held)
		}
		if st, err := os.Stat(filepath.Join(dest, "data", "a")); err == nil && !st.ModTime().Equal(time.Unix(1000, 0)) {
			t.Errorf("%s: of %s", x.name, st.ModTime())
		}
	}
}

// Before a bag gets its name, whoever makes it is told of it; if they can't take that in,
// there is no bag.
func TestWhole(t *testing.T) {
	dir := folder{"a": "A"}.write(t)
	dest := filepath.Join(t.TempDir(), "bag")
	var told bag.Made
	broken := errors.New("broken")
	for _, fails := range []error{broken, nil} {
		o := bag.MakeOptions{Open: open, Algorithms: []fixity.Algorithm{fixity.SHA256, fixity.SHA512}, Whole: func(m bag.Made) error {
			told = m
			if _, err := os.Lstat(dest); err == nil {
				t.Error("it has its name already")
			}
			return fails
		}}
		if _, err := bag.Make(t.Context(), dir, dest, o); !errors.Is(err, fails) {
			t.Fatal(err)
		}
		alone(t, dest)
	}
	text, err := os.ReadFile(filepath.Join(dest, told.Manifest))
	if err != nil {
		t.Fatal(err)
	}
	if sum := sha512.Sum512(text); told.Manifest != "tagmanifest-sha512.txt" || told.Digest != fixity.DigestOf(fixity.SHA512, sum[:]) || told.Files != 1 {
		t.Errorf("%+v", told)
	}
}

// A process that ends at any step leaves no bag or a whole one.
func TestMakeCrash(t *testing.T) {
	if dest := os.Getenv("FIRMUS_TEST_BAG"); dest != "" {
		var k, n int
		if _, err := fmt.Sscan(os.Getenv("FIRMUS_TEST_STEP"), &k); err != nil {
			t.Fatal(err)
		}
		src := os.Getenv("FIRMUS_TEST_SRC")
		_, err := bag.Build(t.Context(), func(yield func(bag.File, error) bool) {
			for _, f := range []bag.File{{Path: "a", Fill: from(filepath.Join(src, "b"), filepath.Join(src, "a"))}, {Path: "b", Fill: from(filepath.Join(src, "b"))}} {
				if !yield(f, nil) {
					return
				}
			}
		}, dest, bag.MakeOptions{Open: open, Tags: []bag.TagFile{{Path: "metadata/premis.xml", Text: []byte("<premis/>")}}, Progress: func(bag.Step, string, int64) {
			if n++; n == k {
				os.Exit(9)
			}
		}})
		must(t, err)
		return
	}
	dir := folder{"a": "A", "b": "B"}.write(t)
	for k := 1; ; k++ {
		dest := filepath.Join(t.TempDir(), "bag")
		cmd := exec.Command(os.Args[0], "-test.run=^TestMakeCrash$")
		cmd.Env = append(os.Environ(), "FIRMUS_TEST_BAG="+dest, "FIRMUS_TEST_SRC="+dir, fmt.Sprint("FIRMUS_TEST_STEP=", k))
		out, err := cmd.CombinedOutput()
		if err == nil {
			if k < 8 {
				t.Errorf("the process got to its end with %d steps", k)
			}
			if res := verify(t, dest); !res.Valid {
				t.Error(res.Problems)
			}
			return
		}
		if cmd.ProcessState.ExitCode() != 9 {
			t.Fatalf("step %d: %v\n%s", k, err, out)
		}
		beside, err := os.ReadDir(filepath.Dir(dest))
		must(t, err)
		for _, e := range beside {
			if !strings.HasPrefix(e.Name(), ".firmus-bag-") {
				t.Errorf("step %d: %q lies there", k, e.Name())
			}
		}
	}
}

// A bag that a crash left unfinished goes with the next one; one that is being built, and
// what is a person's, stays.
func TestAnUnfinishedBagIsNeverLeftForEver(t *testing.T) {
	parent := t.TempDir()
	for _, name := range []string{".firmus-bag-old", "old"} {
		dir := filepath.Join(parent, name, "data")
		must(t, os.MkdirAll(dir, 0o777))
		must(t, os.WriteFile(filepath.Join(dir, "a.wav"), []byte("A"), 0o666))
	}
	src := folder{"a": "A"}.write(t)
	_, err := bag.Make(t.Context(), src, filepath.Join(parent, "bag"), bag.MakeOptions{Open: open, Whole: func(bag.Made) error {
		_, err := bag.Make(t.Context(), src, filepath.Join(parent, "meanwhile"), bag.MakeOptions{Open: open})
		return err
	}})
	must(t, err)
	var there []string
	beside, err := os.ReadDir(parent)
	must(t, err)
	for _, e := range beside {
		there = append(there, e.Name())
	}
	if want := []string{"bag", "meanwhile", "old"}; !slices.Equal(there, want) {
		t.Errorf("there are %q, want %q", there, want)
	}
}

// coreutils' programs and b3sum accept every list that is written.
func TestChecksumPrograms(t *testing.T) {
	programs := map[fixity.Algorithm]string{"md5": "md5sum", "sha1": "sha1sum", "sha224": "sha224sum", "sha256": "sha256sum", "sha384": "sha384sum", "sha512": "sha512sum", "blake3": "b3sum"}
	dir := folder{"a.wav": "A", " b ": "B", "*c": "C", "sub/d\\e": "D", "sub/Nu\u0301": "E", "sub/\u6b4c.wav": "F", "~x": "G", "sub/(SHA256)": ""}.write(t)
	dest := filepath.Join(t.TempDir(), "bag")
	_, err := bag.Make(t.Context(), dir, dest, bag.MakeOptions{Open: open, Algorithms: slices.Collect(maps.Keys(programs))})
	must(t, err)
	for a, program := range programs {
		t.Run(program, func(t *testing.T) {
			path, err := exec.LookPath(program)
			if err != nil {
				if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
					t.Fatal(err)
				}
				t.Skip(program + " is not here")
			}
			for _, list := range []string{manifest.Name(a), manifest.TagName(a)} {
				cmd := exec.Command(path, "-c", list)
				cmd.Dir = dest
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Errorf("%s -c %s: %v\n%s", program, list, err, out)
				}
			}
		})
	}
}

// Nothing outside a bag is opened: a FIFO lies there, and opening it would wait
// for a writer for ever.
func TestNothingOutsideIsOpened(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no FIFOs in folders there")
	}
	f := plain()
	dir := f.write(t)
	fifo := filepath.Join(filepath.Dir(dir), "fifo")
	mkfifo(t, fifo)
	mkfifo(t, filepath.Join(dir, "data", "pipe"))
	must(t, os.Symlink(filepath.Dir(dir), filepath.Join(dir, "data", "out")))
	must(t, os.Symlink("../../fifo", filepath.Join(dir, "data", "link")))
	must(t, os.Symlink(fifo, filepath.Join(dir, "bag-info.txt")))
	must(t, os.Symlink("fifo", filepath.Join(dir, "fetch.txt")))
	text := f["manifest-sha256.txt"]
	for _, path := range []string{"../fifo", fifo, "data/../../fifo", "data/out/fifo", "data/link", "data/pipe", "~/fifo", "data/sub/../../../fifo"} {
		text += sum(fixity.SHA256, "") + "  " + path + "\n"
	}
	must(t, os.WriteFile(filepath.Join(dir, "manifest-sha256.txt"), []byte(text), 0o666))
	done := make(chan bag.Result, 1)
	go func() {
		fo, err := open(dir)
		if err != nil {
			t.Error(err)
		}
		res, err := bag.Verify(t.Context(), fo, bag.Options{System: "linux"})
		if err != nil {
			t.Error(err)
		}
		done <- res
	}()
	select {
	case res := <-done:
		want := []string{"outside ../fifo", "outside " + fifo, "link bag-info.txt", "outside data/../../fifo", "link data/link", "link data/out", "special data/pipe",
			"outside data/sub/../../../fifo", "link fetch.txt", "outside ~/fifo"}
		got := problems(res)
		slices.Sort(want)
		slices.Sort(got)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("something outside was opened")
	}
}
