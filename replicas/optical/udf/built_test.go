package udf_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/udf"
	"firmus/replicas/testing/discfstest"
)

func open(t testing.TB, r io.ReaderAt, size int64) (*udf.Image, *discfs.Tree) {
	t.Helper()
	m, err := udf.Open(r, size, 0)
	if err != nil {
		t.Fatal(err)
	}
	tr, err := m.Tree(context.Background(), discfs.UDF)
	if err != nil {
		t.Fatal(err)
	}
	return m, tr
}

// TestCRC: the example of ECMA-167, section 3/7.2.6.
func TestCRC(t *testing.T) {
	if got := udf.CRC([]byte{0x70, 0x6A, 0x77}); got != 0x3299 {
		t.Errorf("CRC %04X, not 3299", got)
	}
}

// numbered is a block whose bytes are all n.
func numbered(n int) []byte { return bytes.Repeat([]byte{byte(n)}, sectorSize) }

func filled(blocks map[uint32][]byte, from, to uint32) map[uint32][]byte {
	for n := from; n < to; n++ {
		blocks[n] = numbered(int(n))
	}
	return blocks
}

// parts says what a file of blocks by numbered is: "100*2048 -1*10 101*3".
func parts(b []byte) string {
	var s []string
	for len(b) > 0 {
		n := 1
		for n < len(b) && b[n] == b[0] {
			n++
		}
		s = append(s, fmt.Sprintf("%d*%d", b[0], n))
		b = b[n:]
	}
	return strings.Join(s, " ")
}

func TestBuilt(t *testing.T) {
	one := func(entry []byte, more ...[]byte) map[uint32][]byte {
		m := filled(map[uint32][]byte{1: dir(fid("", 8|2, 1, 0), fid("a.wav", 0, 2, 0)), 2: entry}, 100, 120)
		for i, b := range more {
			m[uint32(3+i)] = b
		}
		return m
	}
	const block = sectorSize
	for _, tc := range []struct {
		name   string
		blocks map[uint32][]byte
		want   string // bytes of a.wav
		list   string // of all, "a.wav" if it is ""
		fails  string
	}{
		{"short descriptors", one(fe(false, 5, block+10, 0, shortAD(block+10, 0, 100))), "100*2048 101*10", "", ""},
		{"short descriptors, extended entry", one(fe(true, 5, block+10, 0, shortAD(block, 0, 100), shortAD(10, 0, 105))), "100*2048 105*10", "", ""},
		{"long descriptors", one(fe(false, 5, 2*block+1, 1, longAD(block, 0, 107, 0), longAD(block+1, 0, 103, 0))), "107*2048 103*2048 104*1", "", ""},
		{"long descriptors, extended entry", one(fe(true, 5, 5, 1, longAD(5, 0, 107, 0))), "107*5", "", ""},
		{"embedded", one(fe(false, 5, 7, 3, []byte("seven77"))), "115*1 101*1 118*1 101*1 110*1 55*2", "", ""},
		{"embedded, extended entry", one(fe(true, 5, 2, 3, []byte("aa"))), "97*2", "", ""},
		{"real time file", one(fe(false, 249, 1, 3, []byte("a"))), "97*1", "", ""},
		{"empty", one(fe(false, 5, 0, 0)), "", "", ""},
		{"hole", one(fe(false, 5, 3*block, 0, shortAD(block, 0, 100), shortAD(block, 1, 50), shortAD(block, 2, 0))), "100*2048 0*4096", "", ""},
		{"sparse end", one(fe(false, 5, 3*block, 0, shortAD(block, 0, 100))), "100*2048 0*4096", "", ""},
		{"tail behind the size", one(fe(false, 5, 10, 0, shortAD(block, 0, 100), shortAD(block, 1, 50))), "100*10", "", ""},
		{"chain of extents", one(fe(false, 5, 2*block+3, 0, shortAD(block, 0, 100), shortAD(block, 3, 3)),
			aed(shortAD(block, 0, 102), shortAD(block, 3, 4)), aed(shortAD(3, 0, 104))), "100*2048 102*2048 104*3", "", ""},
		{"loop of extents", one(fe(false, 5, 99*block, 0, shortAD(block, 3, 3)), aed(shortAD(block, 3, 3))), "", "-", "loop"},
		{"extents overlap", one(fe(false, 5, 2*block, 0, shortAD(block, 0, 100), shortAD(block, 0, 100))), "", "-", "overlap"},
		{"extent ends inside a block", one(fe(false, 5, 2*block, 0, shortAD(10, 0, 100), shortAD(block, 0, 101))), "", "-", "inside a block"},
		{"extent beyond the partition", one(fe(false, 5, 2*block, 0, shortAD(2*block, 0, partBlocks-1))), "", "-", "of a partition of"},
		{"unknown partition", one(fe(false, 5, 10, 1, longAD(10, 0, 100, 7))), "", "-", "partition reference 7"},
		{"more holes than the disc has room", one(fe(false, 5, 1<<40, 0)), "", "-", "never recorded"},
		{"size beyond all", one(fe(false, 5, -1, 0)), "", "-", "bytes"},
		{"embedded, cut off", one(fe(false, 5, 99, 3, []byte("a"))), "", "-", "in the entry"},
		{"wrong CRC", one(func() []byte { b := fe(false, 5, 1, 3, []byte("a")); b[60] = 9; return b }()), "", "-", "wrong CRC"},
		{"wrong checksum", one(func() []byte { b := fe(false, 5, 1, 3, []byte("a")); b[4]++; return b }()), "", "-", "checksum"},
		{"no entry", one(make([]byte, block)), "", "-", "no file entry"},
		{"strategy 4096", one(func() []byte {
			b := fe(false, 5, 1, 3, []byte("a"))
			le.PutUint16(b[20:], 4096)
			return tagged(b, 261, 0, 177)
		}()), "", "-", "strategy"},
		{"link", one(fe(false, 12, 1, 3, []byte("a"))), "", "", ""},
		{"names", map[uint32][]byte{1: dir(fid("", 8|2, 1, 0), fid("Straße", 0, 2, 0), fid("gone", 4, 2, 0), fid("歌🎙", 0, 2, 0), fid("hidden", 1, 2, 0)),
			2: fe(false, 5, 1, 3, []byte("a"))}, "", "Straße hidden 歌🎙", ""},
		{"hard link and directory", map[uint32][]byte{1: dir(fid("b", 0, 2, 0), fid("d", 2, 3, 0)), 2: fe(false, 5, 1, 3, []byte("a")),
			3: dir(fid("", 8|2, 1, 0), fid("c", 0, 2, 0))}, "", "b d/c", ""},
		{"directory in itself", map[uint32][]byte{1: dir(fid("d", 2, 1, 0), fid("e", 0, 2, 0)), 2: fe(false, 5, 1, 3, []byte("a"))}, "", "e", "loop"},
		{"bad names", map[uint32][]byte{1: dir(fid("..", 0, 2, 0), fid("a/b", 0, 2, 0), fid("ok", 0, 2, 0)), 2: fe(false, 5, 1, 3, []byte("a"))}, "", "ok", "can't be a name"},
		{"damaged identifier", map[uint32][]byte{1: dir(fid("one", 0, 2, 0), func() []byte { b := fid("two", 0, 2, 0); b[20]++; return b }(), fid("three", 0, 2, 0)),
			2: fe(false, 5, 1, 3, []byte("a"))}, "", "one three", "wrong CRC"},
		{"odd compression", map[uint32][]byte{1: dir(func() []byte { b := fid("one", 0, 2, 0); b[38] = 9; return tagged(b, 257, 0, 42) }(), fid("two", 0, 2, 0)),
			2: fe(false, 5, 1, 3, []byte("a"))}, "", "two", "compression 9"},
		{"root is a file", map[uint32][]byte{1: fe(false, 5, 1, 3, []byte("a"))}, "", "-", "no directory"},
		{"no root", map[uint32][]byte{}, "", "-", "the root"},
		{"directory with a hole", map[uint32][]byte{1: fe(false, 4, block, 0)}, "", "-", "never recorded"},
		{"directory in extents", map[uint32][]byte{1: fe(false, 4, len(fid("a.wav", 0, 2, 0)), 0, shortAD(uint32(len(fid("a.wav", 0, 2, 0))), 0, 9)), 9: fid("a.wav", 0, 2, 0),
			2: fe(false, 5, 1, 3, []byte("a"))}, "97*1", "", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			img := build(t, layout{blocks: tc.blocks})
			m, tr := open(t, bytes.NewReader(img), int64(len(img)))
			if m.Label() != "Quillmere" || m.Revision() != 0x0201 || !m.Created().Equal(time.Date(1974, 6, 9, 13, 30, 2, 0, time.UTC)) {
				t.Errorf("%q, %x, %v", m.Label(), m.Revision(), m.Created())
			}
			names, err := list(tr)
			want := tc.list
			switch want {
			case "":
				want = "a.wav"
			case "-":
				want = ""
			}
			if got := strings.Join(names, " "); got != want {
				t.Errorf("files %q, not %q", got, want)
			}
			switch {
			case tc.fails == "" && err != nil:
				t.Error(err)
			case tc.fails != "" && (err == nil || !strings.Contains(err.Error(), tc.fails) || !errors.Is(err, fixity.ErrIncomplete)):
				t.Errorf("error %v, not of %q", err, tc.fails)
			}
			if want != "a.wav" {
				return
			}
			f, _ := tr.Find("a.wav")
			if !f.ModTime.Equal(time.Date(1974, 6, 9, 13, 30, 2, 0, time.UTC)) {
				t.Errorf("of %v", f.ModTime)
			}
			b, err := io.ReadAll(tr.Reader(f))
			if got := parts(b); got != tc.want || err != nil {
				t.Errorf("%q, %v; not %q", got, err, tc.want)
			}
			discfstest.Use(tr, int64(len(img)))
		})
	}
}

func list(tr *discfs.Tree) (names []string, last error) {
	for f, err := range tr.Files() {
		if err != nil {
			return names, err
		}
		names = append(names, f.Path)
	}
	return names, nil
}

// contents gives a.wav by parts.
func contents(t *testing.T, img []byte) string {
	t.Helper()
	_, tr := open(t, bytes.NewReader(img), int64(len(img)))
	if names, err := list(tr); err != nil || len(names) != 1 {
		t.Fatalf("files %q, %v", names, err)
	}
	f, _ := tr.Find("a.wav")
	b, err := io.ReadAll(tr.Reader(f))
	if err != nil {
		t.Fatal(err)
	}
	return parts(b)
}

func TestSparable(t *testing.T) {
	blocks := filled(map[uint32][]byte{
		1: dir(fid("a.wav", 0, 2, 0)), 2: fe(false, 5, 6*sectorSize, 0, shortAD(6*sectorSize, 0, 102)),
	}, 100, 120)
	// Packets of four blocks; that of blocks 104 to 107 was moved to sector 290.
	disc := map[int64][]byte{80: sparingTable(104, 290, 0xFFFFFFFF, 294), 290: append(append(numbered(1), numbered(2)...), numbered(3)...)}
	for _, tc := range []struct {
		name  string
		first []byte
	}{
		{"first table", sparingTable(104, 290)},
		{"second table", make([]byte, sectorSize)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			disc[70] = tc.first
			img := build(t, layout{maps: [][]byte{sparableMap(4, 70, 80)}, blocks: blocks, disc: disc})
			want := "102*2048 103*2048 1*2048 2*2048 3*2048 0*2048"
			if got := contents(t, img); got != want {
				t.Errorf("%s, not %s", got, want)
			}
			_, tr := open(t, bytes.NewReader(img), int64(len(img)))
			for lba, want := range map[int64]discfs.Kind{290: discfs.OfFile, 293: discfs.OfFile, 402: discfs.OfFile, 404: discfs.OfNothing, 80: discfs.OfStructure} {
				if tc.name == "first table" && lba == 80 {
					continue // not looked at
				}
				if kind, _ := tr.Attribute(lba); kind != want {
					t.Errorf("sector %d is of %s, not %s", lba, kind, want)
				}
			}
		})
	}
	img := build(t, layout{maps: [][]byte{sparableMap(4, 70)}, blocks: blocks})
	if _, err := udf.Open(bytes.NewReader(img), int64(len(img)), 0); err == nil {
		t.Error("a volume without a good sparing table was opened")
	}
}

func TestVirtual(t *testing.T) {
	// Virtual blocks: 0 the file set, 1 the root, 2 the entry. Each was written once
	// before; the table says where the newest lie.
	table := []byte{}
	for _, b := range []uint32{200, 201, 202, 0xFFFFFFFF} {
		table = le.AppendUint32(table, b)
	}
	trailer := append(regid("*UDF Virtual Alloc Tbl"), 0xff, 0xff, 0xff, 0xff)
	head := make([]byte, 152)
	le.PutUint16(head, 152)
	blocks := func() map[uint32][]byte {
		return filled(map[uint32][]byte{
			200: fsd(1, 1), 201: dir(fid("a.wav", 0, 2, 1)), 202: fe(false, 5, 10, 1, longAD(10, 0, 100, 0)),
			50: dir(fid("old", 0, 2, 1)),
		}, 100, 120)
	}
	for _, tc := range []struct {
		name string
		vat  []byte
		more map[uint32][]byte
	}{
		{"1.50", fe(false, 0, len(table)+36, 3, table, trailer), nil},
		{"2.01", fe(false, 248, 152+len(table), 3, head, table), nil},
		{"2.01, extended entry", fe(true, 248, 152+len(table), 3, head, table), nil},
		{"2.01, in an extent", fe(false, 248, 152+len(table), 0, shortAD(uint32(152+len(table)), 0, 210)), map[uint32][]byte{210: append(bytes.Clone(head), table...)}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := blocks()
			for k, v := range tc.more {
				b[k] = v
			}
			// An earlier table, and the last one two run-out sectors before the end.
			b[300] = fe(false, 248, 156, 3, head, []byte{50, 0, 0, 0})
			b[partBlocks-1] = tc.vat
			img := build(t, layout{maps: [][]byte{physicalMap, virtualMap}, root: 1, blocks: b})
			if got := contents(t, img); got != "100*10" {
				t.Errorf("%s", got)
			}
		})
	}
	b := blocks()
	delete(b, partBlocks-1)
	img := build(t, layout{maps: [][]byte{physicalMap, virtualMap}, root: 1, blocks: b})
	if _, err := udf.Open(bytes.NewReader(img), int64(len(img)), 0); err == nil || errors.Is(err, discfs.ErrNone) {
		t.Errorf("no table: %v", err)
	}
}

// TestAnchors takes away anchors and descriptors one after the other.
func TestAnchors(t *testing.T) {
	good := build(t, layout{blocks: map[uint32][]byte{1: dir(fid("a.wav", 0, 2, 0)), 2: fe(false, 5, 1, 3, []byte("a"))}})
	for _, tc := range []struct {
		name string
		bad  []int64
		none error // nil: opens
	}{
		{"nothing", nil, nil},
		{"first anchor", []int64{256}, nil},
		{"last anchor", []int64{allSectors - 1}, nil},
		{"main sequence", []int64{32, 33, 34, 35}, nil},
		{"main logical volume", []int64{34}, nil},
		{"both anchors", []int64{256, allSectors - 1}, discfstest.ErrBad},
		{"both sequences", []int64{34, 50}, discfstest.ErrBad},
		{"file set", []int64{partStart}, discfstest.ErrBad},
	} {
		t.Run(tc.name, func(t *testing.T) {
			bad := discfstest.Bad{R: bytes.NewReader(good), Sectors: map[int64]bool{}}
			for _, s := range tc.bad {
				bad.Sectors[s] = true
			}
			_, err := udf.Open(bad, int64(len(good)), 0)
			if !errors.Is(err, tc.none) {
				t.Errorf("error %v", err)
			}
			// The same as zeros: nothing there, instead of nothing readable.
			img := bytes.Clone(good)
			for _, s := range tc.bad {
				clear(img[s*sectorSize : (s+1)*sectorSize])
			}
			_, err = udf.Open(bytes.NewReader(img), int64(len(img)), 0)
			switch {
			case (err == nil) != (tc.none == nil):
				t.Errorf("zeros: %v", err)
			case errors.Is(err, discfs.ErrNone) != (tc.name == "both anchors"):
				t.Errorf("zeros: %v", err)
			}
		})
	}
	t.Run("metadata partition", func(t *testing.T) {
		img := build(t, layout{maps: [][]byte{physicalMap, metadataMap}})
		if _, err := udf.Open(bytes.NewReader(img), int64(len(img)), 0); err == nil || !strings.Contains(err.Error(), "Metadata") {
			t.Errorf("error %v", err)
		}
	})
	t.Run("session", func(t *testing.T) {
		// The second session's anchor is 256 sectors behind its start; its
		// descriptors say sectors of the whole disc.
		img := make([]byte, 1000*sectorSize)
		copy(img, good)
		anchor := bytes.Clone(good[256*sectorSize : 257*sectorSize])
		copy(img[(710+256)*sectorSize:], anchor)
		clear(img[256*sectorSize : 257*sectorSize])
		if _, err := udf.Open(bytes.NewReader(img), int64(len(img)), 710); err != nil {
			t.Error(err)
		}
	})
}

func TestOwners(t *testing.T) {
	blocks := filled(map[uint32][]byte{
		1: dir(fid("long.wav", 0, 2, 0), fid("short.txt", 0, 3, 0)),
		2: fe(false, 5, 2*sectorSize, 0, shortAD(2*sectorSize, 0, 100)),
		3: fe(false, 5, 5, 3, []byte("short")),
	}, 100, 120)
	img := build(t, layout{blocks: blocks})
	_, tr := open(t, bytes.NewReader(img), int64(len(img)))
	for _, tc := range []struct {
		lba  int64
		kind discfs.Kind
		want string
	}{
		{16, discfs.OfStructure, "[{ 0}]"}, {32, discfs.OfStructure, "[{ 0}]"}, {64, discfs.OfStructure, "[{ 0}]"},
		{256, discfs.OfStructure, "[{ 0}]"}, {300, discfs.OfStructure, "[{ 0}]"},
		{302, discfs.OfStructure, "[{long.wav 0}]"}, {303, discfs.OfFile, "[{short.txt -176}]"},
		{400, discfs.OfFile, "[{long.wav 0}]"}, {401, discfs.OfFile, "[{long.wav 2048}]"}, {402, discfs.OfNothing, "[]"},
	} {
		kind, places := tr.Attribute(tc.lba)
		if kind != tc.kind || fmt.Sprint(places) != tc.want {
			t.Errorf("sector %d is of %s %v, not %s %s", tc.lba, kind, places, tc.kind, tc.want)
		}
	}
}
