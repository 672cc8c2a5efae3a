package bag_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/bag"
	"firmus/replicas/disk"
)

// seeds are the tag files in testdata/tags whose names begin so; none is a failure.
func seeds(t testing.TB, prefix string) [][]byte {
	t.Helper()
	names, err := filepath.Glob("testdata/tags/" + prefix + "-*.txt")
	if err != nil || len(names) < 2 {
		t.Fatalf("%d seeds: %v", len(names), err)
	}
	var got [][]byte
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, b)
	}
	return got
}

// RFC 8493, section 2.2.2.
func TestInfo(t *testing.T) {
	cases := []struct {
		name  string
		text  string
		old   bool
		want  bag.Info
		wrong int
	}{
		{name: "order and repeats", text: "B: 1\nA: 2\nB: 3\n", want: bag.Info{{"B", "1"}, {"A", "2"}, {"B", "3"}}},
		{name: "continued", text: "A: one\n  two\n\tthree\nB: x", want: bag.Info{{"A", "one two three"}, {"B", "x"}}},
		{name: "line ends", text: "A: 1\r\nB: 2\rC: 3\n", want: bag.Info{{"A", "1"}, {"B", "2"}, {"C", "3"}}},
		{name: "a tab behind the colon", text: "A:\t1\n", want: bag.Info{{"A", "1"}}},
		{name: "one blank belongs to the colon, the next to the value", text: "A:  1\n", want: bag.Info{{"A", " 1"}}},
		{name: "no value", text: "A: \nB:\n", want: bag.Info{{"A", ""}, {"B", ""}}},
		{name: "colons in the value", text: "A: b: c\n", want: bag.Info{{"A", "b: c"}}},
		{name: "blanks in the label", text: "My label: x\n", want: bag.Info{{"My label", "x"}}},
		{name: "before 1.0", text: "A \t :  1\n", old: true, want: bag.Info{{"A", "1"}}},
		{name: "before 1.0, no blank", text: "A:1\n", old: true, want: bag.Info{{"A", "1"}}},
		{name: "wrong lines are passed over", text: "A: 1\nhello\n  of hello\nB:2\nC : 3\n: 4\nD: 5\n", want: bag.Info{{"A", "1"}, {"D", "5"}}, wrong: 5},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, problems, err := bag.ReadInfo(strings.NewReader(c.text), c.old)
			if err != nil || len(problems) != c.wrong {
				t.Errorf("%v %v", problems, err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
	got, problems, err := bag.ReadInfo(strings.NewReader("Contact-Name: A\ncontact-NAME: B\n"), false)
	if err != nil || len(problems) > 0 || !slices.Equal(got.Get("CONTACT-name"), []string{"A", "B"}) {
		t.Errorf("%v %v %v", got, problems, err)
	}
	if _, problems, err := bag.ReadInfo(strings.NewReader(strings.Repeat("A: 1\n", bag.MaxInfoBytes)), false); err != nil || len(problems) != 1 {
		t.Errorf("too long: %v %v", problems, err)
	}
	if _, _, err := bag.ReadInfo(iotest.ErrReader(os.ErrClosed), false); err != os.ErrClosed {
		t.Errorf("%v", err)
	}
}

// Lines are at most 79 characters where a value allows it (section 2.2.2).
func TestWriteInfoWraps(t *testing.T) {
	long := strings.TrimSpace(strings.Repeat("word ", 60))
	in := bag.Info{{"A", long}, {"B", strings.Repeat("x", 200)}, {"C", "two  blanks " + long}, {"D", " " + long + " "}}
	var b strings.Builder
	if err := bag.WriteInfo(&b, in); err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(b.String()) {
		if len(line) > 80 && !strings.HasPrefix(line, "B: ") {
			t.Errorf("%d characters: %q", len(line), line)
		}
	}
	got, problems, err := bag.ReadInfo(strings.NewReader(b.String()), false)
	if diff := cmp.Diff(in, got); diff != "" || err != nil || len(problems) > 0 {
		t.Error(diff, err, problems)
	}
}

func FuzzInfo(f *testing.F) {
	for _, b := range seeds(f, "info") {
		f.Add(b, false)
		f.Add(b, true)
	}
	f.Fuzz(func(t *testing.T, text []byte, old bool) {
		info, _, err := bag.ReadInfo(bytes.NewReader(text), old)
		if err != nil {
			t.Fatal(err)
		}
		var first, second strings.Builder
		if err := bag.WriteInfo(&first, info); err != nil {
			return // not UTF-8
		}
		again, problems, err := bag.ReadInfo(strings.NewReader(first.String()), false)
		if diff := cmp.Diff(info, again); diff != "" || err != nil || len(problems) > 0 {
			t.Fatalf("%q: %s %v %v", first.String(), diff, problems, err)
		}
		if err := bag.WriteInfo(&second, again); err != nil || first.String() != second.String() {
			t.Fatalf("%q, then %q %v", first.String(), second.String(), err)
		}
	})
}

func FuzzDeclaration(f *testing.F) {
	for _, b := range seeds(f, "bagit") {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		d, warning, problem := bag.ParseDeclaration(text)
		if problem != nil {
			if problem.Kind.Means() == "" || problem.Path != "bagit.txt" || problem.Detail == "" {
				t.Fatalf("%+v", problem)
			}
			return
		}
		if !d.Known() {
			t.Fatalf("%+v is not known, and no problem", d)
		}
		again, odd, problem := bag.ParseDeclaration([]byte(d.String()))
		if again != d || odd || problem != nil {
			t.Fatalf("%q became %+v, %v", d.String(), again, problem)
		}
		if d.Major == 1 && !warning {
			lines := strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(string(text))
			if strings.TrimSuffix(lines, "\n") != strings.TrimSuffix(d.String(), "\n") {
				t.Fatalf("%q is not to the letter, and no problem", text)
			}
		}
	})
}

func FuzzFetch(f *testing.F) {
	n := 0
	for _, b := range seeds(f, "fetch") {
		for line := range strings.Lines(string(b)) {
			f.Add(strings.TrimRight(line, "\r\n"), true)
			f.Add(strings.TrimRight(line, "\r\n"), false)
			n++
		}
	}
	if n < 5 {
		f.Fatalf("%d lines", n)
	}
	f.Fuzz(func(t *testing.T, line string, coded bool) {
		got, err := bag.ParseFetch(line, coded)
		if err != nil {
			if got != (bag.Fetched{}) {
				t.Fatalf("%+v came with %v", got, err)
			}
			return
		}
		if got.URL == "" || strings.ContainsAny(got.URL, " \t") || got.Path == "" || got.Length < -1 {
			t.Fatalf("%+v", got)
		}
	})
}

// RFC 8493, section 4.
func TestFetchExample(t *testing.T) {
	got, err := bag.ParseFetch("https://cdn.loc.gov/master/pnp/highsm/23300/23364a.tif 216951362 data/23364a.tif", true)
	want := bag.Fetched{URL: "https://cdn.loc.gov/master/pnp/highsm/23300/23364a.tif", Length: 216951362, Path: "data/23364a.tif"}
	if err != nil || got != want {
		t.Errorf("%+v %v", got, err)
	}
}

// An encoding that isn't known hides nothing that can be seen without it.
func TestUnknownEncoding(t *testing.T) {
	unknown := strings.Replace(v1, "UTF-8", "X-VALLEY", 1)
	cases := []struct {
		name   string
		from   func() folder
		change func(folder)
		want   []string
	}{
		{"nothing else", plain, func(folder) {}, []string{"encoding bagit.txt"}},
		{"an altered file", plain, func(f folder) { f["data/a.wav"] = "x" }, []string{"encoding bagit.txt", "altered data/a.wav"}},
		{"a name in it", plain, func(f folder) {
			f["data/\u00e9"] = "x"
			f["manifest-sha256.txt"] += sum(fixity.SHA256, "x") + "  data/\x82\n"
		}, []string{"encoding bagit.txt"}},
		{"no ASCII in it", plain, func(f folder) { f["manifest-sha256.txt"] = "\x81\x82" + f["manifest-sha256.txt"] }, []string{"encoding bagit.txt"}},
		{"the declaration is altered", full, func(f folder) {}, []string{"altered bagit.txt"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := c.from()
			c.change(f)
			f["bagit.txt"] = unknown
			res := verify(t, f.write(t))
			if diff := cmp.Diff(c.want, problems(res)); diff != "" {
				t.Errorf("%s\n%+v", diff, res.Problems)
			}
		})
	}
}

func TestResultJSON(t *testing.T) {
	f := plain()
	f["bag-info.txt"] = "Contact-Name: A\n"
	f["data/a.wav"] = "x"
	text, err := json.Marshal(verify(t, f.write(t)))
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	delete(got, "cache") // the medium's
	want := map[string]any{
		"valid": false, "complete": true, "read": 2.0, "bytes": 11.0, "warnings": []any{},
		"version": "1.0", "encoding": "UTF-8", "info": []any{map[string]any{"label": "Contact-Name", "value": "A"}},
		"problems": []any{map[string]any{"kind": "altered", "path": "data/a.wav", "lists": []any{"manifest-sha256.txt"}, "line": 1.0}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	text, err = json.Marshal(bag.Result{})
	if want := `{"valid":false,"complete":false,"read":0,"bytes":0,"problems":[],"warnings":[],"version":"","encoding":"","info":[]}`; err != nil || string(text) != want {
		t.Errorf("%s %v", text, err)
	}
}

// What the listing leaves out can't be judged: no claim.
func TestLeftOut(t *testing.T) {
	d, err := disk.Open(plain().write(t), disk.Options{LeaveOut: func(path string, _ bool) bool { return path == "data/a.wav" }})
	if err != nil {
		t.Fatal(err)
	}
	res, err := bag.Verify(t.Context(), d, bag.Options{})
	if err == nil || res.Valid || res.Complete || len(res.Problems) > 0 {
		t.Errorf("%v %+v", err, res)
	}
}

var _ manifest.Folder = (*disk.Dir)(nil)
