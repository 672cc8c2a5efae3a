package main

import (
	"bytes"
	"encoding/binary"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/testdata"
)

// sound FILE MILLISECONDS [GAIN]: a WAVE file of 44.1 kHz, 16 bit, stereo, whose sound
// depends on the file's name only. GAIN is a factor, 1 if it isn't given.
func cmdSound(ts *testscript.TestScript, _ bool, args []string) {
	ms, err := strconv.Atoi(args[1])
	ts.Check(err)
	gain := 1.0
	if len(args) > 2 {
		gain, err = strconv.ParseFloat(args[2], 64)
		ts.Check(err)
	}
	path := ts.MkAbs(args[0])
	pcm := soundOf(filepath.Base(path), ms, gain)
	var b bytes.Buffer
	for _, v := range []any{[]byte("RIFF"), uint32(36 + len(pcm)), []byte("WAVEfmt "), uint32(16), uint16(1), uint16(2), uint32(44100), uint32(176400), uint16(4), uint16(16), []byte("data"), uint32(len(pcm))} {
		ts.Check(binary.Write(&b, binary.LittleEndian, v))
	}
	b.Write(pcm)
	ts.Check(os.MkdirAll(filepath.Dir(path), 0o755))
	ts.Check(os.WriteFile(path, b.Bytes(), 0o644))
	at := time.Now().Add(-30 * 24 * time.Hour)
	ts.Check(os.Chtimes(path, at, at))
}

// soundOf is a tune of overlapping tones with noise below it.
func soundOf(name string, ms int, gain float64) []byte {
	seed := uint64(1469598103934665603)
	for _, c := range []byte(name) {
		seed = (seed ^ uint64(c)) * 1099511628211
	}
	next := func() float64 {
		seed = seed*6364136223846793005 + 1442695040888963407
		return float64(int32(seed>>32)) / (1 << 31)
	}
	n := 44100 * ms / 1000
	out := make([]byte, 0, 4*n)
	tone := 200 + 300*math.Abs(next())
	for i := range n {
		if i%11025 == 0 {
			tone = 200 + 300*math.Abs(next())
		}
		v := 8000*math.Sin(2*math.Pi*tone*float64(i)/44100) + 2000*next()
		l, r := int16(gain*v), int16(gain*(0.8*v+500*next()))
		out = binary.LittleEndian.AppendUint16(out, uint16(l))
		out = binary.LittleEndian.AppendUint16(out, uint16(r))
	}
	return out
}

// audiodisc CUE [+|-SHIFT] WAVE…: an image of an audio disc, as a drive gives it that
// reads shifted by so many samples.
func cmdAudioDisc(ts *testscript.TestScript, _ bool, args []string) {
	cue, waves, shift := args[0], args[1:], 0
	if strings.HasPrefix(waves[0], "+") || strings.HasPrefix(waves[0], "-") {
		var err error
		shift, err = strconv.Atoi(waves[0])
		ts.Check(err)
		waves = waves[1:]
	}
	var tracks []burn.Track
	for _, w := range waves {
		b, err := os.ReadFile(ts.MkAbs(w))
		ts.Check(err)
		tracks = append(tracks, burn.Track{PCM: b[44:]})
	}
	bin := strings.TrimSuffix(cue, ".cue") + ".bin"
	pcm, sheet := burn.Sound(filepath.Base(bin), "Quillmere", "", tracks, shift)
	ts.Check(os.MkdirAll(filepath.Dir(ts.MkAbs(cue)), 0o755))
	ts.Check(os.WriteFile(ts.MkAbs(bin), pcm, 0o644))
	ts.Check(os.WriteFile(ts.MkAbs(cue), []byte(sheet), 0o644))
}

// datadisc FILE FOLDER: an image of a data disc with what lies in a folder; if FILE ends
// in .cue, with raw sectors, which show when one of them is bad.
func cmdDataDisc(ts *testscript.TestScript, _ bool, args []string) {
	root := ts.MkAbs(args[1])
	v := burn.Volume{Label: "QUILLMERE", Made: time.Now()}
	ts.Check(filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(d.Name(), ".firmus") {
			return err
		}
		b, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		v.Files = append(v.Files, burn.File{Path: filepath.ToSlash(rel), Bytes: b, Time: time.Now()})
		return err
	}))
	image, err := burn.Data(v)
	ts.Check(err)
	out := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(filepath.Dir(out), 0o755))
	if base, ok := strings.CutSuffix(out, ".cue"); ok {
		ts.Check(os.WriteFile(base+".bin", burn.Raw(image), 0o644))
		ts.Check(os.WriteFile(out, []byte(burn.RawSheet(filepath.Base(base)+".bin")), 0o644))
		return
	}
	ts.Check(os.WriteFile(out, image, 0o644))
}

// image RECIPE FILE FOLDER: an image of a folder by a recipe of testdata's README.md.
func cmdImage(ts *testscript.TestScript, _ bool, args []string) {
	program, options := testdata.Recipe(args[0])
	ts.Check(ts.Exec(program, append(options, "-o", args[1], args[2])...))
}

// shorten FILE SIZE: cuts a file off; by so much if the size is negative.
func cmdShorten(ts *testscript.TestScript, _ bool, args []string) {
	size, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	if size < 0 {
		st, err := os.Stat(ts.MkAbs(args[0]))
		ts.Check(err)
		size += st.Size()
	}
	ts.Check(os.Truncate(ts.MkAbs(args[0]), size))
}

// scratch IMAGE FILE|LBA [COUNT]: turns bytes of sectors over: of the first sectors in
// which a file's bytes lie in an image, or from a sector on. In raw sectors they can't
// be read then, as their error detection code shows it; sound and .iso have none.
func cmdScratch(ts *testscript.TestScript, _ bool, args []string) {
	image := ts.MkAbs(args[0])
	b, err := os.ReadFile(image)
	ts.Check(err)
	size, head := 2048, 0
	if strings.HasSuffix(image, ".bin") {
		size, head = 2352, 16
	}
	lba, err := strconv.Atoi(args[1])
	if err != nil {
		file, err := os.ReadFile(ts.MkAbs(args[1]))
		ts.Check(err)
		at := bytes.Index(b, file[:min(1024, len(file))])
		if at < 0 {
			ts.Fatalf("%s doesn't lie in %s", args[1], args[0])
		}
		lba = at / size
	}
	count := 1
	if len(args) > 2 {
		count, err = strconv.Atoi(args[2])
		ts.Check(err)
	}
	for i := lba; i < lba+count; i++ {
		for k := head; k < head+64; k++ {
			b[i*size+k] ^= 0x55
		}
	}
	st, err := os.Stat(image)
	ts.Check(err)
	ts.Check(os.WriteFile(image, b, 0o644))
	ts.Check(os.Chtimes(image, st.ModTime(), st.ModTime()))
}
