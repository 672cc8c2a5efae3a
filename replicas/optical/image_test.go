package optical_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/sector"
)

func put(t *testing.T, dir string, files map[string][]byte) {
	t.Helper()
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func openImage(t *testing.T, path string) *optical.Disc {
	t.Helper()
	d, err := optical.OpenImage(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	return d
}

// isoBytes are the sectors of a data disc.
func isoBytes(label string, sectors, says int64) []byte {
	content := dataContent(label, uint32(says))
	b := make([]byte, sectors*sector.Data)
	for i := range sectors {
		content(i, b[i*sector.Data:(i+1)*sector.Data])
	}
	return b
}

// raws are raw sectors of mode 1.
func raws(data []byte, lba int64) []byte {
	var b []byte
	for i := range len(data) / sector.Data {
		raw := make([]byte, sector.Raw)
		sector.Encode(raw, lba+int64(i), data[i*sector.Data:(i+1)*sector.Data])
		b = append(b, raw...)
	}
	return b
}

func wav(pcm []byte, rate uint32) []byte {
	b := []byte("RIFF....WAVELIST\x03\x00\x00\x00abc\x00fmt \x10\x00\x00\x00")
	le := binary.LittleEndian
	b = le.AppendUint16(b, 1)
	b = le.AppendUint16(b, 2)
	b = le.AppendUint32(b, rate)
	b = le.AppendUint32(b, rate*4)
	b = le.AppendUint16(b, 4)
	b = le.AppendUint16(b, 16)
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(len(pcm)))
	b = append(b, pcm...)
	le.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

func TestOpenImage(t *testing.T) {
	dir := t.TempDir()
	pcm := rows(0, 1000, sector.Raw)
	data := isoBytes("QD_0040", 400, 400)
	swapped := bytes.Clone(pcm)
	for i := 0; i < len(swapped); i += 2 {
		swapped[i], swapped[i+1] = swapped[i+1], swapped[i]
	}
	part := raws(data, 0)
	var parts []byte // mode 2, form 1, without the first 16 bytes; all zero is right
	for range 400 {
		parts = append(parts, make([]byte, 2336)...)
	}
	put(t, dir, map[string][]byte{
		"plain.iso": data, "short.ISO": isoBytes("LONG", 400, 500)[:399*sector.Data+100],
		"audio.bin": pcm, "audio.cue": []byte("CATALOG 0012345678905\nTITLE \"QV-0107\"\nFILE \"C:\\old\\audio.bin\" BINARY\nTRACK 01 AUDIO\nISRC XXQVS5800107\nINDEX 01 00:00:00\nTRACK 02 AUDIO\nTITLE \"Reel\"\nINDEX 00 00:05:00\nINDEX 01 00:07:00\n"),
		"motorola.bin": swapped, "motorola.cue": []byte("FILE motorola.bin MOTOROLA\nTRACK 01 AUDIO\nINDEX 01 00:00:00\n"),
		"a.wav": wav(pcm[:300*sector.Raw-400], 44100), "b.wav": wav(pcm[300*sector.Raw:], 44100), "48.wav": wav(pcm[:4800], 48000),
		"waves.cue": []byte("FILE a.wav WAVE\nTRACK 01 AUDIO\nPREGAP 00:02:00\nINDEX 01 00:00:00\nFILE b.wav WAVE\nTRACK 02 AUDIO\nPREGAP 00:02:00\nINDEX 01 00:00:00\n"),
		"48.cue":    []byte("FILE 48.wav WAVE\nTRACK 01 AUDIO\nINDEX 01 00:00:00\n"),
		"raw.bin":   part, "raw.cue": []byte("FILE raw.bin BINARY\nTRACK 01 MODE1/2352\nINDEX 01 00:00:00\n"), "raw.iso": part,
		"user.cue": []byte("FILE plain.iso BINARY\nTRACK 01 MODE1/2048\nINDEX 01 00:00:00\n"),
		"part.bin": parts, "part.cue": []byte("FILE part.bin BINARY\nTRACK 01 MODE2/2336\nINDEX 01 00:00:00\n"),
		"mixed.bin": slices.Concat(part, pcm[400*sector.Raw:]), "mixed.cue": []byte("FILE mixed.bin BINARY\nTRACK 01 MODE1/2352\nINDEX 01 00:00:00\nTRACK 02 AUDIO\nINDEX 00 00:05:25\nINDEX 01 00:07:25\n"),
		"two.bin": slices.Concat(pcm[:300*sector.Raw], part[:0], raws(isoBytes("SECOND", 100, 100), 300+11400)), "two.cue": []byte("FILE two.bin BINARY\nTRACK 01 AUDIO\nINDEX 01 00:00:00\nREM SESSION 02\nTRACK 02 MODE1/2352\nINDEX 01 00:04:00\n"),
		"hidden.cue": []byte("FILE audio.bin BINARY\nTRACK 01 AUDIO\nINDEX 00 00:00:00\nINDEX 01 00:03:00\n"),
	})
	for _, tc := range []struct {
		name     string
		kind     optical.Kind
		label    string
		tracks   []optical.Track
		leadOut  int64
		problems []error
	}{
		{"plain.iso", optical.Data, "QD_0040", []optical.Track{{Number: 1, Session: 1, Sectors: 400, Data: true}}, 400, nil},
		{"short.ISO", optical.Data, "LONG", []optical.Track{{Number: 1, Session: 1, Sectors: 399, Data: true}}, 399, []error{optical.ErrShorter, optical.ErrShorter}},
		{"audio.cue", optical.Audio, "", []optical.Track{{Number: 1, Session: 1, Sectors: 525, ISRC: "XXQVS5800107"}, {Number: 2, Session: 1, LBA: 525, Sectors: 475}}, 1000, nil},
		{"motorola.cue", optical.Audio, "", []optical.Track{{Number: 1, Session: 1, Sectors: 1000}}, 1000, nil},
		{"waves.cue", optical.Audio, "", []optical.Track{{Number: 1, Session: 1, Sectors: 450}, {Number: 2, Session: 1, LBA: 450, Sectors: 700}}, 1150, nil},
		{"raw.cue", optical.Data, "QD_0040", []optical.Track{{Number: 1, Session: 1, Sectors: 400, Data: true}}, 400, nil},
		{"user.cue", optical.Data, "QD_0040", []optical.Track{{Number: 1, Session: 1, Sectors: 400, Data: true}}, 400, nil},
		{"part.cue", optical.Data, "", []optical.Track{{Number: 1, Session: 1, Sectors: 400, Data: true}}, 400, nil},
		{"mixed.cue", optical.Mixed, "QD_0040", []optical.Track{{Number: 1, Session: 1, Sectors: 400, Data: true}, {Number: 2, Session: 1, LBA: 550, Sectors: 450}}, 1000, nil},
		{"two.cue", optical.Mixed, "", []optical.Track{{Number: 1, Session: 1, Sectors: 300}, {Number: 2, Session: 2, LBA: 11700, Sectors: 100, Data: true}}, 11800, nil},
		{"hidden.cue", optical.Audio, "", []optical.Track{{Number: 1, Session: 1, LBA: 225, Sectors: 775}}, 1000, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := openImage(t, filepath.Join(dir, tc.name))
			c := d.Contents()
			if c.Kind != tc.kind || c.LeadOut != tc.leadOut || c.Medium != "" || c.Drive != "" || d.Drive() {
				t.Errorf("%+v", c)
			}
			if tc.name != "two.cue" && c.Label != tc.label { // its directory lies elsewhere than it says
				t.Errorf("label %q", c.Label)
			}
			if diff := cmp.Diff(tc.tracks, c.Tracks); diff != "" {
				t.Error(diff)
			}
			if len(c.Problems) != len(tc.problems) {
				t.Fatal(c.Problems)
			}
			for i, p := range tc.problems {
				if !errors.Is(c.Problems[i], p) {
					t.Error(c.Problems[i])
				}
			}
			res, err := check(t.Context(), d, optical.CheckOptions{})
			if n := res.Map.Counts(); err != nil || n.AtOnce != n.Sectors || n.Sectors == 0 {
				t.Errorf("%+v, %v", n, err)
			}
		})
	}
	t.Run("samples", func(t *testing.T) {
		for _, name := range []string{"audio.cue", "motorola.cue"} {
			b := make([]byte, len(pcm))
			if _, err := openImage(t, filepath.Join(dir, name)).Audio(t.Context()).ReadAt(b, 0); err != nil || !bytes.Equal(b, pcm) {
				t.Error(name, err)
			}
		}
		b := make([]byte, 1150*sector.Raw)
		want := bytes.Clone(pcm[:300*sector.Raw])
		clear(want[300*sector.Raw-400:])
		want = slices.Concat(want, make([]byte, 150*sector.Raw), pcm[300*sector.Raw:])
		if _, err := openImage(t, filepath.Join(dir, "waves.cue")).Audio(t.Context()).ReadAt(b, 0); err != nil || !bytes.Equal(b, want) {
			t.Error("waves.cue", err)
		}
	})
	t.Run("data", func(t *testing.T) {
		for _, name := range []string{"plain.iso", "raw.cue", "user.cue", "mixed.cue"} {
			b := make([]byte, len(data))
			if _, err := openImage(t, filepath.Join(dir, name)).Data(t.Context()).ReadAt(b, 0); err != nil || !bytes.Equal(b, data) {
				t.Error(name, err)
			}
		}
	})
	t.Run("words", func(t *testing.T) {
		c := openImage(t, filepath.Join(dir, "audio.cue")).Contents()
		if c.MCN != "0012345678905" || len(c.Text) != 1 || c.Text[0].Disc.Title != "QV-0107" || len(c.Text[0].Tracks) != 1 || c.Text[0].Tracks[0].Title != "Reel" {
			t.Errorf("%+v", c)
		}
	})
	for name, want := range map[string]error{"raw.iso": optical.ErrImage, "48.cue": optical.ErrImage} {
		if _, err := optical.OpenImage(t.Context(), filepath.Join(dir, name)); !errors.Is(err, want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestOpenImageRefuses(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, map[string][]byte{"ten.bin": make([]byte, 10*sector.Raw), "empty.iso": nil})
	if err := os.Mkdir(filepath.Join(dir, "sub"), 0o700); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Dir(dir), map[string][]byte{"outside.bin": make([]byte, 10*sector.Raw)})
	defer os.Remove(filepath.Join(filepath.Dir(dir), "outside.bin"))
	for _, tc := range []struct{ name, sheet, says string }{
		{"no sheet", "Dear all,\n", "not a sound cue sheet"},
		{"file isn't there", "FILE gone.bin BINARY\nTRACK 1 AUDIO\nINDEX 1 0:0:0\n", "isn't beside it"},
		{"file elsewhere", "FILE \"../outside.bin\" BINARY\nTRACK 1 AUDIO\nINDEX 1 0:0:0\n", "isn't beside it"},
		{"a folder", "FILE sub BINARY\nTRACK 1 AUDIO\nINDEX 1 0:0:0\n", "isn't a file"},
		{"a name of dots", "FILE .. BINARY\nTRACK 1 AUDIO\nINDEX 1 0:0:0\n", ".."},
		{"index behind the end", "FILE ten.bin BINARY\nTRACK 1 AUDIO\nINDEX 1 0:0:0\nTRACK 2 AUDIO\nINDEX 1 0:1:0\n", "that ends before"},
		{"not a WAVE file", "FILE ten.bin WAVE\nTRACK 1 AUDIO\nINDEX 1 0:0:0\n", "no WAVE file"},
		{"more than a disc", "FILE ten.bin BINARY\nTRACK 1 AUDIO\nPREGAP 999:59:74\nINDEX 1 0:0:0\n" + strings.Repeat("POSTGAP 999:59:74\n", 1), ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			put(t, dir, map[string][]byte{"x.cue": []byte(tc.sheet)})
			d, err := optical.OpenImage(t.Context(), filepath.Join(dir, "x.cue"))
			if tc.says == "" {
				if err != nil || d.Contents().LeadOut > optical.MaxSectors {
					t.Error(err)
				}
				d.Close()
				return
			}
			if d != nil || err == nil || !strings.Contains(err.Error(), tc.says) {
				t.Errorf("got %v, want one that says %q", err, tc.says)
			}
		})
	}
	if _, err := optical.OpenImage(t.Context(), filepath.Join(dir, "empty.iso")); !errors.Is(err, optical.ErrImage) {
		t.Error(err)
	}
	if _, err := optical.OpenImage(t.Context(), filepath.Join(dir, "none.iso")); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}

// A sound file, or raw sectors without their sheet, would be read as the sectors of a
// data disc, and the disc be told as another one.
func TestWhatIsNoImageIsNeverReadAsOne(t *testing.T) {
	dir := t.TempDir()
	sound := rows(0, 300, sector.Raw)
	data := isoBytes("QD_0040", 100, 100)
	put(t, dir, map[string][]byte{
		"a.wav": wav(sound, 44100), "a.iso": wav(sound, 44100), "a.flac": append([]byte("fLaC"), sound...), "a.aiff": append([]byte("FORM\x00\x00\x00\x00AIFF"), sound...),
		"sound.bin": sound, "silence.bin": make([]byte, 300*sector.Raw), "raw.bin": raws(data, 0), "notes.txt": []byte(strings.Repeat("Dear all,\n", 9000)),
		"data.bin": data, "damaged.iso": make([]byte, 100*sector.Data), "damaged.IMG": make([]byte, 100*sector.Data),
	})
	for name, instead := range map[string]string{
		"a.wav": "sound file (WAVE)", "a.iso": "sound file (WAVE)", "a.flac": "sound file (FLAC)", "a.aiff": "sound file (AIFF)",
		"sound.bin": "give the cue sheet (.cue)", "silence.bin": "give the cue sheet (.cue)", "raw.bin": "give the cue sheet (.cue)", "notes.txt": "give an .iso file",
		"data.bin": "", "damaged.iso": "", "damaged.IMG": "",
	} {
		d, err := optical.OpenImage(t.Context(), filepath.Join(dir, name))
		switch {
		case instead == "" && err != nil:
			t.Errorf("%s: %v", name, err)
		case instead != "" && (!errors.Is(err, optical.ErrImage) || !strings.Contains(err.Error(), instead)):
			t.Errorf("%s: %v; want one that says %q", name, err, instead)
		}
		if err == nil {
			d.Close()
		}
	}
}

// Damage in a raw image is found by its error detection code, sector by sector.
func TestCheckRawImage(t *testing.T) {
	dir := t.TempDir()
	raw := raws(rows(0, 100, sector.Data), 0)
	raw[40*sector.Raw+1000] ^= 4                                // data
	raw[41*sector.Raw+2200] ^= 4                                // parity alone: the data is right
	copy(raw[60*sector.Raw:61*sector.Raw], raw[10*sector.Raw:]) // a sound sector of another place
	clear(raw[70*sector.Raw : 71*sector.Raw])                   // nothing
	put(t, dir, map[string][]byte{"d.bin": raw[:99*sector.Raw+50], "d.cue": []byte("FILE d.bin BINARY\nTRACK 01 MODE1/2352\nINDEX 01 00:00:00\n")})
	d := openImage(t, filepath.Join(dir, "d.cue"))
	if p := d.Contents().Problems; len(p) != 1 || !errors.Is(p[0], optical.ErrShorter) {
		t.Error(p)
	}
	res, err := check(t.Context(), d, optical.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"40+1 unreadable 5 3/11/05", "60+1 unreadable 5 3/11/00", "70+1 unreadable 5 3/11/05"}
	if diff := cmp.Diff(want, ends(res.Map)); diff != "" {
		t.Error(diff)
	}
	b := make([]byte, 2048)
	if _, err := d.Data(t.Context()).ReadAt(b, 40*2048); !errors.Is(err, fixity.ErrUnreadable) {
		t.Error(err)
	}
	if _, err := d.Data(t.Context()).ReadAt(b, 41*2048); err != nil || !bytes.Equal(b, rows(41, 1, 2048)) {
		t.Error(err)
	}
}

func TestCheckImageThatChanges(t *testing.T) {
	for name, change := range map[string]func(path string) error{
		"cut short": func(p string) error { return os.Truncate(p, 100*sector.Data) },
		"touched":   func(p string) error { return os.Chtimes(p, time.Time{}, time.Now().Add(time.Hour)) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			put(t, dir, map[string][]byte{"d.iso": isoBytes("X", 400, 400)})
			d := openImage(t, filepath.Join(dir, "d.iso"))
			done := false
			res, err := check(t.Context(), d, optical.CheckOptions{Progress: func(p optical.Progress) {
				if !done && p.LBA > 200 {
					done = true
					if err := change(filepath.Join(dir, "d.iso")); err != nil {
						t.Error(err)
					}
				}
			}})
			if !errors.Is(err, optical.ErrSwapped) || res.Map == nil {
				t.Error(err)
			}
		})
	}
}

func TestCheckImageIsCancelled(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, map[string][]byte{"d.iso": isoBytes("X", 400, 400)})
	d := openImage(t, filepath.Join(dir, "d.iso"))
	ctx, cancel := context.WithCancel(t.Context())
	res, err := check(ctx, d, optical.CheckOptions{Progress: func(optical.Progress) { cancel() }})
	if !errors.Is(err, context.Canceled) || res.Map.Counts().AtOnce != 32 {
		t.Error(res.Map.Counts(), err)
	}
}

func BenchmarkCheckImage(b *testing.B) {
	dir := b.TempDir()
	const sectors = 20_000
	if err := os.WriteFile(filepath.Join(dir, "d.iso"), isoBytes("X", sectors, sectors), 0o600); err != nil {
		b.Fatal(err)
	}
	d, err := optical.OpenImage(b.Context(), filepath.Join(dir, "d.iso"))
	if err != nil {
		b.Fatal(err)
	}
	defer d.Close()
	b.SetBytes(sectors * sector.Data)
	for b.Loop() {
		if _, err := check(b.Context(), d, optical.CheckOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkReadImage is what reading the same file costs without a check.
func BenchmarkReadImage(b *testing.B) {
	dir := b.TempDir()
	const sectors = 20_000
	path := filepath.Join(dir, "d.iso")
	if err := os.WriteFile(path, isoBytes("X", sectors, sectors), 0o600); err != nil {
		b.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	buf := make([]byte, 64<<10)
	b.SetBytes(sectors * sector.Data)
	for b.Loop() {
		for at := int64(0); at < sectors*sector.Data; at += int64(len(buf)) {
			if _, err := f.ReadAt(buf[:min(len(buf), int(sectors*sector.Data-at))], at); err != nil {
				b.Fatal(err)
			}
		}
	}
}
