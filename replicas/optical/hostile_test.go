package optical_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
	"firmus/replicas/testing/mmctest"
)

// mad is a drive that answers as a simulated one, but for some answers that it makes
// up from a row of bytes.
type mad struct {
	sim *mmctest.Drive
	b   []byte
	at  int
}

func (m *mad) next() byte {
	if len(m.b) == 0 {
		return 0
	}
	m.at++
	return m.b[(m.at-1)%len(m.b)]
}

func (m *mad) Do(ctx context.Context, cdb, data []byte, dir scsi.Direction, timeout time.Duration) (scsi.Sense, int, error) {
	sense, residual, err := m.sim.Do(ctx, cdb, data, dir, timeout)
	switch how := m.next(); {
	case how < 160:
	case how < 200: // some bytes are others
		for range how % 8 {
			if len(data) > 0 {
				data[int(m.next())%len(data)] = m.next()
			}
		}
	case how < 240: // all are
		for i := range data {
			data[i] = m.next()
		}
		return scsi.Sense{}, int(m.next()), nil
	default:
		s := scsi.Sense{Key: scsi.Key(m.next() & 15), ASC: m.next(), ASCQ: m.next()}
		if s.Key == scsi.NotReady && (s.ASC == 4 || s.ASC == 0x3E) {
			s.Key = scsi.MediumError // would be waited for
		}
		return s, 0, &scsi.Error{Command: cdb[0], Status: scsi.CheckCondition, Sense: s}
	}
	return sense, residual, err
}

// Whatever a drive answers, opening its disc ends, with contents that make sense.
func FuzzDrive(f *testing.F) {
	seeds := [][]byte{nil, {0, 0, 0, 0, 250, 5, 0x24, 0}, {170, 1, 2, 3}, bytes.Repeat([]byte{0, 0, 210}, 9), {0, 0, 0, 0, 0, 0, 230, 4, 44}}
	for i, s := range seeds {
		f.Add(s, byte(i))
	}
	f.Fuzz(func(t *testing.T, b []byte, kind byte) {
		var disc *mmctest.Disc
		switch kind % 4 {
		case 0:
			disc = audioDisc(900)
		case 1:
			disc = dataDisc(500)
		case 2:
			disc = twoSessions()
		default:
			disc = dataDisc(5000)
			disc.Profile = mmc.DVDR
		}
		d, err := optical.NewDrive(t.Context(), &mad{sim: drive(disc), b: b}, nil)
		if err != nil {
			if d != nil {
				t.Fatal("a disc with an error")
			}
			return
		}
		sane(t, d)
	})
}

// sane says that a disc's contents don't contradict themselves.
func sane(t *testing.T, d *optical.Disc) {
	t.Helper()
	c := d.Contents()
	if c.LeadOut < 0 || c.LeadOut > optical.MaxSectors || len(c.Tracks) > 200 {
		t.Fatalf("%+v", c)
	}
	end := int64(0)
	for _, a := range c.Areas() {
		if a.LBA < end || a.Count < 1 || a.LBA+a.Count > c.LeadOut {
			t.Fatalf("area %+v of %+v", a, c)
		}
		end = a.LBA + a.Count
	}
	if _, err := optical.NewMap(c); err != nil {
		t.Fatal(err)
	}
}

// Whatever a sheet says of a small file, no more is read than is there.
func FuzzSheet(f *testing.F) {
	seeds := []string{
		"FILE d.bin BINARY\nTRACK 1 AUDIO\nINDEX 1 0:0:0\nTRACK 2 AUDIO\nINDEX 0 0:0:5\nINDEX 1 0:0:9\n",
		"FILE d.bin BINARY\nTRACK 1 MODE1/2352\nINDEX 1 0:0:0\nREM SESSION 2\nTRACK 2 AUDIO\nPREGAP 0:2:0\nINDEX 1 0:0:9\n",
		"FILE d.bin BINARY\nTRACK 1 MODE2/2336\nPREGAP 0:4:0\nINDEX 1 0:0:0\nPOSTGAP 900:0:0\n",
		"FILE d.wav WAVE\nTRACK 1 AUDIO\nINDEX 1 0:0:0\nTRACK 2 AUDIO\nINDEX 0 0:0:4\nFILE d.bin MOTOROLA\nINDEX 1 0:0:0\n",
	}
	for _, s := range seeds {
		f.Add([]byte(s))
	}
	dir := f.TempDir()
	bin := rows(0, 20, sector.Raw)
	for name, b := range map[string][]byte{"d.bin": bin, "d.wav": wav(bin[:5*sector.Raw], 44100)} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			f.Fatal(err)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(dir, "d.cue")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		d, err := optical.OpenImage(t.Context(), path)
		if err != nil {
			return
		}
		defer d.Close()
		sane(t, d)
		for _, a := range d.Contents().Areas() {
			r, size := d.Data(t.Context()), int64(sector.Data)
			if a.Audio {
				r, size = d.Audio(t.Context()), sector.Raw
			}
			for _, lba := range []int64{a.LBA, a.LBA + a.Count - 1} {
				_, _ = r.ReadAt(make([]byte, size), lba*size)
			}
		}
	})
}

// A WAVE file's gap may lie at the end of the file before.
func TestSheetOfTwoFiles(t *testing.T) {
	dir := t.TempDir()
	pcm := rows(0, 500, sector.Raw)
	put(t, dir, map[string][]byte{
		"a.wav": wav(pcm[:300*sector.Raw], 44100), "b.wav": wav(pcm[300*sector.Raw:], 44100),
		"x.cue": []byte("FILE a.wav WAVE\nTRACK 01 AUDIO\nINDEX 01 00:00:00\nTRACK 02 AUDIO\nINDEX 00 00:03:25\nFILE b.wav WAVE\nINDEX 01 00:00:00\nPOSTGAP 00:01:00\n"),
	})
	d := openImage(t, filepath.Join(dir, "x.cue"))
	c := d.Contents()
	if c.LeadOut != 575 || c.Tracks[0].Sectors != 300 || c.Tracks[1].LBA != 300 {
		t.Fatalf("%+v", c)
	}
	b := make([]byte, 575*sector.Raw)
	if _, err := d.Audio(t.Context()).ReadAt(b, 0); err != nil || !bytes.Equal(b[:len(pcm)], pcm) || !bytes.Equal(b[len(pcm):], make([]byte, 75*sector.Raw)) {
		t.Error(err)
	}
	if _, err := optical.OpenImage(t.Context(), filepath.Join(dir, "gone.cue")); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
