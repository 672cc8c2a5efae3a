package burned_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discfstest"
)

// recordOf is the directory record whose name is so many bytes; it fails if there isn't
// just one.
func recordOf(t *testing.T, image []byte, name string) []byte {
	t.Helper()
	found := -1
	for at := 0; ; {
		i := bytes.Index(image[at:], []byte(name))
		if i < 0 {
			break
		}
		if at += i; at >= 33 && int(image[at-1]) == len(name) {
			if found >= 0 {
				t.Fatalf("%q is there twice", name)
			}
			found = at - 33
		}
		at++
	}
	if found < 0 {
		t.Fatalf("no record of %q", name)
	}
	return image[found:]
}

func resize(record []byte, n int64)   { twice(record[10:], n) }
func relocate(record []byte, n int64) { twice(record[2:], n) }

func exchange(a, b []byte) {
	for i := 2; i < 18; i++ {
		a[i], b[i] = b[i], a[i]
	}
}

// TestADamagedDirectoryIsNeverAnotherDisc: whatever is wrong in the directories, files
// whose bytes one tree leads to are intact, and what is wrong is told.
func TestADamagedDirectoryIsNeverAnotherDisc(t *testing.T) {
	const plainA, plainB, plainO = "QV_0107_A.WAV;1", "QV_0107_B.WAV;1", "QV_0108_A.WAV;1"
	jolietA, jolietB := bigEndian("QV-0107_A.wav"), bigEndian("QV-0107_B.wav")
	const sizeA = int64(300_000)
	rootOf := func(b []byte, sector int) []byte { return b[sector*discfs.SectorSize+156:] }
	for _, tc := range []struct {
		name   string
		recipe string
		damage func(*testing.T, []byte)
		tells  string // "": nothing
		extra  bool   // of files that a tree shows and nobody wanted, some may be told
	}{
		{"nothing is wrong", "both", func(*testing.T, []byte) {}, "", false},
		{"nothing is wrong, with UDF", "bridge", func(*testing.T, []byte) {}, "", false},
		{"nothing is wrong, plain names", "plain-31", func(*testing.T, []byte) {}, "", false},
		{"a size that is too small", "both", func(t *testing.T, b []byte) { resize(recordOf(t, b, plainA), 1000) }, `Rock Ridge "QV-0107/QV-0107_A.wav" has 1000 bytes, and not 300000`, false},
		{"a size that is too large", "both", func(t *testing.T, b []byte) { resize(recordOf(t, b, plainA), sizeA+90_000) }, "has 390000 bytes", false},
		{"a size that is too small, in the only tree", "plain-31", func(t *testing.T, b []byte) { resize(recordOf(t, b, plainA), 1000) }, "has 1000 bytes, and not 300000", false},
		{"a size that is too large, in the only tree", "plain-31", func(t *testing.T, b []byte) { resize(recordOf(t, b, plainA), sizeA+90_000) }, "has 390000 bytes", false},
		{"a size of nothing, in the only tree", "rock", func(t *testing.T, b []byte) { resize(recordOf(t, b, plainA), 1<<31) }, "has 2147483648 bytes", false},
		{"sizes in both trees, of different files", "both", func(t *testing.T, b []byte) {
			resize(recordOf(t, b, plainA), 1000)
			resize(recordOf(t, b, jolietB), 1000)
		}, "has 1000 bytes, and not 300000", false},
		{"a place", "both", func(t *testing.T, b []byte) { relocate(recordOf(t, b, plainA), 40) }, "lies at sector 40", false},
		{"a place in Joliet", "both", func(t *testing.T, b []byte) { relocate(recordOf(t, b, jolietA), 40) }, `Joliet "QV-0107/QV-0107_A.wav" lies at sector 40`, false},
		{"a name in Rock Ridge", "both", func(t *testing.T, b []byte) {
			copy(b[bytes.Index(b, []byte("QV-0107_A.wav")):], "X%-_1_7QA.wav")
		}, `is called "QV-0107/X%-_1_7QA.wav"`, true},
		{"names exchanged in every tree", "both", func(t *testing.T, b []byte) {
			exchange(recordOf(t, b, plainA), recordOf(t, b, plainB))
			exchange(recordOf(t, b, jolietA), recordOf(t, b, jolietB))
		}, `the name "QV-0107/QV-0107_A.wav" leads to what was burned as "QV-0107/QV-0107_B.wav"`, false},
		{"names exchanged in the only tree", "rock", func(t *testing.T, b []byte) { exchange(recordOf(t, b, plainA), recordOf(t, b, plainB)) },
			`the name "QV-0107/QV-0107_A.wav" leads to`, false},
		{"the root leads to a file", "both", func(t *testing.T, b []byte) {
			relocate(rootOf(b, 16), int64(binary.LittleEndian.Uint32(recordOf(t, b, plainO)[2:])))
		}, "name longer than its record", false},
		{"the root leads to nothing", "both", func(t *testing.T, b []byte) { relocate(rootOf(b, 16), 5) }, "no file is on it", false},
		{"the root leads behind the end", "both", func(t *testing.T, b []byte) { relocate(rootOf(b, 16), 1<<24) }, "behind the disc's end", false},
		{"the root leads elsewhere, with UDF", "udf-rock", func(t *testing.T, b []byte) { relocate(rootOf(b, 16), 5) }, "no file is on it", false},
		{"no primary descriptor, with Joliet", "both", func(t *testing.T, b []byte) { clear(b[16*discfs.SectorSize:][:discfs.SectorSize]) }, "sector 16 holds no volume descriptor", false},
		{"a primary descriptor of noise, with UDF", "udf-rock", func(t *testing.T, b []byte) {
			for i := range b[16*discfs.SectorSize:][:discfs.SectorSize] {
				b[16*discfs.SectorSize+i] = byte(i*i>>3 + 7)
			}
		}, "sector 16 holds no volume descriptor", false},
		{"a primary descriptor with another block size", "both", func(t *testing.T, b []byte) { b[16*discfs.SectorSize+129] = 1 }, "logical blocks", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			file := discfstest.Image(t, tc.recipe, discfstest.WriteContents(t, survey()))
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			tc.damage(t, b)
			if err := os.WriteFile(file, b, 0o600); err != nil {
				t.Fatal(err)
			}
			d, err := optical.OpenImage(t.Context(), file)
			if err != nil {
				t.Fatal(err)
			}
			defer d.Close()
			want := expected(survey())
			r, err := burned.Check(t.Context(), d, burned.Want{Kind: optical.Data, Files: want}, spoolless())
			if err != nil || r.Verdict != fixity.DiscIntact {
				t.Fatalf("%q, %v\n%s\n%q %v", r.Verdict, err, strings.Join(said(r), "\n"), r.Directory, r.Problems)
			}
			if tells := strings.Join(r.Directory, "\n"); tc.tells == "" && tells != "" || !strings.Contains(tells, tc.tells) {
				t.Errorf("it tells %q, and should tell %q\n%q", tells, tc.tells, said(r))
			}
			if r.DifferingAll+r.UnreadableAll != 0 || len(r.Differing) > 0 || !tc.extra && r.ExtraAll > 0 {
				t.Errorf("%s, extra %q", fmt.Sprint(said(r)), r.Extra)
			}
			ms, err := burned.Identify(t.Context(), d, []burned.Known{{ID: 7, Kind: optical.Data, Files: want}})
			if err != nil || len(ms) != 1 || ms[0].ID != 7 {
				t.Errorf("identified as %+v, %v", ms, err)
			}
		})
	}
}

// TestShortNamesAreNeverADamagedDirectory: files of one size whose names begin alike have
// names of eight and three beside their own that say of none of them which it is.
func TestShortNamesAreNeverADamagedDirectory(t *testing.T) {
	files := map[string][]byte{}
	for _, n := range []string{"A_01", "A_02", "B_01", "B_02", "B_03"} {
		files["QV-0107/QV-0107_"+n+".wav"] = discfstest.Content(n, 30_000)
	}
	for _, recipe := range []string{"rock-deep", "both", "x-both", "x-plain", "plain-31"} {
		d, err := optical.OpenImage(t.Context(), discfstest.Image(t, recipe, discfstest.WriteContents(t, files)))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		r, err := burned.Check(t.Context(), d, burned.Want{Kind: optical.Data, Files: expected(files)}, spoolless())
		if err != nil || r.Verdict != fixity.DiscIntact || len(r.Directory) > 0 || r.DifferingAll > 0 {
			t.Errorf("%s: %q, %q, %v", recipe, r.Verdict, r.Directory, err)
		}
	}
}
