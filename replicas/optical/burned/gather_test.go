package burned_test

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
)

// gather gives what a disc holds of some files, with 0xEE where it gives nothing.
func gather(t *testing.T, d *optical.Disc, files []burned.Sought) ([][]byte, []burned.Gathered) {
	t.Helper()
	got := make([]*memory, len(files))
	r, err := burned.Gather(t.Context(), d, files, soundOptions(), func(i int) (io.WriterAt, error) {
		got[i] = &memory{b: bytes.Repeat([]byte{0xEE}, int(files[i].Size))}
		return got[i], nil
	})
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]byte, len(files))
	for i := range got {
		if got[i] != nil {
			out[i] = got[i].b
		}
	}
	return out, r
}

// soundFile is a file with samples behind a header that no disc has.
func soundFile(name string, header int, pcm []byte, highFirst bool) ([]byte, burned.Sought) {
	b := bytes.Clone(pcm)
	for i := 0; highFirst && i < len(b); i += 2 {
		b[i], b[i+1] = b[i+1], b[i]
	}
	b = append(bytes.Repeat([]byte{'h'}, header), b...)
	return b, burned.Sought{File: burned.File{Name: name, Size: int64(len(b)), Blocks: sumsOf(b), Audio: true}, SamplesAt: int64(header), SamplesLength: int64(len(pcm)), HighFirst: highFirst}
}

func sumsOf(b []byte) []uint32 {
	s, _ := digest.NewSum(fixity.BLAKE3)
	_, _ = s.Write(b)
	return s.Sums().Blocks
}

// Sound is found on an image and in a drive, whatever the drive's offset, beside sectors
// that can't be read; what those held is lacking, and nothing else.
func TestGatherSound(t *testing.T) {
	one, two := music(1, 200*cdda.SectorSamples), music(2, 300*cdda.SectorSamples)
	for _, offset := range []int{0, 6, -12, 667, -1164} {
		for _, high := range []bool{false, true} {
			t.Run(fmt.Sprintf("offset %d, high byte first %t", offset, high), func(t *testing.T) {
				disc := burn(150, one, two)
				disc.fail(20, 2)
				disc.fail(430, 1)
				a, wantA := soundFile("a", 44, one, high)
				b, wantB := soundFile("b", 54, two, high)
				_, wantC := soundFile("c", 44, music(3, 100*cdda.SectorSamples), high)
				got, r := gather(t, insert(t, disc.drive(offset)), []burned.Sought{wantA, wantB, wantC})
				if !r[0].Found || !r[1].Found || r[2].Found || got[2] != nil {
					t.Fatalf("%+v", r)
				}
				for i, want := range [][]byte{a, b} {
					lost := []int64{2, 1}[i]*cdda.SectorBytes + []int64{44, 54}[i]
					n := int64(0)
					for _, x := range r[i].Lacks {
						n += x.Length
						copy(got[i][x.Offset:], want[x.Offset:x.Offset+x.Length])
					}
					// A drive that reads ahead or behind doesn't reach a few samples at the edges.
					edge := 0
					for k := range want {
						if got[i][k] != want[k] {
							edge++
						}
					}
					if n != lost || edge > max(offset, -offset)*cdda.SampleBytes {
						t.Errorf("file %d: lacks %v, and differs in %d bytes", i, r[i].Lacks, edge)
					}
				}
			})
		}
	}
}

// Files of data are found by their names, and by their blocks where the directory can't be
// read; what bad sectors held is lacking, and nothing else.
func TestGatherData(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	big := make([]byte, 300_000)
	for i := range big {
		big[i] = byte(r.Uint32())
	}
	files := map[string][]byte{"QV-0107/QV-0107_A.wav": big, "QV-0107/note.txt": []byte("sung by the whole valley")}
	var want []burned.Sought
	for _, n := range []string{"QV-0107/QV-0107_A.wav", "QV-0107/note.txt"} {
		want = append(want, burned.Sought{File: burned.File{Name: n, Size: int64(len(files[n])), Blocks: sumsOf(files[n])}})
	}
	want = append(want, burned.Sought{File: burned.File{Name: "QV-0107/never burned.wav", Size: 100, Blocks: []uint32{1}}})
	// A file of that name and size which is another one isn't it; its own lies elsewhere.
	moved := bytes.Clone(big[:200_000])
	slices.Reverse(moved)
	want = append(want, burned.Sought{File: burned.File{Name: "QV-0108/QV-0108_A.wav", Size: int64(len(moved)), Blocks: sumsOf(moved)}})
	files["QV-0108/QV-0108_A.wav"], files["QV-0108/other.wav"] = bytes.Repeat([]byte("another one"), len(moved))[:len(moved)], moved
	path := dataImage(t, files, "rock")
	at := lbaOf(t, path, big)
	for _, c := range []struct {
		name  string
		bad   []int64
		lacks string
		note  bool
	}{
		{"whole", nil, "[]", true},
		{"two bad sectors", []int64{at + 3, at + 146}, "[{6144 2048} {299008 992}]", true},
		{"no directory", []int64{16, 17, 18, 19, at + 3}, "[{6144 2048}]", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, disc, open := driveOf(t, path, nil)
			disc.Faults = bad(c.bad...)
			got, r := gather(t, open(), want)
			if !r[0].Found || fmt.Sprint(r[0].Lacks) != c.lacks || r[1].Found != c.note || r[2].Found || !r[3].Found || !bytes.Equal(got[3], moved) {
				t.Fatalf("%+v", r)
			}
			for _, x := range r[0].Lacks {
				copy(got[0][x.Offset:], big[x.Offset:x.Offset+x.Length])
			}
			if !bytes.Equal(got[0], big) || c.note && string(got[1]) != string(files["QV-0107/note.txt"]) {
				t.Error("what was gathered isn't what was burned")
			}
		})
	}
}
