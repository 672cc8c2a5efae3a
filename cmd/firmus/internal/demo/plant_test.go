package demo_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/demo"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/damage"
	"firmus/fixity/digest"

	"github.com/google/go-cmp/cmp"
)

// writeManifest puts a manifest where intake writes one.
func writeManifest(t *testing.T, w demo.World) (path, text string) {
	t.Helper()
	path = filepath.Join(w.Dir, "studio", "masters", "QV-0102", "manifest-sha256.txt")
	text = strings.Repeat("3c", 32) + "  QV-0102_A.wav\n"
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path, text
}

func sums(t *testing.T, b []byte) digest.Sums {
	t.Helper()
	s, err := digest.Read(t.Context(), bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func rel(p demo.Planted, path string) string { return p.Store + "/" + p.Set + "/" + path }

// Every claim about a planted fault is held against the bytes before and after.
func TestPlant(t *testing.T) {
	w := world(t)
	writeManifest(t, w)
	before := files(t, w.Dir)
	content := map[string][]byte{}
	for p := range before {
		b, err := os.ReadFile(filepath.Join(w.Dir, filepath.FromSlash(p)))
		if err != nil {
			t.Fatal(err)
		}
		content[p] = b
	}
	later := now.Add(100 * time.Minute)
	planted, err := demo.Plant(w.Dir, later)
	if err != nil {
		t.Fatal(err)
	}
	after := files(t, w.Dir)
	type pairOf struct {
		Kind    fixity.Kind
		Anatomy fixity.Anatomy
	}
	pairs, silent := map[pairOf]bool{}, 0
	for _, p := range planted {
		pairs[pairOf{p.Kind, p.Anatomy}] = true
		at := rel(p, p.Path)
		if p.Story == "" || p.Advice == "" || p.Subject == "" {
			t.Errorf("%s: %+v", at, p)
		}
		was, had := before[at]
		is, has := after[at]
		switch {
		case p.Subject == fixity.OfStray:
			if had || !has || p.Kind != fixity.Kind(fixity.Unexpected) {
				t.Errorf("%s: there before %v, after %v; %s", at, had, has, p.Kind)
			}
		case p.Subject == fixity.OfManifest:
			if !had || was.Sum == is.Sum || was.Size != is.Size || p.Kind != fixity.Kind(fixity.Altered) {
				t.Errorf("%s: before %+v, after %+v; %s", at, was, is, p.Kind)
			}
		case p.Kind == fixity.Kind(fixity.Missing):
			if !had || has || p.FoundAt != "" {
				t.Errorf("%s: there before %v, after %v", at, had, has)
			}
		case p.Kind == fixity.Kind(fixity.Misplaced):
			if diff := cmp.Diff(was, after[rel(p, p.FoundAt)]); diff != "" || has {
				t.Errorf("%s: still there %v; at %s (-was +is):\n%s", at, has, p.FoundAt, diff)
			}
			delete(after, rel(p, p.FoundAt))
		case p.Kind == fixity.Kind(fixity.Altered):
			b, err := os.ReadFile(filepath.Join(w.Dir, filepath.FromSlash(at)))
			if err != nil {
				t.Fatal(err)
			}
			if got := damage.FromBlocks(sums(t, content[at]), sums(t, b)); got.Anatomy != p.Anatomy {
				t.Errorf("%s: is %+v by its blocks, want %s", at, got, p.Anatomy)
			}
			exact, err := damage.FromBytes(t.Context(), bytes.NewReader(content[at]), bytes.NewReader(b), int64(len(content[at])), int64(len(b)))
			if err != nil || exact.Anatomy != p.Anatomy {
				t.Errorf("%s: is %+v by its bytes (%v), want %s", at, exact, err, p.Anatomy)
			}
			if p.Anatomy == fixity.Flipped && exact.Bits != 1 {
				t.Errorf("%s: %d bits differ", at, exact.Bits)
			}
			if was.Size == is.Size && was.Time.Equal(is.Time) {
				silent++
			} else if p.Anatomy == fixity.Zeroed || p.Anatomy == fixity.Flipped {
				t.Errorf("%s: what went silently has another size or time", at)
			}
			if is.Time.After(later) {
				t.Errorf("%s: its time %v is yet to come", at, is.Time)
			}
		default:
			t.Errorf("%s: kind %q", at, p.Kind)
		}
		delete(before, at)
		delete(after, at)
	}
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("files that no fault is claimed of (-before +after):\n%s", diff)
	}
	if len(planted) < 12 || len(pairs) < 8 || silent < 4 {
		t.Errorf("%d faults of %d kinds, %d of them silent", len(planted), len(pairs), silent)
	}
	awkward := func(p demo.Planted) bool { return strings.Contains(p.Path, "%") && strings.Contains(p.Path, "'") }
	if i := len(planted); i == 0 || !containsFunc(planted, awkward) {
		t.Error("no fault in a file with an awkward name")
	}
}

func containsFunc(ps []demo.Planted, f func(demo.Planted) bool) bool {
	for _, p := range ps {
		if f(p) {
			return true
		}
	}
	return false
}

// What is said of urgency is what care says of the two stores.
func TestPlantUrgency(t *testing.T) {
	planted, err := demo.Plant(world(t).Dir, now)
	if err != nil {
		t.Fatal(err)
	}
	rules := care.Rules{
		Stores: []care.Store{{Name: "studio", Kind: "disk", Arrivals: true, Sets: []string{"masters", "access"}}, {Name: "vault", Kind: "disk", Sets: []string{"masters", "access"}}},
		Sets:   []care.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access}},
	}
	seen := map[fixity.Urgency]int{}
	for _, p := range planted {
		want := care.JudgeStray(care.Stray{}, 0, now)
		if p.Subject == fixity.OfFile {
			set, _ := rules.Set(p.Set)
			c := care.Case{Set: set, Version: 1, Vouched: true, Now: now, Anatomy: p.Anatomy}
			for _, st := range []string{"studio", "vault"} {
				h := care.Holding{Copy: care.Copy{Store: st, Set: p.Set, Held: 1, State: fixity.Intact}}
				for _, q := range planted {
					if q.Store == st && q.Set == p.Set && q.Path == p.Path {
						h.State = fixity.State(q.Kind)
					}
				}
				c.Holdings = append(c.Holdings, h)
			}
			want = care.Judge(rules, c, p.Store, 0)
		}
		if p.Kind != want.Kind || p.Urgency != want.Urgency {
			t.Errorf("%s: %s, %s; care says %s, %s", rel(p, p.Path), p.Kind, p.Urgency, want.Kind, want.Urgency)
		}
		seen[p.Urgency]++
	}
	if seen[fixity.NoneIntact] != 2 || seen[fixity.AtRisk] == 0 || seen[fixity.Tidy] == 0 {
		t.Errorf("urgencies %v", seen)
	}
}

// The two damaged copies of one master together hold every block of it.
func TestPlantNoneIntact(t *testing.T) {
	w := world(t)
	const path = "QV-0107/QV-0107_A.wav"
	read := func(store string) digest.Sums {
		b, err := os.ReadFile(filepath.Join(w.Dir, store, "masters", filepath.FromSlash(path)))
		if err != nil {
			t.Fatal(err)
		}
		return sums(t, b)
	}
	whole := read("vault")
	if _, err := demo.Plant(w.Dir, now); err != nil {
		t.Fatal(err)
	}
	a, b := read("studio"), read("vault")
	for i, want := range whole.Blocks {
		if a.Blocks[i] != want && b.Blocks[i] != want {
			t.Errorf("block %d is bad in both", i)
		}
	}
	if cmp.Equal(a.Blocks, whole.Blocks) || cmp.Equal(b.Blocks, whole.Blocks) {
		t.Error("one of the copies is intact")
	}
}

func TestPlantManifest(t *testing.T) {
	isManifest := func(p demo.Planted) bool { return p.Subject == fixity.OfManifest }
	w := world(t)
	planted, err := demo.Plant(w.Dir, now)
	if err != nil || containsFunc(planted, isManifest) {
		t.Errorf("without a manifest: %v, %+v", err, planted)
	}
	w = world(t)
	path, text := writeManifest(t, w)
	planted, err = demo.Plant(w.Dir, now)
	if err != nil || !containsFunc(planted, isManifest) {
		t.Errorf("with a manifest: %v, %+v", err, planted)
	}
	b, err := os.ReadFile(path)
	if err != nil || len(b) != len(text) || string(b) == text || string(b[64:]) != text[64:] {
		t.Errorf("the manifest is %q (%v), was %q", b, err, text)
	}
	if _, err := fixity.ParseDigest(fixity.SHA256, string(b[:64])); err != nil {
		t.Errorf("it is no manifest any more: %v", err)
	}
}

// Nothing but what Make wrote is ever damaged.
func TestPlantRefuses(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, dir string)
	}{
		{"planted before", func(t *testing.T, dir string) {
			if _, err := demo.Plant(dir, now); err != nil {
				t.Fatal(err)
			}
		}},
		{"a file of somebody else", func(t *testing.T, dir string) {
			p := filepath.Join(dir, "vault", "masters", "QV-0105", "QV-0105_A.wav")
			b, err := os.ReadFile(p)
			if err != nil {
				t.Fatal(err)
			}
			b[len(b)-9]++
			if err := os.WriteFile(p, b, 0o644); err != nil {
				t.Fatal(err)
			}
		}},
		{"a file lacks", func(t *testing.T, dir string) {
			if err := os.Remove(filepath.Join(dir, "studio", "access", "QV-0114", "QV-0114_A_02.wav")); err != nil {
				t.Fatal(err)
			}
		}},
		{"something lies where a file would go", func(t *testing.T, dir string) {
			if err := os.WriteFile(filepath.Join(dir, "vault", "masters", "QV-0111", "QV-0110_B.wav"), []byte("mine"), 0o644); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := world(t)
			c.spoil(t, w.Dir)
			before := files(t, w.Dir)
			planted, err := demo.Plant(w.Dir, now)
			if !errors.Is(err, demo.ErrNotOurs) || planted != nil {
				t.Errorf("error %v, planted %+v", err, planted)
			}
			if diff := cmp.Diff(before, files(t, w.Dir)); diff != "" {
				t.Errorf("something was touched:\n%s", diff)
			}
		})
	}
	if _, err := demo.Plant(filepath.Join(t.TempDir(), "none"), now); err == nil {
		t.Error("planted in a folder that isn't there")
	}
}

func TestLive(t *testing.T) {
	w := world(t)
	before := files(t, w.Dir)
	later := now.Add(time.Hour)
	told, err := demo.Live(w.Dir, later)
	if err != nil || len(told) != 3 {
		t.Fatalf("%v, %q", err, told)
	}
	after := files(t, w.Dir)
	const saved, fresh, shifted = "studio/access/QV-0114/QV-0114_B_01.wav", "studio/masters/QV-0115/QV-0115_A.wav", "vault/masters/QV-0104/QV-0104_A.wav"
	if a, b := before[saved], after[saved]; a.Sum == b.Sum || !b.Time.After(a.Time) || b.Time.After(later) {
		t.Errorf("saved: before %+v, after %+v", a, b)
	}
	if _, had := before[fresh]; had || after[fresh].Size == 0 {
		t.Errorf("new: before %v, after %+v", had, after[fresh])
	}
	if a, b := before[shifted], after[shifted]; a.Sum != b.Sum || b.Time.Sub(a.Time) != time.Hour {
		t.Errorf("another time: before %+v, after %+v", a, b)
	}
	for _, p := range []string{saved, fresh, shifted} {
		delete(before, p)
		delete(after, p)
	}
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("the others (-before +after):\n%s", diff)
	}
	if _, err := demo.Live(w.Dir, later); !errors.Is(err, demo.ErrNotOurs) {
		t.Errorf("a second time: %v", err)
	}
	if planted, err := demo.Plant(w.Dir, later); err != nil || len(planted) < 12 {
		t.Errorf("planting afterwards: %v, %d faults", err, len(planted))
	}
}
