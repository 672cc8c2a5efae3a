package cdda_test

import (
	"bytes"
	"testing"

	"firmus/replicas/optical/cdda"
)

// BenchmarkCompare compares a disc of 74 minutes that is in memory (783 MB, and as
// much again for its source), read by a drive of an offset. The baseline is that
// the two are equal, without an offset and without reading them through anything.
func BenchmarkCompare(b *testing.B) {
	const sectors = 74 * 60 * cdda.SectorsASec
	const size = sectors * cdda.SectorBytes
	source := make([]byte, size)
	if _, err := (endless{size: size}).ReadAt(source, 0); err != nil {
		b.Fatal(err)
	}
	disc := make([]byte, size)
	copy(disc, source[667*cdda.SampleBytes:])
	b.Run("baseline=bytes.Equal", func(b *testing.B) {
		same := bytes.Clone(source)
		b.SetBytes(size)
		for b.Loop() {
			if !bytes.Equal(source, same) {
				b.Fatal("they differ")
			}
		}
	})
	d := cdda.Disc{PCM: bytes.NewReader(disc), Sectors: sectors, Tracks: []cdda.Track{{Number: 1}}}
	s := []cdda.Source{{Name: "a", PCM: bytes.NewReader(source), Samples: sectors * cdda.SectorSamples}}
	run := func(b *testing.B, want cdda.Verdict) {
		b.SetBytes(size)
		b.ReportAllocs()
		for b.Loop() {
			if r := compare(b, d, s, cdda.Options{}); r.Verdict != want || r.Offset != 667 {
				b.Fatal(verdicts(r))
			}
		}
	}
	b.Run("identical", func(b *testing.B) { run(b, cdda.Identical) })
	for lba := 100; lba < sectors; lba += 1000 {
		disc[lba*cdda.SectorBytes] ^= 1
	}
	b.Run("one sector in a thousand differs", func(b *testing.B) { run(b, cdda.Differs) })
}
