package burned_test

import (
	"bytes"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
)

// One wrong reading isn't damage: what a drive without error flags gives once only is in
// doubt, what it gives again is altered.
func TestReadAgain(t *testing.T) {
	pcm := piece(1, 1200)
	for _, tc := range []struct {
		name    string
		doubt   *mmctest.Doubt
		verdict fixity.DiscVerdict
	}{
		{"once", &mmctest.Doubt{Bytes: []int{100, 101}, Times: 1}, fixity.DiscUnreadable},
		{"otherwise each time", &mmctest.Doubt{Bytes: []int{100, 101}}, fixity.DiscUnreadable},
		{"the same again", nil, fixity.DiscAltered},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sim := &mmctest.Drive{Offset: 30}
			doubts := map[int64]*mmctest.Doubt{}
			disc := bytes.Clone(pcm)
			if tc.doubt != nil {
				doubts[700] = tc.doubt
			} else {
				disc[700*cdda.SectorBytes+1000] ^= 1
			}
			sim.Insert(&mmctest.Disc{Tracks: []mmctest.Track{{Number: 1}}, LeadOut: 1200, Status: mmc.Complete, Doubts: doubts,
				Content: func(lba int64, b []byte) { copy(b, disc[lba*cdda.SectorBytes:]) }})
			d, err := optical.NewDrive(t.Context(), sim, nil)
			if err != nil {
				t.Fatal(err)
			}
			defer d.Close()
			r, err := burned.Check(t.Context(), d, burned.Want{Kind: optical.Audio, Files: sources(pcm)}, burned.Options{Now: time.Now,
				Spool: func(n int64) (burned.Spool, error) { return make(kept, n), nil }})
			if err != nil {
				t.Fatal(err)
			}
			all := append(r.Unreadable, r.Differing...)
			if r.Verdict != tc.verdict || len(all) != 1 || all[0].LBA != 700 || all[0].Count != 1 || all[0].Doubtful != (tc.verdict == fixity.DiscUnreadable) {
				t.Errorf("%s, %+v", r.Verdict, all)
			}
		})
	}
}

type kept []byte

func (k kept) ReadAt(p []byte, off int64) (int, error)  { return copy(p, k[off:]), nil }
func (k kept) WriteAt(p []byte, off int64) (int, error) { return copy(k[off:], p), nil }
func (k kept) Close() error                             { return nil }
