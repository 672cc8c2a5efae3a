package essence_test

import (
	"bytes"
	"encoding/hex"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/testdata"
)

var update = flag.Bool("update", false, "write the sound files of the samples anew")

// corpus is where the samples lie that packages share.
const corpus = "../../testdata"

// made are the sound files among the samples. What is wrong with each stands in README.md
// there, which TestSamples reads. They are also the seeds of the fuzz targets.
func made() map[string][]byte {
	// RFC 9639, appendix D.2.
	flac, err := hex.DecodeString("664c6143000000220010001000001700004" +
		"40ac442f000000013d5b0564975e98b8d8b930422757b8103030000120000000000000000000000000000000000100400003a20000000" +
		"7265666572656e6365206c6962464c414320312e332e33203230313930383034010000000e0000005449544c453dd7a9d79cd795d79d" +
		"81000006000000000000fff86998000f991208670162" +
		"3d1442998f5df70d6fe00c17caeb21000ee7a77a24a1590c1217b603097b784faa9a33d285e070ad5b1b4851b4010d99d2cd1a68f1e6b810" +
		"fff869180102a402c382c40bc14a03ee48dd03b67c1330")
	if err != nil {
		panic(err)
	}
	a := noise(48)
	odd := plain(1, 1, 8000, 1, 8)
	return map[string][]byte{
		"sound.wav":      riff(plain(1, 2, 48000, 3, 24), data(a)),
		"extensible.wav": riff(extensible(1, 2, 48000, 4, 24), data(a)),
		"broadcast.wav":  riff(bext("A=PCM\r\n"), plain(1, 2, 48000, 3, 24), data(a)),
		"long.wav":       long("RF64", a, 8, plain(1, 2, 48000, 3, 24)),
		"bw64.wav":       long("BW64", a, 0, plain(1, 2, 48000, 3, 24)),
		"sound.aiff":     form("AIFF", comm(2, 8, 24), ssnd(a)),
		"little.aifc":    form("AIFC", commC(2, 12, 16, "sowt"), ssnd(a)),
		"float.aifc":     form("AIFC", commC(2, 6, 32, "fl32"), ssnd(a)),
		"sound.flac":     flac,
		"cut.wav":        riff(plain(1, 2, 48000, 3, 24), data(a))[:74],
		"cut.aiff":       form("AIFF", comm(2, 8, 24), ssnd(a))[:84],
		"cut.flac":       flac[:200],
		"flipped.flac":   replace(flac, 170, flac[170]^1),
		"streamed.wav":   size32(size32(riff(plain(1, 2, 48000, 3, 24), data(a)), 4, 0), 40, 0),
		"unpadded.wav":   riff(odd, data(a[:47])[:55], chunk("LIST", a[:4])),
		"trailing.wav":   join(riff(plain(1, 2, 48000, 3, 24), data(a)), []byte("TAG, or something like it")),
		"silence.wav":    riff(odd, data(join(a, bytes.Repeat([]byte{0x80}, 900), a))),
		"late.wav":       riff(data(a), plain(1, 2, 48000, 3, 24)),
		"text.wav":       []byte("not a sound at all"),
		"empty.wav":      {},
		"zeros.wav":      make([]byte, 70_000),
		"silent.wav":     riff(odd, data(bytes.Repeat([]byte{0x80}, 8000))),
		"half.wav":       riff(odd, data(join(bytes.Repeat(a, 83), bytes.Repeat([]byte{0x80}, 4200)))),
		"nodata.wav":     riff(plain(1, 2, 48000, 3, 24)),
		"larger.wav":     size32(size32(riff(plain(1, 2, 48000, 3, 24), data(a)), 4, 1<<30), 40, 1<<30-36),
		"cut-long.wav":   long("RF64", a, 8, plain(1, 2, 48000, 3, 24))[:104],
	}
}

func TestSamples(t *testing.T) {
	if *update {
		for name, b := range made() {
			if err := os.WriteFile(filepath.Join(corpus, "sound", name), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	said := map[string]string{}
	for _, row := range testdata.Table("sound") {
		said[row[0]] = row[1]
	}
	for name, b := range made() {
		want, ok := said[name]
		if !ok {
			t.Errorf("%s has no line in README.md", name)
		}
		delete(said, name)
		if !bytes.Equal(load(t, filepath.Join(corpus, "sound", name)), b) {
			t.Errorf("sound/%s is not what it is made from; run with -update", name)
		}
		if _, notes := read(t, b); codes(notes) != want {
			t.Errorf("%s: notes %q, README.md says %q", name, codes(notes), want)
		}
	}
	for name := range said {
		t.Errorf("README.md tells of %s, which isn't made", name)
	}
}

// seeds adds every sample; there must be some.
func seeds(f *testing.F) {
	names, err := filepath.Glob(corpus + "/sound/*")
	if err != nil {
		f.Fatal(err)
	}
	n := 0
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, uint16(7))
		n++
	}
	if n < 10 {
		f.Fatalf("only %d seeds among the samples", n)
	}
}

// Whatever the bytes: no panic, no hang, and every way of reading says the same.
func FuzzRead(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte, piece uint16) {
		size := int64(len(file))
		s, notes := read(t, file)
		if s.DataLength < 0 || s.DataOffset < 0 || s.Frames < 0 || s.Duration < 0 ||
			s.DataLength > 0 && s.DataOffset+s.DataLength > size {
			t.Errorf("sound %+v of a file of %d", s, size)
		}
		if !s.Samples.IsZero() && s.DataLength == 0 {
			t.Errorf("a digest of nothing: %+v", s)
		}
		for _, n := range notes {
			if n.Meaning().Code == "" || n.At < 0 || n.Length < 0 {
				t.Errorf("note %+v", n)
			}
		}
		if len(notes) > sound.MostNotes {
			t.Errorf("%d notes", len(notes))
		}
		tap := essence.NewTap(size)
		for rest := file; len(rest) > 0; {
			n := min(1+int(piece), len(rest))
			tap.Write(rest[:n])
			rest = rest[n:]
		}
		got, found, err := tap.Sound()
		if err != nil {
			t.Fatal(err)
		}
		if s.Format == sound.FLAC || got.Format == sound.FLAC {
			// A tap that doesn't decode knows less.
			return
		}
		got.Broadcast, s.Broadcast = nil, nil
		if got != s || codes(found) != codes(notes) {
			t.Errorf("in pieces of %d\n%+v %+v, at once\n%+v %+v", piece+1, got, found, s, notes)
		}
		if (got.Samples == fixity.Digest{}) != got.Samples.IsZero() {
			t.Error("half a digest")
		}
	})
}
