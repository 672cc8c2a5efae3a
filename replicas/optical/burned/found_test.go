package burned_test

import (
	"bytes"
	"errors"
	"os"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
)

// driveOf puts an image of a data disc into a simulated drive.
func driveOf(t *testing.T, path string, change func(lba int64, b []byte)) (*mmctest.Drive, *mmctest.Disc, func() *optical.Disc) {
	t.Helper()
	image, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	disc := &mmctest.Disc{
		Tracks: []mmctest.Track{{Number: 1, Data: true}}, LeadOut: int64(len(image) / discfs.SectorSize), Status: mmc.Complete,
		Faults: map[int64]*mmctest.Fault{},
		Content: func(lba int64, b []byte) {
			copy(b, image[lba*discfs.SectorSize:])
			if change != nil {
				change(lba, b)
			}
		},
	}
	sim := &mmctest.Drive{}
	sim.Insert(disc)
	return sim, disc, func() *optical.Disc {
		d, err := optical.NewDrive(t.Context(), sim, nil)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
}

type bounded struct {
	b    []byte
	room int
}

var errFull = errors.New("no space left")

func (m *bounded) WriteAt(p []byte, off int64) (int, error) {
	if int(off)+len(p) > m.room {
		return 0, errFull
	}
	if n := int(off) + len(p); n > len(m.b) {
		m.b = append(m.b, make([]byte, n-len(m.b))...)
	}
	return copy(m.b[off:], p), nil
}
func (m *bounded) ReadAt(p []byte, off int64) (int, error) {
	return bytes.NewReader(m.b).ReadAt(p, off)
}
func (m *bounded) Close() error { return nil }

func room(n int) func(int64) (burned.Spool, error) {
	return func(int64) (burned.Spool, error) { return &bounded{room: n}, nil }
}

// lbaOf is where a file's bytes begin.
func lbaOf(t *testing.T, path string, content []byte) int64 {
	image, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(image, content[:256])
	if i < 0 || i%discfs.SectorSize != 0 {
		t.Fatal("not found")
	}
	return int64(i / discfs.SectorSize)
}

// One short file, one bit: the disc isn't another one.
func TestShortFileAltered(t *testing.T) {
	a := piece(1, 4)
	other := bytes.Clone(a)
	other[99] ^= 1
	r := check(t, openImage(t, dataImage(t, map[string][]byte{"a.wav": other}, "x-rock")), burned.Want{Kind: optical.Data, Files: wanted(t, map[string][]byte{"a.wav": a}, "a.wav")})
	if r.Verdict != fixity.DiscAltered {
		t.Error(summary(r))
	}
}

func TestSpoolFull(t *testing.T) {
	a := piece(1, 300)
	files := map[string][]byte{"a.wav": a}
	_, _, open := driveOf(t, dataImage(t, files, "x-rock"), nil)
	r, err := burned.Check(t.Context(), open(), burned.Want{Kind: optical.Data, Files: wanted(t, files, "a.wav")}, burned.Options{Now: time.Now, Spool: room(300_000)})
	if err != nil || r.Verdict != fixity.DiscIntact {
		t.Error(summary(r), err)
	}
}

// A reading that was wrong once is not damage, with or without a spool.
func TestMisreadOnce(t *testing.T) {
	a := piece(1, 12)
	files := map[string][]byte{"a.wav": a}
	path := dataImage(t, files, "x-rock")
	at := lbaOf(t, path, a)
	for name, tc := range map[string]struct {
		spool func(int64) (burned.Spool, error)
		wrong int
	}{"spool": {room(1 << 30), 1}, "no spool": {nil, 2}} {
		t.Run(name, func(t *testing.T) {
			n := 0
			_, _, open := driveOf(t, path, func(lba int64, b []byte) {
				if lba != at+3 {
					return
				}
				if n++; n == tc.wrong {
					b[7] ^= 1
				}
			})
			r, err := burned.Check(t.Context(), open(), burned.Want{Kind: optical.Data, Files: wanted(t, files, "a.wav")}, burned.Options{Now: time.Now, Spool: tc.spool})
			if err != nil || r.Verdict != fixity.DiscUnsteady {
				t.Error(summary(r), err, n)
			}
		})
	}
}

// Two wanted files of the same bytes, both under other names.
func TestTwinsRenamed(t *testing.T) {
	a, b := piece(1, 30), piece(2, 40)
	files := map[string][]byte{"one.wav": a, "two.wav": a, "three.wav": b}
	r := check(t, openImage(t, dataImage(t, map[string][]byte{"x": a, "y": a, "three.wav": b}, "x-rock")), burned.Want{Kind: optical.Data, Files: wanted(t, files, "one.wav", "two.wav", "three.wav")})
	if r.Verdict != fixity.DiscIntact {
		t.Error(summary(r))
	}
}

// The file that has a wanted name, while the wanted bytes lie elsewhere, is nobody's.
func TestDisplaced(t *testing.T) {
	a, b := piece(1, 30), piece(2, 40)
	files := map[string][]byte{"one.wav": a, "two.wav": b}
	r := check(t, openImage(t, dataImage(t, map[string][]byte{"one.wav": piece(3, 30), "old": a, "two.wav": b}, "x-rock")), burned.Want{Kind: optical.Data, Files: wanted(t, files, "one.wav", "two.wav")})
	if r.Verdict != fixity.DiscIntact || r.ExtraAll != 1 || r.Extra[0] != "one.wav" || r.DifferingAll != 0 {
		t.Error(summary(r), r.Extra)
	}
}

// Without a file system all bad sectors are listed.
func TestNothingListed(t *testing.T) {
	a := piece(1, 2600)
	files := map[string][]byte{"a.wav": a}
	_, disc, open := driveOf(t, dataImage(t, files, "x-rock"), nil)
	for i := int64(16); i < 1600; i++ {
		disc.Faults[i] = &mmctest.Fault{}
	}
	r, err := burned.Check(t.Context(), open(), burned.Want{Kind: optical.Data, Files: wanted(t, files, "a.wav")}, burned.Options{Now: time.Now})
	var listed int64
	for _, x := range r.Unreadable {
		listed += x.Count
	}
	if err != nil || listed != 1584 || r.UnreadableAll != 1584 || r.Verdict != fixity.DiscUnreadable {
		t.Error(summary(r), err, listed, r.UnreadableAll)
	}
}

// A sector that gives up between the check and the comparison is listed.
func TestLostSinceCheck(t *testing.T) {
	a := piece(1, 300)
	files := map[string][]byte{"a.wav": a}
	path := dataImage(t, files, "x-rock")
	at := lbaOf(t, path, a)
	sim, disc, open := driveOf(t, path, nil)
	d := open()
	done := false
	r, err := burned.Check(t.Context(), d, burned.Want{Kind: optical.Data, Files: wanted(t, files, "a.wav")}, burned.Options{Now: time.Now, Progress: func(p optical.Progress) {
		if p.LBA >= d.Contents().LeadOut && !done {
			done = true
			disc.Faults[at+5] = &mmctest.Fault{}
		}
	}})
	_ = sim
	if err != nil || r.Files[0].State != fixity.Unreadable || r.UnreadableAll != 1 || r.Verdict != fixity.DiscUnreadable {
		t.Error(summary(r), err, r.UnreadableAll)
	}
}

// A mixed disc whose baseline knows only its sound keeps that when the files are added.
func TestMixedBaseline(t *testing.T) {
	files := map[string][]byte{"a.wav": piece(1, 60)}
	path := dataImage(t, files, "x-rock")
	image, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	n := int64(len(image) / discfs.SectorSize)
	start := n + 150 + 75
	sound := piece(3, 900)
	disc := &mmctest.Disc{
		Tracks:  []mmctest.Track{{Number: 1, Data: true}, {Number: 2, LBA: start}},
		LeadOut: start + 900, Status: mmc.Complete, Faults: map[int64]*mmctest.Fault{},
		Content: func(lba int64, b []byte) {
			switch {
			case lba < n:
				copy(b, image[lba*discfs.SectorSize:])
			case lba >= start:
				copy(b, sound[(lba-start)*cdda.SectorBytes:])
			default:
				clear(b)
			}
		},
	}
	sim := &mmctest.Drive{}
	sim.Insert(disc)
	open := func() *optical.Disc {
		d, err := optical.NewDrive(t.Context(), sim, nil)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	do := func(b *burned.Baseline) burned.Result {
		r, err := burned.Check(t.Context(), open(), burned.Want{Baseline: b}, burned.Options{Now: time.Now})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	first := do(nil)
	if first.Baseline == nil || first.Baseline.Files == nil || first.Baseline.Sound == nil {
		t.Fatal(summary(first))
	}
	half := &burned.Baseline{Sound: first.Baseline.Sound}
	if r := do(half); r.Baseline.Files == nil || r.Baseline.Sound == nil || half.Files != nil {
		t.Error("files are lost, or the caller's was changed", r.Verdict)
	}
	half = &burned.Baseline{Files: first.Baseline.Files}
	if r := do(half); r.Baseline.Files == nil || r.Baseline.Sound == nil || half.Sound != nil {
		t.Error("sound is lost, or the caller's was changed", r.Verdict)
	}
}
