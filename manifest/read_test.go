package manifest_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
)

const (
	m1 = "49afbd86a1ca9f34b677a3f09655eae9"
	m2 = "408ad21d50cef31da4df6d9ed81b01a7"
)

// readAll is what Read yields, a line each.
func readAll(text string, o manifest.ReadOptions) []string {
	var got []string
	for l, err := range manifest.Read(strings.NewReader(text), o) {
		if err != nil {
			got = append(got, err.Error())
			continue
		}
		s := fmt.Sprintf("%d %s %q", l.Number, l.Digest, l.Path)
		for _, why := range l.Reasons {
			s += " " + string(why)
		}
		for _, r := range l.Others {
			s += fmt.Sprintf(" or %q", r.Path)
			for _, why := range r.Reasons {
				s += " " + string(why)
			}
		}
		got = append(got, s)
	}
	return got
}

// Section numbers are RFC 8493's.
func TestRead(t *testing.T) {
	cases := []struct {
		name string
		text string
		alg  fixity.Algorithm
		rule manifest.Rule
		want []string
	}{
		{"4: the first example", m1 + " data/27613-h/images/q172.png\n" + m2 + " data/27613-h/images/q172.txt\n", "md5", manifest.BagRule,
			[]string{`1 md5:` + m1 + ` "data/27613-h/images/q172.png"`, `2 md5:` + m2 + ` "data/27613-h/images/q172.txt"`}},
		{"4: the second example", "102b0e6effe208ef9b29864946de9e22 data/23364a.tif\n", "md5", manifest.BagRule,
			[]string{`1 md5:102b0e6effe208ef9b29864946de9e22 "data/23364a.tif"`}},
		{"2.1.3: blanks and tabs", m1 + " \t  data/a b \n", "md5", manifest.BagRule, []string{`1 md5:` + m1 + ` "data/a b "`}},
		{"2.1.3: either case", strings.ToUpper(m1) + " data/a", "md5", manifest.BagRule, []string{`1 md5:` + m1 + ` "data/a"`}},
		{"2.1.3: three codes and no other", m1 + " data/%0A%0d%25%2F%\n", "md5", manifest.BagRule, []string{`1 md5:` + m1 + ` "data/\n\r%%2F%" bare-percent`}},
		{"before 1.0", m1 + " data/%0A%25\n", "md5", manifest.OldBagRule, []string{`1 md5:` + m1 + ` "data/%0A%25" or "data/\n%25" percent-coding`}},
		{"6.1.3: star", m1 + " *data/a\n", "md5", manifest.BagRule, []string{`1 md5:` + m1 + ` "data/a" star or "*data/a"`}},
		{"folder: star", m1 + " *a\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "a" star or "*a"`}},
		{"folder: two blanks and a star", m1 + "  *a\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "*a" or "a" star`}},
		{"folder: three blanks", m1 + "   a\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` " a" or "a" blanks`}},
		{"folder: a name of blanks", m1 + "    \n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "  "`}},
		{"folder: one blank", m1 + " a\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "a"`}},
		{"folder: percent-coding", m1 + "  a%25\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "a%" or "a%25" percent-coding`}},
		{"folder: dot and slash, once", m1 + "  ././a\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "./a" dot-slash`}},
		{"folder: backslash", m1 + `  a\b` + "\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "a\\b" or "a/b" backslash`}},
		{"list: no percent-coding", m1 + "  a%25\n", "", manifest.ListRule, []string{`1 md5:` + m1 + ` "a%25"`}},
		{"list: a digest alone", m1 + "\n", "md5", manifest.ListRule, []string{`1 md5:` + m1 + ` "" digest-only`}},
		{"list: comments and empty lines", "; a\n#b\n\n" + m1 + "  a\n", "md5", manifest.ListRule, []string{`4 md5:` + m1 + ` "a"`}},
		{"tagged", "MD5 (a (b) = c) = " + m1 + "\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "a (b) = c" tagged`}},
		{"tagged, another spelling", "SHA2-256(a)= " + strings.Repeat("AB", 32) + "\n", "", manifest.ListRule, []string{`1 sha256:` + strings.Repeat("ab", 32) + ` "a" tagged`}},
		{"tagged and escaped", `\MD5 (a\\b\n) = ` + m1 + "\n", "", manifest.ListRule, []string{`1 md5:` + m1 + ` "a\\b\n" escaped tagged`}},
		{"escaped", `\` + m1 + `  a\\b\nc\r%0A` + "\n", "md5", manifest.FolderRule, []string{`1 md5:` + m1 + ` "a\\b\nc\r%0A" escaped`}},
		{"wrongly escaped", `\` + m1 + `  a\b` + "\n", "md5", manifest.FolderRule, []string{`line 1: its name holds a "\" that stands for nothing`}},
		{"no path", m1 + "\n" + m1 + " \t\n", "md5", manifest.FolderRule, []string{"line 1: it names no file", "line 2: it names no file"}},
		{"no digest", "hello world\n", "md5", manifest.FolderRule, []string{"line 1: it doesn't begin with a digest and a blank"}},
		{"a digest and no blank", m1 + "/a\n", "md5", manifest.FolderRule, []string{"line 1: it doesn't begin with a digest and a blank"}},
		{"an odd number of digits", m1[1:] + "  a\n", "md5", manifest.FolderRule, []string{"line 1: md5 digest \"" + m1[1:] + "\" is not hexadecimal"}},
		{"a digest of no known length", "abcd  a\n", "", manifest.ListRule, []string{"line 1: no known digest has 4 hexadecimal digits"}},
		{"NUL", m1 + "  a\x00b\n", "md5", manifest.FolderRule, []string{"line 1: it holds a NUL"}},
		{"2.3: line ends", m1 + " a\r\n" + m1 + " b\r" + m1 + " c\n\r" + m1 + " d", "md5", manifest.BagRule,
			[]string{`1 md5:` + m1 + ` "a"`, `2 md5:` + m1 + ` "b"`, `3 md5:` + m1 + ` "c"`, `5 md5:` + m1 + ` "d"`}},
		{"empty", "", "md5", manifest.BagRule, nil},
		{"too long", m1 + "  " + strings.Repeat("a", manifest.MaxLineBytes) + "\n" + m2 + "  b\n", "md5", manifest.FolderRule,
			[]string{fmt.Sprintf("line 1: the line is longer than %d bytes", manifest.MaxLineBytes), `2 md5:` + m2 + ` "b"`}},
		{"too long, without an end", m1 + "  b\n" + strings.Repeat("a", 3*manifest.MaxLineBytes), "md5", manifest.FolderRule,
			[]string{`1 md5:` + m1 + ` "b"`, fmt.Sprintf("line 2: the line is longer than %d bytes", manifest.MaxLineBytes)}},
		{"as long as can be", m1 + "  " + strings.Repeat("a", manifest.MaxLineBytes-34), "md5", manifest.FolderRule,
			[]string{fmt.Sprintf(`1 md5:%s %q`, m1, strings.Repeat("a", manifest.MaxLineBytes-34))}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, readAll(c.text, manifest.ReadOptions{Algorithm: c.alg, Rule: c.rule})); diff != "" {
				t.Error(diff)
			}
			// The same however the bytes arrive.
			var slow []error
			for _, err := range manifest.Read(iotest.OneByteReader(strings.NewReader(c.text)), manifest.ReadOptions{Algorithm: c.alg, Rule: c.rule}) {
				slow = append(slow, err)
			}
			if len(c.text) < 1000 && len(slow) != len(c.want) {
				t.Errorf("%d lines when the bytes come one by one", len(slow))
			}
		})
	}
}

func TestReadFails(t *testing.T) {
	why := errors.New("no more")
	r := io.MultiReader(strings.NewReader(m1+"  a\n"+m2+"  b"), iotest.ErrReader(why))
	n := 0
	var last error
	for _, err := range manifest.Read(r, manifest.ReadOptions{Algorithm: fixity.MD5}) {
		n, last = n+1, err
	}
	if n != 2 || last != why {
		t.Errorf("%d, %v", n, last)
	}
}

// repeated gives text n times.
type repeated struct {
	text string
	n    int
	rest string
}

func (r *repeated) Read(p []byte) (int, error) {
	if r.rest == "" {
		if r.n == 0 {
			return 0, io.EOF
		}
		r.n--
		r.rest = r.text
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

// A manifest of a million lines streams; so does one line that never ends.
func TestReadIsBounded(t *testing.T) {
	const most = 4 << 20
	less := 1
	if testing.Short() {
		less = 16
	}
	line := strings.Repeat("ab", 32) + "  QV-0107/" + strings.Repeat("a", 80) + ".wav\n"
	for _, c := range []struct {
		name  string
		r     io.Reader
		lines int
	}{
		{"a million lines", &repeated{text: line, n: 1e6 / less}, 1e6 / less},
		{"one line of 256 MiB", &repeated{text: strings.Repeat("a", 1<<20), n: 256 / less}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			var before, now runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			n, peak := 0, uint64(0)
			for range manifest.Read(c.r, manifest.ReadOptions{Algorithm: fixity.SHA256}) {
				if n++; n%(200_000/less) == 0 || c.lines == 1 {
					runtime.GC()
					runtime.ReadMemStats(&now)
					peak = max(peak, now.HeapAlloc)
				}
			}
			if n != c.lines {
				t.Fatalf("%d lines", n)
			}
			if peak > before.HeapAlloc+most {
				t.Errorf("the heap grew by %d bytes", peak-before.HeapAlloc)
			}
		})
	}
}

// seeds are the lists in testdata/lists; none is a failure.
func seeds(t testing.TB) map[string]string {
	t.Helper()
	names, err := filepath.Glob("testdata/lists/*.txt")
	if err != nil || len(names) < 10 {
		t.Fatalf("%d seeds: %v", len(names), err)
	}
	got := map[string]string{}
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		got[n] = string(b)
	}
	return got
}

// Each seed holds at least one line that can be read by some rule.
func TestSeeds(t *testing.T) {
	for name, text := range seeds(t) {
		n := 0
		for _, rule := range []manifest.Rule{manifest.FolderRule, manifest.BagRule, manifest.OldBagRule, manifest.ListRule} {
			for _, err := range manifest.Read(strings.NewReader(text), manifest.ReadOptions{Rule: rule}) {
				if err == nil {
					n++
				}
			}
		}
		if n == 0 {
			t.Errorf("%s: no line", name)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, text := range seeds(f) {
		for rule := range byte(4) {
			f.Add([]byte(text), rule)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte, rule byte) {
		last := 0
		for l, err := range manifest.Read(bytes.NewReader(text), manifest.ReadOptions{Rule: manifest.Rule(rule % 4)}) {
			if err != nil {
				if l.Path != "" || !l.Digest.IsZero() {
					t.Fatalf("something came with an error: %+v %v", l, err)
				}
				continue
			}
			if l.Number <= last {
				t.Fatalf("line %d after line %d", l.Number, last)
			}
			last = l.Number
			if l.Digest.IsZero() {
				t.Fatal("no digest")
			}
			again(t, l)
		}
	})
}

// again prints a line and reads it back.
func again(t *testing.T, l manifest.Line) {
	t.Helper()
	var b bytes.Buffer
	w := manifest.NewWriter(&b, l.Digest.Algorithm)
	if err := w.Add(l.Path, l.Digest); err != nil {
		return // a path that is never written
	}
	if _, err := w.Finish(); err != nil {
		t.Fatal(err)
	}
	first := b.String()
	n := 0
	for got, err := range manifest.Read(&b, manifest.ReadOptions{Algorithm: l.Digest.Algorithm, Rule: manifest.FolderRule}) {
		n++
		if err != nil || got.Path != l.Path || got.Digest != l.Digest || len(got.Reasons) > 0 {
			t.Fatalf("%q became %q: %+v %v", l.Path, first, got, err)
		}
	}
	if n != 1 {
		t.Fatalf("%q became %d lines", l.Path, n)
	}
}

func FuzzPath(f *testing.F) {
	for _, p := range []string{"a", "50%", "a\r\nb", "%0A", "%25", "%%", "../a", "/a", "~/a", `C:\a`, `\\?\C:\a`, "con", "a/../b", "a\x00b", "Nu\u0301", " a ", "*a", "./a"} {
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, p string) {
		code := manifest.Encode(p)
		if strings.ContainsAny(code, "\r\n") {
			t.Fatalf("%q holds a line end", code)
		}
		if got, bare := manifest.Decode(code); got != p || bare {
			t.Fatalf("%q, %q, %q", p, code, got)
		}
		for _, system := range []string{"linux", "windows"} {
			why, always := manifest.Leaves(p, system)
			if always && why == "" {
				t.Fatal("no reason")
			}
			if why == "" && filepath.IsAbs(p) {
				t.Fatalf("%q is absolute", p)
			}
		}
		if filepath.IsLocal(p) || strings.Contains(p, "\x00") {
			return
		}
		if why, _ := manifest.Leaves(p, "linux"); why == "" && p != "" {
			t.Fatalf("%q leads out", p)
		}
	})
}
