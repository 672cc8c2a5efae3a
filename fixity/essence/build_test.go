package essence_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/zeebo/blake3"

	"firmus/fixity"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
)

// The files below are built field by field from the standards' layouts, apart
// from the code that reads them.

func le(values ...any) []byte { return pack(binary.LittleEndian, values) }
func be(values ...any) []byte { return pack(binary.BigEndian, values) }

func pack(order binary.ByteOrder, values []any) []byte {
	var b bytes.Buffer
	for _, v := range values {
		if s, ok := v.(string); ok {
			v = []byte(s)
		}
		if err := binary.Write(&b, order, v); err != nil {
			panic(err)
		}
	}
	return b.Bytes()
}

func join(bs ...[]byte) []byte { return bytes.Join(bs, nil) }

// chunk is a RIFF chunk with its padding, ckunk an IFF one.
func chunk(id string, body []byte) []byte {
	return join(le(id, uint32(len(body))), body, make([]byte, len(body)%2))
}

func ckunk(id string, body []byte) []byte {
	return join(be(id, uint32(len(body))), body, make([]byte, len(body)%2))
}

func riff(chunks ...[]byte) []byte {
	body := join(chunks...)
	return join(le("RIFF", uint32(4+len(body)), "WAVE"), body)
}

// plain is a WAVEFORMAT of PCM: 16 bytes.
func plain(tag, channels int, rate uint32, container, bits int) []byte {
	return chunk("fmt ", le(uint16(tag), uint16(channels), rate, rate*uint32(channels*container),
		uint16(channels*container), uint16(bits)))
}

// extensible is a WAVEFORMATEXTENSIBLE: 40 bytes.
func extensible(tag, channels int, rate uint32, container, valid int) []byte {
	return chunk("fmt ", le(uint16(0xfffe), uint16(channels), rate, rate*uint32(channels*container),
		uint16(channels*container), uint16(8*container), uint16(22), uint16(valid), uint32(3),
		uint16(tag), []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71}))
}

func data(samples []byte) []byte { return chunk("data", samples) }

// long is RF64 or BW64 with sizes in ds64 (EBU Tech 3306; BS.2088).
func long(id string, samples []byte, frames uint64, chunks ...[]byte) []byte {
	body := join(chunks...)
	ds := func(form uint64) []byte { return chunk("ds64", le(form, uint64(len(samples)), frames, uint32(0))) }
	body = join(body, le("data", uint32(math.MaxUint32)), samples, make([]byte, len(samples)%2))
	form := uint64(4 + len(ds(0)) + len(body))
	return join(le(id, uint32(math.MaxUint32), "WAVE"), ds(form), body)
}

// bext is a broadcast extension chunk: EBU Tech 3285 version 2, section 2.3.
func bext(history string) []byte {
	text := func(s string, n int) []byte { return append([]byte(s), make([]byte, n-len(s))...) }
	return chunk("bext", join(
		text("QV-0107 side A, transfer 1", 256), text("Quillmere Valley Song Survey", 32), text("QVSS0107A", 32),
		[]byte("2025-11-18"), []byte("14-05-59"), le(uint32(0xddcc0001), uint32(2)), le(uint16(2)),
		make([]byte, 64), le(int16(-2300), int16(700), int16(-150), int16(-1900), int16(-2100)), make([]byte, 180),
		[]byte(history)))
}

func form(kind string, chunks ...[]byte) []byte {
	body := join(chunks...)
	return join(be("FORM", uint32(4+len(body)), kind), body)
}

// rate48000 is 48000 as an 80-bit number: 1.4648… x 2^15.
var rate48000 = []byte{0x40, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0}

func comm(channels, frames, bits int) []byte {
	return ckunk("COMM", be(int16(channels), uint32(frames), int16(bits), rate48000))
}

func commC(channels, frames, bits int, kind string) []byte {
	return ckunk("COMM", be(int16(channels), uint32(frames), int16(bits), rate48000, kind, "\x04test\x00"))
}

func ssnd(samples []byte) []byte { return ckunk("SSND", be(uint32(0), uint32(0), samples)) }

// noise is n bytes of samples without a zero among them.
func noise(n int) []byte {
	r := rand.New(rand.NewPCG(uint64(n), 5))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(1 + r.IntN(255))
	}
	return b
}

// turned swaps the bytes of each sample of n bytes.
func turned(b []byte, n int) []byte {
	out := make([]byte, 0, len(b))
	for i := 0; i < len(b); i += n {
		for j := n - 1; j >= 0; j-- {
			out = append(out, b[i+j])
		}
	}
	return out
}

func blake(b []byte) fixity.Digest {
	sum := blake3.Sum256(b)
	return fixity.DigestOf(fixity.BLAKE3, sum[:])
}

func codes(notes []essence.Note) string {
	var c []string
	for _, n := range notes {
		c = append(c, string(n.Code))
	}
	return strings.Join(c, " ")
}

// read reads a file by a decoding tap, and holds Inspect against it.
func read(t *testing.T, file []byte) (essence.Sound, []essence.Note) {
	t.Helper()
	s, notes, err := essence.Read(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	sameByStructure(t, file, s, notes)
	return s, notes
}

// sameByStructure checks that Inspect says of a file what a full reading said, but
// for what only the samples tell.
func sameByStructure(t *testing.T, file []byte, s essence.Sound, notes []essence.Note) {
	t.Helper()
	got, found, err := essence.Inspect(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	if s.Format == sound.FLAC {
		return
	}
	var rest []essence.Note
	for _, n := range notes {
		switch n.Code {
		case sound.PaddingBits:
			got.Bits = s.Bits
		case sound.Zeros, sound.ZerosMore, sound.Blank:
		default:
			rest = append(rest, n)
		}
	}
	s.Samples, s.Silent, s.Stretch, s.Begins, s.Peak = fixity.Digest{}, 0, 0, 0, 0
	if s.Broadcast != nil && got.Broadcast != nil {
		if *s.Broadcast != *got.Broadcast {
			t.Errorf("Inspect: broadcast %+v, read: %+v", got.Broadcast, s.Broadcast)
		}
		s.Broadcast = got.Broadcast
	}
	if s != got {
		t.Errorf("Inspect says\n%+v, a reading\n%+v", got, s)
	}
	if len(rest) != len(found) {
		t.Fatalf("Inspect notes %+v, a reading %+v", found, rest)
	}
	for i := range rest {
		if rest[i] != found[i] {
			t.Errorf("Inspect notes %+v, a reading %+v", found[i], rest[i])
		}
	}
}
