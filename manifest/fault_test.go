package manifest_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/replicas/testing/faulty"
)

// sample has two manifests, one of them not in order, a name of another
// normalisation and a folder with a manifest of its own.
func sample() map[string]string {
	f := map[string]string{"a.wav": "the first", "s/b.wav": "the second", "Nu\u0301": "the third", "t/manifest-md5.txt": "", "t/x": "not judged"}
	f["manifest-sha256.txt"] = s256("the second") + "  s/b.wav\n" + s256("the first") + "  a.wav\n" + s256("the third") + "  N\u00fa\n"
	f["manifest-md5.txt"] = sum(fixity.MD5, "the first") + "  a.wav\n"
	return f
}

// Every operation fails once, by each cause: the fault is told, and nothing is
// claimed that wasn't seen.
func TestEveryOperationFails(t *testing.T) {
	_, d := onDisk(t, sample())
	for _, cause := range []error{fixity.ErrUnreadable, fixity.ErrChanged, fixity.ErrAway, fixity.ErrDenied, errors.New("odd")} {
		met := 0
		for k := 0; ; k++ {
			var op faulty.Op
			s := faulty.Wrap(d, func(c faulty.Call) faulty.Effect {
				if c.N == k {
					op = c.Op
				}
				return faulty.At(k, cause)(c)
			})
			res, err := manifest.Verify(t.Context(), s, manifest.Options{})
			if op == "" || op == faulty.Close { // all was read by then
				if err != nil || !res.Valid {
					t.Errorf("%v at %q: %v %v", cause, op, err, res.Problems)
				}
				if op == "" {
					break
				}
				continue
			}
			met++
			switch {
			case res.Valid:
				t.Errorf("%v at %d (%s): valid", cause, k, op)
			case err != nil && (!errors.Is(err, cause) || res.Complete):
				t.Errorf("%v at %d (%s): complete %v, %v", cause, k, op, res.Complete, err)
			case err == nil && !errors.Is(cause, fixity.ErrUnreadable):
				t.Errorf("%v at %d (%s): no error", cause, k, op)
			}
			for _, p := range res.Problems {
				if p.Kind != manifest.Unreadable {
					t.Errorf("%v at %d (%s): %v", cause, k, op, p)
				}
			}
		}
		if met < 20 {
			t.Errorf("%v: only %d operations failed", cause, met)
		}
	}
}

// The k-th byte of a listed file flips, for every k: always altered.
func TestEveryByteFlips(t *testing.T) {
	f := sample()
	_, d := onDisk(t, f)
	flips := 0
	for _, path := range []string{"a.wav", "s/b.wav", "Nu\u0301"} {
		for k := range f[path] {
			flips++
			res, err := manifest.Verify(t.Context(), faulty.Wrap(d, faulty.Flip(path, int64(k), 1)), manifest.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]string{"altered " + path}, kinds(res)); diff != "" || !res.Complete {
				t.Errorf("%s, byte %d: %s", path, k, diff)
			}
		}
	}
	if flips == 0 {
		t.Error("nothing flipped")
	}
}

// A folder with one change has that one problem.
func TestOneChangeOneProblem(t *testing.T) {
	names := []string{"a", " b", "c ", "*d", "50%", "e\nf", "g\\h", "Nu\u0301", "\u6b4c", "i\xff", "~j", "(k)"}
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 1971))
		f := &fake{files: map[string]string{}}
		for i := range 2 + r.IntN(8) {
			p := ""
			for range r.IntN(3) {
				p += "s" + names[r.IntN(len(names))] + "/"
			}
			f.files[fmt.Sprint(p, names[r.IntN(len(names))], i)] = fmt.Sprint("song ", i)
		}
		algs := []fixity.Algorithm{fixity.SHA256, fixity.MD5}[:1+r.IntN(2)]
		texts, _ := compute(t, f, manifest.Options{}, algs...)
		paths := slices.Sorted(maps.Keys(f.files))
		for a, text := range texts {
			if r.IntN(2) == 0 {
				all := slices.Collect(strings.Lines(text))
				r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
				text = strings.Join(all, "")
			}
			f.files[manifest.Name(a)] = text
		}
		p := paths[r.IntN(len(paths))]
		want := []string{}
		switch seed % 5 {
		case 1:
			f.files[p] += "x"
			want = []string{"altered " + p}
		case 2:
			delete(f.files, p)
			want = []string{"missing " + p}
		case 3:
			f.files["other"] = "x"
			want = []string{"unexpected other"}
		case 4:
			f.read = map[string]error{p: fixity.ErrUnreadable}
			want = []string{"unreadable " + p}
		}
		res, err := verify(t, f, manifest.Options{System: "linux"})
		if diff := cmp.Diff(want, kinds(res)); diff != "" || err != nil {
			t.Errorf("seed %d: %v %s", seed, err, diff)
		}
	}
}

// vast is a folder of n files with a manifest of its own, none of it held in memory.
type vast struct{ n int }

func (v vast) Shards(context.Context) ([]string, error) { return []string{"", "s"}, nil }

func (v vast) List(_ context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		if shard == "" {
			yield(fixity.Entry{Path: "manifest-md5.txt"}, nil)
			return
		}
		for i := range v.n {
			if !yield(fixity.Entry{Path: vastPath(i)}, nil) {
				return
			}
		}
	}
}

// vastPath spreads the files over folders of a hundred.
func vastPath(i int) string { return fmt.Sprintf("s/%06d/%02d.wav", i/100, i%100) }

func (v vast) Open(_ context.Context, e fixity.Entry, _ int64) (fixity.Reader, error) {
	if e.Path != "manifest-md5.txt" {
		return reader{strings.NewReader("song")}, nil
	}
	d := sum(fixity.MD5, "song")
	return reader{&lineReader{n: v.n, line: func(i int) string { return d + "  " + vastPath(i) + "\n" }}}, nil
}

type lineReader struct {
	n, i int
	line func(int) string
	rest string
}

func (l *lineReader) Read(p []byte) (int, error) {
	if l.rest == "" && l.i < l.n {
		l.rest = l.line(l.i)
		l.i++
	}
	if l.rest == "" {
		return 0, io.EOF
	}
	n := copy(p, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}

// Memory doesn't grow with the number of files of a folder whose manifest is in order.
func TestVerifyIsBounded(t *testing.T) {
	const most = 8 << 20
	files := 100_000
	if testing.Short() {
		files = 20_000
	}
	var before, now runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	n, peak := 0, uint64(0)
	res, err := manifest.Verify(t.Context(), vast{files}, manifest.Options{Progress: func(string, int64) {
		if n++; n%(files/5) == 0 {
			runtime.GC()
			runtime.ReadMemStats(&now)
			peak = max(peak, now.HeapAlloc)
		}
	}})
	if err != nil || !res.Valid || res.Read != files {
		t.Fatalf("%v, %d read, %v", err, res.Read, res.Problems)
	}
	if n < files || peak > before.HeapAlloc+most {
		t.Errorf("the heap grew by %d bytes", peak-before.HeapAlloc)
	}
}
