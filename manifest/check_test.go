package manifest_test

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
)

// listOf is a list of texts' lines, by an algorithm or by what the lines say.
func listOf(name, text string, a fixity.Algorithm) manifest.List {
	return manifest.List{Name: name, Algorithm: a, Lines: func() iter.Seq2[manifest.Line, error] {
		return manifest.Read(strings.NewReader(text), manifest.ReadOptions{Algorithm: a, Rule: manifest.ListRule})
	}}
}

// fetchList names files without digests, each with a size.
func fetchList(name string, size int64, paths ...string) manifest.List {
	return manifest.List{Name: name, NoDigests: true, Lines: func() iter.Seq2[manifest.Line, error] {
		return func(yield func(manifest.Line, error) bool) {
			for i, p := range paths {
				if !yield(manifest.Line{Number: i + 1, Interpretation: manifest.Interpretation{Path: p}, Size: size, Sized: true}, nil) {
					return
				}
			}
		}
	}}
}

// told is all that a check told, a line each.
func told(res manifest.Result, warn []manifest.Warning) (out []string) {
	for _, p := range res.Problems {
		out = append(out, strings.TrimSpace(fmt.Sprintf("%s %s %v %d %s", p.Kind, p.Path, p.Lists, p.Line, p.Detail)))
	}
	for _, w := range warn {
		out = append(out, strings.TrimSpace(fmt.Sprintf("(%s) %s %d %s %s", w.Reason, w.File, w.Line, w.Path, w.Detail)))
	}
	return out
}

// What a check tells, to the word.
func TestCheckTells(t *testing.T) {
	md := func(text string) string { return sum(fixity.MD5, text) }
	md5List := func(text string) manifest.List { return listOf("m", text, fixity.MD5) }
	A, B := md("A"), md("B")
	for _, c := range []struct {
		name  string
		files map[string]string
		types map[string]fixity.Type
		lists []manifest.List
		rules manifest.Rules
		want  []string
	}{
		{name: "named twice, alike", files: map[string]string{"a": "A"}, lists: []manifest.List{md5List(A + "  a\n" + A + "  a\n")},
			want: []string{"listed-twice a [m] 2 also in line 1"}},
		{name: "named twice, with another digest", files: map[string]string{"a": "A"}, lists: []manifest.List{md5List(A + "  a\n" + B + "  a\n")},
			want: []string{"listed-twice a [m] 2 also in line 1, with another digest"}},
		{name: "named twice, alike, where that is a warning", files: map[string]string{"a": "A"}, lists: []manifest.List{md5List(A + "  a\n" + A + "  a\n")}, rules: manifest.Rules{TwiceIsWarning: true},
			want: []string{"(named-twice) m 2 a also in line 1"}},
		{name: "named twice, with another digest, where alike is a warning", files: map[string]string{"a": "A"}, lists: []manifest.List{md5List(A + "  a\n" + B + "  a\n")}, rules: manifest.Rules{TwiceIsWarning: true},
			want: []string{"listed-twice a [m] 2 also in line 1, with another digest"}},
		{name: "named by two algorithms, and by one of them twice, in the second list", files: map[string]string{"a": "A"},
			lists: []manifest.List{listOf("l", A+"  a\n", fixity.MD5), listOf("m", "MD5 (a) = "+A+"\nSHA1 (a) = "+sum(fixity.SHA1, "A")+"\nSHA1 (a) = "+sum(fixity.SHA1, "A")+"\n", "")},
			want:  []string{"listed-twice a [m] 3 also in line 2", "(tagged) m 1 a"}},
		{name: "two names that are meant alike", files: map[string]string{"a.wav": "A"}, lists: []manifest.List{md5List(A + "  A.WAV\n" + A + "  a.WAV\n" + B + "  z\n")},
			want: []string{"listed-twice a.wav [m] 2 this line's path can be read otherwise, but no such file is there", "missing z [m] 3", "(case) m 1 A.WAV the file is a.wav"}},
		{name: "where that is a warning", files: map[string]string{"a.wav": "A"}, lists: []manifest.List{md5List(A + "  A.WAV\n" + A + "  a.WAV\n")}, rules: manifest.Rules{TwiceIsWarning: true},
			want: []string{"(case) m 1 A.WAV the file is a.wav", "(named-twice) m 2 a.wav this line's path can be read otherwise, but no such file is there"}},
		{name: "nor by another algorithm", files: map[string]string{"a.wav": "A"}, lists: []manifest.List{listOf("m", "MD5 (A.WAV) = "+A+"\nSHA1 (a.WAV) = "+sum(fixity.SHA1, "A")+"\n", "")}, rules: manifest.Rules{TwiceIsWarning: true},
			want: []string{"(case) m 1 A.WAV the file is a.wav", "(tagged) m 1 A.WAV the file is a.wav", "(named-twice) m 2 a.wav this line's path can be read otherwise, but no such file is there"}},
		{name: "with another digest it is none", files: map[string]string{"a.wav": "A"}, lists: []manifest.List{md5List(A + "  A.WAV\n" + B + "  a.WAV\n")}, rules: manifest.Rules{TwiceIsWarning: true},
			want: []string{"listed-twice a.wav [m] 2 this line's path can be read otherwise, but no such file is there", "(case) m 1 A.WAV the file is a.wav"}},
		{name: "two that are meant, and altered", files: map[string]string{"a": "B", "b": "A"}, lists: []manifest.List{md5List(A + "  A\n" + B + "  B\n")},
			want: []string{"altered a [m] 1", "altered b [m] 2", "(case) m 1 A the file is a", "(case) m 2 B the file is b"}},
		{name: "equal but for its form goes before equal but for case", files: map[string]string{"Nu\u0301": "A", "nu\u0301": "B"}, lists: []manifest.List{md5List(A + "  N\u00fa\n")},
			want: []string{"unexpected nu\u0301 [] 0", "(normalisation) m 1 N\u00fa the file is Nu\u0301", "(twin) nu\u0301 0  the other is Nu\u0301"}},
		{name: "two readings that are there", files: map[string]string{"*s\\a": "A", "s/a": "A"}, lists: []manifest.List{md5List(A + " *s\\a\n")},
			want: []string{"unexpected s/a [] 0"}},
		{name: "behind a line that can't be read", files: map[string]string{"a": "A"}, lists: []manifest.List{md5List("hello\n" + A + "  ../x\n" + A + "  a\n" + B + "  b\n")},
			want: []string{`outside ../x [m] 2 the path has a part ".."`, "missing b [m] 4", "line m [m] 1 it doesn't begin with a digest and a blank"}},
		{name: "the second of two lists differs", files: map[string]string{"a": "A"}, lists: []manifest.List{md5List(A + "  a\n"), listOf("n", sum(fixity.SHA1, "B")+"  a\n", fixity.SHA1)},
			want: []string{"altered a [n] 1 it agrees with m"}},
		{name: "a list without digests goes first", files: map[string]string{"a": "A"}, lists: []manifest.List{fetchList("f", 1, "a"), md5List(B + "  a\n")}, want: []string{"altered a [m] 1"}},
		{name: "a length that differs", files: map[string]string{"a": "A", "b": "BB"}, lists: []manifest.List{fetchList("f", 1, "a", "b"), md5List(A + "  a\n" + md("BB") + "  b\n")},
			want: []string{"(length) f 2 b 2 bytes, not 1"}},
		{name: "no list has its digest", files: map[string]string{"a": "A"}, lists: []manifest.List{fetchList("f", 1, "a")}, want: []string{"fetch a [f] 1 no manifest names it"}},
		{name: "not there, and in no list with digests", lists: []manifest.List{fetchList("f", 1, "a")}, want: []string{"fetch a [f] 1 no manifest names it"}},
		{name: "still to be fetched", lists: []manifest.List{md5List(A + "  a\n"), fetchList("f", 1, "a")}, want: []string{"missing a [m f] 1 it is still to be fetched, by f"}},
		{name: "a folder is to be fetched", files: map[string]string{"s/a": "A"}, lists: []manifest.List{md5List(A + "  s\n" + A + "  s/a\n"), fetchList("f", 1, "s")}, want: []string{"directory s [m f] 1"}},
		{name: "each file in each list", files: map[string]string{"a": "A", "b": "B", "c": "A"}, rules: manifest.Rules{EveryList: true},
			lists: []manifest.List{fetchList("f", 1, "a"), md5List(A + "  a\n" + B + "  b\n"), listOf("n", sum(fixity.SHA1, "A")+"  a\n"+sum(fixity.SHA1, "A")+"  c\n", fixity.SHA1)},
			want:  []string{"unlisted b [n] 0 n doesn't name it", "unlisted c [m] 0 m doesn't name it"}},
		{name: "each file in each list, by another case in one", files: map[string]string{"a": "A"}, rules: manifest.Rules{EveryList: true},
			lists: []manifest.List{md5List(A + "  a\n"), listOf("n", sum(fixity.SHA1, "A")+"  A\n", fixity.SHA1)}, want: []string{"(case) n 1 A the file is a"}},
		{name: "a file in no list with digests lacks in none", files: map[string]string{"a": "A"}, rules: manifest.Rules{EveryList: true},
			lists: []manifest.List{fetchList("f", 1, "a"), md5List("")}, want: []string{"fetch a [f] 1 no manifest names it"}},
		{name: "a link that no list names, where that is a problem", types: map[string]fixity.Type{"l": fixity.Link}, lists: []manifest.List{md5List("")}, rules: manifest.Rules{Strict: true}, want: []string{"link l [] 0"}},
		{name: "unless somebody is told what no list names", types: map[string]fixity.Type{"l": fixity.Link}, lists: []manifest.List{md5List("")}, rules: manifest.Rules{Strict: true, Unlisted: func(string) {}}, want: []string{"(not-followed) l 0  a link"}},
		{name: "two files below a link", types: map[string]fixity.Type{"s": fixity.Link}, lists: []manifest.List{md5List(A + "  s/1\n" + A + "  s/2\n")}, want: []string{"link s [] 0 2 listed files would lie below it"}},
		{name: "only a part of it is listed", files: map[string]string{"x": "X", "s/a": "A"}, lists: []manifest.List{md5List(A + "  s/a\n")}, rules: manifest.Rules{Shards: []string{"s"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := &fake{files: c.files, types: c.types}
			if c.rules.Shards == nil {
				c.rules.Shards, _ = f.Shards(t.Context())
			}
			c.rules.System = "linux"
			var res manifest.Result
			var warn manifest.Warnings
			if err := manifest.Check(t.Context(), f, c.lists, c.rules, &res, &warn); err != nil {
				t.Fatal(err)
			}
			res.Conclude(true)
			if diff := cmp.Diff(c.want, told(res, warn.List())); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

// What is no file and is listed itself is told once, with how much would lie below it, in
// whatever order that is found.
func TestListedBelowNoFile(t *testing.T) {
	A := sum(fixity.MD5, "A")
	for kind, is := range map[manifest.Kind]fixity.Type{manifest.Link: fixity.Link, manifest.Special: fixity.Special, manifest.Online: fixity.Online} {
		for range 20 {
			f := &fake{types: map[string]fixity.Type{"s": is, "t": is, "u": is}}
			var res manifest.Result
			var warn manifest.Warnings
			list := listOf("m", A+"  s\n"+A+"  s/1\n"+A+"  t/1\n"+A+"  t/2\n"+A+"  u\n"+A+"  u/1\n", fixity.MD5)
			if err := manifest.Check(t.Context(), f, []manifest.List{list}, manifest.Rules{Shards: []string{""}, System: "linux"}, &res, &warn); err != nil {
				t.Fatal(err)
			}
			res.Conclude(true)
			want := []string{string(kind) + " s [m] 1 1 listed files would lie below it", string(kind) + " t [] 0 2 listed files would lie below it", string(kind) + " u [m] 5 1 listed files would lie below it"}
			if diff := cmp.Diff(want, told(res, warn.List())); diff != "" {
				t.Fatalf("-want +got:\n%s", diff)
			}
		}
	}
}

// Folders with manifests of their own: how many files below weren't judged, and lists that
// can't be used hide none behind them.
func TestVerifyTells(t *testing.T) {
	A := s256("A")
	for _, c := range []struct {
		name  string
		files map[string]string
		types map[string]fixity.Type
		want  []string
	}{
		{name: "files before and behind a manifest of their own", files: map[string]string{"manifest-sha256.txt": A + "  a\n", "a": "A", "s/1": "1", "s/2": "2", "s/manifest-md5.txt": "", "s/z": "3"},
			want: []string{"(own-manifest) s/ 0  4 files"}},
		{name: "and one that is nobody's before them", files: map[string]string{"manifest-sha256.txt": A + "  a\n", "a": "A", "b": "B", "s/1": "1", "s/manifest-md5.txt": ""},
			want: []string{"unexpected b [] 0", "(own-manifest) s/ 0  2 files"}},
		{name: "none but the manifest", files: map[string]string{"manifest-sha256.txt": "", "s/manifest-md5.txt": ""},
			want: []string{"(own-manifest) s/ 0  1 file", "unexpected s/ [] 0 the folder has a manifest of its own: verify that folder by itself"}},
		{name: "a manifest of no known algorithm covers nothing", files: map[string]string{"manifest-sha256.txt": A + "  a\n", "a": "A", "s/manifest-crc32.txt": "", "s/z": "3"},
			want: []string{"unexpected s/manifest-crc32.txt [] 0", "unexpected s/z [] 0"}},
		{name: "a link before the list", files: map[string]string{"manifest-sha256.txt": A + "  a\n", "a": "X"}, types: map[string]fixity.Type{"manifest-md5.txt": fixity.Link},
			want: []string{"altered a [manifest-sha256.txt] 1", "link manifest-md5.txt [manifest-md5.txt] 0 it has the name of a manifest and was not opened, so what it lists isn't known"}},
		{name: "one that is left out before the list", files: map[string]string{"manifest-sha256.txt": A + "  a\n", "a": "X"}, types: map[string]fixity.Type{"manifest-md5.txt": fixity.LeftOut},
			want: []string{"altered a [manifest-sha256.txt] 1", "(left-out)  0 manifest-md5.txt"}},
		{name: "one of no known algorithm before the list", files: map[string]string{"manifest-crc32.txt": "", "manifest-sha256.txt": A + "  a\n", "a": "X"},
			want: []string{"altered a [manifest-sha256.txt] 1", "algorithm manifest-crc32.txt [manifest-crc32.txt] 0"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			res, err := verify(t, &fake{files: c.files, types: c.types}, manifest.Options{System: "linux"})
			if err != nil {
				t.Fatal(err)
			}
			got := told(res, res.Warnings)
			slices.Sort(got)
			slices.Sort(c.want)
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

// A folder whose own manifest is all that lies there, and is listed, is covered as it is, also
// if that can't be read.
func TestAListedManifestBelow(t *testing.T) {
	f := &fake{files: map[string]string{"manifest-sha256.txt": s256("") + "  s/manifest-md5.txt\n", "s/manifest-md5.txt": ""}, read: map[string]error{"s/manifest-md5.txt": fixity.ErrUnreadable}}
	res, err := verify(t, f, manifest.Options{System: "linux"})
	if err != nil || res.Read != 0 || fmt.Sprint(kinds(res)) != "[unreadable s/manifest-md5.txt]" {
		t.Errorf("%d read, %v, %v", res.Read, kinds(res), err)
	}
}

// Ten errors of single files are told, and how many more there are.
func TestErrorsAreCounted(t *testing.T) {
	for n, want := range map[int]string{10: "", 11: "and 1 more", 13: "and 3 more"} {
		f := &fake{files: map[string]string{}, open: map[string]error{}}
		text := ""
		for i := range n {
			name := fmt.Sprintf("%02d", i)
			f.files[name], f.open[name] = "A", fixity.ErrDenied
			text += s256("A") + "  " + name + "\n"
		}
		f.files["manifest-sha256.txt"] = text
		_, err := verify(t, f, manifest.Options{})
		if !errors.Is(err, fixity.ErrDenied) || strings.Count(err.Error(), "open ") != min(n, 10) || strings.Contains(err.Error(), "more") != (want != "") || !strings.Contains(err.Error(), want) {
			t.Errorf("%d: %v", n, err)
		}
	}
}

// doubled lists everything twice.
type doubled struct{ *fake }

func (d doubled) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		for e, err := range d.fake.List(ctx, shard) {
			for range 2 {
				if !yield(e, err) {
					return
				}
			}
		}
	}
}

// A place that shows one path twice, as services may, is no listing out of order.
func TestOnePathTwice(t *testing.T) {
	f := doubled{&fake{files: map[string]string{"a": "A", "b": "B"}}}
	var res manifest.Result
	var warn manifest.Warnings
	err := manifest.Check(t.Context(), f, []manifest.List{listOf("m", sum(fixity.MD5, "A")+"  a\n", fixity.MD5)}, manifest.Rules{Shards: []string{""}, System: "linux"}, &res, &warn)
	if err != nil || res.Read != 1 {
		t.Errorf("%d read, %v", res.Read, err)
	}
}

// Who is told of what is listed, and gives up, ends it.
func TestToldEndsIt(t *testing.T) {
	full := errors.New("no room")
	f := &fake{files: map[string]string{"a": "A", "b": "B"}}
	n := 0
	rules := manifest.Rules{Shards: []string{""}, System: "linux", Told: func(e fixity.Entry, list string, l manifest.Line) error {
		if n++; n == 2 {
			return full
		}
		return nil
	}}
	var res manifest.Result
	var warn manifest.Warnings
	list := listOf("m", sum(fixity.MD5, "A")+"  a\n"+sum(fixity.MD5, "B")+"  b\n", fixity.MD5)
	if err := manifest.Check(t.Context(), f, []manifest.List{list}, rules, &res, &warn); !errors.Is(err, full) || n != 2 || res.Read != 0 {
		t.Errorf("told %d times, %d read: %v", n, res.Read, err)
	}
}
