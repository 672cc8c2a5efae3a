package essence_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"firmus/fixity"
	"firmus/fixity/essence"
	"firmus/fixity/essence/flac"
	"firmus/testdata"
)

// excerpt gives the frames [from, to) of a file, zeros where none came.
func excerpt(t *testing.T, r io.ReaderAt, size, from, to int64) (essence.Given, []int32) {
	t.Helper()
	var out []int32
	var channels int
	g, err := essence.Excerpt(r, size, func(s essence.Sound) (essence.Stretch, error) {
		channels = s.Channels
		return essence.Stretch{From: from, To: to}, nil
	}, func(at int64, samples []int32) error {
		out = append(out, make([]int32, max(0, int(at-from)*channels-len(out)))...)
		out = append(out, samples...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return g, append(out, make([]int32, max(0, int(g.To-from)*channels-len(out)))...)
}

// theirs are all samples of a file by sox, at the upper end of 32 bits.
func theirs(t *testing.T, path string) []int32 {
	t.Helper()
	b := run(t, nil, "sox", "-D", path, "-t", "raw", "-e", "signed", "-b", "32", "-L", "-")
	out := make([]int32, len(b)/4)
	for i := range out {
		out[i] = int32(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return out
}

// Any stretch of any format holds the samples that another program finds there.
func TestExcerptAsSoxHasIt(t *testing.T) {
	programs(t, "sox", "flac", "ffmpeg")
	dir := t.TempDir()
	type file struct{ name, path string }
	var files []file
	add := func(name string, args ...string) string {
		path := filepath.Join(dir, name)
		for i, a := range args {
			if a == "OUT" {
				args[i] = path
			}
		}
		run(t, nil, args[0], args[1:]...)
		files = append(files, file{name, path})
		return path
	}
	for _, bits := range []int{8, 16, 24, 32} {
		for _, channels := range []int{1, 2, 3} {
			wav := filepath.Join(dir, fmt.Sprintf("%d-%d.wav", bits, channels))
			synth(t, wav, bits, channels)
			files = append(files, file{filepath.Base(wav), wav})
			add(fmt.Sprintf("%d-%d.aiff", bits, channels), "sox", "-D", wav, "OUT")
			if bits < 32 && channels < 3 {
				add(fmt.Sprintf("%d-%d.flac", bits, channels), "flac", "-s", "-f", wav, "-o", "OUT")
				add(fmt.Sprintf("%d-%d-small.flac", bits, channels), "flac", "-s", "-f", "--no-seektable", "-b", "576", wav, "-o", "OUT")
			}
		}
	}
	add("float.wav", "sox", "-D", filepath.Join(dir, "24-2.wav"), "-e", "float", "-b", "32", "OUT")
	add("rf64.wav", "ffmpeg", "-v", "error", "-i", filepath.Join(dir, "24-2.wav"), "-c:a", "pcm_s24le", "-rf64", "always", "OUT")
	r := rand.New(rand.NewPCG(1, 2))
	for _, f := range files {
		t.Run(f.name, func(t *testing.T) {
			b, want := load(t, f.path), theirs(t, f.path)
			s, _, err := essence.Inspect(bytes.NewReader(b), int64(len(b)))
			if err != nil || s.Frames == 0 {
				t.Fatal(s, err)
			}
			for range 12 {
				from := r.Int64N(s.Frames)
				to := from + 1 + r.Int64N(s.Frames-from)
				g, got := excerpt(t, bytes.NewReader(b), int64(len(b)), from, to)
				if len(g.Lost) > 0 || !slices.Equal(got, want[from*int64(s.Channels):to*int64(s.Channels)]) {
					t.Fatalf("[%d, %d): other samples; lost %v", from, to, g.Lost)
				}
			}
			// Behind the end there is nothing.
			if g, got := excerpt(t, bytes.NewReader(b), int64(len(b)), s.Frames-3, s.Frames+1000); g.To != s.Frames || len(got) != 3*s.Channels || len(g.Lost) > 0 {
				t.Errorf("at the end: %+v, %d samples", g, len(got))
			}
		})
	}
}

// What is damaged in a FLAC file is left out, and nothing else is.
func TestExcerptOfDamagedFLAC(t *testing.T) {
	programs(t, "sox", "flac")
	wav := filepath.Join(t.TempDir(), "a.wav")
	run(t, nil, "sox", "-R", "-D", "-n", "-r", "48000", "-b", "24", "-c", "2", wav, "synth", "20", "sine", "440", "sine", "443", "pinknoise", "gain", "-9")
	run(t, nil, "flac", "-s", "-f", wav, "-o", wav+".flac")
	whole, want := load(t, wav+".flac"), theirs(t, wav)
	for _, c := range []struct {
		name string
		hurt func(b []byte)
		most int64 // frames that may be lost
	}{
		{"one bit", func(b []byte) { b[len(b)/2] ^= 4 }, 4096},
		{"zeros", func(b []byte) { clear(b[len(b)/2 : len(b)/2+65536]) }, 8 * 4096},
		{"noise", func(b []byte) { copy(b[len(b)/2:], noise(65536)) }, 8 * 4096},
		{"most of it", func(b []byte) { clear(b[len(b)/10 : len(b)/10*9]) }, 48000 * 17},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := slices.Clone(whole)
			c.hurt(b)
			g, got := excerpt(t, bytes.NewReader(b), int64(len(b)), 5*48000, 15*48000)
			if len(g.Lost) != 1 || g.Lost[0].To-g.Lost[0].From > c.most {
				t.Fatalf("lost %v", g.Lost)
			}
			for i, x := range got {
				at := 5*48000 + int64(i/2)
				if lost := at >= g.Lost[0].From && at < g.Lost[0].To; lost && x != 0 || !lost && x != want[at*2+int64(i%2)] {
					t.Fatalf("frame %d holds %d", at, x)
				}
			}
		})
	}
	cut := whole[:len(whole)/2]
	g, got := excerpt(t, bytes.NewReader(cut), int64(len(cut)), 5*48000, 15*48000)
	if len(g.Lost) != 1 || g.Lost[0].To != 15*48000 || g.Lost[0].From < 9*48000 || !slices.Equal(got[:2*4*48000], want[2*5*48000:2*9*48000]) {
		t.Errorf("cut short: lost %v", g.Lost)
	}
}

// gapped is a file of which a stretch can't be read.
type gapped struct {
	b        []byte
	from, to int64
	err      error
}

func (f gapped) ReadAt(p []byte, at int64) (int, error) {
	if at < f.to && at+int64(len(p)) > f.from {
		n := max(0, f.from-at)
		return copy(p[:n], f.b[at:]), f.err
	}
	return bytes.NewReader(f.b).ReadAt(p, at)
}

func TestExcerptOfWhatCannotBeRead(t *testing.T) {
	wave := testdata.Wave("x", 400_000)
	bad := fmt.Errorf("medium: %w", fixity.ErrUnreadable)
	g, got := excerpt(t, gapped{wave, 200_000, 200_512, bad}, int64(len(wave)), 0, 399_956)
	if len(g.Lost) != 1 || g.Lost[0].From > 200_000-44 || g.Lost[0].To < 200_512-44 || g.Lost[0].To-g.Lost[0].From > 65536 || len(got) != 399_956 {
		t.Errorf("lost %v of %d", g.Lost, len(got))
	}
	away := fmt.Errorf("store: %w", fixity.ErrAway)
	none := func(int64, []int32) error { return nil }
	all := func(s essence.Sound) (essence.Stretch, error) { return essence.Stretch{To: s.Frames}, nil }
	if _, err := essence.Excerpt(gapped{wave, 200_000, 200_512, away}, int64(len(wave)), all, none); !errors.Is(err, fixity.ErrAway) {
		t.Errorf("a store that went: %v", err)
	}
	if _, err := essence.Excerpt(bytes.NewReader(wave[:300_000]), int64(len(wave)), all, none); !errors.Is(err, fixity.ErrChanged) {
		t.Errorf("a file that ends early: %v", err)
	}
	for _, name := range []string{"text.wav", "empty.wav", "zeros.wav", "nodata.wav", "late.wav"} {
		b := testdata.Sound(name)
		_, err := essence.Excerpt(bytes.NewReader(b), int64(len(b)), all, none)
		if !errors.Is(err, essence.ErrNotPlayable) && name != "late.wav" {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Of the RFC's examples each sample is given, one by one.
func TestExcerptOfExamples(t *testing.T) {
	file := testdata.Sound("sound.flac") // RFC 9639, appendix D.2
	var whole bytes.Buffer
	if _, _, err := flac.Decode(bytes.NewReader(file), int64(len(file)), &whole); err != nil {
		t.Fatal(err)
	}
	for from := range int64(19) {
		_, got := excerpt(t, bytes.NewReader(file), int64(len(file)), from, from+1)
		for c := range 2 {
			if want := int32(int16(binary.LittleEndian.Uint16(whole.Bytes()[4*from+int64(2*c):]))) << 16; got[c] != want {
				t.Errorf("frame %d, channel %d: %d, want %d", from, c, got[c], want)
			}
		}
	}
}

// Whatever the bytes: no panic, no hang, nothing out of order or beyond what was asked.
func FuzzExcerpt(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte, from uint16) {
		next := int64(from)
		var channels int64
		g, err := essence.Excerpt(bytes.NewReader(file), int64(len(file)), func(s essence.Sound) (essence.Stretch, error) {
			channels = int64(s.Channels)
			return essence.Stretch{From: int64(from), To: int64(from) + 1000}, nil
		}, func(at int64, samples []int32) error {
			if n := int64(len(samples)); at < next || n == 0 || n%channels != 0 || at+n/channels > int64(from)+1000 {
				t.Errorf("%d samples of %d channels at %d, behind %d", n, channels, at, next)
			}
			next = at + int64(len(samples))/channels
			return nil
		})
		if err != nil && !errors.Is(err, essence.ErrNotPlayable) {
			t.Error(err)
		}
		if err == nil && (g.From != int64(from) || g.To < g.From) {
			t.Errorf("%+v", g)
		}
	})
}
