package burned_test

import (
	"slices"
	"testing"

	"firmus/fixity"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
)

// TestADiscThatSkipsIsNeverADriveThatLostItsPlace: what comes the same when it is read
// again is the disc's own.
func TestADiscThatSkipsIsNeverADriveThatLostItsPlace(t *testing.T) {
	rec := recordings()
	const from, lost = 900 * cdda.SectorSamples * cdda.SampleBytes, 40 * cdda.SampleBytes
	skipped := slices.Concat(rec[0][:from], rec[0][from+lost:])
	t.Run("the disc", func(t *testing.T) {
		d := insert(t, burn(150, skipped, rec[1], rec[2]).drive(0))
		r := holdSound(t.Context(), t, d, burned.Want{Files: sounds(rec...)}, soundOptions())
		h := r.Files[0]
		if r.Verdict != fixity.DiscAltered || h.State != fixity.Altered || h.Cause != burned.CauseSkips || len(h.Breaks) == 0 || h.Breaks[0].LeftOut != 40 || h.Breaks[0].LBA != 900 {
			t.Errorf("%q, %+v", told(r), h.Breaks)
		}
		if r.Files[1].State != fixity.Intact || r.Files[2].State != fixity.Intact {
			t.Errorf("%q", told(r))
		}
	})
	t.Run("the drive", func(t *testing.T) {
		good, bad := burn(150, rec...), burn(150, skipped, rec[1], rec[2])
		sim := good.drive(0)
		// The first time the drive goes through the disc it comes back to its place only
		// after some seconds.
		seen := map[int64]bool{}
		disc := &mmctest.Disc{Tracks: good.tracks, LeadOut: good.sectors(), Status: mmc.Complete, Content: func(lba int64, b []byte) {
			from := good
			if lba >= 900 && lba < 1300 && !seen[lba] {
				from = bad
			}
			seen[lba] = true
			copy(b, from.pcm[lba*cdda.SectorBytes:])
		}}
		sim.Insert(disc)
		r := holdSound(t.Context(), t, insert(t, sim), burned.Want{Files: sounds(rec...)}, soundOptions())
		if r.Verdict == fixity.DiscAltered || r.Verdict == fixity.DiscIntact {
			t.Errorf("%q, %+v", told(r), r.Sound.Slips)
		}
	})
}

// TestTheMissingTrackIsNamed: the others stay intact.
func TestTheMissingTrackIsNamed(t *testing.T) {
	rec := recordings()
	d := insert(t, burn(150, rec[0], rec[2]).drive(30))
	r := holdSound(t.Context(), t, d, burned.Want{Files: sounds(rec...)}, soundOptions())
	if r.Verdict != fixity.DiscMissing || r.Files[0].State != fixity.Intact || r.Files[1].State != fixity.Missing || r.Files[2].State != fixity.Intact {
		t.Errorf("%q", told(r))
	}
}
