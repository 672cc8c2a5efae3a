package vmtest_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/mmc/mmctest"

	"golang.org/x/sys/unix"
)

// cdrom is the group that owns drives, as in etc/group; person is who works with them.
const (
	cdrom  = 24
	person = 1000
)

// checked is what of a check's JSON is looked at.
type checked struct {
	Disc       string   `json:"disc"`
	Twin       string   `json:"twin"`
	Kind       string   `json:"kind"`
	Verdict    string   `json:"verdict"`
	Sectors    int64    `json:"sectors"`
	Unreadable []place  `json:"unreadable"`
	Differing  []place  `json:"differing"`
	Offset     *int     `json:"offset_samples"`
	Edge       int64    `json:"not_comparable_samples"`
	Doubtful   int64    `json:"doubtful"`
	Retried    int64    `json:"retried"`
	Structure  int64    `json:"structure"`
	Free       int64    `json:"free"`
	Files      []held   `json:"files"`
	Proved     []string `json:"proved"`
	Medium     string   `json:"medium"`
	Drive      string   `json:"drive"`
	Speed      int      `json:"speed"`
	Problems   []string `json:"problems"`
	Resumed    bool     `json:"resumed"`
	Findings   []struct {
		Kind string `json:"kind"`
		Disc string `json:"disc"`
	} `json:"findings"`
	Error string `json:"error"`
	Exit  int    `json:"exit"`
}

type place struct {
	LBA   int64 `json:"lba"`
	Count int64 `json:"count"`
}

type held struct {
	Path   string `json:"path"`
	State  string `json:"state"`
	Ranges []span `json:"ranges"`
}

type span struct {
	Offset int64 `json:"offset"`
	Length int64 `json:"length"`
}

// world is the archive that the program works on. It is made once.
var world = sync.OnceValues(func() (string, error) {
	const dir = "/tmp/quillmere"
	if err := os.CopyFS(dir, os.DirFS("/"+worldDir)); err != nil {
		return "", err
	}
	old := time.Now().Add(-30 * 24 * time.Hour)
	return dir, filepath.WalkDir(dir, func(p string, _ fs.DirEntry, err error) error {
		return errors.Join(err, os.Chtimes(p, old, old), os.Chown(p, person, person))
	})
})

// program is the firmus of this machine, as somebody runs it who is in groups.
type program struct {
	*testing.T
	dir    string
	groups []uint32
}

var prepared atomic.Bool

// firmus gives the program in an archive with three discs on its shelf.
func firmus(t *testing.T) program {
	t.Helper()
	dir, err := world()
	if err != nil {
		t.Fatal(err)
	}
	p := program{t, dir, []uint32{cdrom}}
	if prepared.Swap(true) {
		return p
	}
	p.run(0, "intake")
	audio := []string{"disc", "add", "QD-0041", "--twin", "A", "--kind", "audio"}
	for _, tr := range tracks {
		audio = append(audio, "access/QV-0107/"+tr.name)
	}
	p.run(0, audio...)
	p.run(0, "disc", "add", "QD-0042", "--kind", "audio", "access/QV-0107/"+tracks[1].name)
	p.run(0, "disc", "add", "QD-0033", "--kind", "data", "masters/QV-0108")
	return p
}

func (p program) start(args ...string) (*exec.Cmd, *bytes.Buffer, *bytes.Buffer) {
	var out, errs bytes.Buffer
	cmd := exec.CommandContext(p.Context(), "/bin/firmus", args...)
	cmd.Dir, cmd.Env = p.dir, []string{"HOME=/tmp", "TZ=UTC", "PATH=/bin"}
	cmd.Stdout, cmd.Stderr = &out, &errs
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: person, Gid: person, Groups: p.groups}}
	return cmd, &out, &errs
}

// run runs the program, asks for just that exit status, and gives what it said.
func (p program) run(exit int, args ...string) (stdout, stderr string) {
	p.Helper()
	cmd, out, errs := p.start(args...)
	err := cmd.Run()
	if cmd.ProcessState == nil {
		p.Fatalf("%v: %v", args, err)
	}
	if got := cmd.ProcessState.ExitCode(); got != exit {
		p.Errorf("%v: exit status %d, want %d (%v)\n%s\n%s", args, got, exit, err, out, errs)
	}
	return out.String(), errs.String()
}

// check runs "disc check" with more arguments and reads its JSON.
func (p program) check(exit int, args ...string) checked {
	p.Helper()
	out, errs := p.run(exit, append([]string{"--json", "disc", "check"}, args...)...)
	var c checked
	if err := json.Unmarshal([]byte(out), &c); err != nil {
		p.Fatalf("%v: %v\n%s\n%s", args, err, out, errs)
	}
	if c.Exit != exit {
		p.Errorf("%v: exit %d in the document, want %d", args, c.Exit, exit)
	}
	return c
}

// kept is what lies in the folder of checks that are going on.
func (p program) kept() (names []string) {
	p.Helper()
	list, err := os.ReadDir(filepath.Join(p.dir, "state/discs"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		p.Fatal(err)
	}
	for _, x := range list {
		names = append(names, filepath.Ext(x.Name()))
	}
	return names
}

// own makes a drive belong to the group, as a system's rules do.
func own(t *testing.T, node string) {
	t.Helper()
	if err := errors.Join(os.Chown(node, 0, cdrom), os.Chmod(node, 0o660)); err != nil {
		t.Fatal(err)
	}
}

// plug attaches a simulated drive that reads offset samples late.
func plug(t *testing.T, disc *mmctest.Disc, offset int) (*mmctest.Drive, string) {
	t.Helper()
	sim := &mmctest.Drive{Offset: offset, Flags: mmctest.Honest}
	if disc != nil {
		sim.Insert(disc)
	}
	node := attach(t, sim, 2000)
	own(t, node)
	return sim, node
}

// burn makes an audio disc of access files, by their numbers in tracks.
func burn(t *testing.T, dir string, numbers ...int) *mmctest.Disc {
	t.Helper()
	d := &mmctest.Disc{Status: mmc.Complete, Faults: map[int64]*mmctest.Fault{}, Doubts: map[int64]*mmctest.Doubt{}}
	var pcm []byte
	for i, n := range numbers {
		b, err := os.ReadFile(filepath.Join(dir, "studio/access/QV-0107", tracks[n].name))
		if err != nil {
			t.Fatal(err)
		}
		d.Tracks = append(d.Tracks, mmctest.Track{Number: i + 1, LBA: int64(len(pcm) / 2352)})
		pcm = append(pcm, b[44:]...)
		pcm = append(pcm, make([]byte, (2352-len(pcm)%2352)%2352)...)
	}
	d.LeadOut = int64(len(pcm) / 2352)
	d.Content = func(lba int64, b []byte) { copy(b, pcm[lba*2352:]) }
	return d
}

// burnData makes a data disc of the image that another program wrote.
func burnData(t *testing.T) (d *mmctest.Disc, first int64) {
	t.Helper()
	iso, first := fileSectors(t, "/")
	return &mmctest.Disc{
		Tracks: []mmctest.Track{{Number: 1, Data: true}}, LeadOut: int64(len(iso) / 2048), Status: mmc.Complete, Faults: map[int64]*mmctest.Fault{},
		Content: func(lba int64, b []byte) { copy(b, iso[lba*2048:]) },
	}, first
}

// readAt gives which sectors a command reads.
func readAt(cdb []byte) (lba, count int64, ok bool) {
	be := binary.BigEndian
	switch cdb[0] {
	case 0x28:
		return int64(be.Uint32(cdb[2:])), int64(be.Uint16(cdb[7:])), true
	case 0xA8:
		return int64(be.Uint32(cdb[2:])), int64(be.Uint32(cdb[6:])), true
	case 0xBE:
		return int64(be.Uint32(cdb[2:])), int64(cdb[6])<<16 | int64(cdb[7])<<8 | int64(cdb[8]), true
	}
	return 0, 0, false
}

// midway does something once, when the reading of a whole disc comes to sector lba.
func midway(sim *mmctest.Drive, lba int64, do func()) {
	var once sync.Once
	begun := false // the check reads from the beginning; before it some places are looked at
	sim.Before = func(_ int, cdb []byte) {
		at, n, ok := readAt(cdb)
		begun = begun || ok && at == 0 && n > 3
		if begun && ok && at >= lba && n > 3 {
			once.Do(do)
		}
	}
}

func differ[T comparable](t *testing.T, what string, got, want T) {
	t.Helper()
	if got != want {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

func samePlaces(t *testing.T, what string, got []place, want ...place) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

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

	// Where the state folder has no room for the sectors, files are read a second time.
	state := filepath.Join(p.dir, "state/discs")
	if err := errors.Join(os.MkdirAll(state, 0o700), unix.Mount("tmpfs", state, "tmpfs", 0, "mode=0777,size=1m")); err != nil {
		t.Fatal(err)
	}
	c := p.check(1, "--drive", node)
	if err := unix.Unmount(state, 0); err != nil {
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
	cmd, out, errs := p.start("--json", "disc", "check", "QD-0033", "--drive", node)
	midway(sim, 200, func() {
		_ = cmd.Process.Signal(os.Interrupt) // its end shows whether it came
		time.Sleep(300 * time.Millisecond)
	})
	_ = cmd.Run()
	if code := cmd.ProcessState.ExitCode(); code != 3 || !strings.Contains(out.String(), "stopped, as asked") {
		t.Errorf("interrupted: %d\n%s\n%s", code, out, errs)
	}
	if names := p.kept(); !slices.Equal(names, []string{".map"}) {
		t.Errorf("interrupted: kept %v", names)
	}
	sim.Before = nil
	c = p.check(1, "QD-0033", "--drive", node)
	if bad(c); !c.Resumed {
		t.Error("begun anew after it was interrupted")
	}

	// Unplugged in the middle, and plugged into another socket.
	midway(sim, 200, func() {
		go os.WriteFile(filepath.Join("/sys/block", filepath.Base(node), "device/delete"), []byte("1"), 0)
		time.Sleep(100 * time.Millisecond)
	})
	if c := p.check(3, "QD-0033", "--drive", node); !strings.Contains(c.Error, "unplugged") {
		t.Errorf("unplugged: %q", c.Error)
	}
	_, node = plug(t, disc, 0)
	c = p.check(1, "QD-0033", "--drive", node)
	if bad(c); !c.Resumed {
		t.Error("begun anew in the other drive")
	}

	clear(disc.Faults)
	good(p.check(0, "QD-0033", "--drive", node))
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
		before := sim.Before
		sim.Before = func(n int, cdb []byte) { // reading goes on, slowly, until it has ended
			if _, _, ok := readAt(cdb); ok {
				select {
				case <-done:
				case <-time.After(50 * time.Millisecond):
				}
			}
			before(n, cdb)
		}
	})
	if c := p.check(0, "QD-0041", "A", "--drive", node); c.Verdict != "intact" {
		t.Errorf("%+v", c)
	}
	if !strings.Contains(second.Error, "archivist") {
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
