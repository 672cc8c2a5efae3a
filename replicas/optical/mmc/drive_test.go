package mmc_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
	"firmus/replicas/testing/mmctest"
)

// fill makes bytes that differ from sector to sector.
func fill(lba int64, b []byte) {
	x := uint64(lba)*0x9E3779B97F4A7C15 + 0x107
	for i := 0; i+8 <= len(b); i += 8 {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		binary.LittleEndian.PutUint64(b[i:], x)
	}
}

func audioDisc() *mmctest.Disc {
	return &mmctest.Disc{
		Tracks:  []mmctest.Track{{Number: 1, LBA: 0, ISRC: "XXQVS5800107"}, {Number: 2, LBA: 500}, {Number: 3, LBA: 900}},
		LeadOut: 1500, Content: fill, MCN: "0012345678905", Status: mmc.Complete,
	}
}

func dataDisc() *mmctest.Disc {
	return &mmctest.Disc{Tracks: []mmctest.Track{{Number: 1, Data: true}}, LeadOut: 1000, Content: fill, Status: mmc.Complete, Faults: map[int64]*mmctest.Fault{}}
}

// twoSessions is an audio disc with a second session of data: lead-out, lead-in and
// pre-gap take 11,400 sectors between them (MMC-6, 4.2.3.6).
func twoSessions() *mmctest.Disc {
	return &mmctest.Disc{
		Tracks:  []mmctest.Track{{Number: 1}, {Number: 2, LBA: 600}, {Number: 3, Session: 2, LBA: 1000 + 11400, Data: true}},
		LeadOut: 13000, LeadOuts: []int64{1000, 13000}, Content: fill, Status: mmc.Complete,
	}
}

func drive(d *mmctest.Disc) (*mmctest.Drive, *mmc.Drive) {
	sim := &mmctest.Drive{}
	if d != nil {
		sim.Swap(d)
	}
	return sim, mmc.New(sim)
}

func TestInquiry(t *testing.T) {
	_, d := drive(nil)
	id, err := d.Inquiry(t.Context())
	if err != nil || id != (mmc.Identity{Vendor: "QUILLM", Product: "SIMULATED DRIVE", Revision: "1.07"}) || id.String() != "QUILLM SIMULATED DRIVE 1.07" {
		t.Error(id, err)
	}
}

func TestReady(t *testing.T) {
	for _, tc := range []struct {
		name string
		set  func(*mmctest.Drive)
		want error
		away bool
	}{
		{"no disc", func(d *mmctest.Drive) {}, mmc.ErrNoDisc, true},
		{"tray open", func(d *mmctest.Drive) { d.Eject() }, mmc.ErrTrayOpen, true},
		{"becoming ready", func(d *mmctest.Drive) { d.Swap(dataDisc()); d.SpinUp(1) }, mmc.ErrNotReady, false},
		{"changed", func(d *mmctest.Drive) { d.Insert(dataDisc()) }, mmc.ErrChanged, false},
		{"other key for no disc", func(d *mmctest.Drive) { d.Attend(scsi.Sense{Key: scsi.UnitAttention, ASC: 0x3A}) }, mmc.ErrNoDisc, true},
		{"incompatible", func(d *mmctest.Drive) {
			d.Swap(dataDisc())
			d.Attend(scsi.Sense{Key: scsi.NotReady, ASC: 0x30, ASCQ: 2})
		}, mmc.ErrFormat, false},
		{"reset is passed over", func(d *mmctest.Drive) {
			d.Swap(dataDisc())
			d.Attend(scsi.Sense{Key: scsi.UnitAttention, ASC: 0x29}, scsi.Sense{Key: scsi.UnitAttention, ASC: 0x2A, ASCQ: 1})
		}, nil, false},
		{"ready", func(d *mmctest.Drive) { d.Swap(dataDisc()) }, nil, false},
		{"unplugged", func(d *mmctest.Drive) { d.Unplug() }, fixity.ErrAway, true},
		{"busy", func(d *mmctest.Drive) { d.Busy(1) }, fixity.ErrBusy, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sim, d := drive(nil)
			tc.set(sim)
			err := d.Ready(t.Context())
			if !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) || errors.Is(err, fixity.ErrAway) != tc.away {
				t.Errorf("got %v, want %v", err, tc.want)
			}
		})
	}
}

func TestWaitReady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sim, d := drive(nil)
		sim.Insert(dataDisc())
		sim.SpinUp(20)
		begin := time.Now()
		if err := d.WaitReady(t.Context(), 30*time.Second); err != nil || time.Since(begin) != 10*time.Second {
			t.Errorf("%v after %v", err, time.Since(begin))
		}
		sim.SpinUp(1000)
		if err := d.WaitReady(t.Context(), 30*time.Second); !errors.Is(err, mmc.ErrNotReady) {
			t.Error(err)
		}
		sim.Eject()
		if err := d.WaitReady(t.Context(), 30*time.Second); !errors.Is(err, mmc.ErrTrayOpen) {
			t.Error(err)
		}
	})
}

func TestConfiguration(t *testing.T) {
	for _, tc := range []struct {
		name string
		set  func(*mmctest.Drive)
		want mmc.Configuration
	}{
		{"no disc", func(d *mmctest.Drive) {}, mmc.Configuration{CDText: true}},
		{"CD-R, no flags", func(d *mmctest.Drive) { d.Swap(audioDisc()) }, mmc.Configuration{Profile: mmc.CDR, CDText: true}},
		{"flags by feature", func(d *mmctest.Drive) { d.Swap(audioDisc()); d.Flags = mmctest.Honest }, mmc.Configuration{Profile: mmc.CDR, C2: true, CDText: true}},
		{"flags by page", func(d *mmctest.Drive) { d.Swap(audioDisc()); d.Flags = mmctest.PageOnly }, mmc.Configuration{Profile: mmc.CDR, C2: true, CDText: true}},
		{"old drive", func(d *mmctest.Drive) { d.OldDrive = true; d.Flags = mmctest.Honest }, mmc.Configuration{C2: true}},
		{"DVD+R", func(d *mmctest.Drive) { d.Swap(&mmctest.Disc{Profile: mmc.DVDPR}) }, mmc.Configuration{Profile: mmc.DVDPR, CDText: true}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sim, d := drive(nil)
			tc.set(sim)
			got, err := d.Configuration(t.Context())
			if err != nil || got != tc.want {
				t.Errorf("got %+v, %v, want %+v", got, err, tc.want)
			}
		})
	}
}

func TestInformation(t *testing.T) {
	disc := twoSessions()
	disc.Erasable = true
	_, d := drive(disc)
	got, err := d.Information(t.Context())
	want := mmc.Information{Status: mmc.Complete, LastSession: 3, Erasable: true, Sessions: 2, FirstTrack: 1, LastTrack: 3}
	if err != nil || got != want {
		t.Errorf("got %+v, %v", got, err)
	}
	if n, err := d.Capacity(t.Context()); n != 13000 || err != nil {
		t.Errorf("capacity %d, %v", n, err)
	}
	track, err := d.TrackInformation(t.Context(), 3)
	if want := (mmc.TrackInformation{Number: 3, Session: 2, LBA: 12400, Sectors: 600}); err != nil || track != want {
		t.Errorf("got %+v, %v", track, err)
	}
	if _, err := d.TrackInformation(t.Context(), 4); !errors.Is(err, mmc.ErrNoCommand) {
		t.Error(err)
	}
}

func TestTOC(t *testing.T) {
	one := []mmc.Session{{Number: 1, First: 1, Last: 3, LeadOut: 1500}}
	two := []mmc.Session{{Number: 1, First: 1, Last: 2, LeadOut: 1000}, {Number: 2, First: 3, Last: 3, LeadOut: 13000}}
	for _, tc := range []struct {
		name     string
		disc     *mmctest.Disc
		answers  mmctest.Answers
		sessions []mmc.Session
		unsure   bool
		fails    bool
	}{
		{"byte 2", audioDisc(), mmctest.ByteTwo, one, false, false},
		{"byte 9", audioDisc(), mmctest.ByteNine, one, false, false},
		{"two sessions", twoSessions(), mmctest.ByteTwo, two, false, false},
		{"two sessions, byte 9", twoSessions(), mmctest.ByteNine, two, false, false},
		{"always format 0", audioDisc(), mmctest.AlwaysZero, nil, true, false},
		{"no sessions", twoSessions(), mmctest.NoSessions, nil, true, false},
		{"one by format 1", audioDisc(), mmctest.OnlySessions, one, false, false},
		{"two by format 1: the end of the first isn't known", twoSessions(), mmctest.OnlySessions,
			[]mmc.Session{{Number: 1, First: 1, Last: 2}, {Number: 2, First: 3, Last: 3, LeadOut: 13000}}, true, false},
		{"raw table of another disc", audioDisc(), mmctest.OtherTOC, one, false, false},
		{"nonsense", audioDisc(), mmctest.Nonsense, nil, false, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sim, d := drive(tc.disc)
			sim.Answers = tc.answers
			got, err := d.TOC(t.Context())
			if tc.fails {
				if !errors.Is(err, mmc.ErrShape) {
					t.Error(err)
				}
				return
			}
			if err != nil || (got.Unsure != nil) != tc.unsure || got.LeadOut != tc.disc.LeadOut || len(got.Tracks) != len(tc.disc.Tracks) {
				t.Fatalf("%+v, %v", got, err)
			}
			if diff := cmp.Diff(tc.sessions, got.Sessions); diff != "" {
				t.Error(diff)
			}
			for i, tr := range got.Tracks {
				w := tc.disc.Tracks[i]
				if tr.Number != w.Number || tr.LBA != w.LBA || tr.Data() != w.Data {
					t.Errorf("track %+v, want %+v", tr, w)
				}
				if tr.Session != max(1, w.Session) && !(tc.unsure && tc.sessions == nil && tr.Session == 0) {
					t.Errorf("track %d in session %d", tr.Number, tr.Session)
				}
			}
		})
	}
}

func TestSubChannel(t *testing.T) {
	_, d := drive(audioDisc())
	if s, err := d.MCN(t.Context()); s != "0012345678905" || err != nil {
		t.Error(s, err)
	}
	for track, want := range []string{1: "XXQVS5800107", 2: "", 3: "", 9: ""} {
		if track == 0 {
			continue
		}
		if s, err := d.ISRC(t.Context(), track); s != want || err != nil {
			t.Error(track, s, err)
		}
	}
	for _, bad := range []string{"", "0000000000000", "00123456789O5"} {
		disc := audioDisc()
		disc.MCN = bad
		_, d := drive(disc)
		if s, err := d.MCN(t.Context()); s != "" || err != nil {
			t.Error(s, err)
		}
	}
	for _, bad := range []string{"000000000000", "XXQVS580010", "xxQVS5800107", "XX-VS5800107"} {
		disc := audioDisc()
		disc.Tracks[0].ISRC = bad
		_, d := drive(disc)
		if s, err := d.ISRC(t.Context(), 1); s != "" || err != nil {
			t.Error(s, err)
		}
	}
}

func TestEvents(t *testing.T) {
	sim, d := drive(nil)
	sim.Insert(dataDisc())
	for _, want := range []mmc.Event{mmc.NewDisc, mmc.NoEvent} {
		if e, present, open, err := d.Events(t.Context()); e != want || !present || open || err != nil {
			t.Error(e, present, open, err)
		}
	}
	sim.Eject()
	if e, present, open, err := d.Events(t.Context()); e != mmc.DiscRemoved || present || !open || err != nil {
		t.Error(e, present, open, err)
	}
	sim.OldDrive = true
	if _, _, _, err := d.Events(t.Context()); !errors.Is(err, mmc.ErrNoCommand) {
		t.Error(err)
	}
}

func want(lba int64, n, size int) []byte {
	b := make([]byte, n*size)
	for i := range n {
		fill(lba+int64(i), b[i*size:(i+1)*size])
	}
	return b
}

func TestReadData(t *testing.T) {
	for _, lie := range []func(int) int{nil, func(n int) int { return n }, func(int) int { return -7 }, func(int) int { return 1 << 30 }} {
		t.Run(fmt.Sprint("residual lies: ", lie != nil), func(t *testing.T) {
			disc := dataDisc()
			disc.Faults[40] = &mmctest.Fault{}
			disc.Faults[50] = &mmctest.Fault{Silent: true}
			disc.Faults[60] = &mmctest.Fault{Silent: true, Fails: 1}
			sim, d := drive(disc)
			sim.Residual = lie
			b := make([]byte, 4*sector.Data)
			if _, err := d.ReadData(t.Context(), 100, 4, b); err != nil || !bytes.Equal(b, want(100, 4, sector.Data)) {
				t.Error("read", err)
			}
			s, err := d.ReadData(t.Context(), 38, 4, b)
			if !errors.Is(err, fixity.ErrUnreadable) || s.Code() != "3/11/05" || s.Info != 40 {
				t.Error(s, err)
			}
			if _, err := d.ReadData(t.Context(), 48, 4, b); !errors.Is(err, mmc.ErrNotWritten) {
				t.Error("a buffer that wasn't filled", err)
			}
			if _, err := d.ReadData(t.Context(), 58, 4, b); err != nil || !bytes.Equal(b, want(58, 4, sector.Data)) {
				t.Error("filled at the second time", err)
			}
			if s, err := d.ReadData(t.Context(), 998, 4, b); err == nil || s.Code() != "5/21/00" {
				t.Error(s, err)
			}
		})
	}
	_, d := drive(dataDisc())
	for _, tc := range []struct {
		lba     int64
		n, size int
	}{{-1, 1, 2048}, {0, 0, 0}, {0, 33, 33 * 2048}, {0, 1, 2047}, {1<<32 - 1, 2, 4096}} {
		if _, err := d.ReadData(t.Context(), tc.lba, tc.n, make([]byte, tc.size)); !errors.Is(err, scsi.ErrCommand) {
			t.Error(tc, err)
		}
	}
}

func TestReadAudio(t *testing.T) {
	for _, offset := range []int{0, 30, -588, 667, -1164} {
		t.Run(fmt.Sprintf("offset %d", offset), func(t *testing.T) {
			disc := audioDisc()
			disc.Doubts = map[int64]*mmctest.Doubt{101: {Bytes: []int{0, 2351}}}
			sim, d := drive(disc)
			sim.Offset, sim.Flags = offset, mmctest.Honest
			pcm, c2 := make([]byte, 24*sector.Raw), make([]byte, 24*mmc.C2Bytes)
			if _, err := d.ReadAudio(t.Context(), 90, 24, pcm, c2); err != nil {
				t.Fatal(err)
			}
			flags := make([]byte, 24*mmc.C2Bytes)
			flags[11*mmc.C2Bytes], flags[12*mmc.C2Bytes-1] = 0x80, 1
			if !bytes.Equal(c2, flags) {
				t.Error("flags")
			}
			whole := want(80, 50, sector.Raw)[(10*588+offset)*4:][:len(pcm)]
			whole = bytes.Clone(whole)
			whole[11*sector.Raw], whole[12*sector.Raw-1] = pcm[11*sector.Raw], pcm[12*sector.Raw-1]
			if !bytes.Equal(pcm, whole) {
				t.Error("samples")
			}
			if _, err := d.ReadAudio(t.Context(), 10, 3, pcm[:3*sector.Raw], nil); err != nil || !bytes.Equal(pcm[:3*sector.Raw], want(5, 20, sector.Raw)[(5*588+offset)*4:][:3*sector.Raw]) {
				t.Error("without flags", err)
			}
		})
	}
	_, d := drive(dataDisc())
	if s, err := d.ReadAudio(t.Context(), 10, 1, make([]byte, sector.Raw), nil); err == nil || s.Code() != "5/64/00" {
		t.Error(s, err)
	}
}

func TestProveC2(t *testing.T) {
	silent := audioDisc()
	silent.Content = func(_ int64, b []byte) { clear(b) }
	for _, tc := range []struct {
		name  string
		flags mmctest.Flags
		disc  *mmctest.Disc
		want  bool
	}{
		{"none", mmctest.NoFlags, audioDisc(), false},
		{"honest", mmctest.Honest, audioDisc(), true},
		{"honest, silence", mmctest.Honest, silent, true},
		{"announced in the page", mmctest.PageOnly, audioDisc(), true},
		{"announced and never written", mmctest.Ignored, audioDisc(), false},
		{"announced and never written, silence", mmctest.Ignored, silent, false},
		{"announced, bare sectors and zeros", mmctest.Unsent, audioDisc(), false},
		{"always zero: can't be told", mmctest.Constant, audioDisc(), true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sim, d := drive(tc.disc)
			sim.Flags = tc.flags
			c, err := d.Configuration(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if got, err := d.ProveC2(t.Context(), c.C2, 700); got != tc.want || err != nil {
				t.Errorf("believed: %v, %v", got, err)
			}
		})
	}
}

func TestSetSpeed(t *testing.T) {
	for _, tc := range []struct {
		name    string
		profile mmc.Profile
		set     func(*mmctest.Drive)
		want    []int
		err     error
	}{
		{"CD", mmc.CDR, func(*mmctest.Drive) {}, []int{8 * mmc.CDSpeed, mmc.CDSpeed, mmc.MaxSpeed}, nil},
		{"DVD", mmc.DVDR, func(*mmctest.Drive) {}, []int{8 * mmc.DVDSpeed, mmc.DVDSpeed, mmc.MaxSpeed}, nil},
		{"not slower than 4x", mmc.CDR, func(d *mmctest.Drive) { d.Slowest = 4 * mmc.CDSpeed }, []int{8 * mmc.CDSpeed, 4 * mmc.CDSpeed, mmc.MaxSpeed}, nil},
		{"knows no speed", mmc.CDR, func(d *mmctest.Drive) { d.NoSpeed = true }, nil, mmc.ErrNoCommand},
		{"not permitted", mmc.CDR, func(d *mmctest.Drive) { d.ReadOnly = true }, nil, fixity.ErrDenied},
	} {
		t.Run(tc.name, func(t *testing.T) {
			disc := dataDisc()
			disc.Profile = tc.profile
			sim, d := drive(disc)
			tc.set(sim)
			err1 := d.SetSpeed(t.Context(), tc.profile, 8*tc.profile.Single(), 1000)
			_, err2 := d.SetLowest(t.Context(), tc.profile, 1000)
			err3 := d.SetSpeed(t.Context(), tc.profile, mmc.MaxSpeed, 1000)
			for _, err := range []error{err1, err2, err3} {
				if !errors.Is(err, tc.err) || (err == nil) != (tc.err == nil) {
					t.Error(err)
				}
			}
			if diff := cmp.Diff(tc.want, sim.Speeds()); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// A tray opens by a command. Of one that doesn't, the disc stays where it is.
func TestEject(t *testing.T) {
	for _, stuck := range []bool{false, true} {
		sim := &mmctest.Drive{Stuck: stuck}
		sim.Insert(&mmctest.Disc{Tracks: []mmctest.Track{{Number: 1}}, LeadOut: 100, Status: mmc.Complete})
		d := mmc.New(sim)
		if err := d.WaitReady(t.Context(), time.Second); err != nil {
			t.Fatal(err)
		}
		err := d.Eject(t.Context())
		open := errors.Is(d.Ready(t.Context()), mmc.ErrTrayOpen)
		if (err != nil) != stuck || open == stuck {
			t.Errorf("stuck %v: %v, open %v", stuck, err, open)
		}
	}
}
