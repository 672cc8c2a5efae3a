package cdda_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"firmus/replicas/optical/cdda"
)

const second = cdda.Rate

// music is so many samples of a made-up recording: filtered noise of two channels
// that swells, over a low tone. The seed tells recordings apart. Each is made once, since that takes
// longer than many a comparison, and given as a copy.
func music(seed uint64, samples int) []byte {
	type recording struct {
		seed    uint64
		samples int
	}
	of := recording{seed, samples}
	b, ok := made.Load(of)
	if !ok {
		b, _ = made.LoadOrStore(of, makeMusic(seed, samples))
	}
	return bytes.Clone(b.([]byte))
}

var made sync.Map

func makeMusic(seed uint64, samples int) []byte {
	b := make([]byte, samples*cdda.SampleBytes)
	rng := rand.New(rand.NewPCG(seed, 107))
	var x, y float64
	for i := range samples {
		u := rng.Uint64()
		x = 0.90*x + 0.10*float64(int16(u))
		y = 0.80*y + 0.20*float64(int16(u>>16))
		swell := 0.4 + 0.3*math.Sin(float64(i)/30_000)
		hum := 500 * math.Sin(2*math.Pi*50*float64(i)/second)
		put(b, i, swell*x+hum, swell*(x+y)/2+hum)
	}
	return b
}

func put(b []byte, i int, left, right float64) {
	binary.LittleEndian.PutUint16(b[4*i:], uint16(clip(left)))
	binary.LittleEndian.PutUint16(b[4*i+2:], uint16(clip(right)))
}

func clip(v float64) int16 { return int16(math.Round(max(-32768, min(32767, v)))) }

func at(b []byte, i int) (left, right float64) {
	return float64(int16(binary.LittleEndian.Uint16(b[4*i:]))), float64(int16(binary.LittleEndian.Uint16(b[4*i+2:])))
}

// louder changes the level, with triangular dither of ±1 if it is wanted.
func louder(b []byte, db float64, dither bool) []byte {
	out := make([]byte, len(b))
	rng := rand.New(rand.NewPCG(5, 5))
	noise := func() float64 {
		if !dither {
			return 0
		}
		return rng.Float64() - rng.Float64()
	}
	g := math.Pow(10, db/20)
	for i := range len(b) / cdda.SampleBytes {
		l, r := at(b, i)
		put(out, i, g*l+noise(), g*r+noise())
	}
	return out
}

// recordings are three of lengths that fill no sector exactly.
func recordings() [][]byte {
	return [][]byte{music(1, 20*second+17), music(2, 15*second+400), music(3, 12*second+1)}
}

// burned is a disc as it was burned, before a drive shifts it.
type burned struct {
	pcm    []byte
	tracks []cdda.Track
}

// burn puts each recording into a track of its own, padded to whole sectors, with
// gaps of so many sectors between them.
func burn(recordings [][]byte, gap int) burned {
	var d burned
	for i, r := range recordings {
		if i > 0 {
			d.pcm = append(d.pcm, make([]byte, gap*cdda.SectorBytes)...)
		}
		d.tracks = append(d.tracks, cdda.Track{Number: i + 1, LBA: int64(len(d.pcm) / cdda.SectorBytes)})
		d.pcm = append(d.pcm, r...)
		if n := len(d.pcm) % cdda.SectorBytes; n > 0 {
			d.pcm = append(d.pcm, make([]byte, cdda.SectorBytes-n)...)
		}
	}
	return d
}

// read is what a drive of an offset gives: sample i is the burned sample i+offset.
// What it can't read is filled with something that isn't silence.
func (d burned) read(offset int) cdda.Disc {
	pcm := bytes.Repeat([]byte{0x55}, len(d.pcm))
	if n := offset * cdda.SampleBytes; n >= 0 {
		copy(pcm, d.pcm[n:])
	} else {
		copy(pcm[-n:], d.pcm)
	}
	return cdda.Disc{PCM: bytes.NewReader(pcm), Sectors: int64(len(pcm) / cdda.SectorBytes), Tracks: d.tracks}
}

func sources(recordings ...[]byte) []cdda.Source {
	var s []cdda.Source
	for i, r := range recordings {
		s = append(s, cdda.Source{Name: string(rune('a' + i)), PCM: bytes.NewReader(r), Samples: int64(len(r) / cdda.SampleBytes)})
	}
	return s
}

func compare(t testing.TB, d cdda.Disc, s []cdda.Source, o cdda.Options) cdda.Result {
	t.Helper()
	r, err := cdda.Compare(t.Context(), d, s, o)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Sources) != len(s) {
		t.Fatalf("%d of %d sources are judged", len(r.Sources), len(s))
	}
	return r
}

// verdicts are the whole's and each source's.
func verdicts(r cdda.Result) string {
	s := string(r.Verdict) + ":"
	for _, h := range r.Sources {
		s += " " + string(h.Verdict)
	}
	return s
}
