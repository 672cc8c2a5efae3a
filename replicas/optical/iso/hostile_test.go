package iso_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/iso"
	"firmus/replicas/testing/discfstest"
)

func isAll(err error, wants ...error) bool {
	for _, w := range wants {
		if !errors.Is(err, w) {
			return false
		}
	}
	return true
}

// both puts a number in both byte orders: ECMA-119, section 7.3.3.
func both(b []byte, v int) {
	binary.LittleEndian.PutUint32(b, uint32(v))
	binary.BigEndian.PutUint32(b[4:], uint32(v))
}

// rec is a directory record with system use fields behind it.
func rec(name string, lba, size int, flags byte, fields ...string) []byte {
	b := make([]byte, 33, 255)
	both(b[2:], lba)
	both(b[10:], size)
	copy(b[18:], []byte{74, 6, 9, 14, 30, 2, 0})
	b[25], b[28], b[31], b[32] = flags, 1, 1, byte(len(name))
	b = append(b, name...)
	if len(b)%2 == 1 {
		b = append(b, 0)
	}
	b = append(b, strings.Join(fields, "")...)
	b[0] = byte(len(b))
	return b
}

// built is a small volume: descriptors, and directories by the sector they are at.
func built(dirs map[int][][]byte, sectors int) []byte {
	img := make([]byte, sectors*discfs.SectorSize)
	p := img[16*discfs.SectorSize:]
	copy(p, "\x01CD001\x01")
	copy(p[40:], "QVSS                            ")
	both(p[80:], sectors)
	p[128], p[131] = 0, 0
	binary.LittleEndian.PutUint16(p[128:], 2048)
	binary.BigEndian.PutUint16(p[130:], 2048)
	copy(p[156:190], rec("\x00", 20, 2048, 2))
	copy(p[813:], "1974060914300200\x04")
	copy(img[17*discfs.SectorSize:], "\xffCD001\x01")
	for at, records := range dirs {
		b := bytes.Join(records, nil)
		copy(img[at*discfs.SectorSize:], b)
	}
	return img
}

const (
	sp = "SP\x07\x01\xbe\xef\x00"
	er = "ER\x12\x01\x0a\x00\x00\x01RRIP_1991A"
)

func nm(flags byte, s string) string {
	return "NM" + string(rune(5+len(s))) + "\x01" + string(rune(flags)) + s
}

func ce(lba, off, n int) string {
	b := make([]byte, 28)
	copy(b, "CE\x1c\x01")
	both(b[4:], lba)
	both(b[12:], off)
	both(b[20:], n)
	return string(b)
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

func TestBuilt(t *testing.T) {
	self, up := rec("\x00", 20, 2048, 2), rec("\x01", 20, 2048, 2)
	unix := rec("\x00", 20, 2048, 2, sp, er)
	interleaved := rec("INTER.WAV;1", 30, 5000, 0)
	interleaved[26], interleaved[27] = 2, 1
	elsewhere := rec("OTHER.WAV;1", 30, 5000, 0)
	binary.LittleEndian.PutUint16(elsewhere[28:], 2)
	attributes := rec("ATTR.WAV;1", 30, 2048, 0)
	attributes[1] = 2
	for _, tc := range []struct {
		name  string
		dirs  map[int][][]byte
		view  discfs.View
		want  string // paths with sizes and sectors would be more; see below
		fails string // part of the error behind them
	}{
		{"several versions", map[int][][]byte{20: {self, up, rec("A.WAV;3", 30, 1, 0), rec("A.WAV;2", 31, 1, 0), rec("A.WAV;1", 32, 1, 0)}},
			discfs.Plain, "A.WAV A.WAV;1 A.WAV;2", ""},
		{"no extension", map[int][][]byte{20: {self, up, rec("NOTES.;1", 30, 1, 0)}}, discfs.Plain, "NOTES", ""},
		{"no version", map[int][][]byte{20: {self, up, rec("NOTES.TXT", 30, 1, 0)}}, discfs.Plain, "NOTES.TXT", ""},
		{"interleaved", map[int][][]byte{20: {self, up, interleaved, rec("Z.WAV;1", 30, 1, 0)}}, discfs.Plain, "Z.WAV", "interleaved"},
		{"on another volume", map[int][][]byte{20: {self, up, elsewhere}}, discfs.Plain, "", "volume 2"},
		{"associated", map[int][][]byte{20: {self, up, rec("A.WAV;1", 30, 1, 4), rec("A.WAV;1", 31, 1, 0)}}, discfs.Plain, "A.WAV", ""},
		{"extents lacking", map[int][][]byte{20: {self, up, rec("A.WAV;1", 30, 2048, 0x80), rec("B.WAV;1", 31, 1, 0)}}, discfs.Plain, "B.WAV", "further extents"},
		{"extents lacking at the end", map[int][][]byte{20: {self, up, rec("A.WAV;1", 30, 2048, 0x80)}}, discfs.Plain, "", "further extents"},
		{"extents overlap", map[int][][]byte{20: {self, up, rec("A.WAV;1", 30, 4096, 0x80), rec("A.WAV;1", 31, 4096, 0)}}, discfs.Plain, "", "overlap"},
		{"directory in itself", map[int][][]byte{20: {self, up, rec("D", 20, 2048, 2), rec("Z;1", 30, 1, 0)}}, discfs.Plain, "Z", "loop"},
		{"directories in each other", map[int][][]byte{20: {self, up, rec("D", 21, 2048, 2)}, 21: {rec("E", 20, 4096, 2), rec("F;1", 30, 1, 0)}}, discfs.Plain, "D/F", "loop"},
		{"directory beyond the end", map[int][][]byte{20: {self, up, rec("D", 4_000_000, 2048, 2), rec("Z;1", 30, 1, 0)}}, discfs.Plain, "Z", "behind the disc's end"},
		{"twice", map[int][][]byte{20: {self, up, rec("A;1", 30, 1, 0), rec("A;1", 31, 1, 0)}}, discfs.Plain, "A", "twice"},
		{"slash", map[int][][]byte{20: {self, up, rec("../A;1", 30, 1, 0)}}, discfs.Plain, "", "can't be a name"},
		{"record too short", map[int][][]byte{20: {self, up, {20, 0, 0}}}, discfs.Plain, "", "less than 34"},
		{"parent as a name", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, nm(0, ".."))}}, discfs.RockRidge, "", "can't be a name"},
		{"name in pieces", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, nm(1, "one "), ce(25, 100, 50))}, 25: {make([]byte, 100), []byte(nm(1, "two ") + nm(0, "three"))}},
			discfs.RockRidge, "one two three", ""},
		{"areas in a loop", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, ce(25, 0, 28))}, 25: {[]byte(ce(25, 0, 28))}}, discfs.RockRidge, "", "in a row"},
		{"area too long", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, ce(25, 0, 1<<30))}}, discfs.RockRidge, "", "continuation area of"},
		{"area beyond the end", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, ce(1<<30, 0, 50))}}, discfs.RockRidge, "", "behind the disc's end"},
		{"field too long", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, "NM\xff\x01\x00abc")}}, discfs.RockRidge, "", "system use field"},
		{"child that is none", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, "CL\x0c\x01\x1e\x00\x00\x00\x00\x00\x00\x1e")}}, discfs.RockRidge, "", "A"},
		{"child that is the root", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, "CL\x0c\x01\x14\x00\x00\x00\x00\x00\x00\x14")}}, discfs.RockRidge, "", "loop"},
		{"compressed", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, "ZF\x10\x01pz\x04\x0f\x00\x00\x00\x00\x00\x00\x00\x00")}}, discfs.RockRidge, "", "compressed"},
		{"sparse", map[int][][]byte{20: {unix, up, rec("A;1", 30, 1, 0, "SF\x04\x01")}}, discfs.RockRidge, "", "sparse"},
		{"attributes before the data", map[int][][]byte{20: {self, up, attributes}}, discfs.Plain, "ATTR.WAV", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			img := built(tc.dirs, 40)
			_, tr := tree(t, bytes.NewReader(img), int64(len(img)), 0, tc.view)
			names, err := list(tr)
			if got := strings.Join(names, " "); got != tc.want {
				t.Errorf("files %q, not %q", got, tc.want)
			}
			switch {
			case tc.fails == "" && err != nil:
				t.Error(err)
			case tc.fails != "" && (err == nil || !strings.Contains(err.Error(), tc.fails) || !errors.Is(err, fixity.ErrIncomplete)):
				t.Errorf("error %v, not of %q", err, tc.fails)
			}
		})
	}
}

func TestExtents(t *testing.T) {
	attributes := rec("ATTR.WAV;1", 30, 100, 0)
	attributes[1] = 2
	img := built(map[int][][]byte{20: {rec("\x00", 20, 2048, 2), rec("\x01", 20, 2048, 2), attributes,
		rec("LONG.WAV;1", 35, 4096, 0x80), rec("LONG.WAV;1", 38, 2048, 0x80), rec("LONG.WAV;1", 37, 10, 0)}}, 40)
	for i := 21; i < 40; i++ {
		copy(img[i*2048:], bytes.Repeat([]byte{byte(i)}, 2048))
	}
	m, tr := tree(t, bytes.NewReader(img), int64(len(img)), 0, discfs.Plain)
	if !m.Created().Equal(time.Date(1974, 6, 9, 13, 30, 2, 0, time.UTC)) {
		t.Errorf("created %v", m.Created())
	}
	long, _ := tr.Find("LONG.WAV")
	b := make([]byte, 6154)
	if n, err := tr.Reader(long).ReadAt(b, 0); n != 6154 || err != nil || b[0] != 35 || b[4095] != 36 || b[4096] != 38 || b[6144] != 37 {
		t.Errorf("%+v: %d, %v", long, n, err)
	}
	for lba, want := range map[int64]discfs.Place{
		36: {Path: "LONG.WAV", Offset: 2048}, 37: {Path: "LONG.WAV", Offset: 6144}, 38: {Path: "LONG.WAV", Offset: 4096},
		32: {Path: "ATTR.WAV"}, 31: {Path: "ATTR.WAV"}, 16: {}, 17: {}, 3: {},
	} {
		kind, places := tr.Attribute(lba)
		if len(places) != 1 || places[0] != want || (kind == discfs.OfFile) != (lba >= 32) {
			t.Errorf("sector %d is of %s %v", lba, kind, places)
		}
	}
	for _, lba := range []int64{-1, 18, 19, 33, 34, 39, 40, 1 << 40} {
		if kind, places := tr.Attribute(lba); kind != discfs.OfNothing || len(places) != 0 {
			t.Errorf("sector %d is of %s %v", lba, kind, places)
		}
	}
}

func TestNone(t *testing.T) {
	for name, img := range map[string][]byte{
		"empty": nil, "zeros": make([]byte, 100*2048),
		"no primary descriptor": func() []byte {
			b := built(nil, 40)
			b[16*2048] = 2
			return b
		}(),
	} {
		_, err := iso.Open(bytes.NewReader(img), int64(len(img)), 0)
		want := discfs.ErrNone
		if name == "empty" {
			want = fixity.ErrUnreadable // nothing can be said of what isn't there
		}
		if !errors.Is(err, want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	small := built(nil, 40)
	binary.LittleEndian.PutUint16(small[16*2048+128:], 512)
	if _, err := iso.Open(bytes.NewReader(small), int64(len(small)), 0); err == nil || errors.Is(err, discfs.ErrNone) {
		t.Errorf("blocks of 512 bytes: %v", err)
	}
}

// seeds are small images of every kind that this machine can make.
func seeds(t testing.TB) [][]byte {
	unix := rec("\x00", 20, 2048, 2, sp, er)
	out := [][]byte{built(map[int][][]byte{
		20: {unix, rec("\x01", 20, 2048, 2), rec("A;1", 30, 3000, 0x80, nm(1, "one "), ce(25, 0, 50)), rec("A;1", 32, 100, 0), rec("D", 21, 2048, 2)},
		21: {rec("\x00", 21, 2048, 2), rec("\x01", 20, 2048, 2), rec("B;1", 30, 3000, 0, "TF\x0c\x01\x02\x4a\x06\x09\x0e\x1e\x02\x00")},
		25: {[]byte(nm(1, "two ") + nm(0, "three"))},
	}, 40)}
	dir := discfstest.Write(t, map[string]int{
		"one/two/three/four/five/six/seven/eight/nine/ten.txt": 10, strings.Repeat("long ", 45): 20, "ö.wav": 3000,
	})
	if err := os.Symlink("a/b/../c", filepath.Join(dir, "link")); err != nil {
		t.Fatal(err)
	}
	for _, p := range []struct {
		program string
		args    []string
	}{
		{"genisoimage", []string{"-quiet", "-input-charset", "utf-8", "-no-pad", "-R", "-J", "-joliet-long"}},
		{"xorriso", []string{"-as", "mkisofs", "-quiet", "-no-pad", "-R", "-J"}},
	} {
		if discfstest.Have(p.program) {
			iso := filepath.Join(t.TempDir(), "x.iso")
			discfstest.Run(t, p.program, append(p.args, "-o", iso, dir)...)
			b, err := os.ReadFile(iso)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, b)
		}
	}
	if len(out) == 0 {
		t.Fatal("no seeds")
	}
	return out
}

// patch changes bytes of a copy of an image: five bytes a change, where and what.
func patch(img, p []byte) []byte {
	b := bytes.Clone(img)
	for ; len(p) >= 5; p = p[5:] {
		// The first 16 sectors hold nothing.
		at := 16*2048 + int(binary.LittleEndian.Uint32(p))%(len(b)-16*2048)
		b[at] = p[4]
	}
	return b
}

// use opens an image and does with all its views what a caller may do.
func use(img []byte) {
	r := bytes.NewReader(img)
	m, err := iso.Open(r, r.Size(), 0)
	if err != nil {
		return
	}
	for _, v := range m.Views() {
		if tr, err := m.Tree(context.Background(), v); err == nil {
			discfstest.Use(tr, r.Size())
		}
	}
}

// TestMangled changes bytes where the seeds have some, thousands of times, and
// bounds what each costs.
func TestMangled(t *testing.T) {
	rng := rand.New(rand.NewPCG(107, 1))
	for _, img := range seeds(t) {
		var full []int // bytes that mean something
		for i := 16 * 2048; i < len(img); i++ {
			if img[i] != 0 {
				full = append(full, i-16*2048)
			}
		}
		for range 1000 {
			var p []byte
			for range 1 + rng.IntN(4) {
				p = binary.LittleEndian.AppendUint32(p, uint32(full[rng.IntN(len(full))]))
				p = append(p, []byte{0, 1, 2, 0x7f, 0x80, 0xff, byte(rng.Uint32())}[rng.IntN(7)])
			}
			bounded(t, patch(img, p))
		}
		for cut := 0; cut < len(img); cut += 1023 {
			bounded(t, img[:cut])
		}
	}
}

// bounded fails if reading an image of a few hundred kilobytes takes more than a
// hundred megabytes in all.
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

// FuzzImage opens images that are almost right. It must never panic.
func FuzzImage(f *testing.F) {
	images := seeds(f)
	for i := range images {
		f.Add(uint8(i), []byte{})
		f.Add(uint8(i), []byte{158, 0, 0, 0, 16, 2, 8, 0, 0, 0xff})
	}
	f.Fuzz(func(t *testing.T, which uint8, p []byte) {
		use(patch(images[int(which)%len(images)], p))
	})
}
