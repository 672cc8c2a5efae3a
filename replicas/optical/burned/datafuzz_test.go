package burned_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/mmctest"
)

// A disc can be held against whatever is taken for a baseline.
func FuzzDataBaseline(f *testing.F) {
	small := map[string][]byte{notes: survey()[notes], sideB: survey()[sideB]}
	im := volume{files: small, rockRidge: true}.press()
	sums := expected(small)
	good := fmt.Sprintf(`{"path":"UVYtMDEwNy9ub3Rlcy50eHQ=","size":1500,"blake3":%q,"blocks":[%d]}`, sums[1].Digests[0].Sum, sums[1].Blocks[0])
	for _, s := range []string{
		good, good + "," + good, `{"path":"UVYtMDEwNy9ub3Rlcy50eHQ=","size":1500,"blocks":[0],"unread":[0]}`,
		`{"path":"","size":0}`, `{"path":"Ly4uLy4uLw==","size":1}`, `{"path":"/w==","size":70368744177664}`,
		`{"path":"UVYtMDEwNy9RVi0wMTA3X0Iud2F2","size":200000,"blocks":[1,2,3,4],"unread":[1,3]}`, "", "{}", "null",
	} {
		f.Add(s, int16(0))
		f.Add(s, int16(60))
	}
	f.Fuzz(func(t *testing.T, files string, cut int16) {
		var b burned.Baseline
		if err := b.UnmarshalBinary(squeezed(t, `{"version":1,"files":[`+files+`]}`)); err != nil {
			if !errors.Is(err, burned.ErrBaseline) {
				t.Error(err)
			}
			return
		}
		d := im.image(t, min(max(0, int64(cut)), int64(len(im.b)/discfs.SectorSize)))
		r, err := burned.Check(t.Context(), d, burned.Want{Baseline: &b}, spoolless())
		if err != nil || r.Verdict == "" {
			t.Fatalf("%q, %v", r.Verdict, err)
		}
		if r.Verdict != fixity.DiscBaseline && len(r.Files) != len(b.Files) {
			t.Errorf("%s of %d files, not %d", r.Verdict, len(r.Files), len(b.Files))
		}
		for _, h := range r.Files {
			for _, x := range h.Ranges {
				if x.Offset < 0 || x.Length <= 0 {
					t.Errorf("range %+v", x)
				}
			}
		}
	})
}

// Of a check that stalled the files that were read are told, and the disc isn't asked
// for what was put off.
func TestDataStalled(t *testing.T) {
	disc := func() *mmctest.Disc {
		x := volume{files: survey(), rockRidge: true}.press().disc()
		for lba := int64(180); lba < 220; lba++ {
			x.Faults[lba] = &mmctest.Fault{Slow: 20 * time.Second}
		}
		return x
	}
	o := soundOptions()
	inDrive(t, "stalled", disc, burned.Want{Files: expected(survey())}, o, func(t *testing.T, r burned.Result, err error) {
		if !errors.Is(err, optical.ErrStalled) || r.Verdict != "" || r.Check.Map.Done() {
			t.Fatalf("%q, %v", r.Verdict, err)
		}
		var got []string
		for _, h := range r.Files {
			got = append(got, h.Name+" "+string(h.State))
		}
		if diff := cmp.Diff([]string{sideA + " intact", sideB + " unreadable", notes + " intact", other + " intact"}, got); diff != "" {
			t.Errorf("%s%v", diff, r.Problems)
		}
	})
}

// Lists end at their bounds, what they count doesn't.
func TestDataBounds(t *testing.T) {
	const sectors = 2*burned.MaxRuns + 20
	files := map[string][]byte{sideA: make([]byte, sectors*discfs.SectorSize)}
	p := volume{files: files, rockRidge: true}.press()
	disc := func() *mmctest.Disc {
		x := p.disc()
		for i := int64(0); i < sectors; i += 2 {
			x.Faults[p.lba[sideA]+i] = &mmctest.Fault{}
		}
		return x
	}
	inDrive(t, "every second sector", disc, burned.Want{Files: expected(files)}, soundOptions(), func(t *testing.T, r burned.Result, err error) {
		if err != nil {
			t.Fatal(err)
		}
		h := r.Files[0]
		if r.UnreadableAll != sectors/2 || len(r.Unreadable) != burned.MaxRuns || len(h.Ranges) != fixity.MaxRanges || !h.More || h.State != fixity.Unreadable {
			t.Errorf("%d sectors in %d rows, %s, %d ranges, more: %v", r.UnreadableAll, len(r.Unreadable), h.State, len(h.Ranges), h.More)
		}
	})
}
