package essence_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
)

// The same samples in every dress: one digest, and it is that of the samples in
// package pcm's canonical form.
func TestSameSamplesSameDigest(t *testing.T) {
	a := noise(6 * 500) // 24 bit stereo, little endian
	wide := make([]byte, 0, len(a)/3*4)
	for i := 0; i < len(a); i += 3 {
		wide = append(wide, 0, a[i], a[i+1], a[i+2])
	}
	pcm24 := plain(1, 2, 48000, 3, 24)
	for _, c := range []struct {
		name   string
		file   []byte
		format sound.Format
		offset int64
	}{
		{"wave", riff(pcm24, data(a)), sound.WAVE, 44},
		{"wave, extensible", riff(extensible(1, 2, 48000, 3, 24), data(a)), sound.WAVE, 68},
		{"wave, 24 bits in 32", riff(extensible(1, 2, 48000, 4, 24), data(wide)), sound.WAVE, 68},
		{"wave, 24 bits in 32, plain", riff(plain(1, 2, 48000, 4, 24), data(wide)), sound.WAVE, 44},
		{"wave, parts before and behind", riff(chunk("JUNK", make([]byte, 28)), pcm24, chunk("LIST", []byte("INFOx")), data(a), chunk("id3 ", []byte("abc"))), sound.WAVE, 94},
		{"broadcast", riff(bext(""), pcm24, data(a)), sound.BWF, 654},
		{"broadcast with a history", riff(pcm24, data(a), bext("A=PCM,F=48000,W=24,M=stereo\r\n")), sound.BWF, 44},
		{"rf64", long("RF64", a, 500, pcm24), sound.RF64, 80},
		{"bw64", long("BW64", a, 0, pcm24), sound.BW64, 80},
		{"aiff", form("AIFF", comm(2, 500, 24), ssnd(turned(a, 3))), sound.AIFF, 54},
		{"aifc", form("AIFC", commC(2, 500, 24, "NONE"), ssnd(turned(a, 3))), sound.AIFC, 64},
		{"aifc, little endian", form("AIFC", commC(2, 500, 24, "sowt"), ssnd(a)), sound.AIFC, 64},
		{"aifc, in24", form("AIFC", commC(2, 500, 24, "in24"), ssnd(turned(a, 3))), sound.AIFC, 64},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, notes := read(t, c.file)
			if s.Samples != blake(a) {
				t.Error("another digest")
			}
			if len(notes) > 0 || sound.Judge(notes) != sound.Whole {
				t.Errorf("notes %+v", notes)
			}
			if s.Format != c.format || s.Codec != sound.PCM || s.Rate != 48000 || s.Bits != 24 || s.Channels != 2 ||
				s.Frames != 500 || s.Duration != 10416667*time.Nanosecond || s.DataOffset != c.offset {
				t.Errorf("sound %+v", s)
			}
			if int(s.DataLength) != 500*s.BytesPerFrame {
				t.Errorf("%d bytes of samples", s.DataLength)
			}
		})
	}
}

func TestOtherSamples(t *testing.T) {
	a := noise(4 * 60)
	for _, c := range []struct {
		name  string
		file  []byte
		codec string
		bits  int
		each  int
		want  []byte // nil: not digested
		codes string
	}{
		{"8 bit wave", riff(plain(1, 1, 8000, 1, 8), data([]byte{0x80, 0, 0xff})), "pcm", 8, 1, []byte{0, 0x80, 0x7f}, ""},
		{"8 bit aiff", form("AIFF", comm(1, 3, 8), ssnd([]byte{0, 0x80, 0x7f})), "pcm", 8, 1, []byte{0, 0x80, 0x7f}, ""},
		{"8 bit aifc raw", form("AIFC", commC(1, 3, 8, "raw "), ssnd([]byte{0x80, 0, 0xff})), "pcm", 8, 1, []byte{0, 0x80, 0x7f}, ""},
		{"12 bit aiff", form("AIFF", comm(1, 2, 12), ssnd([]byte{0x12, 0x30, 0xff, 0xf0})), "pcm", 12, 2, []byte{0x23, 1, 0xff, 0xff}, ""},
		{"16 bit wave", riff(plain(1, 2, 44100, 2, 16), data(a)), "pcm", 16, 2, a, ""},
		{"32 bit wave", riff(plain(1, 1, 44100, 4, 32), data(a)), "pcm", 32, 4, a, ""},
		{"float wave", riff(plain(3, 1, 44100, 4, 32), data(a)), "float", 32, 4, a, ""},
		{"double wave", riff(extensible(3, 1, 44100, 8, 64), data(a)), "float", 64, 8, a, ""},
		{"float aifc", form("AIFC", commC(1, 60, 32, "fl32"), ssnd(turned(a, 4))), "float", 32, 4, a, ""},
		{"double aifc", form("AIFC", commC(1, 30, 64, "FL64"), ssnd(turned(a, 8))), "float", 64, 8, a, ""},
		{"32 bit aifc", form("AIFC", commC(1, 60, 32, "in32"), ssnd(turned(a, 4))), "pcm", 32, 4, a, ""},
		{"a-law wave", riff(plain(6, 1, 8000, 1, 8), data(a)), "alaw", 8, 1, a, ""},
		{"u-law aifc", form("AIFC", commC(1, 240, 16, "ulaw"), ssnd(a)), "ulaw", 16, 1, a, ""},
		{"24 bits in 32 that use all", riff(extensible(1, 1, 48000, 4, 24), data(a)), "pcm", 32, 4, a, "padding-bits"},
		{"another code in wave", riff(plain(0x55, 2, 44100, 1, 0), data(a)), "0x0055", 0, 0, a, "other-codec"},
		{"another code in extensible", riff(replace(extensible(1, 2, 44100, 2, 16), 40, 9), data(a)), "extensible", 16, 0, a, "other-codec"},
		{"another code in aifc", form("AIFC", commC(2, 9, 16, "ima\x01"), ssnd(a)), "ima?", 16, 0, a, "other-codec"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, notes := read(t, c.file)
			if s.Codec != c.codec || s.Bits != c.bits || s.BytesPerSample != c.each {
				t.Errorf("sound %+v", s)
			}
			if s.Samples != blake(c.want) {
				t.Error("another digest")
			}
			if got := codes(notes); got != c.codes {
				t.Errorf("notes %q, want %q", got, c.codes)
			}
		})
	}
}

func replace(b []byte, at int, with ...byte) []byte {
	b = append([]byte{}, b...)
	copy(b[at:], with)
	return b
}

// bext fields lie where EBU Tech 3285 version 2 puts them.
func TestBroadcast(t *testing.T) {
	s, _ := read(t, riff(bext("A=PCM"), plain(1, 1, 48000, 2, 16), data(noise(8))))
	want := &sound.Broadcast{
		Description: "QV-0107 side A, transfer 1", Originator: "Quillmere Valley Song Survey", Reference: "QVSS0107A",
		Date: "2025-11-18", Time: "14-05-59", Since: 0x2ddcc0001, Version: 2,
	}
	if diff := cmp.Diff(want, s.Broadcast); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestOpaque(t *testing.T) {
	for name, file := range map[string][]byte{
		"nothing": nil, "a byte": {'R'}, "text": []byte("QV-0107 side A, played back on 18 November"),
		"another RIFF": le("RIFF", uint32(4), "AVI "), "another FORM": be("FORM", uint32(4), "ILBM"),
		"big-endian wave": be("RIFX", uint32(4), "WAVE"), "eleven bytes": []byte("RIFF\x04\x00\x00\x00WAV"),
	} {
		s, notes := read(t, file)
		if s != (essence.Sound{}) || codes(notes) != "opaque" || sound.Judge(notes) != sound.Untold {
			t.Errorf("%s: %+v %+v", name, s, notes)
		}
	}
}

// Whatever the pieces, a tap says the same.
func TestTapInPieces(t *testing.T) {
	a := noise(6 * 300)
	for name, file := range map[string][]byte{
		"rf64":   long("RF64", a, 300, bext("x"), plain(1, 2, 48000, 3, 24)),
		"aiff":   form("AIFF", comm(2, 300, 24), ckunk("NAME", []byte("QV-0")), ssnd(a)),
		"odd":    join(riff(plain(1, 2, 48000, 3, 24), data(a[:1795]), chunk("LIST", a[:3])), []byte("end")),
		"opaque": a,
		"short":  a[:5],
	} {
		t.Run(name, func(t *testing.T) {
			s, notes := read(t, file)
			for _, piece := range []int{1, 2, 7, 11, 13, 100, 4096} {
				tap := essence.NewTap(int64(len(file)))
				for rest := file; len(rest) > 0; {
					n := min(piece, len(rest))
					if m, err := tap.Write(rest[:n]); m != n || err != nil {
						t.Fatal(m, err)
					}
					rest = rest[n:]
				}
				got, found, err := tap.Sound()
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(s, got) + cmp.Diff(notes, found); diff != "" {
					t.Errorf("pieces of %d (-want +got):\n%s", piece, diff)
				}
			}
		})
	}
}

func TestTapOfAnotherSize(t *testing.T) {
	file := riff(plain(1, 2, 48000, 3, 24), data(noise(600)))
	for _, decoding := range []bool{false, true} {
		for _, size := range []int64{0, 5, int64(len(file)) - 1, int64(len(file)) + 1} {
			tap := essence.NewTap(size)
			if decoding {
				tap = essence.NewDecodingTap(size)
			}
			tap.Write(file)
			if s, notes, err := tap.Sound(); !errors.Is(err, fixity.ErrChanged) || notes != nil || s != (essence.Sound{}) {
				t.Errorf("size %d: %v", size, err)
			}
		}
	}
}

// A decoding tap that is given up leaves nothing behind, and may be closed twice.
func TestTapGivenUp(t *testing.T) {
	file := append([]byte("fLaC"), noise(1<<20)...)
	tap := essence.NewDecodingTap(int64(len(file)))
	tap.Write(file[:1000])
	tap.Close()
	tap.Close()
	if _, err := tap.Write(file[1000:]); err != nil {
		t.Error(err)
	}
	if _, _, err := tap.Sound(); err == nil {
		t.Error("a closed tap knows the sound")
	}
}

type failing struct {
	io.ReaderAt
	from int64
	err  error
}

func (f failing) ReadAt(p []byte, at int64) (int, error) {
	if at+int64(len(p)) > f.from {
		return 0, f.err
	}
	return f.ReaderAt.ReadAt(p, at)
}

func TestReaderFails(t *testing.T) {
	broken := errors.New("no such luck")
	file := riff(bext(""), plain(1, 2, 48000, 3, 24), data(noise(60)))
	for at := range int64(650) {
		_, notes, err := essence.Inspect(failing{bytes.NewReader(file), at, broken}, int64(len(file)))
		if !errors.Is(err, broken) || notes != nil {
			t.Fatalf("at %d: %v", at, err)
		}
		_, notes, err = essence.Inspect(bytes.NewReader(file[:at]), int64(len(file)))
		if !errors.Is(err, fixity.ErrChanged) || notes != nil {
			t.Fatalf("ends at %d: %v", at, err)
		}
	}
	r := io.MultiReader(bytes.NewReader(file[:99]), iotest.ErrReader(broken))
	if _, _, err := essence.Read(r, int64(len(file))); !errors.Is(err, broken) {
		t.Errorf("read: %v", err)
	}
	if _, _, err := essence.Read(strings.NewReader("fLaC"), 99); !errors.Is(err, fixity.ErrChanged) {
		t.Errorf("read a short file: %v", err)
	}
}

// The baseline is what the pass costs without a tap: nothing but the copying.
func BenchmarkTap(b *testing.B) {
	samples := noise(8 << 20)
	files := map[string][]byte{
		"wave":   riff(plain(1, 2, 96000, 3, 24), data(samples)),
		"aiff":   form("AIFF", comm(2, len(samples)/6, 24), ssnd(samples)),
		"opaque": samples,
	}
	run := func(name string, file []byte, w func() io.Writer) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(file)))
			for b.Loop() {
				if _, err := io.CopyBuffer(struct{ io.Writer }{w()}, struct{ io.Reader }{bytes.NewReader(file)}, make([]byte, 64<<10)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	run("baseline", files["wave"], func() io.Writer { return io.Discard })
	for name, file := range files {
		run(name, file, func() io.Writer { return essence.NewTap(int64(len(file))) })
	}
}
