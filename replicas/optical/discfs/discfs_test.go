package discfs_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

const sector = discfs.SectorSize

func disc(sectors int) []byte {
	b := make([]byte, sectors*sector)
	rng := rand.New(rand.NewPCG(107, 3))
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}

func TestReader(t *testing.T) {
	img := disc(20)
	b := discfs.NewBuilder(bytes.NewReader(img), int64(len(img)))
	f := discfs.File{Path: "a.wav", Size: 3*sector + 30, Extents: []discfs.Extent{
		{LBA: 7, Bytes: 2 * sector}, {LBA: discfs.Hole, Bytes: 20}, {LBA: 3, Skip: 100, Bytes: sector}, {LBA: 19, Skip: 2000, Bytes: 10},
	}}
	if err := b.Add(f); err != nil {
		t.Fatal(err)
	}
	tr := b.Tree()
	want := bytes.Join([][]byte{img[7*sector : 9*sector], make([]byte, 20), img[3*sector+100 : 4*sector+100], img[19*sector+2000:][:10]}, nil)
	got, ok := tr.Find("a.wav")
	if !ok || !cmp.Equal(got, f) {
		t.Fatalf("%v, %+v", ok, got)
	}
	if err := iotest.TestReader(tr.Reader(got), want); err != nil {
		t.Error(err)
	}
}

func TestAdd(t *testing.T) {
	const size = 100 * sector
	for _, tc := range []struct {
		name string
		file discfs.File
		ok   bool
	}{
		{"empty", discfs.File{}, true},
		{"one extent", discfs.File{Size: 10, Extents: []discfs.Extent{{LBA: 5, Bytes: 10}}}, true},
		{"beyond the disc", discfs.File{Size: 10, Extents: []discfs.Extent{{LBA: 500, Bytes: 10}}}, true}, // told when it is read
		{"two in one sector", discfs.File{Size: 20, Extents: []discfs.Extent{{LBA: 5, Bytes: 10}, {LBA: 5, Skip: 10, Bytes: 10}}}, true},
		{"overlap", discfs.File{Size: 20, Extents: []discfs.Extent{{LBA: 5, Bytes: 10}, {LBA: 5, Skip: 9, Bytes: 10}}}, false},
		{"too little", discfs.File{Size: 11, Extents: []discfs.Extent{{LBA: 5, Bytes: 10}}}, false},
		{"empty extent", discfs.File{Size: 0, Extents: []discfs.Extent{{LBA: 5}}}, false},
		{"negative", discfs.File{Size: 1, Extents: []discfs.Extent{{LBA: -2, Bytes: 1}}}, false},
		{"far away", discfs.File{Size: 1, Extents: []discfs.Extent{{LBA: 1 << 60, Bytes: 1}}}, false},
		{"overflow", discfs.File{Size: -2, Extents: []discfs.Extent{{LBA: 1, Bytes: 1<<63 - 1}, {LBA: 2, Bytes: 1<<63 - 1}}}, false},
		{"holes larger than the disc", discfs.File{Size: size + 1, Extents: []discfs.Extent{{LBA: discfs.Hole, Bytes: size + 1}}}, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := discfs.NewBuilder(bytes.NewReader(nil), size)
			if err := b.Add(tc.file); (err == nil) != tc.ok {
				t.Errorf("error %v", err)
			}
		})
	}
}

func TestBounds(t *testing.T) {
	b := discfs.NewBuilder(bytes.NewReader(nil), 0)
	var err error
	n := 0
	for ; err == nil; n++ {
		err = b.Add(discfs.File{Path: "a"})
	}
	if !errors.Is(err, discfs.ErrTooMuch) || n != discfs.MaxFiles+1 {
		t.Errorf("after %d files: %v", n, err)
	}
	b = discfs.NewBuilder(bytes.NewReader(nil), 0)
	long := strings.Repeat("x", discfs.MaxPathBytes)
	for n, err = 0, nil; err == nil; n++ {
		err = b.Add(discfs.File{Path: long})
	}
	if !errors.Is(err, discfs.ErrTooMuch) || n != discfs.MaxAllPaths/discfs.MaxPathBytes+1 {
		t.Errorf("after %d paths: %v", n, err)
	}
	if err := b.Directory(discfs.MaxDirectories + 1); !errors.Is(err, discfs.ErrTooMuch) {
		t.Errorf("directories: %v", err)
	}
	if err := b.Spend(1 << 40); !errors.Is(err, discfs.ErrTooMuch) {
		t.Errorf("work: %v", err)
	}
	if _, err := discfs.Join("a", long); !errors.Is(err, discfs.ErrTooMuch) {
		t.Errorf("path: %v", err)
	}
}

func TestFiles(t *testing.T) {
	b := discfs.NewBuilder(bytes.NewReader(nil), 0)
	for _, p := range []string{"a/b", "a-b", "a", "b", "a.b", "b"} {
		if err := b.Add(discfs.File{Path: p}); err != nil {
			t.Fatal(err)
		}
	}
	b.Problem(fmt.Errorf("directory %q: %w", "c", fixity.ErrUnreadable))
	for range 200 {
		b.Problem(io.ErrUnexpectedEOF)
	}
	var names []string
	var last error
	for f, err := range b.Tree().Files() {
		if last = err; err == nil {
			names = append(names, f.Path)
		}
	}
	if diff := cmp.Diff([]string{"a", "a-b", "a.b", "a/b", "b"}, names); diff != "" {
		t.Error(diff)
	}
	if !errors.Is(last, fixity.ErrIncomplete) || !errors.Is(last, fixity.ErrUnreadable) || !strings.Contains(last.Error(), "and 102 more") {
		t.Errorf("error %v", last)
	}
}

// TestAttribute compares with looking through all extents, for many that overlap.
func TestAttribute(t *testing.T) {
	rng := rand.New(rand.NewPCG(107, 4))
	const sectors = 300
	b := discfs.NewBuilder(bytes.NewReader(nil), sectors*sector)
	var files []discfs.File
	for i := range 200 {
		n := 1 + rng.Int64N(20*sector)
		f := discfs.File{Path: fmt.Sprintf("%03d", i), Size: n, Extents: []discfs.Extent{{LBA: rng.Int64N(sectors - 30), Skip: rng.Int64N(sector), Bytes: n}}}
		files = append(files, f)
		if err := b.Add(f); err != nil {
			t.Fatal(err)
		}
	}
	b.Structure(0, 400, "")
	b.Structure(500, 2, "dir")
	tr := b.Tree()
	for lba := range int64(sectors) {
		want := map[discfs.Place]bool{}
		for _, f := range files {
			e := f.Extents[0]
			if lba >= e.LBA && lba < e.LBA+e.Blocks() {
				want[discfs.Place{Path: f.Path, Offset: (lba-e.LBA)*sector - e.Skip}] = true
			}
		}
		kind, places := tr.Attribute(lba)
		if len(want) == 0 {
			want[discfs.Place{}] = true
		} else if kind != discfs.OfFile {
			t.Errorf("sector %d is of %s", lba, kind)
		}
		got := map[discfs.Place]bool{}
		for _, p := range places {
			got[p] = true
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("sector %d: %s", lba, diff)
		}
	}
	if kind, places := tr.Attribute(501); kind != discfs.OfStructure || places[0].Path != "dir" {
		t.Errorf("sector 501 is of %s %v", kind, places)
	}
	if kind, _ := tr.Attribute(450); kind != discfs.OfNothing {
		t.Errorf("sector 450 is of %s", kind)
	}
}
