package flac_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/zeebo/blake3"

	"firmus/fixity"
	"firmus/fixity/essence/flac"
	"firmus/fixity/essence/sound"
)

func unhex(s string) []byte {
	b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
	if err != nil {
		panic(err)
	}
	return b
}

// The worked examples of RFC 9639, appendix D: files and their decoded samples.
var examples = []struct {
	name      string
	file, pcm []byte
	sound     sound.Sound
}{
	{"D.1", unhex(`664c6143 80000022 10001000 00000f00 000f0ac4 42f00000
		00013e84 b41807dc 69030758 6a3dad1a 2e0ffff8 69180000
		bf0358fd 03128baa 9a`),
		unhex("f463b028"),
		sound.Sound{Format: sound.FLAC, Codec: sound.PCM, Rate: 44100, Bits: 16, Channels: 2, Frames: 1,
			Duration: 22676, DataOffset: 42, DataLength: 15, MD5: md5("3e84b41807dc690307586a3dad1a2e0f")}},
	{"D.2", unhex(`664c6143 00000022 00100010 00001700 00440ac4 42f00000
		0013d5b0 564975e9 8b8d8b93 0422757b 81030300 00120000
		00000000 00000000 00000000 00000010 0400003a 20000000
		72656665 72656e63 65206c69 62464c41 4320312e 332e3320
		32303139 30383034 01000000 0e000000 5449544c 453dd7a9
		d79cd795 d79d8100 00060000 00000000 fff86998 000f9912
		08670162 3d144299 8f5df70d 6fe00c17 caeb2100 0ee7a77a
		24a1590c 1217b603 097b784f aa9a33d2 85e070ad 5b1b4851
		b4010d99 d2cd1a68 f1e6b810 fff86918 0102a402 c382c40b
		c14a03ee 48dd03b6 7c1330`),
		unhex(`8428B617 79463129 5E3A2722 D445D128 0B3DB723 EB45DF28
		723f1E25 9D464929 B8417026 5747B829 8F438127 AEC714DF
		9FC441DD 54C7E4DE A5C440DD 1EC633DE 82C390DC 0BC402DD
		4AC13EDB`),
		sound.Sound{Format: sound.FLAC, Codec: sound.PCM, Rate: 44100, Bits: 16, Channels: 2, Frames: 19,
			Duration: 430839, DataOffset: 136, DataLength: 91, MD5: md5("d5b0564975e98b8d8b930422757b8103")}},
	{"D.3", unhex(`664c6143 80000022 10001000 00001f00 001f07d0 00700000
		0018f8f9 e396f5cb cfc6dc80 7f997790 6b32fff8 68020017
		e944004f 6f313d10 47d227cb 6d090831 452bdc28 22228057
		a3`),
		unhex("004F6F4E08C3A6BCF32A43350DE5D2DAF40E181306FCFB00"),
		sound.Sound{Format: sound.FLAC, Codec: sound.PCM, Rate: 32000, Bits: 8, Channels: 1, Frames: 24,
			Duration: 750 * time.Microsecond, DataOffset: 42, DataLength: 31, MD5: md5("f8f9e396f5cbcfc6dc807f9977906b32")}},
}

func md5(s string) fixity.Digest { return fixity.Digest{Algorithm: fixity.MD5, Sum: s} }

func decode(t *testing.T, file []byte) (sound.Sound, []sound.Note, []byte) {
	t.Helper()
	var out bytes.Buffer
	s, notes, err := flac.Decode(bytes.NewReader(file), int64(len(file)), &out)
	if err != nil {
		t.Fatal(err)
	}
	return s, notes, out.Bytes()
}

// highest is the highest of samples of 8 or 16 bits, of which 2^31 is full scale.
func highest(b []byte, bits int) (high int64) {
	for i := 0; i < len(b); i += bits / 8 {
		x := int64(int8(b[i]))
		if bits == 16 {
			x = int64(int16(uint16(b[i]) | uint16(b[i+1])<<8))
		}
		high = max(high, x<<(32-bits), -x<<(32-bits))
	}
	return high
}

func TestPublishedExamples(t *testing.T) {
	for _, e := range examples {
		t.Run(e.name, func(t *testing.T) {
			s, notes, pcm := decode(t, e.file)
			if !bytes.Equal(pcm, e.pcm) {
				t.Errorf("samples\n% x\nwant\n% x", pcm, e.pcm)
			}
			sum := blake3.Sum256(e.pcm)
			want := e.sound
			want.Samples = fixity.DigestOf(fixity.BLAKE3, sum[:])
			want.Peak = highest(e.pcm, e.sound.Bits)
			if diff := cmp.Diff(want, s); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if len(notes) > 0 {
				t.Errorf("notes %+v", notes)
			}

			// The header alone says the same, but for the samples.
			f := flac.New(int64(len(e.file)))
			if err := f.Walk().ReadAt(bytes.NewReader(e.file), int64(len(e.file))); err != nil {
				t.Fatal(err)
			}
			s, notes = f.Finish()
			if diff := cmp.Diff(e.sound, s); diff != "" {
				t.Errorf("header (-want +got):\n%s", diff)
			}
			if len(notes) != 1 || notes[0].Code != sound.FLACNotDecoded {
				t.Errorf("header: notes %+v", notes)
			}
		})
	}
}

func codes(notes []sound.Note) string {
	var c []string
	for _, n := range notes {
		c = append(c, string(n.Code))
	}
	return strings.Join(c, " ")
}

// change gives the file with the bytes at a place replaced.
func change(file []byte, at int, with ...byte) []byte {
	file = append([]byte{}, file...)
	copy(file[at:], with)
	return file
}

func TestWhatIsWrong(t *testing.T) {
	one, two, three := examples[0].file, examples[1].file, examples[2].file
	tag := append([]byte{'I', 'D', '3', 4, 0, 0, 0, 0, 1, 2}, make([]byte, 130)...)
	footed := append([]byte{'I', 'D', '3', 4, 0, 0x10, 0, 0, 1, 2}, make([]byte, 140)...)
	v1 := append([]byte("TAG"), make([]byte, 125)...)
	join := func(bs ...[]byte) []byte { return bytes.Join(bs, nil) }
	noTotal := change(two, 21, 0xf0, 0, 0, 0, 0)
	for _, c := range []struct {
		name  string
		file  []byte
		codes string
		whole bool // the samples are digested
	}{
		{"a frame's bit", change(one, 52, 0x59), "flac-frame", false},
		{"the header's MD5", change(one, 26, 0x3f), "flac-md5", false},
		{"no MD5", change(one, 26, make([]byte, 16)...), "flac-no-md5", true},
		{"no number of samples", noTotal, "header-open", true},
		{"no number of samples, and a tag behind", join(noTotal, v1), "header-open trailing", true},
		{"more samples promised", change(one, 25, 2), "flac-count", false},
		{"fewer samples promised", change(two, 25, 16), "trailing flac-md5", false},
		{"fewer samples promised than the first frame has", change(two, 25, 5), "flac-count", false},
		{"cut between frames", two[:0xcc], "flac-count", false},
		{"cut inside a frame", two[:0xe0], "flac-frame", false},
		{"cut behind the header", two[:0x88], "data-empty", false},
		{"cut inside the header", two[:0x70], "flac-header", false},
		{"cut inside streaminfo", two[:0x20], "flac-header", false},
		{"another first block", change(one, 4, 0x84), "flac-header", false},
		{"a forbidden block", change(two, 42, 0x7f), "flac-header", false},
		{"a tag before it", join(tag, one), "prefixed", true},
		{"a tag with a footer before it", join(footed, one), "prefixed", true},
		{"a tag behind it", join(one, v1), "trailing", true},
		{"a tag of another file", join(tag, make([]byte, 99)), "opaque", false},
		{"other channels in a frame", change(three, 20, 0x02), "flac-frame", false},
		{"32 bits a sample", change(one, 20, 0x43), "flac-depth", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.name == "32 bits a sample" {
				c.file[21] |= 0xf0
			}
			s, notes, _ := decode(t, c.file)
			if got := codes(notes); got != c.codes {
				t.Errorf("notes %q, want %q", got, c.codes)
			}
			if got := !s.Samples.IsZero(); got != c.whole {
				t.Errorf("samples are digested: %v", got)
			}
		})
	}
}

// A damaged frame is told by its place and by its time.
func TestWhereAFrameBreaks(t *testing.T) {
	s, notes, pcm := decode(t, change(examples[1].file, 0xd5, 0xff))
	want := []sound.Note{{Code: sound.FLACFrame, At: 0xcc, From: s.At(16), To: s.At(19)}}
	if diff := cmp.Diff(want, notes); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if len(pcm) != 16*4 {
		t.Errorf("%d bytes of samples before it", len(pcm))
	}
}

// Every single flipped bit and every length is told, or is outside the sound.
func TestEveryFlipAndLength(t *testing.T) {
	for _, e := range examples {
		for at := range e.file {
			for bit := range 8 {
				s, notes, _ := decode(t, change(e.file, at, e.file[at]^1<<bit))
				if at < int(e.sound.DataOffset) {
					continue // read without harm is all that can be asked
				}
				if sound.Judge(notes) != sound.Broken || !s.Samples.IsZero() {
					t.Errorf("%s, byte %d, bit %d: %q", e.name, at, bit, codes(notes))
				}
			}
			if _, notes, _ := decode(t, e.file[:at]); sound.Judge(notes) == sound.Whole {
				t.Errorf("%s cut to %d is called whole", e.name, at)
			}
		}
	}
}

func TestReaderFails(t *testing.T) {
	broken := errors.New("no such luck")
	file := examples[1].file
	for at := range len(file) + 1 {
		r := io.MultiReader(iotest.OneByteReader(bytes.NewReader(file[:at])), iotest.ErrReader(broken))
		s, notes, err := flac.Decode(r, int64(len(file)), nil)
		if !errors.Is(err, broken) || notes != nil || s != (sound.Sound{}) {
			t.Errorf("at %d: %v %v", at, notes, err)
		}
	}
	w := writer{broken}
	if _, _, err := flac.Decode(bytes.NewReader(file), int64(len(file)), w); !errors.Is(err, broken) {
		t.Errorf("output: %v", err)
	}
}

type writer struct{ err error }

func (w writer) Write([]byte) (int, error) { return 0, w.err }

// Whatever the bytes: no panic, no hang, and no digest of samples that are not
// those that the header's MD5 is of.
func FuzzDecode(f *testing.F) {
	for _, e := range examples {
		f.Add(e.file)
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		s, notes, pcm := decode(t, file)
		if s.Samples.IsZero() != (sound.Judge(notes) == sound.Broken || len(pcm) == 0) && codes(notes) != "opaque" {
			t.Errorf("samples %v, %d bytes decoded, notes %q", s.Samples, len(pcm), codes(notes))
		}
	})
}
