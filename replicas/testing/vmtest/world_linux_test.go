package vmtest_test

import (
	"bytes"
	"encoding/binary"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// The archive that the program itself is tried on: made by the host, since the host
// burns a data disc of it, and carried into the machine with the program.
const (
	worldDir  = "world"
	worldISO  = "data.iso" // studio/masters/QV-0108 as another program burns it
	worldRate = 588        // samples of a sector of sound
)

// tracks are the access files that the audio disc is made of, with their samples. All
// but the last fill their sectors, as files do that were taken from a disc.
var tracks = []struct {
	name    string
	samples int
}{{"QV-0107_A_01.wav", 350 * worldRate}, {"QV-0107_A_02.wav", 300 * worldRate}, {"QV-0107_A_03.wav", 250*worldRate + 100}}

// burnedFile is the file on the data disc in which sectors are bad.
const burnedFile = "QV-0108_B.wav"

const worldConfig = `name  = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[set.access]
role = "access"
[store.studio]
kind = "disk"
arrivals = true
place = "Studio, room 12"
sets = { masters = "studio/masters", access = "studio/access" }
`

// tune is sound that depends on seed only: tones with noise below them, 16 bits, stereo.
func tune(seed uint64, samples int) []byte {
	next := func() float64 {
		seed = seed*6364136223846793005 + 1442695040888963407
		return float64(int32(seed>>32)) / (1 << 31)
	}
	out := make([]byte, 0, 4*samples)
	tone := 0.0
	for i := range samples {
		if i%11025 == 0 {
			tone = 200 + 300*math.Abs(next())
		}
		v := 8000*math.Sin(2*math.Pi*tone*float64(i)/44100) + 2000*next()
		out = binary.LittleEndian.AppendUint16(out, uint16(int16(v)))
		out = binary.LittleEndian.AppendUint16(out, uint16(int16(0.8*v+500*next())))
	}
	return out
}

// wave puts a RIFF header before sound.
func wave(pcm []byte) []byte {
	var b bytes.Buffer
	for _, v := range []any{[]byte("RIFF"), uint32(36 + len(pcm)), []byte("WAVEfmt "), uint32(16), uint16(1), uint16(2), uint32(44100), uint32(176400), uint16(4), uint16(16), []byte("data"), uint32(len(pcm))} {
		_ = binary.Write(&b, binary.LittleEndian, v) // into memory
	}
	b.Write(pcm)
	return b.Bytes()
}

// makeWorld writes the archive and the image of its data disc below dir.
func makeWorld(t *testing.T, dir string) {
	t.Helper()
	put := func(name string, b []byte) {
		t.Helper()
		p := filepath.Join(dir, worldDir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put("firmus.toml", []byte(worldConfig))
	for i, tr := range tracks {
		put("studio/access/QV-0107/"+tr.name, wave(tune(uint64(i+1), tr.samples)))
	}
	put("studio/masters/QV-0108/QV-0108_A.wav", wave(tune(11, 60_000)))
	put("studio/masters/QV-0108/"+burnedFile, wave(tune(12, 90_000)))
	put("studio/masters/QV-0108/notes/QV-0108.txt", []byte("Recorded at the upper ferry.\n"))
	run(t, dir, "xorriso", "-as", "mkisofs", "-quiet", "-R", "-J", "-V", "QD_0033", "-o", worldISO, worldDir+"/studio/masters/QV-0108")
}

// addTree puts what lies below dir into the archive, under the same names.
func (a *archive) addTree(t *testing.T, dir, name string) {
	t.Helper()
	if err := filepath.WalkDir(filepath.Join(dir, name), func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil || d.IsDir() {
			a.add(rel, 0o40755, nil, 0, 0)
			return err
		}
		b, err := os.ReadFile(p)
		a.add(rel, 0o100644, b, 0, 0)
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// fileSectors says from which sector on a file's bytes lie in the data disc's image,
// and how many sectors that has.
func fileSectors(t *testing.T, dir string) (iso []byte, first int64) {
	t.Helper()
	iso, err := os.ReadFile(filepath.Join(dir, worldISO))
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(filepath.Join(dir, worldDir, "studio/masters/QV-0108", burnedFile))
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(iso, file[:4096])
	if at < 0 || at%2048 != 0 || len(iso)%2048 != 0 {
		t.Fatalf("%s lies at %d of %d bytes", burnedFile, at, len(iso))
	}
	return iso, int64(at / 2048)
}
