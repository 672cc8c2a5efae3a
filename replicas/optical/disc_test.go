package optical_test

import (
	"bytes"
	"errors"
	"testing"
	"testing/synctest"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
	"firmus/replicas/testing/mmctest"
)

func TestContents(t *testing.T) {
	dvd := dataDisc(5000)
	dvd.Profile = mmc.DVDR
	borders := &mmctest.Disc{
		Profile: mmc.DVDR, Status: mmc.Appendable, LeadOut: 9000, LeadOuts: []int64{2000, 9000},
		Tracks: []mmctest.Track{{Number: 1, Data: true}, {Number: 2, Session: 2, LBA: 6000, Data: true}}, Content: dataContent("ONE", 1000),
	}
	mixed := &mmctest.Disc{
		Tracks: []mmctest.Track{{Number: 1, Data: true}, {Number: 2, LBA: 1000}}, LeadOut: 1800, Content: dataContent("BOTH", 800), Status: mmc.Complete,
	}
	hidden := audioDisc(900)
	hidden.Tracks[0].LBA = 200
	short := dataDisc(500)
	short.Content = dataContent("SHORT", 700)
	none := dataDisc(500)
	none.Content = fill
	for _, tc := range []struct {
		name     string
		disc     *mmctest.Disc
		answers  mmctest.Answers
		kind     optical.Kind
		medium   string
		label    string
		tracks   []int64 // sectors of each
		areas    []optical.Range
		sessions int
		problems []error
	}{
		{"audio", audioDisc(900), mmctest.ByteTwo, optical.Audio, "CD-R", "", []int64{300, 300, 300}, []optical.Range{{LBA: 0, Count: 300}, {LBA: 300, Count: 300}, {LBA: 600, Count: 300}}, 1, nil},
		{"audio, sound before track 1", hidden, mmctest.ByteNine, optical.Audio, "CD-R", "", []int64{100, 300, 300}, []optical.Range{{LBA: 0, Count: 300}, {LBA: 300, Count: 300}, {LBA: 600, Count: 300}}, 1, nil},
		{"data", dataDisc(500), mmctest.ByteTwo, optical.Data, "CD-R", "QD_0031", []int64{500}, []optical.Range{{Count: 500}}, 1, nil},
		{"data without a file system", none, mmctest.ByteTwo, optical.Data, "CD-R", "", []int64{500}, []optical.Range{{Count: 500}}, 1, nil},
		{"shorter than its file system", short, mmctest.ByteTwo, optical.Data, "CD-R", "SHORT", []int64{500}, []optical.Range{{Count: 500}}, 1, []error{optical.ErrShorter}},
		{"two sessions", twoSessions(), mmctest.ByteTwo, optical.Mixed, "CD-R", "QUILLMERE", []int64{600, 400, 500}, []optical.Range{{Count: 600}, {LBA: 600, Count: 400}, {LBA: 12400, Count: 500}}, 2, nil},
		{"two sessions that the drive doesn't tell of", twoSessions(), mmctest.NoSessions, optical.Mixed, "CD-R", "QUILLMERE", []int64{600, 400, 500}, []optical.Range{{Count: 600}, {LBA: 600, Count: 400}, {LBA: 12400, Count: 500}}, 0, []error{optical.ErrSessions}},
		{"data and sound in one session", mixed, mmctest.ByteTwo, optical.Mixed, "CD-R", "BOTH", []int64{850, 800}, []optical.Range{{Count: 850}, {LBA: 1000, Count: 800}}, 1, nil},
		{"DVD", dvd, mmctest.ByteTwo, optical.Data, "DVD-R", "QD_0031", []int64{5000}, []optical.Range{{Count: 5000}}, 1, nil},
		{"DVD with two borders, not closed", borders, mmctest.ByteTwo, optical.Data, "DVD-R", "", []int64{2000, 3000}, []optical.Range{{Count: 2000}, {LBA: 6000, Count: 3000}}, 2, []error{optical.ErrNotClosed}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sim := drive(tc.disc)
			sim.Answers = tc.answers
			c := open(t, sim).Contents()
			var tracks []int64
			for _, tr := range c.Tracks {
				tracks = append(tracks, tr.Sectors)
			}
			var areas []optical.Range
			for _, a := range c.Areas() {
				areas = append(areas, optical.Range{LBA: a.LBA, Count: a.Count})
			}
			if c.Kind != tc.kind || c.Medium != tc.medium || c.Label != tc.label || len(c.Sessions) != tc.sessions || c.LeadOut != tc.disc.LeadOut {
				t.Errorf("%+v", c)
			}
			if diff := cmp.Diff(tc.tracks, tracks); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(tc.areas, areas); diff != "" {
				t.Error(diff)
			}
			if len(c.Problems) != len(tc.problems) {
				t.Fatalf("problems %v, want %v", c.Problems, tc.problems)
			}
			for i, p := range tc.problems {
				if !errors.Is(c.Problems[i], p) {
					t.Errorf("problem %v, want %v", c.Problems[i], p)
				}
			}
			if c.Drive != "QUILLM SIMULATED DRIVE 1.07" {
				t.Error(c.Drive)
			}
		})
	}
}

func TestContentsWords(t *testing.T) {
	disc := audioDisc(900)
	c := open(t, drive(disc)).Contents()
	if c.MCN != "0012345678905" || c.Tracks[0].ISRC != "XXQVS5800107" || c.Tracks[1].ISRC != "" || c.Text != nil {
		t.Errorf("%+v", c)
	}
	other := audioDisc(900)
	other.MCN = ""
	if o := open(t, drive(other)).Contents(); o.ID() != c.ID() || len(c.ID()) != 64 {
		t.Error("the ID rests on more than the table of contents")
	}
	other.Tracks[1].LBA++
	if o := open(t, drive(other)).Contents(); o.ID() == c.ID() {
		t.Error("the ID doesn't rest on the table of contents")
	}
	if tr, ok := c.TrackAt(599); !ok || tr.Number != 2 {
		t.Error(tr, ok)
	}
	if _, ok := c.TrackAt(900); ok {
		t.Error("a track behind the lead-out")
	}
}

func TestOpenFails(t *testing.T) {
	toc := scsi.Sense{Key: scsi.MediumError, ASC: 0x57}
	for _, tc := range []struct {
		name string
		set  func(*mmctest.Drive)
		want error
		not  error
	}{
		{"no disc", func(d *mmctest.Drive) {}, optical.ErrNoDisc, optical.ErrTrayOpen},
		{"tray open", func(d *mmctest.Drive) { d.Eject() }, optical.ErrTrayOpen, optical.ErrNoDisc},
		{"never ready", func(d *mmctest.Drive) { d.Insert(dataDisc(10)); d.SpinUp(1000) }, optical.ErrNotReady, fixity.ErrAway},
		{"blank", func(d *mmctest.Drive) { d.Insert(&mmctest.Disc{}) }, optical.ErrBlank, fixity.ErrUnreadable},
		{"half erased", func(d *mmctest.Drive) {
			d.Insert(&mmctest.Disc{Profile: mmc.CDRW, Status: mmc.Otherwise, Erasable: true, NoTOC: toc})
		}, optical.ErrHalfErased, optical.ErrBlank},
		{"no table of contents", func(d *mmctest.Drive) { d.Insert(&mmctest.Disc{Status: mmc.Complete, NoTOC: toc}) }, optical.ErrNoTOC, optical.ErrHalfErased},
		{"table that makes no sense", func(d *mmctest.Drive) { d.Insert(dataDisc(10)); d.Answers = mmctest.Nonsense }, optical.ErrNoTOC, fixity.ErrAway},
		{"incompatible", func(d *mmctest.Drive) { d.Attend(scsi.Sense{Key: scsi.NotReady, ASC: 0x30, ASCQ: 1}) }, optical.ErrFormat, optical.ErrNoDisc},
		{"unplugged", func(d *mmctest.Drive) { d.Unplug() }, fixity.ErrAway, optical.ErrNoDisc},
		{"unplugged while it is looked at", func(d *mmctest.Drive) {
			d.Insert(audioDisc(900))
			d.Before = func(n int, _ []byte) {
				if n == 6 {
					d.Unplug()
				}
			}
		}, fixity.ErrAway, optical.ErrNoTOC},
		{"busy", func(d *mmctest.Drive) { d.Insert(dataDisc(10)); d.Busy(1000) }, fixity.ErrBusy, fixity.ErrAway},
		{"too large", func(d *mmctest.Drive) {
			disc := dataDisc(10)
			disc.Profile, disc.Capacity = mmc.BDR, 62_500_000
			d.Insert(disc)
		}, optical.ErrTooLarge, fixity.ErrAway},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				sim := drive(nil)
				tc.set(sim)
				d, err := optical.NewDrive(t.Context(), sim, nil)
				if d != nil || !errors.Is(err, tc.want) || errors.Is(err, tc.not) {
					t.Errorf("got %v, want %v", err, tc.want)
				}
			})
		})
	}
}

func TestReader(t *testing.T) {
	disc := dataDisc(400)
	disc.Content = fill
	disc.Faults[100] = &mmctest.Fault{}
	disc.Faults[200] = &mmctest.Fault{Fails: 2}
	sim := drive(disc)
	r := open(t, sim).Data(t.Context())
	if r.Size() != 400*sector.Data {
		t.Error(r.Size())
	}
	whole := rows(0, 400, sector.Data)
	for _, tc := range []struct {
		name     string
		off, n   int64
		want     int64
		readable bool
	}{
		{"from the beginning", 0, 5000, 5000, true},
		{"one byte", 2047, 1, 1, true},
		{"many batches", 210*2048 + 7, 100 * 2048, 100 * 2048, true},
		{"up to a bad sector", 90*2048 + 1, 40 * 2048, 10*2048 - 1, false},
		{"behind it", 101 * 2048, 4096, 4096, true},
		{"one that reads later", 199 * 2048, 4096, 4096, true},
		{"the end", 399 * 2048, 4096, 2048, true},
		{"behind the end", 400 * 2048, 10, 0, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := make([]byte, tc.n)
			n, err := r.ReadAt(b, tc.off)
			if int64(n) != tc.want || !bytes.Equal(b[:n], whole[min(tc.off, int64(len(whole))):][:n]) {
				t.Errorf("%d bytes, %v", n, err)
			}
			if errors.Is(err, fixity.ErrUnreadable) == tc.readable || int64(n) == tc.n && err != nil {
				t.Error(err)
			}
		})
	}
	before := sim.Sent(0x28)
	for i := range int64(2048) {
		if _, err := r.ReadAt(make([]byte, 1), 300*2048+i); err != nil {
			t.Fatal(err)
		}
	}
	if n := sim.Sent(0x28) - before; n > 2 {
		t.Errorf("%d commands for one sector", n)
	}
	if _, err := r.ReadAt(make([]byte, 1), -1); err == nil {
		t.Error("before the beginning")
	}
}

func TestReaderAudio(t *testing.T) {
	sim := drive(audioDisc(300))
	sim.Offset = 30
	r := open(t, sim).Audio(t.Context())
	b := make([]byte, 50*sector.Raw)
	if _, err := r.ReadAt(b, 100*sector.Raw); err != nil || !bytes.Equal(b, rows(100, 51, sector.Raw)[120:][:len(b)]) {
		t.Error(err)
	}
}
