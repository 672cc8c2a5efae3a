package burned_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
)

// music is so many samples of a made-up recording: filtered noise of two channels
// that swells, over a low tone. The seed tells recordings apart.
func music(seed uint64, samples int) []byte {
	b := make([]byte, samples*cdda.SampleBytes)
	rng := rand.New(rand.NewPCG(seed, 107))
	var x, y float64
	for i := range samples {
		u := rng.Uint64()
		x = 0.90*x + 0.10*float64(int16(u))
		y = 0.80*y + 0.20*float64(int16(u>>16))
		swell := 0.4 + 0.3*math.Sin(float64(i)/30_000)
		hum := 500 * math.Sin(2*math.Pi*50*float64(i)/cdda.Rate)
		binary.LittleEndian.PutUint16(b[4*i:], uint16(int16(swell*x+hum)))
		binary.LittleEndian.PutUint16(b[4*i+2:], uint16(int16(swell*(x+y)/2+hum)))
	}
	return b
}

// louder changes the level.
func louder(b []byte, db float64) []byte {
	out := make([]byte, len(b))
	g := math.Pow(10, db/20)
	for i := 0; i < len(b); i += 2 {
		v := g * float64(int16(binary.LittleEndian.Uint16(b[i:])))
		binary.LittleEndian.PutUint16(out[i:], uint16(int16(math.Round(max(-32768, min(32767, v))))))
	}
	return out
}

// recordings are three of lengths that fill no sector exactly: without gaps their
// tracks begin at 0, 1501 and 2627, and the disc ends at 3528. others are as long.
var (
	recordings = sync.OnceValue(func() [][]byte { return threeOf(1) })
	others     = sync.OnceValue(func() [][]byte { return threeOf(11) })
)

func threeOf(seed uint64) [][]byte {
	return [][]byte{music(seed, 20*cdda.Rate+17), music(seed+1, 15*cdda.Rate+400), music(seed+2, 12*cdda.Rate+1)}
}

func silent() (list [][]byte) {
	for _, r := range recordings() {
		list = append(list, make([]byte, len(r)))
	}
	return list
}

// compact is a disc of sound as it was burned.
type compact struct {
	pcm    []byte
	tracks []mmctest.Track
	faults map[int64]*mmctest.Fault
	doubts map[int64]*mmctest.Doubt
}

// burn puts each recording into a track of its own, padded to whole sectors, with
// gaps of so many sectors between them.
func burn(gap int, list ...[]byte) *compact {
	c := &compact{faults: map[int64]*mmctest.Fault{}, doubts: map[int64]*mmctest.Doubt{}}
	for i, r := range list {
		if i > 0 {
			c.pcm = append(c.pcm, make([]byte, gap*cdda.SectorBytes)...)
		}
		c.tracks = append(c.tracks, mmctest.Track{Number: i + 1, LBA: c.sectors()})
		c.pcm = append(c.pcm, r...)
		if n := len(c.pcm) % cdda.SectorBytes; n > 0 {
			c.pcm = append(c.pcm, make([]byte, cdda.SectorBytes-n)...)
		}
	}
	return c
}

func (c *compact) sectors() int64 { return int64(len(c.pcm) / cdda.SectorBytes) }

// alter changes one sample in the middle of sectors.
func (c *compact) alter(lba, count int64) {
	for i := lba; i < lba+count; i++ {
		c.pcm[i*cdda.SectorBytes+cdda.SectorBytes/2] ^= 0x40
	}
}

func (c *compact) fail(lba, count int64) {
	for i := lba; i < lba+count; i++ {
		c.faults[i] = &mmctest.Fault{}
	}
}

// drive is a simulated drive with the disc in it.
func (c *compact) drive(offset int) *mmctest.Drive {
	sim := &mmctest.Drive{Offset: offset, Flags: mmctest.Honest}
	sim.Insert(&mmctest.Disc{
		Tracks: c.tracks, LeadOut: c.sectors(), Status: mmc.Complete, Faults: c.faults, Doubts: c.doubts,
		Content: func(lba int64, b []byte) { copy(b, c.pcm[lba*cdda.SectorBytes:]) },
	})
	return sim
}

func insert(t testing.TB, sim *mmctest.Drive) *optical.Disc {
	t.Helper()
	d, err := optical.NewDrive(t.Context(), sim, nil)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// memory is a spool.
type memory struct {
	b      []byte
	closed bool
}

func (m *memory) ReadAt(p []byte, off int64) (int, error) { return bytes.NewReader(m.b).ReadAt(p, off) }
func (m *memory) WriteAt(p []byte, off int64) (int, error) {
	if off+int64(len(p)) > int64(len(m.b)) {
		return 0, fmt.Errorf("%d bytes at %d are more than was asked for", len(p), off)
	}
	return copy(m.b[off:], p), nil
}
func (m *memory) Close() error { m.closed = true; return nil }

// soundOptions are a check's, with a spool in memory.
func soundOptions() burned.Options {
	return burned.Options{Now: time.Now, Spool: func(n int64) (burned.Spool, error) { return &memory{b: make([]byte, n)}, nil }}
}

// sounds are the files of a disc with their sources within reach.
func sounds(list ...[]byte) (files []burned.File) {
	for i, r := range list {
		n := int64(len(r) / cdda.SampleBytes)
		files = append(files, burned.File{
			Name: fmt.Sprintf("QV-0107/%c.wav", 'a'+i), Size: -1, Samples: n,
			Sound: &cdda.Source{PCM: bytes.NewReader(r), Samples: n},
		})
	}
	return files
}

func holdSound(ctx context.Context, t testing.TB, d *optical.Disc, w burned.Want, o burned.Options) burned.Result {
	t.Helper()
	r, err := burned.Check(ctx, d, w, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// told is what a report says of a disc of sound, line by line.
func told(r burned.Result) []string {
	list := []string{string(r.Verdict)}
	for _, h := range r.Files {
		s := fmt.Sprintf("%s %s track %d at %d", h.Name, h.State, h.Track, h.LBA)
		if h.Cause != "" {
			s += " " + h.Cause
		}
		list = append(list, s)
	}
	rows := func(what string, rows []burned.Sectors) {
		for _, x := range rows {
			s := fmt.Sprintf("%s %d+%d track %d %s", what, x.LBA, x.Count, x.Track, x.Time)
			if x.Doubtful {
				s += " doubtful"
			}
			if x.Muted {
				s += " muted"
			}
			list = append(list, s)
		}
	}
	rows("unreadable", r.Unreadable)
	rows("differing", r.Differing)
	return list
}

// squeezed is text as a baseline is packed.
func squeezed(t testing.TB, text string) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	if _, err := z.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
