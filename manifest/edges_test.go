package manifest_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
)

// Which paths lead out, and where: always on every system, or on one that has such names
// (RFC 8493, sections 5.1 and 6.1.2).
func TestLeaves(t *testing.T) {
	const absolute, up, drive, device, stream, home = "the path is absolute", `the path has a part ".."`, "the path begins with a drive letter", "the path names a device", "the path names a stream", "the path begins with a home folder"
	for _, c := range []struct{ path, linux, windows string }{ // a "!" before a reason: always
		{"", "", ""}, {"a", "", ""}, {"a/b", "", ""}, {"..a", "", ""}, {"a..", "", ""}, {"a/...", "", ""},
		{"/a", "!" + absolute, "!" + absolute}, {"..", "!" + up, "!" + up}, {"a/..", "!" + up, "!" + up}, {"a/../b", "!" + up, "!" + up},
		{`a\..`, up, "!" + up}, {`..\a`, up, "!" + up}, {`\a`, absolute, "!" + absolute}, {`a\b`, "", ""},
		{"C:/a", drive, "!" + drive}, {`c:\a`, drive, "!" + drive}, {"z:/a", drive, "!" + drive}, {"Z:/a", drive, "!" + drive}, {"a:/b", drive, "!" + drive}, {"A:/b", drive, "!" + drive},
		{"C:", "", "!" + drive}, {"C:a", "", "!" + drive}, {"C", "", ""}, {":a", "", "!" + stream}, {"1:/a", "", "!" + stream}, {"@:/a", "", "!" + stream}, {"[:/a", "", "!" + stream}, {"`:/a", "", "!" + stream}, {"{:/a", "", "!" + stream}, {"aa:/b", "", "!" + stream},
		{"~", home, home}, {"~/a", home, home}, {`~\a`, home, home}, {"~a/b", home, home}, {"~a", "", ""}, {"a~/b", "", ""},
		{"con", "", "!" + device}, {"a/NUL.wav", "", "!" + device}, {`a\AUX`, "", "!" + device}, {"prn .txt", "", "!" + device}, {"CONIN$", "", "!" + device}, {"conout$", "", "!" + device}, {"console", "", ""},
		{"com1", "", "!" + device}, {"COM9.a", "", "!" + device}, {"lpt5", "", "!" + device}, {"com¹", "", "!" + device}, {"lpt²", "", "!" + device}, {"com³", "", "!" + device},
		{"com0", "", ""}, {"com:", "", "!" + stream}, {"com", "", ""}, {"com10", "", ""}, {"coma", "", ""}, {"com⁴", "", ""},
	} {
		for system, want := range map[string]string{"linux": c.linux, "windows": c.windows} {
			why, always := manifest.Leaves(c.path, system)
			if got := map[bool]string{true: "!", false: ""}[always] + why; got != want {
				t.Errorf("%q on %s: %q, want %q", c.path, system, got, want)
			}
		}
	}
}

func TestDecode(t *testing.T) {
	for _, c := range []struct {
		s, want string
		bare    bool
	}{
		{"a", "a", false}, {"%25", "%", false}, {"%0a%0D", "\n\r", false}, {"%2", "%2", true}, {"%", "%", true}, {"%%25", "%%", true}, {"%25%", "%%", true},
		{"%0", "%0", true}, {"a%0Ab", "a\nb", false}, {"%0B", "%0B", true}, {"%250A", "%0A", false}, {"%2F", "%2F", true},
	} {
		if got, bare := manifest.Decode(c.s); got != c.want || bare != c.bare {
			t.Errorf("%q: %q, %t", c.s, got, bare)
		}
	}
}

// Names of manifests, and of algorithms (RFC 8493, section 2.4).
func TestNames(t *testing.T) {
	for _, c := range []struct {
		name      string
		a         fixity.Algorithm
		exact, ok bool
	}{
		{"manifest-md5.txt", "md5", true, true}, {"Manifest-SHA256.TXT", "sha256", false, true}, {"manifest-sha-256.txt", "sha256", false, true}, {"manifest-sha2-256.txt", "sha256", false, true},
		{"manifest-x.txt", "", false, true}, {"manifest-.txt", "", false, false}, {"manifest-md5.tx", "", false, false}, {"manifest-md 5.txt", "", false, false}, {"manifest-m\td5.txt", "", false, false}, {"manifest-a/md5.txt", "", false, false},
		{"tagmanifest-md5.txt", "", false, false}, {"manifest", "", false, false}, {"xanifest-md5.txt", "", false, false}, {"manifest-md5xtxt", "", false, false}, {"manifest-crc32c.txt", "", false, true},
	} {
		if a, exact, ok := manifest.ParseName(c.name); a != c.a || exact != c.exact || ok != c.ok {
			t.Errorf("%s: %q, %t, %t", c.name, a, exact, ok)
		}
	}
	if a, exact, ok := manifest.ParseTagName("tagmanifest-sha512.txt"); a != fixity.SHA512 || !exact || !ok {
		t.Errorf("%q, %t, %t", a, exact, ok)
	}
	for word, want := range map[string]fixity.Algorithm{"SHA-256": "sha256", "sha2-512": "sha512", "SHA2": "", "sha2-1": "", "MD5": "md5", "md-5": "md5", "sha_224": "sha224", "BLAKE3": "blake3", "[sha1]": "sha1", "Zmd5": "", "zmd5": "", "Amd5": "", "md59": "", "0md5": "", "": ""} {
		if got := manifest.ParseAlgorithm(word); got != want {
			t.Errorf("%q is %q, want %q", word, got, want)
		}
	}
}

func TestReadAtItsBounds(t *testing.T) {
	s2 := strings.Repeat("ab", 32)
	for _, c := range []struct {
		name string
		text string
		alg  fixity.Algorithm
		rule manifest.Rule
		want []string
	}{
		{"a digest's length may fit two", s2 + "  a", "", manifest.ListRule, []string{"1 sha256:" + s2 + ` "a" ambiguous`}},
		{"its algorithm is told", s2 + "  a", "sha256", manifest.ListRule, []string{"1 sha256:" + s2 + ` "a"`}},
		{"tagged by another algorithm", "SHA1 (a) = " + m1, "md5", manifest.ListRule, []string{"line 1: its digest is by sha1 in a list of md5"}},
		{"tagged, no name", "MD5 () = " + m1, "", manifest.ListRule, []string{"line 1: it names no file"}},
		{"tagged, a bad digest", "MD5 (a) = xy", "", manifest.ListRule, []string{`line 1: md5 digest "xy" is not hexadecimal`}},
		{"tagged, of no algorithm", "NO (a) = " + m1, "", manifest.ListRule, []string{"line 1: it doesn't begin with a digest and a blank"}},
		{"tagged, without =", "MD5 (a) " + m1, "", manifest.ListRule, []string{"line 1: it doesn't begin with a digest and a blank"}},
		{"tagged, closed before it opens", "MD5 )a( = " + m1, "", manifest.ListRule, []string{"line 1: it doesn't begin with a digest and a blank"}},
		{"tagged, with nothing before", "(a) = " + m1, "", manifest.ListRule, []string{"line 1: it doesn't begin with a digest and a blank"}},
		{"tagged, wrongly escaped", `\MD5 (a\x) = ` + m1, "", manifest.ListRule, []string{`line 1: its name holds a "\" that stands for nothing`}},
		{"tagged, with a dot and slash", "MD5 (./a) = " + m1, "", manifest.ListRule, []string{"1 md5:" + m1 + ` "a" tagged dot-slash`}},
		{"tagged, a blank after the digest", "MD5 (a) =\t" + m1 + " ", "", manifest.ListRule, []string{"1 md5:" + m1 + ` "a" tagged`}},
		{"tagged, a % stays", "MD5 (a%25) = " + m1, "", manifest.FolderRule, []string{"1 md5:" + m1 + ` "a%25" tagged`}},
		{"escaped, no name", `\` + m1 + "  *", "md5", manifest.ListRule, []string{"line 1: it names no file"}},
		{"escaped, ends in its escape", `\` + m1 + `  a\`, "md5", manifest.ListRule, []string{`line 1: its name holds a "\" that stands for nothing`}},
		{"escaped and starred", `\` + m1 + ` *a\\b`, "md5", manifest.ListRule, []string{"1 md5:" + m1 + ` "a\\b" escaped`}},
		{"a blank and a star alone", m1 + " *", "md5", manifest.FolderRule, []string{"1 md5:" + m1 + ` "*"`}},
		{"a tab between", m1 + "\t\ta", "md5", manifest.FolderRule, []string{"1 md5:" + m1 + ` "a"`}},
		{"two blanks, a name of one", m1 + "   ", "md5", manifest.FolderRule, []string{"1 md5:" + m1 + ` " "`}},
		{"list: blanks alone", m1 + "    ", "md5", manifest.ListRule, []string{"1 md5:" + m1 + ` "" digest-only`}},
		{"bag: blanks alone", m1 + "    ", "md5", manifest.BagRule, []string{"line 1: it names no file"}},
		{"a star and backslashes", m1 + ` *a\b`, "md5", manifest.ListRule, []string{"1 md5:" + m1 + ` "a\\b" star or "*a\\b" or "a/b" star backslash`}},
		{"old bags: a bare %", m1 + " data/%", "md5", manifest.OldBagRule, []string{"1 md5:" + m1 + ` "data/%"`}},
		{"old bags: nothing is coded", m1 + " data/%25", "md5", manifest.OldBagRule, []string{"1 md5:" + m1 + ` "data/%25"`}},
		{"a comment in a manifest", "# a\n" + m1 + "  a", "md5", manifest.FolderRule, []string{"line 1: it doesn't begin with a digest and a blank", "2 md5:" + m1 + ` "a"`}},
		{"a % at its beginning", m1 + "  %25", "md5", manifest.FolderRule, []string{"1 md5:" + m1 + ` "%" or "%25" percent-coding`}},
		{"NUL at its beginning", "\x00" + m1 + "  a", "md5", manifest.FolderRule, []string{"line 1: it holds a NUL"}},
		{"UTF-8 with a mark", "\xef\xbb\xbf" + m1 + "  a", "md5", manifest.FolderRule, []string{"1 md5:" + m1 + ` "a"`}},
		{"UTF-16", "\xff\xfe" + wide(m1+"  a", false), "md5", manifest.FolderRule, []string{"1 md5:" + m1 + ` "a"`}},
		{"UTF-16, the other way round", "\xfe\xff" + wide(m1+"  a", true), "md5", manifest.ListRule, []string{"1 md5:" + m1 + ` "a"`}},
		{"a mark in a bag", "\xef\xbb\xbf" + m1 + " a", "md5", manifest.BagRule, []string{"line 1: it doesn't begin with a digest and a blank"}},
		{"a digest's digits", "0123456789abcdefABCDEF0123456789 a\n/123456789abcdefABCDEF0123456789 a\n:123456789abcdefABCDEF0123456789 a\n`123456789abcdefABCDEF0123456789 a\ng123456789abcdefABCDEF0123456789 a\nG123456789abcdefABCDEF0123456789 a\n@123456789abcdefABCDEF0123456789 a",
			"md5", manifest.BagRule, append([]string{"1 md5:0123456789abcdefabcdef0123456789 \"a\""}, slices.Collect(func(yield func(string) bool) {
				for n := 2; n <= 7; n++ {
					if !yield(fmt.Sprintf("line %d: it doesn't begin with a digest and a blank", n)) {
						return
					}
				}
			})...)},
	} {
		if diff := cmp.Diff(c.want, readAll(c.text, manifest.ReadOptions{Algorithm: c.alg, Rule: c.rule})); diff != "" {
			t.Errorf("%s: %s", c.name, diff)
		}
	}
	told := ""
	o := manifest.ReadOptions{Algorithm: "md5", Rule: manifest.ListRule, Warn: func(why manifest.Reason, line int) { told += fmt.Sprintf("%s %d, ", why, line) }}
	readAll("\xef\xbb\xbf# x\n \t\n;\n"+m1+"  a", o)
	if want := "byte-order-mark 1, comment 1, blank-line 2, comment 3, "; told != want {
		t.Errorf("told %s, want %s", told, want)
	}
}

// wide is ASCII in UTF-16.
func wide(s string, big bool) string {
	var b strings.Builder
	for i := range len(s) {
		if big {
			b.WriteString("\x00" + s[i:i+1])
		} else {
			b.WriteString(s[i:i+1] + "\x00")
		}
	}
	return b.String()
}

func TestTextLines(t *testing.T) {
	for _, c := range []struct {
		text string
		want []string
	}{
		{"", nil}, {"\n", []string{""}}, {"\r\n", []string{""}}, {"\r\r\n\n", []string{"", "", ""}}, {"a\rb", []string{"a", "b"}}, {"a\r", []string{"a"}}, {"a\n\r\nb", []string{"a", "", "b"}},
	} {
		for name, r := range map[string]io.Reader{"whole": strings.NewReader(c.text), "one by one": iotest.OneByteReader(strings.NewReader(c.text))} {
			var got []string
			for l, err := range manifest.TextLines(r) {
				if err != nil {
					t.Error(err)
				}
				got = append(got, l)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("%q, %s: %q", c.text, name, got)
			}
		}
	}
	long := "a\n" + strings.Repeat("b", manifest.MaxLineBytes+1) + "\nc"
	var at []int
	for _, err := range manifest.TextLines(strings.NewReader(long)) {
		var bad *manifest.LineError
		if errors.As(err, &bad) {
			at = append(at, bad.Line)
		}
	}
	if !slices.Equal(at, []int{2}) {
		t.Errorf("too long are lines %v", at)
	}
	why := errors.New("no more")
	for _, n := range []int{0, 2, 3, 5} {
		r, head := manifest.Head(io.MultiReader(strings.NewReader("abc"), iotest.ErrReader(why)), n)
		all, err := io.ReadAll(r)
		if string(head) != "abc"[:min(n, 3)] || string(all) != "abc" || err != why {
			t.Errorf("the first %d: %q, then %q, %v", n, head, all, err)
		}
		if r, head := manifest.Head(strings.NewReader("abc"), n); string(head) != "abc"[:min(n, 3)] {
			t.Errorf("the first %d: %q", n, head)
		} else if all, err := io.ReadAll(r); string(all) != "abc" || err != nil {
			t.Errorf("behind the first %d: %q, %v", n, all, err)
		}
	}
}

func TestConclude(t *testing.T) {
	for name, c := range map[string]struct {
		kinds           []manifest.Kind
		finished        bool
		valid, complete bool
	}{
		"nothing wrong":             {nil, true, true, true},
		"not finished":              {nil, false, false, false},
		"altered":                   {[]manifest.Kind{manifest.Altered}, true, false, true},
		"altered, and more missing": {[]manifest.Kind{manifest.Altered, manifest.Missing}, true, false, false},
		"of a kind that is none":    {[]manifest.Kind{"x"}, true, false, false},
	} {
		var r manifest.Result
		for _, k := range c.kinds {
			r.Problems = append(r.Problems, manifest.Problem{Kind: k})
		}
		if r.Conclude(c.finished); r.Valid != c.valid || r.Complete != c.complete {
			t.Errorf("%s: valid %t, complete %t", name, r.Valid, r.Complete)
		}
	}
	var r manifest.Result
	order := []fixity.Cache{fixity.Bypassed, fixity.Dropped, fixity.Unknown, fixity.Allowed}
	for i, c := range append(slices.Clone(order), fixity.Bypassed) {
		r.AddRead(3, c)
		if want := order[min(i, 3)]; r.Cache != want || r.Read != i+1 || r.Bytes != int64(3*(i+1)) {
			t.Errorf("after %s: %+v", c, r)
		}
	}
	for _, k := range manifest.Kinds {
		if k.Kind.Means() != k.Means || k.Kind.Incomplete() != k.Incomplete {
			t.Errorf("%s means %q", k.Kind, k.Kind.Means())
		}
	}
	if manifest.Kind("x").Means() != "" {
		t.Error("what no kind means")
	}
}

func TestWarningAsASentence(t *testing.T) {
	means := func(r manifest.Reason) string {
		return manifest.Reasons[slices.IndexFunc(manifest.Reasons, func(t manifest.ReasonTerm) bool { return t.Reason == r })].Means
	}
	for _, c := range []struct {
		w    manifest.Warning
		want string
	}{
		{manifest.Warning{Reason: manifest.Star}, means(manifest.Star)},
		{manifest.Warning{Reason: "x"}, "x"},
		{manifest.Warning{Reason: manifest.Star, File: "m.txt", Line: 3}, "m.txt, line 3: " + means(manifest.Star)},
		{manifest.Warning{Reason: manifest.Star, File: "m.txt"}, "m.txt: " + means(manifest.Star)},
		{manifest.Warning{Reason: manifest.Star, Line: 3}, means(manifest.Star)},
		{manifest.Warning{Reason: manifest.Star, File: "m.txt", Path: "m.txt"}, "m.txt: " + means(manifest.Star)},
		{manifest.Warning{Reason: manifest.Star, File: "m.txt", Path: "a"}, `m.txt, "a": ` + means(manifest.Star)},
		{manifest.Warning{Reason: manifest.Star, Path: "a", More: 1, Detail: "b"}, `"a" (and 1 more): ` + means(manifest.Star) + ": b"},
		{manifest.Warning{Reason: manifest.Star, File: "m 1.txt"}, `"m 1.txt": ` + means(manifest.Star)},
		{manifest.Warning{Reason: manifest.Star, File: "m\n"}, `"m\n": ` + means(manifest.Star)},
	} {
		if got := c.w.String(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestWarningsAreGathered(t *testing.T) {
	var g manifest.Warnings
	if got := g.List(); got == nil || len(got) != 0 {
		t.Errorf("none: %v", got)
	}
	for _, line := range []int{5, 3, 3, 9} { // once a list, by its first line
		g.Add(manifest.Warning{Reason: manifest.Star, File: "m", Line: line})
	}
	for _, w := range []manifest.Warning{{File: "p", Line: 3, Path: "x"}, {File: "p", Line: 3, Path: "y"}, {File: "q"}, {File: "r"}} { // the first of a line; a list each
		w.Reason = manifest.Recoded
		g.Add(w)
	}
	for i := range manifest.MaxTold + 2 { // each, up to a bound
		g.Add(manifest.Warning{Reason: manifest.Case, File: "n", Line: i + 1})
	}
	for i := range manifest.MaxTold + 1 { // about files, which aren't lists
		g.Add(manifest.Warning{Reason: manifest.Clash, File: fmt.Sprint("f", i)})
	}
	count, more := map[manifest.Reason]int{}, map[manifest.Reason]int{}
	for _, w := range g.List() {
		count[w.Reason]++
		more[w.Reason] += w.More
		if w.Reason == manifest.Recoded && w.Path == "y" {
			t.Errorf("the second of a line is told: %+v", w)
		}
		if w.Reason == manifest.Star && w.Line != 3 {
			t.Errorf("the first line is %d", w.Line)
		}
		if w.Reason == manifest.Case && (w.More > 0) != (w.Line == manifest.MaxTold) {
			t.Errorf("%+v", w)
		}
	}
	if d := cmp.Diff(map[manifest.Reason]int{manifest.Star: 1, manifest.Recoded: 3, manifest.Case: manifest.MaxTold, manifest.Clash: manifest.MaxTold}, count); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(map[manifest.Reason]int{manifest.Star: 3, manifest.Recoded: 1, manifest.Case: 2, manifest.Clash: 1}, more); d != "" {
		t.Error(d)
	}
}

func TestClashes(t *testing.T) {
	var c manifest.Clashes
	for _, x := range []struct {
		path, other string
		form        bool
	}{
		{"A/x", "", false}, {"A/y", "", false}, {"B", "", false}, {"a/x", "A", false}, {"a/y", "", false}, {"b", "B", false},
		{"d/N\u00fa", "", false}, {"d/Nu\u0301", "d/N\u00fa", true}, {"d/n\u00da", "d/N\u00fa", false}, {"e/Nu\u0301", "", false}, {"e/\x80A", "", false}, {"e/\x80a", "", false}, {"e/\xff", "", false}, {"e/\xffA", "", false}, {"e/\xffa", "", false}, {"f/\u1100\u1161\u11a8", "", false}, {"f/\uac01", "f/\u1100\u1161\u11a8", true},
	} {
		if other, form := c.Add(x.path); other != x.other || form != x.form {
			t.Errorf("%q: %q, %t", x.path, other, form)
		}
	}
}

func TestWhatALineMayName(t *testing.T) {
	line := func(path string, others ...string) manifest.Line {
		l := manifest.Line{Interpretation: manifest.Interpretation{Path: path}}
		for _, o := range others {
			l.Others = append(l.Others, manifest.Interpretation{Path: o})
		}
		return l
	}
	var n manifest.Names
	if n.May(line("a")) || n.Len() != 0 {
		t.Error("nothing lies there")
	}
	n.Add(fixity.Entry{Path: "A/b/c.wav"})
	if n.May(line("l/a")) {
		t.Error("below what isn't there")
	}
	n.Add(fixity.Entry{Path: "A/b/d.wav"})
	n.Add(fixity.Entry{Path: "l", Type: fixity.Link})
	if n.Len() != 5 {
		t.Errorf("%d names", n.Len())
	}
	for _, c := range []struct {
		l    manifest.Line
		want bool
	}{
		{line("A/b/c.wav"), true}, {line("a/B/C.WAV"), true}, {line("A/b"), true}, {line("A/b/"), true}, {line("A"), true}, {line("A/b/x.wav"), false}, {line("x"), false}, {line(""), false},
		{line("l/a"), true}, {line("l/a/b"), true}, {line("L/a"), true}, {line("k/l/a"), false}, {line("x", "y", "A"), true}, {line("x", "y"), false},
	} {
		if n.May(c.l) != c.want {
			t.Errorf("%+v: %t", c.l, !c.want)
		}
	}
}

func TestWriterRefuses(t *testing.T) {
	d := fixity.DigestOf(fixity.MD5, make([]byte, 16))
	for path, says := range map[string]string{"": "names no file", "a/": "names no file", "a\x00b": "NUL", "\x00b": "NUL", "./a": `begins with "./"`, "/a": "absolute", "a/../b": `".."`, "ok": ""} {
		var b bytes.Buffer
		w := manifest.NewWriter(&b, fixity.MD5)
		err := w.Add(path, d)
		if (err != nil) != (says != "") || err != nil && !strings.Contains(err.Error(), says) || (w.Lines() == 1) != (err == nil) {
			t.Errorf("%q: %v, %d lines", path, err, w.Lines())
		}
	}
	w := manifest.NewWriter(io.Discard, fixity.MD5)
	for _, c := range []struct {
		path string
		ok   bool
	}{{"b", true}, {"b", false}, {"a", false}, {"c%", true}} {
		if err := w.Add(c.path, d); (err == nil) != c.ok {
			t.Errorf("%q: %v", c.path, err)
		}
	}
	if err := w.Add("d", fixity.DigestOf(fixity.SHA1, make([]byte, 20))); err == nil {
		t.Error("a digest by another algorithm is written")
	}
	if err := w.Add("d", fixity.Digest{}); err == nil {
		t.Error("no digest is written")
	}
	warned, err := w.Finish()
	if err != nil || len(warned) != 1 || warned[0].Line != 2 || warned[0].Path != "c%" {
		t.Errorf("%+v, %v", warned, err)
	}
}
