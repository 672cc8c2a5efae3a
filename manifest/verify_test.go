package manifest_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
)

// Each case is one folder; section numbers are RFC 8493's.
func TestVerify(t *testing.T) {
	a, b := s256("A"), s256("B")
	const list = "manifest-sha256.txt"
	cases := []struct {
		name     string
		files    map[string]string
		types    map[string]fixity.Type
		system   string
		problems []string
		warnings []string
		complete bool
	}{
		{name: "all is well", files: map[string]string{list: a + "  a.wav\n" + b + "  sub/b.wav\n", "a.wav": "A", "sub/b.wav": "B"}, complete: true},
		{name: "lines in any order", files: map[string]string{list: b + "  z/b.wav\n" + a + "  a.wav\n", "a.wav": "A", "z/b.wav": "B"}, complete: true},
		{name: "the root's files and folders interleave", files: map[string]string{
			list:    a + "  a-z/1\n" + a + "  a.wav\n" + a + "  a/1\n" + a + "  ab\n" + a + "  b/1\n",
			"a-z/1": "A", "a.wav": "A", "a/1": "A", "ab": "A", "b/1": "A"}, complete: true},
		{name: "altered (3)", files: map[string]string{list: a + "  a.wav\n", "a.wav": "X"}, problems: []string{"altered a.wav"}, complete: true},
		{name: "missing (3)", files: map[string]string{list: a + "  a.wav\n" + b + "  b.wav\n", "a.wav": "A"}, problems: []string{"missing b.wav"}},
		{name: "unexpected", files: map[string]string{list: a + "  a.wav\n", "a.wav": "A", "b.wav": "B"}, problems: []string{"unexpected b.wav"}},
		{name: "unexpected beside a folder's own manifest, not below it",
			files:    map[string]string{list: a + "  a.wav\n", "a.wav": "A", "s/a": "1", "s/manifest-md5.txt": "", "s/z/q": "2", "sa": "3"},
			problems: []string{"unexpected sa"}, warnings: []string{"own-manifest"}},
		{name: "below a folder's own manifest", files: map[string]string{list: a + "  a.wav\n", "a.wav": "A", "s/t/a": "1", "s/t/manifest-md5.txt": "", "s/t/u/q": "2"},
			warnings: []string{"own-manifest"}, complete: true},
		{name: "nothing but folders with manifests of their own: nothing was read", files: map[string]string{list: "", "s/t/a": "1", "s/t/manifest-md5.txt": "", "s/t/u/q": "2"},
			problems: []string{"unexpected s/t/"}, warnings: []string{"own-manifest"}},
		{name: "the list is a link", files: map[string]string{"a.wav": "A"}, types: map[string]fixity.Type{list: fixity.Link}, problems: []string{"link " + list}},
		{name: "the list is a FIFO", files: map[string]string{"a.wav": "A"}, types: map[string]fixity.Type{list: fixity.Special}, problems: []string{"special " + list}},
		{name: "the list is a placeholder, and nothing else is there", types: map[string]fixity.Type{list: fixity.Online}, problems: []string{"online " + list}},
		{name: "the list is left out", files: map[string]string{"a.wav": "A"}, types: map[string]fixity.Type{list: fixity.LeftOut}, problems: []string{"no-manifest "}},
		{name: "of two lists one is a link", files: map[string]string{list: a + "  a.wav\n", "a.wav": "A"}, types: map[string]fixity.Type{"manifest-md5.txt": fixity.Link}, problems: []string{"link manifest-md5.txt"}},
		{name: "the list of a folder in it is a link", files: map[string]string{list: a + "  a.wav\n", "a.wav": "A", "s/b": "B"}, types: map[string]fixity.Type{"s/" + list: fixity.Link},
			problems: []string{"unexpected s/b"}, warnings: []string{"not-followed"}},
		{name: "a file below a folder's own manifest that is listed is verified",
			files: map[string]string{list: a + "  s/x\n", "s/x": "B", "s/manifest-md5.txt": ""}, problems: []string{"altered s/x"}, warnings: []string{"own-manifest"}, complete: true},
		{name: "no manifest (2.1.3)", files: map[string]string{"a.wav": "A"}, problems: []string{"no-manifest "}},
		{name: "two manifests, each names some", files: map[string]string{list: a + "  a.wav\n", "manifest-md5.txt": sum(fixity.MD5, "B") + "  b.wav\n", "a.wav": "A", "b.wav": "B"}, complete: true},
		{name: "two manifests disagree", files: map[string]string{list: a + "  a.wav\n", "manifest-md5.txt": sum(fixity.MD5, "B") + "  a.wav\n", "a.wav": "A"},
			problems: []string{"altered a.wav"}, complete: true},
		{name: "unknown algorithm (2.4)", files: map[string]string{list: a + "  a.wav\n", "manifest-crc32.txt": "00000000  a.wav\n", "a.wav": "A"},
			problems: []string{"algorithm manifest-crc32.txt"}},
		{name: "the name of the algorithm as it is commonly spelled (2.4)", files: map[string]string{"manifest-SHA-256.txt": a + "  a.wav\n", "a.wav": "A"},
			warnings: []string{"list-name"}, complete: true},
		{name: "BLAKE3 is an extra", files: map[string]string{"manifest-blake3.txt": ""}, warnings: []string{"not-in-rfc"}, complete: true},
		{name: "listed twice (2.1.3)", files: map[string]string{list: a + "  a.wav\n" + a + "  a.wav\n", "a.wav": "A"}, problems: []string{"listed-twice a.wav"}},
		{name: "listed twice, out of order", files: map[string]string{list: a + "  a.wav\n" + b + "  b.wav\n" + b + "  a.wav\n", "a.wav": "A", "b.wav": "B"},
			problems: []string{"listed-twice a.wav"}},
		{name: "a folder is listed (2.1.3)", files: map[string]string{list: a + "  s\n" + a + "  s/a\n", "s/a": "A"}, problems: []string{"directory s"}},
		{name: "a folder is listed with a slash", files: map[string]string{list: a + "  s/\n" + a + "  s/a\n", "s/a": "A"}, problems: []string{"directory s/"}},
		{name: "a line that can't be read", files: map[string]string{list: a + "  a.wav\nhello\n", "a.wav": "A"}, problems: []string{"line " + list}},
		{name: "a digest that is too short", files: map[string]string{list: a + "  a.wav\n" + b[1:] + "  b\n", "a.wav": "A"}, problems: []string{"line " + list}},
		{name: "blanks begin and end a name", files: map[string]string{list: a + "   a \n", " a ": "A"}, complete: true},
		{name: "a name that begins with a star", files: map[string]string{list: a + "  *a\n", "*a": "A"}, complete: true},
		{name: "more blanks where no name has them (2.1.3)", files: map[string]string{list: a + " \t  a.wav\n", "a.wav": "A"}, warnings: []string{"blanks"}, complete: true},
		{name: "one blank (2.1.3)", files: map[string]string{list: a + " a.wav\n", "a.wav": "A"}, complete: true},
		{name: "one tab (2.1.3)", files: map[string]string{list: a + "\ta.wav\n", "a.wav": "A"}, complete: true},
		{name: "star before the path (6.1.3)", files: map[string]string{list: a + " *a.wav\n", "a.wav": "A"}, warnings: []string{"star"}, complete: true},
		{name: "one blank and a name that begins with a star", files: map[string]string{list: a + " *a\n", "*a": "A"}, complete: true},
		{name: "dot and slash", files: map[string]string{list: a + "  ./a.wav\n", "a.wav": "A"}, warnings: []string{"dot-slash"}, complete: true},
		{name: "escaped form (6.1.3)", files: map[string]string{list: `\` + a + `  a\\b\nc\r%25` + "\n", "a\\b\nc\r%25": "A"}, warnings: []string{"escaped"}, complete: true},
		{name: "tagged form", files: map[string]string{list: "SHA256 (a (1).wav) = " + a + "\n", "a (1).wav": "A"}, warnings: []string{"tagged"}, complete: true},
		{name: "tagged with another algorithm", files: map[string]string{list: "MD5 (a.wav) = " + sum(fixity.MD5, "A") + "\n"}, problems: []string{"line " + list}},
		{name: "percent-coding (2.1.3)", files: map[string]string{list: a + "  a%0ab%0Dc%25d\n", "a\nb\rc%d": "A"}, complete: true},
		{name: "a bare % in a name", files: map[string]string{list: a + "  50%.wav\n", "50%.wav": "A"}, warnings: []string{"bare-percent"}, complete: true},
		{name: "a % that was never coded", files: map[string]string{list: a + "  a%25\n", "a%25": "A"}, warnings: []string{"percent-coding"}, complete: true},
		{name: "backslashes for slashes", files: map[string]string{list: a + " *s\\a.wav\n", "s/a.wav": "A"}, warnings: []string{"backslash", "star"}, complete: true},
		{name: "a backslash in a name", files: map[string]string{list: a + "  s\\a.wav\n", "s\\a.wav": "A"}, complete: true},
		{name: "line ends of all three kinds, digests of either case (2.1.3, 2.3)",
			files: map[string]string{list: a + "  a\r\n" + strings.ToUpper(b) + "  b\r" + a + "  c", "a": "A", "b": "B", "c": "A"}, complete: true},
		{name: "byte order mark", files: map[string]string{list: "\ufeff" + a + "  a\n", "a": "A"}, warnings: []string{"byte-order-mark"}, complete: true},
		{name: "empty line", files: map[string]string{list: a + "  a\n\n", "a": "A"}, warnings: []string{"blank-line"}, complete: true},
		{name: "NFD in the list, NFC on the medium (6.1.1.3)",
			files: map[string]string{list: a + "  N\x75\xcc\x81n\xcc\x83ez\n", "N\xc3\xba\xc3\xb1ez": "A"}, warnings: []string{"normalisation"}, complete: true},
		{name: "NFC in the list, NFD on the medium (6.1.1.3)",
			files: map[string]string{list: a + "  N\xc3\xba\xc3\xb1ez\n", "N\x75\xcc\x81n\xcc\x83ez": "A"}, warnings: []string{"normalisation"}, complete: true},
		{name: "a name by normalisation is judged by its bytes",
			files:    map[string]string{list: a + "  N\xc3\xba\xc3\xb1ez\n", "N\x75\xcc\x81n\xcc\x83ez": "B"},
			problems: []string{"altered N\x75\xcc\x81n\xcc\x83ez"}, warnings: []string{"normalisation"}, complete: true},
		{name: "case (6.1.1.3)", files: map[string]string{list: a + "  QV-0107/A.WAV\n", "QV-0107/a.wav": "A"}, warnings: []string{"case"}, complete: true},
		{name: "two files could be meant", files: map[string]string{list: a + "  a.WAV\n", "a.wav": "A", "A.wav": "A"},
			problems: []string{"unexpected A.wav", "missing a.WAV", "unexpected a.wav"}, warnings: []string{"twin"}},
		{name: "both twins listed, one gone", files: map[string]string{list: a + "  A.wav\n" + a + "  a.wav\n", "a.wav": "A"}, problems: []string{"missing A.wav"}},
		{name: "twins in one folder", files: map[string]string{list: a + "  S/a\n" + a + "  s/b\n", "S/a": "A", "s/b": "A"}, warnings: []string{"twin"}, complete: true},
		{name: "lists of two forms of one name", files: map[string]string{
			list: a + "  N\xc3\xba\n", "manifest-md5.txt": sum(fixity.MD5, "A") + "  Nu\xcc\x81\n", "Nu\xcc\x81": "A"}, warnings: []string{"normalisation"}, complete: true},
		{name: "two odd names for one file", files: map[string]string{list: a + "  A\n" + a + "  ./a\n" + a + "    a\n", "a": "A"},
			problems: []string{"missing A", "listed-twice a"}, warnings: []string{"dot-slash"}},
		{name: "a name that isn't UTF-8", files: map[string]string{list: a + "  a\xff\n", "a\xff": "A"}, complete: true},
		{name: "a link that is listed", files: map[string]string{list: a + "  a\n"}, types: map[string]fixity.Type{"a": fixity.Link}, problems: []string{"link a"}},
		{name: "a FIFO that is listed", files: map[string]string{list: a + "  a\n"}, types: map[string]fixity.Type{"a": fixity.Special}, problems: []string{"special a"}},
		{name: "a placeholder that is listed", files: map[string]string{list: a + "  a\n"}, types: map[string]fixity.Type{"a": fixity.Online}, problems: []string{"online a"}},
		{name: "a link that isn't listed", files: map[string]string{list: ""}, types: map[string]fixity.Type{"a": fixity.Link}, warnings: []string{"not-followed"}, complete: true},
		{name: "a folder became a link", files: map[string]string{list: a + "  s/1\n" + a + "  s/2\n"}, types: map[string]fixity.Type{"s": fixity.Link}, problems: []string{"link s"}},
		{name: "litter", files: map[string]string{list: ""}, types: map[string]fixity.Type{"Thumbs.db": fixity.LeftOut, "x": fixity.LeftOut}, warnings: []string{"left-out"}, complete: true},
		{name: "files of our own", files: map[string]string{list: "", ".firmus-store.studio": "x", "s/.firmus-temp": "x"}, complete: true},
		{name: "absolute path (5.1)", files: map[string]string{list: a + "  /etc/passwd\n"}, problems: []string{"outside /etc/passwd"}},
		{name: "two dots (5.1)", files: map[string]string{list: a + "  ../a\n", "a": "A"}, problems: []string{"outside ../a", "unexpected a"}},
		{name: "two dots further on (5.1)", files: map[string]string{list: a + "  s/../a\n" + a + "  a\n", "a": "A"}, problems: []string{"outside s/../a"}},
		{name: "home folder (5.1)", files: map[string]string{list: a + "  ~/a\n"}, problems: []string{"outside ~/a"}},
		{name: "somebody's home folder (5.1)", files: map[string]string{list: a + "  ~archive/a\n"}, problems: []string{"outside ~archive/a"}},
		{name: "a folder whose name begins so", files: map[string]string{list: a + "  ~old/a\n", "~old/a": "A"}, complete: true},
		{name: "drive letter (5.1)", files: map[string]string{list: a + "  C:\\a\n"}, problems: []string{"outside C:\\a"}},
		{name: "drive letter on Windows", system: "windows", files: map[string]string{list: a + "  C:a\n"}, problems: []string{"outside C:a"}},
		{name: "a colon is a plain character elsewhere", files: map[string]string{list: a + "  A: side\n", "A: side": "A"}, complete: true},
		{name: "device path (5.1)", files: map[string]string{list: a + `  \\?\C:\a` + "\n"}, problems: []string{`outside \\?\C:\a`}},
		{name: "network path", files: map[string]string{list: a + `  \\server\share` + "\n"}, problems: []string{`outside \\server\share`}},
		{name: "network path with slashes", files: map[string]string{list: a + "  //server/share\n"}, problems: []string{"outside //server/share"}},
		{name: "backslashes and two dots", files: map[string]string{list: a + `  s\..\..\a` + "\n"}, problems: []string{`outside s\..\..\a`}},
		{name: "a device's name on Windows (6.1.2)", system: "windows", files: map[string]string{list: a + "  s/nul.wav\n", "s/nul.wav": "A"},
			problems: []string{"unexpected s/nul.wav", "outside s/nul.wav"}},
		{name: "a device's name elsewhere", system: "linux", files: map[string]string{list: a + "  s/nul.wav\n", "s/nul.wav": "A"}, complete: true},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := &fake{files: c.files, types: c.types}
			if c.system == "" {
				c.system = "linux"
			}
			res, err := verify(t, f, manifest.Options{System: c.system})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(append([]string{}, c.problems...), kinds(res)); diff != "" {
				t.Errorf("problems (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(append([]string{}, c.warnings...), reasons(res.Warnings)); diff != "" {
				t.Errorf("warnings (-want +got):\n%s", diff)
			}
			if res.Valid != (len(c.problems) == 0) || res.Complete != c.complete {
				t.Errorf("valid %v, complete %v", res.Valid, res.Complete)
			}
			for _, p := range f.opened {
				if _, ok := f.files[p]; !ok {
					t.Errorf("%q was opened", p)
				}
			}
		})
	}
}

func TestVerifyReadErrors(t *testing.T) {
	const list = "manifest-sha256.txt"
	folder := func() *fake {
		return &fake{files: map[string]string{list: s256("A") + "  a\n" + s256("B") + "  b\n" + s256("C") + "  c\n", "a": "A", "b": "X", "c": "C"}}
	}
	t.Run("the medium won't give the bytes", func(t *testing.T) {
		for _, where := range []string{"open", "read"} {
			f := folder()
			bad := map[string]error{"a": fmt.Errorf("at 0: %w", fixity.ErrUnreadable)}
			if f.open = bad; where == "read" {
				f.open, f.read = nil, bad
			}
			res, err := verify(t, f, manifest.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]string{"unreadable a", "altered b"}, kinds(res)); diff != "" {
				t.Error(diff)
			}
			if res.Valid || !res.Complete || res.Read != 2 {
				t.Errorf("%+v", res)
			}
		}
	})
	t.Run("the list itself can't be read", func(t *testing.T) {
		f := folder()
		f.open = map[string]error{list: fixity.ErrUnreadable}
		res, err := verify(t, f, manifest.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff([]string{"unreadable " + list}, kinds(res)); diff != "" {
			t.Error(diff)
		}
		if res.Valid || res.Complete {
			t.Errorf("%+v", res)
		}
	})
	for _, cause := range []error{fixity.ErrChanged, fixity.ErrVanished, fixity.ErrDenied, fixity.ErrInUse, errors.New("odd")} {
		t.Run(cause.Error(), func(t *testing.T) {
			f := folder()
			f.read = map[string]error{"a": cause}
			res, err := verify(t, f, manifest.Options{})
			if !errors.Is(err, cause) {
				t.Fatalf("error %v", err)
			}
			if diff := cmp.Diff([]string{"altered b"}, kinds(res)); diff != "" {
				t.Error(diff)
			}
			if res.Valid || res.Complete {
				t.Errorf("claimed in spite of %v", err)
			}
		})
	}
	t.Run("the store goes away", func(t *testing.T) {
		f := folder()
		f.open = map[string]error{"b": fixity.ErrAway}
		f.files["d"] = "unexpected"
		res, err := verify(t, f, manifest.Options{})
		if !errors.Is(err, fixity.ErrAway) || len(res.Problems) != 0 || res.Valid || res.Complete || res.Read != 1 {
			t.Errorf("%v %+v", err, res)
		}
	})
	t.Run("an incomplete listing", func(t *testing.T) {
		f := folder()
		f.hidden = map[string]bool{"a": true}
		f.files["d"] = "unexpected"
		f.files["s/x"] = "X"
		f.list = map[string]error{"s": fmt.Errorf("x: %w", fixity.ErrIncomplete)}
		res, err := verify(t, f, manifest.Options{})
		if !errors.Is(err, fixity.ErrIncomplete) || res.Valid || res.Complete {
			t.Errorf("%v %+v", err, res)
		}
		if diff := cmp.Diff([]string{"altered b"}, kinds(res)); diff != "" {
			t.Error(diff)
		}
	})
	t.Run("a listed file is left out by the listing", func(t *testing.T) {
		for path, left := range map[string]string{"a": "a", "s/1": "s"} {
			f := &fake{files: map[string]string{list: s256("A") + "  " + path + "\n"}, types: map[string]fixity.Type{left: fixity.LeftOut}}
			res, err := verify(t, f, manifest.Options{})
			if !errors.Is(err, fixity.ErrIncomplete) || res.Valid || res.Complete || len(res.Problems) > 0 {
				t.Errorf("%v %+v", err, res)
			}
		}
	})
	t.Run("stopped", func(t *testing.T) {
		ctx, cancel := context.WithCancelCause(t.Context())
		why := errors.New("enough")
		f := folder()
		n := 0
		res, err := manifest.Verify(ctx, f, manifest.Options{Progress: func(string, int64) {
			if n++; n == 1 {
				cancel(why)
			}
		}})
		if !errors.Is(err, why) || res.Valid || res.Complete {
			t.Errorf("%v %+v", err, res)
		}
	})
}

func TestResultJSON(t *testing.T) {
	f := &fake{files: map[string]string{"manifest-sha256.txt": s256("A") + " *a\n" + s256("B") + "  b\xff\n", "a": "A", "b\xff": "X"}}
	res, err := verify(t, f, manifest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.Marshal(res)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"valid":false,"complete":true,"read":2,"bytes":2,"cache":"bypassed",` +
		`"problems":[{"kind":"altered","path":"b` + "\uFFFD" + `","path_base64":"Yv8=","lists":["manifest-sha256.txt"],"line":2}],` +
		`"warnings":["manifest-sha256.txt, line 1, \"a\": a \"*\" stands before the path, as checksum programs write it; RFC 8493 doesn't have it"]}`
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Error(diff)
	}
	var empty manifest.Result
	empty.Conclude(true)
	got, err = json.Marshal(empty)
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"valid":true,"complete":true,"read":0,"bytes":0,"problems":[],"warnings":[]}`; string(got) != want {
		t.Errorf("got %s", got)
	}
}

// Many warnings of one reason are one warning with a count.
func TestWarningsAreFew(t *testing.T) {
	var text strings.Builder
	files := map[string]string{}
	for i := range 1000 {
		p := fmt.Sprintf("%04d", i)
		files[p] = "A"
		fmt.Fprintf(&text, "%s *%s\n", s256("A"), p)
	}
	files["manifest-sha256.txt"] = text.String()
	res, err := verify(t, &fake{files: files}, manifest.Options{})
	if err != nil || !res.Valid {
		t.Fatal(err, res.Problems)
	}
	if len(res.Warnings) != 1 || res.Warnings[0].Line != 1 || res.Warnings[0].More != 999 {
		t.Errorf("%+v", res.Warnings)
	}
}

func TestVocabulary(t *testing.T) {
	kinds, codes := map[manifest.Kind]bool{}, map[manifest.Reason]bool{}
	for _, k := range manifest.Kinds {
		if kinds[k.Kind] || k.Means == "" {
			t.Errorf("kind %q", k.Kind)
		}
		kinds[k.Kind] = true
	}
	for _, r := range manifest.Reasons {
		if codes[r.Reason] || r.Means == "" {
			t.Errorf("reason %q", r.Reason)
		}
		codes[r.Reason] = true
	}
	if len(kinds) == 0 || len(codes) == 0 {
		t.Error("empty tables")
	}
}
