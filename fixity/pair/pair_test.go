package pair_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity/pair"
)

func TestMatch(t *testing.T) {
	for _, tc := range []struct {
		name string
		gone []pair.Gone
		came []pair.Came
		want pair.Result
	}{
		{name: "nothing"},
		{
			name: "by digest wherever it lies",
			gone: []pair.Gone{{File: 1, Path: "QV-0107/a.wav", Size: 9, Digest: "x"}},
			came: []pair.Came{{Path: "elsewhere/b.wav", Size: 9, Digest: "x"}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "elsewhere/b.wav", Why: pair.Read}}},
		},
		{
			name: "read and different is no pair though size, time and name agree",
			gone: []pair.Gone{{File: 1, Path: "a/a.wav", Size: 9, ModTime: 5, Digest: "x"}},
			came: []pair.Came{{Path: "b/a.wav", Size: 9, ModTime: 5, Digest: "y"}},
		},
		{
			name: "renamed folder by size, time and name",
			gone: []pair.Gone{{File: 1, Path: "old/a.wav", Size: 9, ModTime: 5, Digest: "x"}, {File: 2, Path: "old/b.wav", Size: 9, ModTime: 5, Digest: "y"}},
			came: []pair.Came{{Path: "new/a.wav", Size: 9, ModTime: 5}, {Path: "new/b.wav", Size: 9, ModTime: 5}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "new/a.wav", Why: pair.Sign}, {File: 2, At: "new/b.wav", Why: pair.Sign}}},
		},
		{
			name: "renamed file by size and time",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, ModTime: 5, Digest: "x"}},
			came: []pair.Came{{Path: "b.wav", Size: 9, ModTime: 5}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "b.wav", Why: pair.Sign}}},
		},
		{
			name: "ambiguous by size and time is to be read",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, ModTime: 5, Digest: "x"}, {File: 2, Path: "c.wav", Size: 9, ModTime: 5, Digest: "y"}},
			came: []pair.Came{{Path: "b.wav", Size: 9, ModTime: 5}, {Path: "d.wav", Size: 7, ModTime: 5}},
			want: pair.Result{Unsure: []string{"b.wav"}},
		},
		{
			name: "never seen there is paired by digest only",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x"}},
			came: []pair.Came{{Path: "b.wav", Size: 9, ModTime: 0}},
			want: pair.Result{Unsure: []string{"b.wav"}},
		},
		{
			name: "equal files keep their ends",
			gone: []pair.Gone{{File: 1, Path: "old/1/s.wav", Size: 9, Digest: "x"}, {File: 2, Path: "old/2/s.wav", Size: 9, Digest: "x"}},
			came: []pair.Came{{Path: "new/2/s.wav", Size: 9, Digest: "x"}, {Path: "new/1/s.wav", Size: 9, Digest: "x"}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "new/1/s.wav", Why: pair.Read}, {File: 2, At: "new/2/s.wav", Why: pair.Read}}},
		},
		{
			name: "what is read is paired by its digest only, also with a file that has none",
			gone: []pair.Gone{{File: 1, Path: "a/a.wav", Size: 9, ModTime: 5}},
			came: []pair.Came{{Path: "b/a.wav", Size: 9, ModTime: 5, Digest: "y"}},
		},
		{
			name: "one of a time is taken by its report, which leaves one",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, ModTime: 5, Digest: "x", Reports: []string{"md5:x"}}, {File: 2, Path: "b.wav", Size: 9, ModTime: 5, Digest: "y"}},
			came: []pair.Came{{Path: "c.wav", Size: 9, ModTime: 5, Reported: "md5:x"}, {Path: "d.wav", Size: 9, ModTime: 5}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "c.wav", Why: pair.Reported}, {File: 2, At: "d.wav", Why: pair.Sign}}},
		},
		{
			name: "one of a time is paired by its digest, which leaves one",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, ModTime: 5, Digest: "x"}, {File: 2, Path: "b.wav", Size: 9, ModTime: 5, Digest: "y"}},
			came: []pair.Came{{Path: "c.wav", Size: 9, Digest: "x"}, {Path: "d.wav", Size: 9, ModTime: 5}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "c.wav", Why: pair.Read}, {File: 2, At: "d.wav", Why: pair.Sign}}},
		},
		{
			name: "what is paired by its digest isn't paired by signs as well",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, ModTime: 5, Digest: "x"}},
			came: []pair.Came{{Path: "c.wav", Size: 9, Digest: "x"}, {Path: "d/a.wav", Size: 9, ModTime: 5}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "c.wav", Why: pair.Read}}},
		},
		{
			name: "one that was never seen, and one that was",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x"}, {File: 2, Path: "b.wav", Size: 9, ModTime: 5, Digest: "y"}},
			came: []pair.Came{{Path: "d/b.wav", Size: 9, ModTime: 5}, {Path: "e.wav", Size: 9}},
			want: pair.Result{Pairs: []pair.Pair{{File: 2, At: "d/b.wav", Why: pair.Sign}}, Unsure: []string{"e.wav"}},
		},
		{
			name: "names that have no end in common",
			gone: []pair.Gone{{File: 1, Path: "a", Size: 9, Digest: "x"}},
			came: []pair.Came{{Path: "b", Size: 9, Digest: "x"}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "b", Why: pair.Read}}},
		},
		{
			name: "a path that is the end of the other, either way",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x"}, {File: 2, Path: "old/b.wav", Size: 8, Digest: "y"}},
			came: []pair.Came{{Path: "new/a.wav", Size: 9, Digest: "x"}, {Path: "b.wav", Size: 8, Digest: "y"}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "new/a.wav", Why: pair.Read}, {File: 2, At: "b.wav", Why: pair.Read}}},
		},
		{
			name: "of places as likely the first",
			gone: []pair.Gone{{File: 1, Path: "a.wav", Size: 9, Digest: "x"}},
			came: []pair.Came{{Path: "1/a.wav", Size: 9, Digest: "x"}, {Path: "2/a.wav", Size: 9, Digest: "x"}},
			want: pair.Result{Pairs: []pair.Pair{{File: 1, At: "1/a.wav", Why: pair.Read}}},
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if d := cmp.Diff(tc.want, pair.Match(tc.gone, tc.came)); d != "" {
				t.Errorf("Match (-want +got):\n%s", d)
			}
		})
	}
}

// TestMatchWeighsSome: of many equal files the likeliest of the first 64 is taken, so that
// thousands take no longer.
func TestMatchWeighsSome(t *testing.T) {
	for _, at := range []int{62, 63, 64} {
		var came []pair.Came
		for i := range 100 {
			came = append(came, pair.Came{Path: fmt.Sprintf("%d/b.wav", i), Size: 9, Digest: "x"})
		}
		came[at].Path = "new/a.wav"
		want := "new/a.wav"
		if at == 64 {
			want = "0/b.wav"
		}
		got := pair.Match([]pair.Gone{{File: 1, Path: "old/a.wav", Size: 9, Digest: "x"}}, came)
		if len(got.Pairs) != 1 || got.Pairs[0].At != want {
			t.Errorf("the likeliest is number %d: %+v", at, got.Pairs)
		}
	}
}

// TestMatchPairsOnce: no place is given to two files, whatever is equal.
func TestMatchPairsOnce(t *testing.T) {
	var gone []pair.Gone
	var came []pair.Came
	for i := range 500 {
		gone = append(gone, pair.Gone{File: int64(i), Path: fmt.Sprintf("a/%d", i), Size: 1, ModTime: int64(i % 3), Digest: fmt.Sprint(i % 7)})
		came = append(came, pair.Came{Path: fmt.Sprintf("b/%d", i), Size: 1, ModTime: int64(i % 3), Digest: []string{"", fmt.Sprint(i % 7)}[i%2]})
	}
	seen := map[string]bool{}
	got := pair.Match(gone, came)
	for _, p := range got.Pairs {
		if seen[p.At] {
			t.Fatalf("%s is given twice", p.At)
		}
		seen[p.At] = true
	}
	if len(seen) < 250 {
		t.Fatalf("%d pairs of 500", len(seen))
	}
}

func BenchmarkMatchRenamedFolder(b *testing.B) {
	for _, n := range []int{5_000, 50_000} {
		var gone []pair.Gone
		var came []pair.Came
		for i := range n {
			at := time.Unix(int64(i)+1, 0).UnixNano()
			gone = append(gone, pair.Gone{File: int64(i), Path: fmt.Sprintf("old/%d.wav", i), Size: int64(i), ModTime: at, Digest: fmt.Sprint(i)})
			came = append(came, pair.Came{Path: fmt.Sprintf("new/%d.wav", i), Size: int64(i), ModTime: at})
		}
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				if got := pair.Match(gone, came); len(got.Pairs) != n {
					b.Fatal(len(got.Pairs))
				}
			}
		})
	}
}
