package pair_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity/pair"
)

func TestMatchByReport(t *testing.T) {
	reports := func(s string) []string { return []string{"sha256:" + s, "md5:" + s} }
	for name, tc := range map[string]struct {
		gone []pair.Gone
		came []pair.Came
		want pair.Result
	}{
		"SHA-256": {
			[]pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x", Reports: reports("x")}},
			[]pair.Came{{Path: "b.wav", Size: 9, Reported: "sha256:x"}},
			pair.Result{Pairs: []pair.Pair{{File: 1, At: "b.wav", Why: pair.Reported}}},
		},
		"MD5": {
			[]pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x", Reports: reports("x")}},
			[]pair.Came{{Path: "b.wav", Size: 9, Reported: "md5:x"}},
			pair.Result{Pairs: []pair.Pair{{File: 1, At: "b.wav", Why: pair.Reported}}},
		},
		"what was read outweighs it": {
			[]pair.Gone{{File: 1, Path: "a.wav", Size: 9, ModTime: 5, Digest: "x", Reports: reports("x")}},
			[]pair.Came{{Path: "b.wav", Size: 9, ModTime: 5, Digest: "y", Reported: "sha256:x"}},
			pair.Result{},
		},
		"read before reported": {
			[]pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x", Reports: reports("x")}},
			[]pair.Came{{Path: "b.wav", Size: 9, Reported: "sha256:x"}, {Path: "c.wav", Size: 9, Digest: "x"}},
			pair.Result{Pairs: []pair.Pair{{File: 1, At: "c.wav", Why: pair.Read}}},
		},
		"same name, time and size, and another by report": {
			[]pair.Gone{{File: 1, Path: "a/a.wav", Size: 9, ModTime: 5, Digest: "x", Reports: reports("x")}},
			[]pair.Came{{Path: "b/a.wav", Size: 9, ModTime: 5, Reported: "sha256:y"}},
			pair.Result{},
		},
		"another of two of one name": {
			[]pair.Gone{{File: 1, Path: "a/a.wav", Size: 9, ModTime: 5, Digest: "x", Reports: []string{"sha256:x"}}},
			[]pair.Came{{Path: "b/a.wav", Size: 9, ModTime: 5, Reported: "sha256:y"}, {Path: "c/a.wav", Size: 9, ModTime: 5, Reported: "md5:z"}},
			pair.Result{Pairs: []pair.Pair{{File: 1, At: "c/a.wav", Why: pair.Sign}}},
		},
		"a digest that isn't kept": {
			[]pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x", Reports: []string{"sha256:x"}}, {File: 2, Path: "b.wav", Size: 9, Digest: "y", Reports: reports("y")}},
			[]pair.Came{{Path: "c.wav", Size: 9, Reported: "md5:z"}},
			pair.Result{Unsure: []string{"c.wav"}},
		},
		"another size, same digest": {
			[]pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x", Reports: reports("x")}},
			[]pair.Came{{Path: "b.wav", Size: 8, Reported: "md5:x"}},
			pair.Result{},
		},
		"no version has authority": {
			[]pair.Gone{{File: 1, Path: "a.wav", Size: 0}},
			[]pair.Came{{Path: "b.wav", Size: 9, Reported: "md5:x"}},
			pair.Result{},
		},
	} {
		t.Run(name, func(t *testing.T) {
			if d := cmp.Diff(tc.want, pair.Match(tc.gone, tc.came)); d != "" {
				t.Errorf("Match (-want +got):\n%s", d)
			}
		})
	}
}

func TestSpelled(t *testing.T) {
	gone := func(file int64, form, fold string) pair.Gone {
		return pair.Gone{File: file, Size: 9, Form: form, Fold: fold, Digest: "x"}
	}
	for name, tc := range map[string]struct {
		gone []pair.Gone
		came []pair.Came
		free bool
		want []pair.Pair
	}{
		"form":                               {[]pair.Gone{gone(1, "Ä", "ä")}, []pair.Came{{Path: "A\u0308", Form: "Ä", Fold: "ä", Size: 3}}, true, []pair.Pair{{File: 1, At: "A\u0308", Why: pair.Form}}},
		"case":                               {[]pair.Gone{gone(1, "A", "a")}, []pair.Came{{Path: "a", Form: "a", Fold: "a", Size: 9}}, true, []pair.Pair{{File: 1, At: "a", Why: pair.Case}}},
		"case, another size":                 {[]pair.Gone{gone(1, "A", "a")}, []pair.Came{{Path: "a", Form: "a", Fold: "a", Size: 8}}, true, nil},
		"case, the size that it should have": {[]pair.Gone{{File: 1, Size: 3, Wants: 9, Form: "A", Fold: "a"}}, []pair.Came{{Path: "a", Form: "a", Fold: "a", Size: 9}}, true, []pair.Pair{{File: 1, At: "a", Why: pair.Case}}},
		"case, neither of two sizes":         {[]pair.Gone{{File: 1, Size: 3, Wants: 8, Form: "A", Fold: "a"}}, []pair.Came{{Path: "a", Form: "a", Fold: "a", Size: 9}}, true, nil},
		"case, but empty":                    {[]pair.Gone{gone(1, "A", "a")}, []pair.Came{{Path: "a", Form: "a", Fold: "a"}}, true, nil},
		"case, other bytes":                  {[]pair.Gone{gone(1, "A", "a")}, []pair.Came{{Path: "a", Form: "a", Fold: "a", Size: 9, Digest: "y"}}, true, nil},
		"another has the name":               {[]pair.Gone{gone(1, "A", "a")}, []pair.Came{{Path: "a", Form: "a", Fold: "a", Size: 9}}, false, nil},
		"two came":                           {[]pair.Gone{gone(1, "AB", "ab")}, []pair.Came{{Path: "ab", Form: "ab", Fold: "ab", Size: 9}, {Path: "Ab", Form: "Ab", Fold: "ab", Size: 9}}, true, nil},
		"two are gone":                       {[]pair.Gone{gone(1, "AB", "ab"), gone(2, "aB", "ab")}, []pair.Came{{Path: "ab", Form: "ab", Fold: "ab", Size: 9}}, true, nil},
		"paired by its form, not by case as well": {[]pair.Gone{gone(1, "Ä", "b")}, []pair.Came{{Path: "A\u0308", Form: "Ä", Fold: "ä", Size: 9}, {Path: "b", Form: "b", Fold: "b", Size: 9}}, true, []pair.Pair{{File: 1, At: "A\u0308", Why: pair.Form}}},
		"one refused, one not":                    {[]pair.Gone{gone(1, "A", "a"), gone(2, "B", "b")}, []pair.Came{{Path: "a", Form: "a", Fold: "a", Size: 8}, {Path: "b", Form: "b", Fold: "b", Size: 9}}, true, []pair.Pair{{File: 2, At: "b", Why: pair.Case}}},
		"form goes before case":                   {[]pair.Gone{gone(1, "Ä", "ä"), gone(2, "B", "b")}, []pair.Came{{Path: "A\u0308", Form: "Ä", Fold: "ä"}, {Path: "b", Form: "b", Fold: "b", Size: 9}}, true, []pair.Pair{{File: 1, At: "A\u0308", Why: pair.Form}, {File: 2, At: "b", Why: pair.Case}}},
	} {
		t.Run(name, func(t *testing.T) {
			got := pair.Spelled(tc.gone, tc.came, func(pair.Gone, pair.Came) bool { return tc.free })
			if d := cmp.Diff(tc.want, got); d != "" {
				t.Errorf("Spelled (-want +got):\n%s", d)
			}
		})
	}
}

func TestByFields(t *testing.T) {
	gone := func(file int64, key, digest string) pair.Gone {
		return pair.Gone{File: file, Size: 9, Key: key, Digest: digest, Reports: []string{"sha256:" + digest}}
	}
	came := func(path, key, reported string) pair.Came {
		c := pair.Came{Path: path, Size: 9, Key: key}
		if reported != "" {
			c.Reported = "sha256:" + reported
		}
		return c
	}
	filed := func(file int64, at string) pair.Pair { return pair.Pair{File: file, At: at, Why: pair.Filed} }
	for name, tc := range map[string]struct {
		gone    []pair.Gone
		came    []pair.Came
		placed  map[string]int
		blind   bool // the key tells no file from another
		pairs   []pair.Pair
		unclear []pair.Unclear
	}{
		"one and one, whatever its bytes": {
			gone: []pair.Gone{gone(1, "k", "x"), gone(2, "l", "y")}, came: []pair.Came{came("a", "k", "z"), came("b", "l", "")},
			pairs: []pair.Pair{filed(1, "a"), filed(2, "b")},
		},
		"none without a key hides another": {
			gone: []pair.Gone{gone(1, "k", "x")}, came: []pair.Came{came("z", "", "x"), came("a", "k", "x")},
			pairs: []pair.Pair{filed(1, "a")},
		},
		"two came, read: one has its bytes": {
			gone:  []pair.Gone{gone(1, "k", "x")},
			came:  []pair.Came{{Path: "a", Size: 9, Key: "k", Digest: "sha256:x"}, {Path: "b", Size: 9, Key: "k", Digest: "x"}},
			pairs: []pair.Pair{filed(1, "b")}, unclear: []pair.Unclear{{At: "a", Alike: 1}},
		},
		"bytes alone, and another size": {
			blind: true, gone: []pair.Gone{gone(1, "k", "x")}, came: []pair.Came{{Path: "a", Size: 8, Key: "k", Reported: "sha256:x"}},
		},
		"bytes alone, of a file without a digest": {
			blind: true, gone: []pair.Gone{{File: 1, Size: 9, Key: "k", Reports: []string{"sha256:x"}}}, came: []pair.Came{came("a", "k", "x"), came("b", "k", "")},
		},
		"bytes alone, of four files: three are told": {
			blind: true, gone: []pair.Gone{gone(1, "k", "x"), gone(2, "k", "x"), gone(3, "k", "x"), gone(4, "k", "x")}, came: []pair.Came{came("a", "k", "x")},
			unclear: []pair.Unclear{{At: "a", Files: []int64{1, 2, 3}}},
		},
		"no key": {gone: []pair.Gone{gone(1, "", "x")}, came: []pair.Came{came("a", "", "x")}},
		"two came, none has its bytes": {
			gone: []pair.Gone{gone(1, "k", "x")}, came: []pair.Came{came("a", "k", "y"), came("b", "k", "")},
			unclear: []pair.Unclear{{At: "a", Files: []int64{1}, Alike: 1}, {At: "b", Files: []int64{1}, Alike: 1}},
		},
		"two came, one has its bytes": {
			gone: []pair.Gone{gone(1, "k", "x")}, came: []pair.Came{came("a", "k", "y"), came("b", "k", "x")},
			pairs: []pair.Pair{filed(1, "b")}, unclear: []pair.Unclear{{At: "a", Alike: 1}},
		},
		"two came, both have its bytes": {
			gone: []pair.Gone{gone(1, "k", "x")}, came: []pair.Came{came("a", "k", "x"), came("b", "k", "x")},
			unclear: []pair.Unclear{{At: "a", Files: []int64{1}, Alike: 1}, {At: "b", Files: []int64{1}, Alike: 1}},
		},
		"two files, their bytes tell": {
			gone: []pair.Gone{gone(1, "k", "x"), gone(2, "k", "y")}, came: []pair.Came{came("a", "k", "y"), came("b", "k", "x")},
			pairs: []pair.Pair{filed(2, "a"), filed(1, "b")},
		},
		"another file of the key is in its place": {
			gone: []pair.Gone{gone(1, "k", "x")}, came: []pair.Came{came("a", "k", "z")}, placed: map[string]int{"k": 1},
			unclear: []pair.Unclear{{At: "a", Files: []int64{1}}},
		},
		"only a file in its place has the key": {
			came: []pair.Came{came("a", "k", "z")}, placed: map[string]int{"k": 1},
			unclear: []pair.Unclear{{At: "a"}},
		},
		"nothing has the key": {came: []pair.Came{came("a", "k", "z")}, placed: map[string]int{}},
		"bytes alone": {
			blind: true, gone: []pair.Gone{gone(1, "k", "x"), gone(2, "k", "y")}, came: []pair.Came{came("a", "k", "y"), came("b", "k", "z")},
			pairs: []pair.Pair{{File: 2, At: "a", Why: pair.Bytes}},
		},
		"bytes alone, and one file came": {
			blind: true, gone: []pair.Gone{gone(1, "k", "x")}, came: []pair.Came{came("a", "k", "z")},
		},
		"bytes alone, of two files": {
			blind: true, gone: []pair.Gone{gone(1, "k", "x"), gone(2, "k", "x")}, came: []pair.Came{came("a", "k", "x")},
			unclear: []pair.Unclear{{At: "a", Files: []int64{1, 2}}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			pairs, unclear := pair.ByFields(tc.gone, tc.came, tc.placed, !tc.blind)
			if d := cmp.Diff(tc.pairs, pairs); d != "" {
				t.Errorf("pairs (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tc.unclear, unclear); d != "" {
				t.Errorf("unclear (-want +got):\n%s", d)
			}
			gs, cs := pair.Rest(tc.gone, tc.came, pairs)
			if len(gs) != len(tc.gone)-len(pairs) || len(cs) != len(tc.came)-len(pairs) {
				t.Errorf("%d and %d are left", len(gs), len(cs))
			}
		})
	}
}

// BenchmarkByFields: as many as a large archive has, with keys and without; all equal
// is silence.
func BenchmarkByFields(b *testing.B) {
	for name, digest := range map[string]func(i int) string{
		"each its own": func(i int) string { return fmt.Sprint(i) },
		"all equal":    func(int) string { return "silence" },
	} {
		for _, n := range []int{5_000, 50_000} {
			var gone []pair.Gone
			var came []pair.Came
			for i := range n {
				gone = append(gone, pair.Gone{File: int64(i), Size: 9, Key: "=", Digest: digest(i), Reports: []string{"sha256:" + digest(i)}})
				came = append(came, pair.Came{Path: fmt.Sprint(i), Size: 9, Key: "=", Reported: "sha256:" + digest(i)})
			}
			b.Run(fmt.Sprintf("%s/%d", name, n), func(b *testing.B) {
				for b.Loop() {
					if p, u := pair.ByFields(gone, came, nil, false); len(p)+len(u) != n {
						b.Fatal(len(p), len(u))
					}
				}
			})
		}
	}
}
