package essence_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/mewkiz/flac/frame"

	"firmus/fixity/essence"
	"firmus/fixity/essence/flac"
	"firmus/fixity/essence/sound"
)

// Files made, converted and tagged by sox, ffmpeg and flac. A machine without them
// skips these tests, unless FIRMUS_ALL_PARTS=1.
func programs(t testing.TB, names ...string) {
	t.Helper()
	for _, name := range names {
		if _, err := exec.LookPath(name); err != nil {
			if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
				t.Fatalf("%s is not installed", name)
			}
			t.Skipf("%s is not installed", name)
		}
	}
}

// run gives the standard output of a program that must succeed.
func run(t testing.TB, in []byte, name string, args ...string) []byte {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("%s %q: %v\n%s", name, args, err, exit.Stderr)
		}
		t.Fatalf("%s %q: %v", name, args, err)
	}
	return out
}

func load(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// synth makes a recording of 0.7 s at 48 kHz: two tones and some noise.
func synth(t testing.TB, path string, bits, channels int) {
	t.Helper()
	run(t, nil, "sox", "-R", "-D", "-n", "-r", "48000", "-b", fmt.Sprint(bits), "-c", fmt.Sprint(channels), path,
		"synth", "0.7", "sine", "440", "sine", "443", "pinknoise", "gain", "-9")
}

func TestMadeElsewhere(t *testing.T) {
	programs(t, "sox", "ffmpeg", "flac", "metaflac")
	for _, c := range []struct {
		bits      int
		le, be    string // codecs of ffmpeg
		flac, aif bool
	}{
		{8, "pcm_u8", "pcm_s8", true, true},
		{16, "pcm_s16le", "pcm_s16be", true, true},
		{24, "pcm_s24le", "pcm_s24be", true, true},
		{32, "pcm_s32le", "pcm_s32be", false, true},
	} {
		t.Run(fmt.Sprintf("%d bits", c.bits), func(t *testing.T) {
			dir := t.TempDir()
			path := func(name string) string { return filepath.Join(dir, name) }
			wav := path("a.wav")
			synth(t, wav, c.bits, 2)
			// What sox itself says the samples are: signed, little endian.
			raw := run(t, nil, "sox", "-D", wav, "-t", "raw", "-e", "signed", "-L", "-b", fmt.Sprint(c.bits), "-")
			want := blake(raw)

			ff := func(codec string, args ...string) {
				all := append([]string{"-v", "error", "-y", "-i", wav, "-c:a", codec}, args...)
				run(t, nil, "ffmpeg", append(all[:len(all)-1], path(args[len(args)-1]))...)
			}
			ff(c.le, "-metadata", "title=QV-0107 side A", "-metadata", "comment=second label", "b-tagged.wav")
			ff(c.le, "-write_bext", "1", "-metadata", "description=QV-0107 side A", "-metadata", "originator=Quillmere Valley Song Survey", "c-bext.wav")
			ff(c.le, "-rf64", "always", "d-rf64.wav")
			files := []string{"a.wav", "b-tagged.wav", "c-bext.wav", "d-rf64.wav"}
			if c.aif {
				ff(c.be, "-metadata", "title=QV-0107 side A", "e.aiff")
				run(t, nil, "sox", "-D", wav, "-t", "aiff", "--comment", "QV-0107", path("f.aiff"))
				run(t, nil, "sox", "-D", wav, "-t", "aiffc", path("g.aifc"))
				files = append(files, "e.aiff", "f.aiff", "g.aifc")
			}
			if c.flac {
				run(t, nil, "flac", "-s", "-f", wav, "-o", path("h.flac"))
				b := load(t, path("h.flac"))
				if err := os.WriteFile(path("i-tagged.flac"), b, 0o600); err != nil {
					t.Fatal(err)
				}
				run(t, nil, "metaflac", "--set-tag=TITLE=QV-0107 side A", "--add-padding=30000", path("i-tagged.flac"))
				files = append(files, "h.flac", "i-tagged.flac")
			}
			seen := map[string]string{}
			for _, name := range files {
				b := load(t, path(name))
				if other, ok := seen[string(b)]; ok {
					t.Errorf("%s is the same file as %s", name, other)
				}
				seen[string(b)] = name
				s, notes := read(t, b)
				if s.Samples != want {
					t.Errorf("%s: other samples: %+v", name, s)
				}
				if s.Rate != 48000 || s.Bits != c.bits || s.Channels != 2 || s.Duration != 700*time.Millisecond || len(notes) > 0 {
					t.Errorf("%s: %+v %+v", name, s, notes)
				}
			}
			if s, _ := read(t, load(t, path("c-bext.wav"))); s.Broadcast == nil || s.Broadcast.Description != "QV-0107 side A" ||
				s.Broadcast.Originator != "Quillmere Valley Song Survey" {
				t.Errorf("broadcast %+v", s.Broadcast)
			}
			// One sample changed is another digest.
			b := load(t, wav)
			b[len(b)-5] ^= 1
			if s, _ := read(t, b); s.Samples == want {
				t.Error("a changed sample has the same digest")
			}
		})
	}
}

func TestFloatMadeElsewhere(t *testing.T) {
	programs(t, "sox", "ffmpeg")
	wav := filepath.Join(t.TempDir(), "a.wav")
	synth(t, wav, 24, 2)
	for codec, aifc := range map[string]string{"f32le": "pcm_f32be", "f64le": "pcm_f64be"} {
		raw := run(t, nil, "ffmpeg", "-v", "error", "-i", wav, "-f", codec, "-c:a", "pcm_"+codec, "-")
		out := filepath.Join(t.TempDir(), "f")
		run(t, nil, "ffmpeg", "-v", "error", "-i", wav, "-c:a", "pcm_"+codec, out+".wav")
		run(t, nil, "ffmpeg", "-v", "error", "-i", wav, "-c:a", aifc, out+".aiff")
		for _, name := range []string{out + ".wav", out + ".aiff"} {
			s, notes := read(t, load(t, name))
			if s.Samples != blake(raw) || s.Codec != sound.Float || len(notes) > 0 {
				t.Errorf("%s: %+v %+v", name, s, notes)
			}
		}
	}
}

// Files that were written into a pipe have headers that nobody completed.
func TestStreamedElsewhere(t *testing.T) {
	programs(t, "sox", "ffmpeg", "flac")
	wav := filepath.Join(t.TempDir(), "a.wav")
	synth(t, wav, 24, 2)
	want, _ := read(t, load(t, wav))
	// sox knows the length of samples that it reads from a file, but not from a pipe.
	samples := run(t, nil, "sox", "-D", wav, "-t", "raw", "-")
	raw := []string{"-D", "-t", "raw", "-r", "48000", "-e", "signed", "-b", "24", "-c", "2", "-"}
	raw = raw[:len(raw):len(raw)]
	for _, c := range []struct {
		name string
		args []string
	}{
		{"sox", append(raw, "-t", "wav", "-")},
		{"sox", append(raw, "-t", "aiff", "-")},
		{"ffmpeg", []string{"-v", "error", "-i", wav, "-c:a", "pcm_s24le", "-f", "wav", "-"}},
		{"ffmpeg", []string{"-v", "error", "-i", wav, "-c:a", "pcm_s24be", "-f", "aiff", "-"}},
		{"ffmpeg", []string{"-v", "error", "-i", wav, "-c:a", "flac", "-f", "flac", "-"}},
	} {
		b := run(t, samples, c.name, c.args...)
		s, notes := read(t, b)
		if len(notes) == 0 || notes[0].Code != sound.HeaderOpen || sound.Judge(notes) != sound.Untold {
			t.Errorf("%s %q: notes %+v", c.name, c.args, notes)
		}
		if s.Samples != want.Samples || s.Duration != want.Duration {
			t.Errorf("%s %q: %+v", c.name, c.args, s)
		}
	}
}

// What flac itself decodes is what we decode, whatever encoded it.
func TestDecodedElsewhere(t *testing.T) {
	programs(t, "sox", "flac", "ffmpeg")
	dir := t.TempDir()
	for _, c := range []struct{ bits, channels int }{{8, 1}, {16, 1}, {16, 2}, {24, 2}, {24, 6}} {
		wav := filepath.Join(dir, fmt.Sprintf("%d-%d.wav", c.bits, c.channels))
		synth(t, wav, c.bits, c.channels)
		for _, level := range []string{"-0", "-5", "-8", "-8ep"} {
			out := wav + level + ".flac"
			run(t, nil, "flac", "-s", "-f", level, wav, "-o", out)
			compare(t, out)
		}
		if c.bits > 8 { // ffmpeg encodes 16 and 24 bits only
			out := wav + "-ff.flac"
			run(t, nil, "ffmpeg", "-v", "error", "-i", wav, out)
			compare(t, out)
		}
	}
	// Silence, loud noise that can't be predicted, and short blocks.
	for name, effect := range map[string][]string{
		"silence": {"trim", "0", "0.5"}, "white": {"synth", "0.5", "whitenoise"}, "square": {"synth", "0.5", "square", "50"},
	} {
		wav := filepath.Join(dir, name+".wav")
		run(t, nil, "sox", append([]string{"-R", "-D", "-n", "-r", "44100", "-b", "16", "-c", "2", wav}, effect...)...)
		run(t, nil, "flac", "-s", "-f", "-b", "192", wav, "-o", wav+".flac")
		compare(t, wav+".flac")
	}
}

func compare(t *testing.T, path string) {
	t.Helper()
	want := run(t, nil, "flac", "-s", "-d", "-c", "--force-raw-format", "--endian=little", "--sign=signed", path)
	if len(want) == 0 {
		t.Fatalf("%s: flac decoded nothing", path)
	}
	b := load(t, path)
	var got bytes.Buffer
	s, notes, err := flac.Decode(bytes.NewReader(b), int64(len(b)), &got)
	if err != nil || !bytes.Equal(got.Bytes(), want) || s.Samples != blake(want) || sound.Judge(notes) != sound.Whole {
		t.Errorf("%s: %d bytes, flac has %d; %+v %+v %v", filepath.Base(path), got.Len(), len(want), s, notes, err)
	}
}

// flac and we agree on whether a damaged file is damaged.
func TestDamagedElsewhere(t *testing.T) {
	programs(t, "sox", "flac")
	dir := t.TempDir()
	wav := filepath.Join(dir, "a.wav")
	synth(t, wav, 16, 2)
	run(t, nil, "flac", "-s", "-f", wav, "-o", wav+".flac")
	b := load(t, wav+".flac")
	s, _ := read(t, b)
	r := rand.New(rand.NewPCG(7, 7))
	for range 20 {
		at := int(s.DataOffset) + r.IntN(int(s.DataLength))
		bad := append([]byte{}, b...)
		bad[at] ^= 1 << r.IntN(8)
		if r.IntN(4) == 0 {
			bad = bad[:at]
		}
		path := filepath.Join(dir, "bad.flac")
		if err := os.WriteFile(path, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		theirs := exec.Command("flac", "-s", "-t", path).Run()
		_, notes, err := essence.Read(bytes.NewReader(bad), int64(len(bad)))
		if err != nil {
			t.Fatal(err)
		}
		if (theirs != nil) != (sound.Judge(notes) == sound.Broken) {
			t.Errorf("byte %d of %d: flac says %v, we say %+v", at, len(bad), theirs, notes)
		}
	}
}

// The baseline is the decoder alone: frames parsed, nothing made of them. The
// measure to look at is how many times faster than the recording runs it is.
func BenchmarkDecode(b *testing.B) {
	programs(b, "sox", "flac")
	wav := filepath.Join(b.TempDir(), "a.wav")
	run(b, nil, "sox", "-R", "-D", "-n", "-r", "96000", "-b", "24", "-c", "2", wav, "synth", "10", "sine", "440", "sine", "443", "pinknoise", "gain", "-9")
	run(b, nil, "flac", "-s", "-f", wav, "-o", wav+".flac")
	file := load(b, wav+".flac")
	s, _, err := essence.Inspect(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		b.Fatal(err)
	}
	measure := func(name string, f func()) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(s.Frames * 6)
			for b.Loop() {
				f()
			}
			b.ReportMetric(s.Duration.Seconds()*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
	measure("baseline", func() {
		for r := bytes.NewReader(file[s.DataOffset:]); r.Len() > 0; {
			if _, err := frame.Parse(r); err != nil {
				b.Fatal(err)
			}
		}
	})
	measure("decode", func() {
		if got, _, err := flac.Decode(bytes.NewReader(file), int64(len(file)), nil); err != nil || got.Samples.IsZero() {
			b.Fatal(got, err)
		}
	})
}
