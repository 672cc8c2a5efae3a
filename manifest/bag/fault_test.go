package bag_test

import (
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/bag"
	"firmus/replicas/disk"
	"firmus/replicas/testing/faulty"
)

// Every operation fails once, by each cause: the fault is told, and nothing is
// claimed that wasn't seen.
func TestEveryOperationFails(t *testing.T) {
	d, err := disk.Open(full().write(t), disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, cause := range []error{fixity.ErrUnreadable, fixity.ErrChanged, fixity.ErrAway, fixity.ErrIncomplete, errors.New("odd")} {
		met := 0
		for k := 0; ; k++ {
			var op faulty.Op
			s := faulty.Wrap(d, func(c faulty.Call) faulty.Effect {
				if c.N == k {
					op = c.Op
				}
				return faulty.At(k, cause)(c)
			})
			res, err := bag.Verify(t.Context(), s, bag.Options{})
			if op == faulty.Close { // all was read by then
				if err != nil || !res.Valid {
					t.Errorf("%v at a close: %v %v", cause, err, res.Problems)
				}
				continue
			}
			if op == "" {
				if met < 10 {
					t.Fatalf("%v: only %d operations", cause, met)
				}
				if err != nil || !res.Valid {
					t.Errorf("without a fault: %v %v", err, res.Problems)
				}
				break
			}
			met++
			switch {
			case res.Valid:
				t.Errorf("%v at %d: valid", cause, k)
			case err != nil && !errors.Is(err, cause):
				t.Errorf("%v at %d: %v", cause, k, err)
			case err != nil && res.Complete:
				t.Errorf("%v at %d: complete", cause, k)
			case err == nil && (!errors.Is(cause, fixity.ErrUnreadable) || len(res.Problems) != 1 || res.Problems[0].Kind != manifest.Unreadable):
				t.Errorf("%v at %d: not an error, and %v", cause, k, res.Problems)
			}
			for _, p := range res.Problems {
				if p.Kind != manifest.Unreadable {
					t.Errorf("%v at %d: %v", cause, k, p)
				}
			}
		}
	}
}

// The k-th byte of each file flips, for every k: one problem, whatever it hits.
func TestEveryByteFlips(t *testing.T) {
	step := 1
	if testing.Short() {
		step = 8
	}
	f := fullBy(fixity.MD5, fixity.SHA1)
	d, err := disk.Open(f.write(t), disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for path, text := range f {
		for k := 0; k < len(text); k += step {
			res, err := bag.Verify(t.Context(), faulty.Wrap(d, faulty.Flip(path, int64(k), 1)), bag.Options{System: "linux"})
			if err != nil {
				t.Fatal(err)
			}
			if len(res.Problems) != 1 || res.Valid {
				t.Errorf("%s, byte %d (%q): %v", path, k, text[k], res.Problems)
			}
			if tag := strings.HasPrefix(path, "tagmanifest-"); !tag && (res.Problems[0].Kind != manifest.Altered || res.Problems[0].Path != path || !res.Complete) {
				t.Errorf("%s, byte %d: %v", path, k, res.Problems)
			}
		}
	}
}

// made is a bag that is valid, at random.
func made(r *rand.Rand) folder {
	f := folder{"bagit.txt": v1}
	if r.IntN(3) == 0 {
		f["bagit.txt"] = strings.Replace(v1, "1.0", "0.97", 1)
	}
	names := []string{"a", "B", "Nu\u0301", "\u6b4c", " x", "y ", "*z", "c\\d", "50%", "tab\t", "(1)", "\u00e9"}
	if f["bagit.txt"] != v1 {
		names = slices.DeleteFunc(names, func(s string) bool { return s == "50%" })
	}
	octets := 0
	for i := range 1 + r.IntN(6) {
		p := "data/"
		for range r.IntN(3) {
			p += "dir" + names[r.IntN(len(names))] + "/"
		}
		text := strings.Repeat("x", r.IntN(3)) + fmt.Sprint("song ", i)
		f[p+fmt.Sprint(i)+names[r.IntN(len(names))]] = text
		octets += len(text)
	}
	f["bag-info.txt"] = fmt.Sprintf("Contact-Name: A\nPayload-Oxum: %d.%d\n", octets, len(f)-1)
	if r.IntN(2) == 0 {
		f["metadata/note.xml"] = "<note/>"
	}
	algs := []fixity.Algorithm{fixity.MD5, fixity.SHA1, fixity.SHA224, fixity.SHA256, fixity.SHA384, fixity.SHA512}
	r.Shuffle(len(algs), func(i, j int) { algs[i], algs[j] = algs[j], algs[i] })
	algs = algs[:1+r.IntN(3)]
	for _, a := range algs {
		text := lines(a, f.under("data/"))
		if r.IntN(2) == 0 { // in another order
			all := slices.Collect(strings.Lines(text))
			r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
			text = strings.Join(all, "")
		}
		f[manifest.Name(a)] = text
	}
	if r.IntN(2) == 0 {
		f.tag(algs...)
	}
	return f
}

// one is a path of f that fits, at random; "" if there is none.
func (f folder) one(r *rand.Rand, fits func(string) bool) string {
	all := slices.DeleteFunc(slices.Sorted(maps.Keys(f)), func(p string) bool { return !fits(p) })
	if len(all) == 0 {
		return ""
	}
	return all[r.IntN(len(all))]
}

func isPayload(p string) bool { return strings.HasPrefix(p, "data/") }

func isTagManifest(p string) bool { return strings.HasPrefix(p, "tagmanifest-") }

func (f folder) tagged() bool { return f.one(rand.New(rand.NewPCG(1, 1)), isTagManifest) != "" }

// Each fault breaks one thing and says what must be found; "" if it doesn't fit.
var breaks = []struct {
	name string
	do   func(r *rand.Rand, f folder) string
}{
	{"nothing", func(*rand.Rand, folder) string { return "nothing" }},
	{"a payload byte", func(r *rand.Rand, f folder) string {
		p := f.one(r, isPayload)
		f[p] = f.flip(r, p)
		return "altered " + p
	}},
	{"a payload file cut short", func(r *rand.Rand, f folder) string {
		p := f.one(r, isPayload)
		f[p] = f[p][:r.IntN(len(f[p]))]
		return "altered " + p
	}},
	{"a payload file gone", func(r *rand.Rand, f folder) string {
		if len(f.under("data/")) == 1 {
			return ""
		}
		p := f.one(r, isPayload)
		delete(f, p)
		for q := range f.under("data/") { // the folder data stays
			if q != "" {
				return "missing " + p
			}
		}
		return ""
	}},
	{"a payload file more", func(_ *rand.Rand, f folder) string {
		f["data/other.wav"] = "x"
		return "unexpected data/other.wav"
	}},
	{"a tag file's byte", func(r *rand.Rand, f folder) string {
		p := f.one(r, func(p string) bool { return !isPayload(p) && !isTagManifest(p) })
		if !f.tagged() {
			return ""
		}
		f[p] = f.flip(r, p)
		return "altered " + p
	}},
	{"a tag file gone", func(r *rand.Rand, f folder) string {
		p := f.one(r, func(p string) bool { return !isPayload(p) && !isTagManifest(p) })
		if !f.tagged() {
			return ""
		}
		delete(f, p)
		return "missing " + p
	}},
	{"a line that can't be read", func(r *rand.Rand, f folder) string {
		p := f.one(r, func(p string) bool { return strings.HasPrefix(p, "manifest-") })
		if f.tagged() {
			return ""
		}
		f[p] += "hello\n"
		return "line " + p
	}},
	{"a path that leads out", func(r *rand.Rand, f folder) string {
		p := f.one(r, func(p string) bool { return strings.HasPrefix(p, "manifest-") })
		if f.tagged() {
			return ""
		}
		sum, _, _ := strings.Cut(f[p], " ")
		f[p] += sum + "  data/../../x\n"
		return "outside data/../../x"
	}},
	{"a line twice", func(r *rand.Rand, f folder) string {
		p := f.one(r, func(p string) bool { return strings.HasPrefix(p, "manifest-") })
		if f.tagged() || f["bagit.txt"] != v1 {
			return "" // before 1.0 it is a warning
		}
		line := slices.Collect(strings.Lines(f[p]))[0]
		f[p] += line
		_, name, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		return "listed-twice " + strings.ReplaceAll(name, "%25", "%")
	}},
	{"a line of a manifest gone", func(r *rand.Rand, f folder) string {
		p := f.one(r, func(p string) bool { return strings.HasPrefix(p, "manifest-") })
		if f.tagged() {
			_, f[p], _ = strings.Cut(f[p], "\n")
			return "altered " + p
		}
		return ""
	}},
	{"Payload-Oxum", func(_ *rand.Rand, f folder) string {
		if f.tagged() {
			return ""
		}
		f["bag-info.txt"] = "Payload-Oxum: 1.1\n"
		return "oxum bag-info.txt"
	}},
	{"the version", func(r *rand.Rand, f folder) string {
		if f.tagged() || f["bagit.txt"] != v1 {
			return ""
		}
		f["bagit.txt"] = strings.Replace(v1, "1.0", "1.1", 1)
		return "version bagit.txt"
	}},
	{"bagit.txt gone", func(_ *rand.Rand, f folder) string {
		if f["bagit.txt"] != v1 {
			return "" // without it a bag is read as one of version 1.0
		}
		delete(f, "bagit.txt")
		return "missing bagit.txt"
	}},
}

func (f folder) flip(r *rand.Rand, p string) string {
	b := []byte(f[p])
	b[r.IntN(len(b))] ^= 1 << r.IntN(7)
	return string(b)
}

// A bag with one fault has that one problem.
func TestOneFaultOneProblem(t *testing.T) {
	done := map[string]int{}
	for seed := range uint64(280) {
		r := rand.New(rand.NewPCG(seed, 1971))
		f := made(r)
		b := breaks[seed%uint64(len(breaks))]
		was := f.clone()
		want := b.do(r, f)
		if want == "" {
			continue
		}
		done[b.name]++
		expect := []string{want}
		if want == "nothing" {
			expect = []string{}
		}
		res := verify(t, f.write(t))
		if got := problems(res); !slices.Equal(expect, got) {
			t.Errorf("seed %d, %s: want %q, got %+v\nof %q", seed, b.name, expect, res.Problems, was)
		}
	}
	for _, b := range breaks {
		if done[b.name] < 5 {
			t.Errorf("%s was tried %d times only", b.name, done[b.name])
		}
	}
}

// TestOneWrongReadingIsNoBag: a source that gives another byte once, at whatever file and by
// whichever of its readings, is told, and nothing is made of it.
func TestOneWrongReadingIsNoBag(t *testing.T) {
	src, tried := full().write(t), 0
	for name := range full() {
		for reading := range 2 {
			dest := filepath.Join(t.TempDir(), "bag")
			open := func(dir string) (manifest.Folder, error) {
				d, err := disk.Open(dir, disk.Options{})
				if err != nil || dir != src {
					return d, err
				}
				return faulty.Wrap(d, faulty.FlipOnce(name, 0, 1, reading)), nil
			}
			if st, err := os.Stat(filepath.Join(src, name)); err != nil || st.Size() == 0 {
				continue
			}
			tried++
			_, err := bag.Make(t.Context(), src, dest, bag.MakeOptions{Open: open})
			if !errors.Is(err, manifest.ErrUnsteady) || !strings.Contains(err.Error(), path.Base(name)) {
				t.Errorf("%s, reading %d: %v", name, reading, err)
			}
			if left, err := os.ReadDir(filepath.Dir(dest)); err != nil || len(left) > 0 {
				t.Errorf("%s, reading %d: %v is left (%v)", name, reading, left, err)
			}
		}
	}
	if tried < 4 {
		t.Errorf("%d files and readings", tried)
	}
}
