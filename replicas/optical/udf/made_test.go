package udf_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/udf"
	"firmus/replicas/testing/discfstest"
	"firmus/testdata"
)

// TestBridge reads what genisoimage writes: UDF 1.02 beside ISO 9660.
func TestBridge(t *testing.T) {
	files := discfstest.Burned()
	files["Ünïcode/é composed.txt"] = 6
	files["日本語/歌.txt"] = 8
	files["one/two/three/four/five/six/seven/eight/nine/ten.txt"] = 10
	dir := discfstest.Write(t, files)
	b, err := os.ReadFile(discfstest.Image(t, "bridge", dir))
	if err != nil {
		t.Fatal(err)
	}
	r := bytes.NewReader(b)
	m, tr := open(t, r, r.Size())
	if m.Label() != testdata.Label || m.Revision() != 0x0102 || m.Created().Year() < 2025 {
		t.Errorf("label %q, revision %x, created %v", m.Label(), m.Revision(), m.Created())
	}
	discfstest.Same(t, tr, r, dir, func(s string) string { return s })

	wav, _ := tr.Find("QV-0107/QV-0107_A.wav")
	bad := discfstest.Bad{R: r, Sectors: map[int64]bool{wav.Extents[0].LBA + 5: true}}
	_, tr = open(t, bad, r.Size())
	got, err := io.ReadAll(tr.Reader(wav))
	if len(got) != 5*sectorSize || !errors.Is(err, fixity.ErrUnreadable) {
		t.Errorf("%d bytes, then %v", len(got), err)
	}
}

// TestDamagedDirectory loses one sector of a directory of many.
func TestDamagedDirectory(t *testing.T) {
	b, err := os.ReadFile(discfstest.Image(t, "udf", discfstest.Write(t, discfstest.Burned())))
	if err != nil {
		t.Fatal(err)
	}
	_, tr := open(t, bytes.NewReader(b), int64(len(b)))
	all, err := list(tr)
	if err != nil {
		t.Fatal(err)
	}
	run := int64(0)
	var at int64
	for s := range int64(len(b)) / sectorSize {
		kind, places := tr.Attribute(s)
		if kind == discfs.OfStructure && len(places) > 0 && places[0].Path == "many" {
			if run++; run == 5 { // the entry, then the directory's sectors
				at = s
			}
		}
	}
	if at == 0 {
		t.Fatal("the directory wasn't found")
	}
	_, tr = open(t, discfstest.Bad{R: bytes.NewReader(b), Sectors: map[int64]bool{at: true}}, int64(len(b)))
	names, err := list(tr)
	if !errors.Is(err, discfstest.ErrBad) || !errors.Is(err, fixity.ErrIncomplete) {
		t.Errorf("error %v", err)
	}
	// A sector holds some 30 entries of 64 bytes.
	if n := len(all) - len(names); n < 20 || n > 40 {
		t.Errorf("%d of %d files are lacking", n, len(all))
	}
}

// mkudffs makes an empty volume.
func mkudffs(t testing.TB, args ...string) []byte {
	t.Helper()
	out := filepath.Join(t.TempDir(), "u.udf")
	if err := os.WriteFile(out, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(out, 8<<20); err != nil {
		t.Fatal(err)
	}
	program, common := testdata.Recipe("empty-udf")
	discfstest.Run(t, program, slices.Concat(common, []string{"--label=Quillmère"}, args, []string{out})...)
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// find gives the first sector with a good descriptor of an identifier from one on.
func find(t testing.TB, img []byte, id uint16, from int64) int64 {
	t.Helper()
	for s := from; s < int64(len(img))/sectorSize; s++ {
		b := img[s*sectorSize:]
		n := int(le.Uint16(b[10:]))
		if le.Uint16(b) == id && n > 0 && 16+n <= sectorSize && udf.CRC(b[16:16+n]) == le.Uint16(b[8:]) {
			return s
		}
	}
	t.Fatalf("no descriptor %d", id)
	return 0
}

// TestVolumes opens what mkudffs makes, empty, then with a file that is put into
// its root here.
func TestVolumes(t *testing.T) {
	for _, tc := range []struct {
		media, revision string
	}{
		{"hd", "1.02"}, {"hd", "1.50"}, {"hd", "2.00"}, {"hd", "2.01"},
		{"dvd", "1.02"}, {"dvdram", "2.01"}, {"dvdrw", "2.01"}, {"cdrw", "1.50"}, {"cdrw", "2.01"},
		{"cdr", "1.50"}, {"cdr", "2.01"}, {"dvdr", "2.01"},
	} {
		t.Run(tc.media+" "+tc.revision, func(t *testing.T) {
			discfstest.Programs(t, "mkudffs")
			img := mkudffs(t, "--media-type="+tc.media, "--udfrev="+tc.revision)
			if strings.HasSuffix(tc.media, "r") {
				// What is recorded ends with the table's entry: no table of contents
				// says so here.
				end := int64(0)
				for s := range int64(len(img)) / sectorSize {
					if b := img[s*sectorSize:]; bytes.Count(b[:sectorSize], []byte{0}) != sectorSize && le.Uint16(b) != 2 {
						end = s
					}
				}
				img = img[:(end+1)*sectorSize]
			}
			m, tr := open(t, bytes.NewReader(img), int64(len(img)))
			if names, err := list(tr); len(names) != 0 || err != nil {
				t.Errorf("files %q, %v", names, err)
			}
			var major, minor uint16
			if _, err := fmt.Sscanf(tc.revision, "%1x.%2x", &major, &minor); err != nil {
				t.Fatal(err)
			}
			if m.Label() != "Quillmère" || m.Revision() != major<<8|minor {
				t.Errorf("label %q, revision %x", m.Label(), m.Revision())
			}
			if strings.HasSuffix(tc.media, "r") {
				return // its root is in the table's blocks: see TestVirtual
			}
			start := int64(le.Uint32(img[find(t, img, 5, 0)*sectorSize+188:]))
			set := img[find(t, img, 256, start)*sectorSize:]
			root := start + int64(le.Uint32(set[404:]))
			const free = 1500 // blocks from there on hold nothing
			copy(img[root*sectorSize:], dir(fid("", 8|2, uint32(root-start), 0), fid("a.wav", 0, free, 0)))
			copy(img[(start+free)*sectorSize:], fe(tc.revision >= "2", 5, 5000, 0, shortAD(5000, 0, free+1)))
			want := discfstest.Content("a.wav", 5000)
			copy(img[(start+free+1)*sectorSize:], want)
			_, tr = open(t, bytes.NewReader(img), int64(len(img)))
			if names, err := list(tr); len(names) != 1 || err != nil {
				t.Fatalf("files %q, %v", names, err)
			}
			f, _ := tr.Find("a.wav")
			got, err := io.ReadAll(tr.Reader(f))
			if err != nil || !bytes.Equal(got, want) {
				t.Errorf("%d bytes, %v", len(got), err)
			}
		})
	}
}

// seeds are small volumes of every kind, those from build at least.
func seeds(t testing.TB) [][]byte {
	plain := filled(map[uint32][]byte{
		1: dir(fid("", 8|2, 1, 0), fid("a.wav", 0, 2, 0), fid("d", 2, 3, 0)),
		2: fe(false, 5, 3*sectorSize, 0, shortAD(sectorSize, 0, 100), shortAD(sectorSize, 3, 5)),
		3: fe(true, 4, len(fid("歌.txt", 0, 4, 0)), 0, shortAD(uint32(len(fid("歌.txt", 0, 4, 0))), 0, 9)), 9: fid("歌.txt", 0, 4, 0),
		4: fe(true, 5, 5, 3, []byte("short")), 5: aed(shortAD(sectorSize, 1, 0), shortAD(sectorSize, 0, 110)),
	}, 100, 120)
	table := le.AppendUint32(le.AppendUint32(make([]byte, 152), 200), 201)
	le.PutUint16(table, 152)
	virtual := map[uint32][]byte{200: fsd(1, 1), 201: dir(fid("a", 0, 1, 1)), partBlocks - 1: fe(false, 248, len(table), 3, table)}
	out := [][]byte{
		build(t, layout{blocks: plain}),
		build(t, layout{maps: [][]byte{sparableMap(4, 70)}, blocks: plain, disc: map[int64][]byte{70: sparingTable(104, 290)}}),
		build(t, layout{maps: [][]byte{physicalMap, virtualMap}, root: 1, blocks: virtual}),
	}
	for _, img := range out {
		if _, tr := open(t, bytes.NewReader(img), int64(len(img))); tr == nil {
			t.Fatal("a seed doesn't open")
		}
	}
	if len(out) == 0 {
		t.Fatal("no seeds")
	}
	return out
}

// patch changes bytes of a copy of an image, five bytes a change (where and what),
// then makes the checks of descriptors right again if mend says so.
func patch(img, p []byte, mend bool) []byte {
	b := bytes.Clone(img)
	for ; len(p) >= 5; p = p[5:] {
		at := int(binary.LittleEndian.Uint32(p)) % len(b)
		b[at] = p[4]
		d := b[at/sectorSize*sectorSize:][:sectorSize]
		if n := 16 + int(le.Uint16(d[10:])); mend && n > 16 && n <= len(d) {
			tagged(d, le.Uint16(d), le.Uint32(d[12:]), n)
		}
	}
	return b
}

func use(img []byte) {
	r := bytes.NewReader(img)
	m, err := udf.Open(r, r.Size(), 0)
	if err != nil {
		return
	}
	m.Label()
	for _, v := range m.Views() {
		if tr, err := m.Tree(context.Background(), v); err == nil {
			discfstest.Use(tr, r.Size())
		}
	}
}

// TestMangled changes bytes where the seeds have some, hundreds of times, and
// bounds what each costs.
func TestMangled(t *testing.T) {
	rng := rand.New(rand.NewPCG(107, 2))
	for _, img := range seeds(t) {
		var full []int
		for i := range img[:(partStart+20)*sectorSize] {
			if img[i] != 0 {
				full = append(full, i)
			}
		}
		for i := range 500 {
			var p []byte
			for range 1 + rng.IntN(4) {
				p = le.AppendUint32(p, uint32(full[rng.IntN(len(full))]+rng.IntN(4)))
				p = append(p, []byte{0, 1, 2, 0x7f, 0x80, 0xff, byte(rng.Uint32())}[rng.IntN(7)])
			}
			bounded(t, patch(img, p, i%4 != 0))
		}
		for cut := 0; cut < len(img); cut += 8191 {
			bounded(t, img[:cut])
		}
	}
}

// bounded fails if reading a volume of 1.4 MB takes more than a hundred megabytes.
func bounded(t *testing.T, img []byte) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	use(img)
	runtime.ReadMemStats(&after)
	if n := after.TotalAlloc - before.TotalAlloc; n > 100<<20 {
		t.Fatalf("%d bytes were allocated for an image of %d", n, len(img))
	}
}

// TestShared is a hostile volume: as many names as fit, all of one entry that is
// long to take apart. It must be refused, not read for hours.
func TestShared(t *testing.T) {
	var fids []byte
	for i := range 4000 {
		fids = append(fids, fid(fmt.Sprint(i), 0, 2, 0)...)
	}
	blocks := map[uint32][]byte{
		1: fe(false, 4, len(fids), 0, shortAD(uint32(len(fids)), 0, 200)), 200: fids,
	}
	// An entry of 229 extents of a gigabyte each in a sparable partition of packets
	// of one block: a quarter of a million places each, were they there.
	var ads [][]byte
	for range 229 {
		ads = append(ads, shortAD(1<<30-2048, 0, 0))
	}
	blocks[2] = fe(false, 5, 1<<40, 0, ads...)
	img := build(t, layout{maps: [][]byte{sparableMap(1, 70)}, blocks: blocks, disc: map[int64][]byte{70: sparingTable()}})
	for _, s := range []int64{33, 49} { // a partition that says it is larger than the disc
		le.PutUint32(img[s*sectorSize+192:], 1<<31)
		tagged(img[s*sectorSize:(s+1)*sectorSize], 5, uint32(s), 512)
	}
	m, err := udf.Open(bytes.NewReader(img), int64(len(img)), 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Tree(context.Background(), discfs.UDF); !errors.Is(err, discfs.ErrTooMuch) {
		t.Errorf("error %v", err)
	}
}

// FuzzImage opens volumes that are almost right. It must never panic.
func FuzzImage(f *testing.F) {
	images := seeds(f)
	for i := range images {
		f.Add(uint8(i), true, []byte{})
		f.Add(uint8(i), true, []byte{188, 8, 1, 0, 0xff, 56, 90, 9, 0, 0x7f})
	}
	f.Fuzz(func(t *testing.T, which uint8, mend bool, p []byte) {
		use(patch(images[int(which)%len(images)], p, mend))
	})
}
