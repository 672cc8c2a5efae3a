package burned_test

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
)

// full is a disc of 74 minutes in sectors.
const full = 74 * 60 * cdda.SectorsASec

// noise4 is noise of 4 MiB.
var noise4 = sync.OnceValue(func() []byte {
	b := make([]byte, 4<<20)
	_, _ = rand.NewChaCha8([32]byte{107}).Read(b)
	return b
})

// endless is that noise over and over: it comes again after 23 s, much farther off than
// a drive's offset is looked for.
type endless struct{ shift, size int64 }

func (e endless) ReadAt(p []byte, off int64) (int, error) {
	noise := noise4()
	p = p[:min(int64(len(p)), e.size-off)]
	n := 0
	for n < len(p) {
		n += copy(p[n:], noise[(off+int64(n)+e.shift*cdda.SampleBytes)%int64(len(noise)):])
	}
	return n, nil
}

// BenchmarkAudio holds a disc of 74 minutes against its source in memory, where a
// drive of an offset has read it. In the same run: that the source's bytes are equal to
// others in memory, which is as much as must be looked at; and that all of the image is
// read, as it is for every check. What comparing takes is the check without reading.
func BenchmarkAudio(b *testing.B) {
	const size = full * cdda.SectorBytes
	source := make([]byte, size)
	if _, err := (endless{size: size}).ReadAt(source, 0); err != nil {
		b.Fatal(err)
	}
	disc := make([]byte, size)
	copy(disc, source[667*cdda.SampleBytes:])
	dir := b.TempDir()
	for name, p := range map[string][]byte{"disc.bin": disc, "disc.cue": []byte("FILE disc.bin BINARY\nTRACK 01 AUDIO\nINDEX 01 00:00:00\n")} {
		if err := os.WriteFile(filepath.Join(dir, name), p, 0o600); err != nil {
			b.Fatal(err)
		}
	}
	d, err := optical.OpenImage(b.Context(), filepath.Join(dir, "disc.cue"))
	if err != nil {
		b.Fatal(err)
	}
	defer d.Close()
	per := func(b *testing.B, f func()) {
		b.SetBytes(size)
		b.ReportAllocs()
		begin, n := time.Now(), 0
		for b.Loop() {
			f()
			n++
		}
		b.ReportMetric(time.Since(begin).Seconds()/float64(n), "s/disc")
	}
	b.Run("baseline=bytes.Equal", func(b *testing.B) {
		same := bytes.Clone(source)
		per(b, func() {
			if !bytes.Equal(source, same) {
				b.Fatal("they differ")
			}
		})
	})
	b.Run("reading alone", func(b *testing.B) {
		per(b, func() {
			if _, err := d.Check(b.Context(), optical.CheckOptions{Now: time.Now, Audio: nowhere{}}); err != nil {
				b.Fatal(err)
			}
		})
	})
	of := func(pcm []byte) []burned.File {
		return []burned.File{{Name: "QV-0107", Sound: &cdda.Source{PCM: bytes.NewReader(pcm), Samples: full * cdda.SectorSamples}}}
	}
	base := holdSound(b.Context(), b, d, burned.Want{Kind: optical.Audio}, soundOptions()).Baseline
	for _, w := range []struct {
		name    string
		want    burned.Want
		verdict burned.Verdict
	}{
		{"intact", burned.Want{Kind: optical.Audio, Files: of(source)}, "intact"},
		{"first reading", burned.Want{Kind: optical.Audio}, "baseline"},
		{"second reading", burned.Want{Kind: optical.Audio, Baseline: base}, "intact"},
	} {
		b.Run(w.name, func(b *testing.B) {
			per(b, func() {
				if r := holdSound(b.Context(), b, d, w.want, soundOptions()); r.Verdict != w.verdict {
					b.Fatal(told(r))
				}
			})
		})
	}
	b.Run("comparing alone", func(b *testing.B) {
		x := cdda.Disc{PCM: bytes.NewReader(disc), Sectors: full, Tracks: []cdda.Track{{Number: 1}}}
		per(b, func() {
			if r, err := cdda.Compare(b.Context(), x, []cdda.Source{*of(source)[0].Sound}, cdda.Options{}); err != nil || r.Verdict != cdda.Identical {
				b.Fatal(r.Verdict, err)
			}
		})
	})
}

type nowhere struct{}

func (nowhere) WriteAt(p []byte, _ int64) (int, error) { return len(p), nil }

// remade is a spool that keeps nothing: what a check reads from it is made anew, as
// the drive gave it. So only what the check itself holds is counted.
type remade struct{ endless }

func (remade) WriteAt(p []byte, _ int64) (int, error) { return len(p), nil }
func (remade) Close() error                           { return nil }

// TestAudioMemory checks a disc of 74 minutes that is in a bad way, with its source,
// for the first time, and again, and watches the heap.
func TestAudioMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	const limit = 64 << 20
	const size = full * cdda.SectorBytes
	noise4() // counts as the disc's and the source's
	content := endless{shift: 667, size: size}
	disc := &mmctest.Disc{
		Tracks: []mmctest.Track{{Number: 1}}, LeadOut: full, Status: mmc.Complete, Faults: map[int64]*mmctest.Fault{},
		Content: func(lba int64, b []byte) { _, _ = content.ReadAt(b, lba*cdda.SectorBytes) },
	}
	for s := int64(1000); s < full; s += 400 {
		disc.Faults[s] = &mmctest.Fault{}
	}
	sim := &mmctest.Drive{}
	sim.Insert(disc)
	d := insert(t, sim)
	o := burned.Options{Now: time.Now, Spool: func(int64) (burned.Spool, error) { return remade{content}, nil }}
	source := &cdda.Source{PCM: endless{size: size + 1000*cdda.SampleBytes}, Samples: full * cdda.SectorSamples}
	var base *burned.Baseline
	for _, tc := range []struct {
		name string
		want func() burned.Want
	}{
		{"against its source", func() burned.Want {
			return burned.Want{Kind: optical.Audio, Files: []burned.File{{Name: "QV-0107", Sound: source}}}
		}},
		{"first reading", func() burned.Want { return burned.Want{Kind: optical.Audio} }},
		{"second reading", func() burned.Want { return burned.Want{Kind: optical.Audio, Baseline: base} }},
	} {
		ok := t.Run(tc.name, func(t *testing.T) {
			var most uint64
			r := watched(t.Context(), &most, func() burned.Result { return holdSound(t.Context(), t, d, tc.want(), o) })
			if r.Verdict != "unreadable" || r.UnreadableAll != int64(len(disc.Faults)) || len(r.Differing) > 0 {
				t.Errorf("%s, %d unreadable, %d differ", r.Verdict, r.UnreadableAll, r.DifferingAll)
			}
			base = r.Baseline
			t.Logf("%.1f MiB", float64(most)/(1<<20))
			if most > limit {
				t.Errorf("the heap grew by %d bytes", most)
			}
		})
		if !ok {
			return
		}
	}
}

// watched calls f and gives by how much the heap grew at most.
func watched(ctx context.Context, most *uint64, f func() burned.Result) burned.Result {
	// What other tests keep would let garbage pile up; asked is what the check holds.
	defer debug.SetGCPercent(debug.SetGCPercent(20))
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	before := m.HeapAlloc
	ctx, stop := context.WithCancel(ctx)
	var peak atomic.Uint64
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			peak.Store(max(peak.Load(), m.HeapAlloc))
			time.Sleep(20 * time.Millisecond)
		}
	}()
	r := f()
	stop()
	<-done
	*most = max(peak.Load(), before) - before
	return r
}

var (
	_ io.ReaderAt  = endless{}
	_ burned.Spool = remade{}
)
