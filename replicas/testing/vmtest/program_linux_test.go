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
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
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

// slowly makes each read take longer and longer until done is closed, so that a check
// is still at work when something happens to it. Called in Before only.
func slowly(sim *mmctest.Drive, done <-chan struct{}) {
	wait := 30 * time.Millisecond
	sim.Before = func(_ int, cdb []byte) {
		if _, _, ok := readAt(cdb); !ok {
			return
		}
		select {
		case <-done:
		case <-time.After(wait):
			wait += wait / 4
		}
	}
}

// signalled starts a check that is sent a signal when it comes to sector lba, and waits
// for its end.
func (p program) signalled(sim *mmctest.Drive, lba int64, s os.Signal, args ...string) (state *os.ProcessState, stdout string) {
	p.Helper()
	cmd, out, _ := p.start(args...)
	ended := make(chan struct{})
	midway(sim, lba, func() {
		_ = cmd.Process.Signal(s) // how it ends shows whether it came
		slowly(sim, ended)
	})
	err := cmd.Run()
	close(ended)
	if cmd.ProcessState == nil {
		p.Fatal(err)
	}
	sim.Before = nil
	return cmd.ProcessState, out.String()
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
