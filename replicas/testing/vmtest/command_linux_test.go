package vmtest_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"

	"golang.org/x/sys/unix"
)

// An audio disc made of the access files, in a drive that reads by more than a sector
// too late.
func TestGuestCommandAudio(t *testing.T) {
	inGuest(t)
	p := firmus(t)
	const late = 667
	disc := burn(t, p.dir, 0, 1, 2)
	sim, node := plug(t, disc, late)
	out, _ := p.run(0, "--json", "disc", "identify", "--drive", node)
	if !strings.Contains(out, `"QD-0041 A"`) {
		t.Errorf("identified as %s", out)
	}
	good := func(c checked) {
		t.Helper()
		if c.Disc != "QD-0041" || c.Twin != "A" || c.Kind != "audio" || c.Verdict != "intact" || len(c.Files)+len(c.Unreadable)+len(c.Differing)+len(c.Findings)+len(c.Problems) != 0 {
			t.Errorf("%+v", c)
		}
		if c.Offset == nil || *c.Offset != late || c.Edge != late || c.Sectors != disc.LeadOut || c.Medium != "CD-R" || !strings.HasPrefix(c.Drive, "QUILLM") || c.Speed == 0 {
			t.Errorf("%+v", c)
		}
	}
	good(p.check(0, "--drive", node))
	differ(t, "left in the folder of checks", len(p.kept()), 0)
	// By now the drive's offset is known.
	good(p.check(0, "QD-0041", "A", "--drive", node))

	disc.Faults[120], disc.Faults[121] = &mmctest.Fault{}, &mmctest.Fault{}
	disc.Faults[300] = &mmctest.Fault{UpTo: mmc.CDSpeed}
	disc.Doubts[500] = &mmctest.Doubt{Bytes: []int{9, 1000}}
	bad := func(c checked) {
		t.Helper()
		differ(t, "verdict", c.Verdict, "unreadable")
		samePlaces(t, "unreadable", c.Unreadable, place{120, 2}, place{500, 1})
		samePlaces(t, "differing", c.Differing)
		if c.Offset == nil || *c.Offset != late || c.Doubtful != 1 || c.Retried != 1 {
			t.Errorf("%+v", c)
		}
		if len(c.Files) != 2 || c.Files[0].Path != "QV-0107/"+tracks[0].name || c.Files[0].State != "unreadable" || c.Files[1].Path != "QV-0107/"+tracks[1].name || c.Files[1].State != "unreadable" {
			t.Errorf("files: %+v", c.Files)
		}
		if len(c.Findings) != 2 || c.Findings[0].Disc != "QD-0041 A" || c.Findings[0].Kind != "unreadable" {
			t.Errorf("findings: %+v", c.Findings)
		}
	}
	bad(p.check(1, "QD-0041", "A", "--drive", node))

	// Taken out in the middle: what was read is kept, and the check goes on from there.
	midway(sim, 450, sim.Eject)
	c := p.check(3, "QD-0041", "A", "--drive", node)
	if !strings.Contains(c.Error, "the tray is open") || !strings.Contains(c.Error, "the same command within a day goes on") {
		t.Errorf("taken out: %q", c.Error)
	}
	if names := p.kept(); !slices.Equal(names, []string{".map"}) {
		t.Errorf("taken out: kept %v", names)
	}
	sim.Insert(disc)
	again := 0
	sim.Before = func(_ int, cdb []byte) {
		if at, n, ok := readAt(cdb); ok && at == 120 && n == 1 {
			again++
		}
	}
	c = p.check(1, "QD-0041", "A", "--drive", node)
	if bad(c); !c.Resumed {
		t.Error("begun anew after the disc was taken out")
	}
	if again != optical.TriesAtLowest {
		t.Errorf("a sector that had been tried before was tried %d times more", again)
	}
	differ(t, "left in the folder of checks", len(p.kept()), 0)

	// Repaired, so to say: the findings end.
	clear(disc.Faults)
	clear(disc.Doubts)
	sim.Before = nil
	good(p.check(0, "QD-0041", "A", "--drive", node))
}

// A data disc that another program wrote, with bad sectors in a file, in its file
// system and in nothing.
func TestGuestCommandData(t *testing.T) {
	inGuest(t)
	p := firmus(t)
	disc, first := burnData(t)
	sim, node := plug(t, disc, 0)
	good := func(c checked) {
		t.Helper()
		if c.Disc != "QD-0033" || c.Kind != "data" || c.Verdict != "intact" || len(c.Files)+len(c.Unreadable)+len(c.Findings) != 0 || c.Sectors != disc.LeadOut {
			t.Errorf("%+v", c)
		}
	}
	good(p.check(0, "--drive", node))
	disc.Faults[first+3], disc.Faults[first+4] = &mmctest.Fault{}, &mmctest.Fault{}
	disc.Faults[first+60] = &mmctest.Fault{}
	disc.Faults[disc.LeadOut-40] = &mmctest.Fault{} // the padding
	broken := disc.Faults
	bad := func(c checked) {
		t.Helper()
		differ(t, "verdict", c.Verdict, "unreadable")
		samePlaces(t, "unreadable", c.Unreadable, place{first + 3, 2}, place{first + 60, 1}, place{disc.LeadOut - 40, 1})
		differ(t, "sectors of nothing", c.Free, 1)
		differ(t, "sectors of the file system", c.Structure, 0)
		if len(c.Files) != 1 || c.Files[0].Path != "QV-0108/"+burnedFile || c.Files[0].State != "unreadable" || !slices.Equal(c.Files[0].Ranges, []span{{3 * 2048, 4096}, {60 * 2048, 2048}}) {
			t.Errorf("files: %+v", c.Files)
		}
		if len(c.Findings) != 1 || c.Findings[0].Disc != "QD-0033" {
			t.Errorf("findings: %+v", c.Findings)
		}
	}
	bad(p.check(1, "--drive", node))

	// Of its file system: the first descriptor, besides which there is a second.
	disc.Faults = map[int64]*mmctest.Fault{16: {}}
	c := p.check(1, "--drive", node)
	if samePlaces(t, "unreadable", c.Unreadable, place{16, 1}); c.Verdict != "unreadable" || c.Disc != "QD-0033" || c.Structure != 1 || c.Free != 0 || len(c.Files) != 0 || len(c.Findings) != 1 {
		t.Errorf("%+v", c)
	}
	disc.Faults = broken

	// Where the state folder has no room for the sectors, files are read a second time.
	room := filepath.Join(p.dir, "state/discs")
	if err := errors.Join(os.MkdirAll(room, 0o700), unix.Mount("tmpfs", room, "tmpfs", 0, "mode=0777,size=1m")); err != nil {
		t.Fatal(err)
	}
	c = p.check(1, "--drive", node)
	if err := unix.Unmount(room, 0); err != nil {
		t.Error(err)
	}
	if bad(c); len(c.Problems) != 1 || !strings.Contains(c.Problems[0], "a second time") {
		t.Errorf("without room: %q", c.Problems)
	}

	// A desktop mounts a disc when it is put in. That is no hindrance.
	if err := unix.Mount(node, "/mnt", "iso9660", unix.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	bad(p.check(1, "QD-0033", "--drive", node))
	if err := unix.Unmount("/mnt", 0); err != nil {
		t.Error(err)
	}

	// Stopped by the person: it goes on.
	state, out := p.signalled(sim, 200, os.Interrupt, "--json", "disc", "check", "QD-0033", "--drive", node)
	if state.ExitCode() != 3 || !strings.Contains(out, "stopped, as asked") {
		t.Errorf("interrupted: %v\n%s", state, out)
	}
	if names := p.kept(); !slices.Equal(names, []string{".map"}) {
		t.Errorf("interrupted: kept %v", names)
	}
	c = p.check(1, "QD-0033", "--drive", node)
	if bad(c); !c.Resumed {
		t.Error("begun anew after it was interrupted")
	}

	// Killed: nothing is kept of the disc's bytes, and nobody is locked out.
	if state, _ := p.signalled(sim, 200, os.Kill, "disc", "check", "QD-0033", "--drive", node); state.Exited() {
		t.Errorf("not killed: %v", state)
	}
	differ(t, "left by a check that was killed", len(p.kept()), 0)
	bad(p.check(1, "QD-0033", "--drive", node))

	// Unplugged in the middle, and plugged into another socket.
	midway(sim, 200, func() {
		done := make(chan struct{})
		go func() {
			defer close(done)
			if err := os.WriteFile(filepath.Join("/sys/block", filepath.Base(node), "device/delete"), []byte("1"), 0); err != nil {
				t.Error(err)
			}
		}()
		slowly(sim, done)
	})
	if c := p.check(3, "QD-0033", "--drive", node); !strings.Contains(c.Error, "unplugged") {
		t.Errorf("unplugged: %q", c.Error)
	}
	sim, node = plug(t, disc, 0)
	c = p.check(1, "QD-0033", "--drive", node)
	if bad(c); !c.Resumed {
		t.Error("begun anew in the other drive")
	}

	clear(disc.Faults)
	good(p.check(0, "QD-0033", "--drive", node))

	// As a DVD, whose speed is set otherwise. The drive is that of the configuration.
	dvd := *disc
	dvd.Profile = mmc.DVDR
	dvd.Faults = map[int64]*mmctest.Fault{first: {UpTo: mmc.DVDSpeed}}
	sim.Insert(&dvd)
	config := filepath.Join(p.dir, "firmus.toml")
	if err := os.WriteFile(config, []byte(worldConfig+"[store.shelf]\nkind = \"optical\"\ndrive = \""+node+"\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	defer os.WriteFile(config, []byte(worldConfig), 0o644)
	c = p.check(0)
	if good(c); c.Medium != "DVD-R" || c.Speed != optical.AnyDVD*mmc.DVDSpeed || c.Retried != 1 {
		t.Errorf("%+v", c)
	}
	if out, _ := p.run(0, "check"); !strings.Contains(out, "drive "+node+": a disc lies in it") {
		t.Errorf("firmus check: %s", out)
	}
	out, errs := p.run(0, "disc", "check", "QD-0033")
	if !strings.Contains(out, "IDENTICAL") || !strings.Contains(out, "QUILLM SIMULATED DRIVE") || !strings.Contains(errs, "look at the disc first") {
		t.Errorf("%s\n%s", out, errs)
	}
	p.groups = nil
	if out, _ := p.run(3, "check"); !strings.Contains(out, "NOT OK") || !strings.Contains(out, `group "cdrom"`) {
		t.Errorf("firmus check outside of the group: %s", out)
	}
}

// What keeps a disc from being checked: each says what it is, and none counts as said
// of the disc.
func TestGuestCommandErrors(t *testing.T) {
	inGuest(t)
	p := firmus(t)
	audio := burn(t, p.dir, 0, 1, 2)
	sim, node := plug(t, audio, 30)
	events := func() string {
		out, _ := p.run(0, "--json", "disc", "list")
		return out
	}
	before := events()
	refused := func(what, want string, args ...string) {
		t.Helper()
		_, errs := p.run(3, append([]string{"disc", "check", "QD-0041", "A", "--drive", node}, args...)...)
		if !strings.Contains(errs, want) {
			t.Errorf("%s: %s", what, errs)
		}
		if _, errs := p.run(3, "disc", "identify", "--drive", node); !strings.Contains(errs, want) {
			t.Errorf("%s: identify: %s", what, errs)
		}
	}
	sim.Eject()
	refused("open", "the tray is open")
	sim.CloseTray()
	refused("empty", "there is no disc in the drive")
	sim.Insert(&mmctest.Disc{Tracks: []mmctest.Track{{Number: 1}}, LeadOut: 1, Content: fill})
	refused("blank", "nothing is written on the disc")
	sim.Insert(audio)

	outside := p
	outside.groups = nil
	if _, errs := outside.run(3, "disc", "check", "QD-0041", "A", "--drive", node); !strings.Contains(errs, `group "cdrom"`) {
		t.Errorf("not in the group: %s", errs)
	}

	// Swapped in the middle, and seen at once or only at the end.
	other := burn(t, p.dir, 1)
	for _, tc := range []struct {
		name string
		do   func()
	}{{"swapped", func() { sim.Insert(other) }}, {"swapped without a sign", func() { sim.Swap(other) }}} {
		sim.Insert(audio)
		midway(sim, 150, tc.do)
		if _, errs := p.run(3, "disc", "check", "QD-0041", "A", "--drive", node); !strings.Contains(errs, "was changed while it was read") || strings.Contains(errs, "goes on from there") {
			t.Errorf("%s: %s", tc.name, errs)
		}
		differ(t, tc.name+": kept", len(p.kept()), 0)
	}
	sim.Before = nil
	differ(t, "what is known of the discs", events(), before)

	// The other disc is told from the one that was meant.
	if c := p.check(1, "QD-0041", "A", "--drive", node); c.Verdict != "other" || !slices.Equal(c.Proved, []string{"QD-0042"}) {
		t.Errorf("%+v", c)
	}
	if c := p.check(0, "--drive", node); c.Verdict != "intact" || c.Disc != "QD-0042" || c.Offset == nil || *c.Offset != 30 {
		t.Errorf("%+v", c)
	}

	// Two checks of one disc at the same time.
	sim.Insert(audio)
	var second checked
	midway(sim, 150, func() {
		done := make(chan struct{})
		go func() {
			defer close(done)
			second = p.check(3, "QD-0041", "A", "--drive", node)
		}()
		slowly(sim, done)
	})
	if c := p.check(0, "QD-0041", "A", "--drive", node); c.Verdict != "intact" {
		t.Errorf("%+v", c)
	}
	if !strings.Contains(second.Error, "archivist") || !strings.Contains(second.Error, "is checking it") {
		t.Errorf("the second check: %q", second.Error)
	}

	// A drive that is busy for a while is waited for.
	midway(sim, 150, func() { sim.Busy(3) })
	if c := p.check(0, "QD-0041", "A", "--drive", node); c.Verdict != "intact" {
		t.Errorf("%+v", c)
	}
	sim.Before = nil

	// The group may only read: the kernel lets no speed be set then.
	if err := os.Chmod(node, 0o640); err != nil {
		t.Fatal(err)
	}
	if c := p.check(0, "QD-0041", "A", "--drive", node); c.Verdict != "intact" || c.Speed != 0 || len(c.Problems) != 1 || !strings.Contains(c.Problems[0], "speed") {
		t.Errorf("%+v", c)
	}
}

// The emulator's own drives, with the data disc whose sector is bad.
func TestGuestCommandEmulated(t *testing.T) {
	inGuest(t)
	p := firmus(t)
	_, first := burnData(t)
	for _, model := range []string{"QEMU CD-ROM", "QEMU DVD-ROM"} {
		node := find(t, "QEMU", model)
		own(t, node)
		if out, _ := p.run(0, "disc", "identify", "--drive", node); !strings.Contains(out, "Its contents are those of QD-0033") {
			t.Errorf("%s: %s", model, out)
		}
		c := p.check(1, "--drive", node)
		samePlaces(t, model, c.Unreadable, place{first + emulated, 1})
		if c.Disc != "QD-0033" || c.Verdict != "unreadable" || len(c.Files) != 1 || c.Files[0].Path != "QV-0108/"+burnedFile || !slices.Equal(c.Files[0].Ranges, []span{{emulated * 2048, 2048}}) {
			t.Errorf("%s: %+v", model, c)
		}
	}
}
