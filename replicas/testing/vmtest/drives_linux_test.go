package vmtest_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/testing/mmctest"
)

type spool []byte

func (s spool) WriteAt(p []byte, off int64) (int, error) { return copy(s[off:], p), nil }

func open(t *testing.T, node string) *optical.Disc {
	t.Helper()
	d, err := optical.OpenDrive(t.Context(), node)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

func audioDisc(sectors int64) *mmctest.Disc {
	return &mmctest.Disc{
		Tracks:  []mmctest.Track{{Number: 1, ISRC: "XXQVS5800107"}, {Number: 2, LBA: sectors / 3}, {Number: 3, LBA: sectors / 3 * 2}},
		LeadOut: sectors, Content: fill, MCN: "0012345678905", Status: mmc.Complete,
		Faults: map[int64]*mmctest.Fault{}, Doubts: map[int64]*mmctest.Doubt{},
	}
}

func dataDisc(sectors int64) *mmctest.Disc {
	return &mmctest.Disc{Tracks: []mmctest.Track{{Number: 1, Data: true}}, LeadOut: sectors, Content: fill, Status: mmc.Complete, Faults: map[int64]*mmctest.Fault{}}
}

// An audio disc in a true /dev/sr0.
func TestGuestAudio(t *testing.T) {
	inGuest(t)
	const sectors, offset = 3000, 667
	disc := audioDisc(sectors)
	disc.Faults[1000], disc.Faults[1001] = &mmctest.Fault{}, &mmctest.Fault{Fails: 1}
	disc.Doubts[2000], disc.Doubts[2500] = &mmctest.Doubt{Bytes: []int{7}, Times: 1}, &mmctest.Doubt{Bytes: []int{9}}
	sim := &mmctest.Drive{Offset: offset, Flags: mmctest.Honest}
	sim.Insert(disc)
	d := open(t, attach(t, sim, sectors))
	c := d.Contents()
	if c.Kind != optical.Audio || c.Medium != "CD-R" || len(c.Tracks) != 3 || c.MCN != disc.MCN || c.Tracks[0].ISRC != disc.Tracks[0].ISRC || len(c.Sessions) != 1 || len(c.Problems) != 0 {
		t.Fatalf("%+v", c)
	}
	got := make(spool, sectors*2352)
	begin := time.Now()
	res, err := d.Check(t.Context(), optical.CheckOptions{Audio: got, Now: time.Now})
	if err != nil || !res.C2 || res.Speed == 0 || len(res.Problems) != 0 {
		t.Fatalf("%+v, %v", res, err)
	}
	t.Logf("%.0f times as fast as it sounds", sectors/75/time.Since(begin).Seconds())
	bad, _ := res.Map.Ranges(optical.Unreadable)
	doubtful, _ := res.Map.Ranges(optical.Doubtful)
	retried, _ := res.Map.Retried()
	if diff := cmp.Diff([][]optical.Range{{{LBA: 1000, Count: 1}}, {{LBA: 2500, Count: 1}}, {{LBA: 1001, Count: 1}, {LBA: 2000, Count: 1}}}, [][]optical.Range{bad, doubtful, retried}); diff != "" {
		t.Error(diff)
	}
	whole := make([]byte, (sectors+2)*2352)
	for i := range int64(sectors) {
		fill(i, whole[i*2352:(i+1)*2352])
	}
	var differ []int
	for i := range sectors {
		if !bytes.Equal(got[i*2352:(i+1)*2352], whole[i*2352+offset*4:][:2352]) {
			differ = append(differ, i)
		}
	}
	if diff := cmp.Diff([]int{1000, 2500}, differ); diff != "" {
		t.Error(diff)
	}
}

// A data disc with bad sectors, and a drive that is unplugged.
func TestGuestData(t *testing.T) {
	inGuest(t)
	const sectors = 2000
	disc := dataDisc(sectors)
	disc.Faults[0], disc.Faults[700] = &mmctest.Fault{}, &mmctest.Fault{UpTo: mmc.CDSpeed}
	sim := &mmctest.Drive{}
	sim.Insert(disc)
	node := attach(t, sim, sectors)
	d := open(t, node)
	got := make(spool, sectors*2048)
	res, err := d.Check(t.Context(), optical.CheckOptions{Data: got, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	bad, _ := res.Map.Ranges(optical.Unreadable)
	retried, _ := res.Map.Retried()
	if diff := cmp.Diff([][]optical.Range{{{LBA: 0, Count: 1}}, {{LBA: 700, Count: 1}}}, [][]optical.Range{bad, retried}); diff != "" || !res.Map.Done() {
		t.Error(diff)
	}
	b := make([]byte, 2048)
	for i := int64(1); i < sectors; i++ {
		if fill(i, b); !bytes.Equal(b, got[i*2048:(i+1)*2048]) {
			t.Fatalf("sector %d", i)
		}
	}
	// Unplugged in the middle of a check.
	once := false
	_, err = d.Check(t.Context(), optical.CheckOptions{Now: time.Now, Progress: func(p optical.Progress) {
		if !once && p.LBA > 500 {
			once = true
			if err := os.WriteFile(filepath.Join("/sys/block", filepath.Base(node), "device/delete"), []byte("1"), 0); err != nil {
				t.Error(err)
			}
		}
	}})
	if !errors.Is(err, fixity.ErrAway) || errors.Is(err, optical.ErrNoDisc) {
		t.Errorf("unplugged: %v", err)
	}
	if _, err := optical.OpenDrive(t.Context(), node); !errors.Is(err, fixity.ErrAway) {
		t.Errorf("opened after it was unplugged: %v", err)
	}
}

// Discs are put in, swapped and taken out, and the kernel tells of it.
func TestGuestWatch(t *testing.T) {
	inGuest(t)
	sim := &mmctest.Drive{}
	sim.Insert(dataDisc(1000))
	node := attach(t, sim, 1000)
	if err := os.WriteFile(filepath.Join("/sys/block", filepath.Base(node), "events_poll_msecs"), []byte("100"), 0); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	changes := optical.Watch(ctx, node)
	want := func(what string, p optical.Presence) {
		t.Helper()
		end := time.After(10 * time.Second)
		for {
			select {
			case c := <-changes:
				if c.Presence == p {
					return
				}
			case <-end:
				t.Fatalf("%s: nothing was told", what)
			}
		}
	}
	// A change may be told twice; what comes of an earlier one isn't counted.
	settle := func() {
		for end := time.After(400 * time.Millisecond); ; {
			select {
			case <-changes:
			case <-end:
				return
			}
		}
	}
	want("the beginning", optical.HasDisc)
	var took time.Duration
	for _, step := range []struct {
		name string
		do   func()
		want optical.Presence
	}{
		{"taken out", sim.Eject, optical.TrayOpen},
		{"put in", func() { sim.Insert(audioDisc(900)) }, optical.HasDisc},
		{"swapped", func() { sim.Insert(dataDisc(700)) }, optical.HasDisc},
		{"swapped again", func() { sim.Insert(dataDisc(800)) }, optical.HasDisc},
	} {
		settle()
		begin := time.Now()
		step.do()
		want(step.name, step.want)
		took += time.Since(begin)
	}
	// By asking alone, changes that wait for each other lie PollTime apart.
	if took > 2*optical.PollTime {
		t.Errorf("told after %v: not by the kernel's events", took)
	}
	if c := open(t, node).Contents(); c.LeadOut != 800 || c.Kind != optical.Data {
		t.Errorf("%+v", c)
	}
}

// A disc that goes, or is swapped, in mid-read.
func TestGuestChanges(t *testing.T) {
	inGuest(t)
	sim := &mmctest.Drive{}
	sim.Insert(dataDisc(1000))
	node := attach(t, sim, 1000)
	for _, tc := range []struct {
		name string
		do   func()
		want []error
	}{
		// Which of the two depends on who asks first, the kernel or the check.
		{"swapped", func() { sim.Insert(audioDisc(1000)) }, []error{optical.ErrSwapped, fixity.ErrAway}},
		{"taken out", func() { sim.Eject() }, []error{optical.ErrTrayOpen}},
	} {
		sim.Insert(dataDisc(1000))
		d := open(t, node)
		once := false
		res, err := d.Check(t.Context(), optical.CheckOptions{Now: time.Now, Progress: func(p optical.Progress) {
			if !once && p.LBA > 300 {
				once = true
				tc.do()
			}
		}})
		if !slices.ContainsFunc(tc.want, func(e error) bool { return errors.Is(err, e) }) || res.Map.Counts().AtOnce == 0 {
			t.Errorf("%s: %v", tc.name, err)
		}
	}
	if _, err := optical.OpenDrive(t.Context(), node); !errors.Is(err, optical.ErrTrayOpen) {
		t.Errorf("an open tray: %v", err)
	}
}

// The emulator's SCSI drive, which another hand wrote.
func TestGuestSCSI(t *testing.T) {
	inGuest(t)
	other(t, "QEMU", "QEMU CD-ROM", "3/11/00")
}

// Its ATAPI drive: it doesn't heed READ TOC's byte 2, and calls a bad sector one that
// is out of range.
func TestGuestATAPI(t *testing.T) {
	inGuest(t)
	other(t, "QEMU", "QEMU DVD-ROM", "5/21/00")
}

func other(t *testing.T, vendor, model, code string) {
	iso, first := fileSectors(t, "/")
	sectors, broken := int64(len(iso)/2048), first+emulated
	d := open(t, find(t, vendor, model))
	c := d.Contents()
	if c.Kind != optical.Data || c.LeadOut != sectors || len(c.Tracks) != 1 || c.Label != "QD_0033" || !strings.HasPrefix(c.Drive, vendor) {
		t.Fatalf("%+v", c)
	}
	t.Logf("%s, medium %q, sessions %v, problems %v", c.Drive, c.Medium, c.Sessions, c.Problems)
	got := make(spool, len(iso))
	res, err := d.Check(t.Context(), optical.CheckOptions{Data: got, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	for r := range res.Map.Runs() {
		if r.State != optical.Read && (r.LBA != broken || r.Count != 1 || r.State != optical.Unreadable || r.Sense.Code() != code) {
			t.Errorf("%+v", r)
		}
	}
	if n := res.Map.Counts(); n.AtOnce != sectors-1 || n.Unreadable != 1 {
		t.Errorf("%+v", n)
	}
	clear(iso[broken*2048:][:2048])
	for i := range sectors {
		if !bytes.Equal(iso[i*2048:][:2048], got[i*2048:][:2048]) {
			t.Fatalf("sector %d", i)
		}
	}
}

// Who isn't in the group that owns the drive is told which it is; who is checks the
// disc without any privilege, the speed's cap included.
func TestGuestGroup(t *testing.T) {
	inGuest(t)
	disc := dataDisc(600)
	disc.Faults[300] = &mmctest.Fault{UpTo: mmc.CDSpeed}
	sim := &mmctest.Drive{}
	sim.Insert(disc)
	node := attach(t, sim, 600)
	if err := errors.Join(os.Chown(node, 0, 24), os.Chmod(node, 0o660)); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		groups []uint32
	}{{"outside", nil}, {"inside", []uint32{24}}} {
		cmd := exec.CommandContext(t.Context(), "/proc/self/exe", "-test.run=^TestUnprivileged$", "-test.v")
		cmd.Env = []string{"VM_NODE=" + node, "VM_GROUP=" + tc.name}
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 1000, Gid: 1000, Groups: tc.groups}}
		out, err := cmd.CombinedOutput()
		if err != nil || !bytes.Contains(out, []byte("--- PASS: TestUnprivileged")) {
			t.Errorf("%s of the group: %v\n%s", tc.name, err, out)
		}
	}
}

// TestUnprivileged is what TestGuestGroup runs as another user.
func TestUnprivileged(t *testing.T) {
	node := os.Getenv("VM_NODE")
	if node == "" {
		t.Skip("run by TestGuestGroup")
	}
	d, err := optical.OpenDrive(t.Context(), node)
	if os.Getenv("VM_GROUP") == "outside" {
		var denied *scsi.DeniedError
		if !errors.As(err, &denied) || denied.Group != "cdrom" || !errors.Is(err, fixity.ErrDenied) {
			t.Errorf("outside of the group: %v", err)
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	res, err := d.Check(t.Context(), optical.CheckOptions{Now: time.Now})
	if n := res.Map.Counts(); err != nil || n.AtOnce != 599 || n.Retried != 1 || res.Speed != optical.ShelfCD*mmc.CDSpeed || res.Lowest != mmc.CDSpeed {
		t.Errorf("%+v, %+v, %v", res, n, err)
	}
}
