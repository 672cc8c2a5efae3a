package vmtest_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The power goes while the program writes to a real file system: ext4, which has a journal,
// and FAT, which has none. The kernel logs what reaches the drive; the log is replayed up to
// some moment, with all or some of what the drive hadn't flushed by then, and the file system
// is mounted as it was left.

// volume is the size of a file system, in bytes.
const volume = 112 << 20 // much must stay free where a file is put back

// TestKernelPowerCut starts the machine in which TestCut… run. It takes minutes, and runs only if
// FIRMUS_VM_CUTS says at how many moments the power goes on each file system.
func TestKernelPowerCut(t *testing.T) {
	cuts := os.Getenv("FIRMUS_VM_CUTS")
	if os.Getenv("FIRMUS_VM_TEST") != "1" || cuts == "" {
		t.Skip("FIRMUS_VM_TEST isn't 1, or FIRMUS_VM_CUTS doesn't say how often the power goes")
	}
	dir := t.TempDir()
	root := kernel(t, dir)
	if there, err := filepath.Glob(filepath.Join(root, "lib/modules/*/kernel/drivers/md/dm-log-writes.ko*")); err != nil || len(there) == 0 {
		t.Skip("this kernel has no module that logs what is written to a device (dm-log-writes)")
	}
	build(t, dir)
	image := func(name string, mkfs ...string) {
		path := filepath.Join(dir, name)
		f, err := os.Create(path)
		if err == nil {
			err = errors.Join(f.Truncate(volume), f.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
		run(t, dir, mkfs[0], append(mkfs[1:], path)...)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var packed bytes.Buffer
		w := gzip.NewWriter(&packed)
		if _, err := w.Write(b); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Close(), os.WriteFile(path, packed.Bytes(), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	image("ext4", "mkfs.ext4", "-q", "-F", "-b", "4096", "-J", "size=4", "-E", "lazy_itable_init=0,lazy_journal_init=0")
	image("vfat", "mkfs.vfat")
	initrd := filepath.Join(dir, "initrd.img")
	writeInitramfs(t, initrd, root, dir, []string{"ext4", "vfat"}, "brd", "loop", "dm-log-writes", "vfat", "nls_cp437", "nls_iso8859-1", "nls_ascii", "ext4")
	seed := strconv.FormatInt(time.Now().UnixNano(), 10)
	if s := os.Getenv("FIRMUS_POWER_SEED"); s != "" {
		seed = s
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Minute)
	defer cancel()
	start(ctx, t, root, initrd, "768", fmt.Sprintf("firmus.vm=cuts firmus.cuts=%s firmus.seed=%s", cuts, seed), "TestCut", 2)
}

// kernelSays is what the kernel was started with under a name.
func kernelSays(t *testing.T, name string) uint64 {
	t.Helper()
	b, err := os.ReadFile("/proc/cmdline")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range strings.Fields(string(b)) {
		if v, ok := strings.CutPrefix(f, name+"="); ok {
			n, err := strconv.ParseUint(v, 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
	}
	t.Fatal(name, "isn't said")
	return 0
}

const (
	mounted = "/mnt"
	cutName = "cut"
)

// cut is an archive of which one file system is cut off.
type cut struct {
	*testing.T
	kind              string
	device, logDevice string // in memory: a file system, and what was written to it
	state             string // where the state folder lies
	says              string
	bad               []byte // the damaged file in the vault
}

var cutFiles = []string{"QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav", "QV-0108/QV-0108_A.wav"}

func cutFile(i int) []byte { return wave(tune(uint64(30+i), 4000)) }

type cutStep struct {
	name  string
	args  []string
	again []int        // how it may end if it is given once more
	holds func(w *cut) // what it said it did is there
}

// cutSteps are the commands, one after the other.
var cutSteps = []cutStep{
	{"recover", []string{"recover", "--store", "vault", "--reason", "cut"}, []int{0}, func(w *cut) {
		for i, f := range cutFiles {
			w.is("vault/"+f, cutFile(i))
		}
		kept, _ := filepath.Glob(mounted + "/vault/.firmus-kept/*/*.damaged")
		if !slices.ContainsFunc(kept, func(k string) bool { b, err := os.ReadFile(k); return err == nil && bytes.Equal(b, w.bad) }) {
			w.Errorf("what lay in the place isn't kept whole: %q", kept)
		}
	}},
	{"sheet", []string{"report", "holdings", "--as", "csv", "--out", mounted + "/held.csv"}, []int{0}, func(w *cut) {
		if b, err := os.ReadFile(mounted + "/held.csv"); err != nil || !bytes.HasSuffix(b, []byte("\n")) || bytes.IndexByte(b, 0) >= 0 {
			w.Errorf("the sheet: %d bytes, %v", len(b), err)
		}
	}},
	{"bag", []string{"bag", "make", mounted + "/vault/QV-0107", mounted + "/bag"}, []int{0, 2}, func(w *cut) {
		w.ends([]int{0}, "bag", "verify", mounted+"/bag")
	}},
	{"receive", []string{"receive", "/tmp/stick", "--into", "masters/QV-0600", "--sides", "A"}, []int{0}, func(w *cut) {
		w.is("studio/QV-0600/QV-0600_A.wav", cutFile(9))
	}},
}

func (w *cut) run(args ...string) int {
	w.Helper()
	cmd := exec.CommandContext(w.Context(), "/bin/firmus", append([]string{"--config", w.config()}, args...)...)
	cmd.Dir, cmd.Env = "/tmp", []string{"HOME=/tmp", "TZ=UTC", "PATH=/bin"}
	out, err := cmd.CombinedOutput()
	w.says = string(out)
	if cmd.ProcessState == nil {
		w.Fatal(err)
	}
	return cmd.ProcessState.ExitCode()
}

func (w *cut) ends(want []int, args ...string) {
	w.Helper()
	if !w.endsOrStops(want, args...) {
		w.Errorf("%q: the kernel lets nothing be written any more\n%s", args, w.says)
	}
}

// endsOrStops is ends; false where the command says that nothing can be written, and the kernel
// found the file system wrong and made it read-only. FAT needs a repair then, by whoever has it.
func (w *cut) endsOrStops(want []int, args ...string) bool {
	w.Helper()
	got := w.run(args...)
	var st unix.Statfs_t
	if err := unix.Statfs(mounted, &st); err != nil {
		w.Fatal(err)
	}
	if got == 3 && st.Flags&unix.ST_RDONLY != 0 && !slices.Contains(want, got) {
		return false
	}
	if !slices.Contains(want, got) {
		w.Errorf("%q: exit %d, want one of %v\n%s", args, got, want, w.says)
	}
	return true
}

func (w *cut) config() string { return filepath.Join(w.state, "firmus.toml") }

func (w *cut) is(path string, want []byte) {
	w.Helper()
	if b, err := os.ReadFile(filepath.Join(mounted, path)); err != nil || !bytes.Equal(b, want) {
		w.Errorf("%s has %d bytes, not those that it should (%v)", path, len(b), err)
	}
}

func (w *cut) put(path string, b []byte) {
	w.Helper()
	at := time.Now().AddDate(0, -1, 0)
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, b, 0o644), os.Chtimes(path, at, at)); err != nil {
		w.Fatal(err)
	}
}

func (w *cut) mount(device string) {
	w.Helper()
	if err := unix.Mount(device, mounted, w.kind, 0, ""); err != nil {
		w.Fatalf("mount %s: %v", device, err)
	}
}

func (w *cut) unmount() {
	w.Helper()
	if err := unix.Unmount(mounted, 0); err != nil {
		w.Fatal("unmount:", err)
	}
}

// read gives what the device holds.
func (w *cut) read() image {
	w.Helper()
	f, err := os.Open(w.device)
	if err != nil {
		w.Fatal(err)
	}
	defer f.Close()
	return imageOf(w.T, f, volume)
}

// begin makes an archive with a damaged and a missing copy, and gives the file system's bytes.
func (w *cut) begin() image {
	w.Helper()
	f, err := os.Open("/" + w.kind)
	if err != nil {
		w.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		w.Fatal(err)
	}
	d, err := os.OpenFile(w.device, os.O_WRONLY, 0)
	if err != nil {
		w.Fatal(err)
	}
	for at, b := range imageOf(w.T, z, volume) {
		if _, err := d.WriteAt(b, at); err != nil {
			w.Fatal(err)
		}
	}
	if err := d.Close(); err != nil {
		w.Fatal(err)
	}
	w.mount(w.device)
	for i, p := range cutFiles {
		w.put(mounted+"/studio/"+p, cutFile(i))
		w.put(mounted+"/vault/"+p, cutFile(i))
	}
	w.put("/tmp/stick/REC0001.WAV", cutFile(9))
	w.put(w.config(), []byte(`name = "Quillmere Valley Song Survey"
state = "`+w.state+`/state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
own_drive = true
sets = { masters = "`+mounted+`/studio" }
[store.vault]
kind = "disk"
own_drive = true
sets = { masters = "`+mounted+`/vault" }
`))
	w.ends([]int{0}, "intake")
	w.ends([]int{0}, "audit")
	w.bad = cutFile(0)
	w.bad[6000] ^= 9
	w.put(mounted+"/vault/"+cutFiles[0], w.bad)
	if err := os.Remove(mounted + "/vault/" + cutFiles[2]); err != nil {
		w.Fatal(err)
	}
	w.ends([]int{1}, "audit", "vault", "--full")
	w.ends([]int{0}, cutSteps[1].args...) // a sheet that will be replaced
	w.unmount()
	if w.Failed() {
		w.FailNow()
	}
	return w.read()
}

// untouched holds the files that no command writes to.
func (w *cut) untouched() {
	w.Helper()
	for i, f := range cutFiles {
		w.is("studio/"+f, cutFile(i))
	}
	w.is("vault/"+cutFiles[1], cutFile(1))
}

// moments are where the power goes: of them n, the same ones for the same numbers.
func moments(rnd *rand.Rand, log []entry, n int) []int {
	var all []int
	for i := range log {
		if log[i].flags&(logFlush|logFUA|logMark) != 0 || i%8 == 0 {
			all = append(all, i+1)
		}
	}
	rnd.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	all = all[:min(n, len(all))]
	slices.Sort(all)
	return all
}

// TestCutExt4: the whole archive lies on ext4. After a cut at any moment each place holds the
// old file or the new one, whole; the ledger's record holds; what a command had said it did is
// there; and the command that was cut off does its work when it is given again.
func TestCutExt4(t *testing.T) {
	inGuest(t)
	w := &cut{T: t, kind: "ext4", device: "/dev/ram0", logDevice: "/dev/ram1", state: mounted}
	base, log, rnd := w.record(func(string) {})
	for _, at := range moments(rnd, log, int(kernelSays(t, "firmus.cuts"))) {
		some := rnd
		if rnd.IntN(3) == 0 {
			some = nil
		}
		was, free := left(base, log, at, some).lay(t, "/tmp/left", volume)
		w.mount(was)
		done := passed(log[:at])
		w.untouched()
		w.either("vault/"+cutFiles[0], w.bad, cutFile(0))
		w.either("vault/"+cutFiles[2], nil, cutFile(2))
		w.either("studio/QV-0600/QV-0600_A.wav", nil, cutFile(9))
		cutSteps[1].holds(w) // the old sheet or the new one
		w.ends([]int{0}, "ledger", "verify")
		for _, s := range cutSteps[:done] {
			s.holds(w)
		}
		if done < len(cutSteps) {
			w.ends(cutSteps[done].again, cutSteps[done].args...)
			cutSteps[done].holds(w)
		}
		w.ends([]int{0}, "ledger", "verify")
		w.untouched()
		w.unmount()
		free()
		if t.Failed() {
			t.Fatalf("after write %d of %d, %d commands done, some of what wasn't flushed: %v", at, len(log), done, some != nil)
		}
	}
}

// TestCutFAT: the stores lie on FAT, the state folder elsewhere. FAT has no journal: while a
// name changes the place may be torn, and that is let pass for what was written just then.
// All else is whole, what a command had said it did is there, what lay in the place is kept,
// and the command that was cut off does its work when it is given again.
func TestCutFAT(t *testing.T) {
	inGuest(t)
	w := &cut{T: t, kind: "vfat", device: "/dev/ram2", logDevice: "/dev/ram3", state: "/tmp/fat"}
	keep := func(step string) {
		if err := os.CopyFS("/tmp/fat-"+step, os.DirFS(w.state)); err != nil {
			t.Fatal(err)
		}
	}
	base, log, rnd := w.record(keep)
	torn := 0
	for _, at := range moments(rnd, log, int(kernelSays(t, "firmus.cuts"))) {
		some := rnd
		if rnd.IntN(3) == 0 {
			some = nil
		}
		was, free := left(base, log, at, some).lay(t, "/tmp/left", volume)
		w.mount(was)
		done := passed(log[:at])
		from := "begin"
		if done > 0 {
			from = cutSteps[done-1].name
		}
		if err := errors.Join(os.RemoveAll(w.state), os.CopyFS(w.state, os.DirFS("/tmp/fat-"+from))); err != nil {
			t.Fatal(err)
		}
		w.untouched()
		for _, s := range cutSteps[:done] {
			s.holds(w)
		}
		for _, p := range []struct {
			path     string
			old, new []byte
		}{{"vault/" + cutFiles[0], w.bad, cutFile(0)}, {"vault/" + cutFiles[2], nil, cutFile(2)}, {"studio/QV-0600/QV-0600_A.wav", nil, cutFile(9)}} {
			if !w.holdsEither(p.path, p.old, p.new) {
				torn++
				t.Logf("after write %d of %d: %s is torn", at, len(log), p.path)
			}
		}
		went := w.endsOrStops([]int{0, 1}, "audit", "--full")
		if went && done < len(cutSteps) {
			if went = w.endsOrStops(cutSteps[done].again, cutSteps[done].args...); went {
				cutSteps[done].holds(w)
			}
		}
		if !went {
			t.Logf("after write %d of %d: the kernel made it read-only, and %s", at, len(log), w.says)
		}
		w.untouched()
		w.unmount()
		free()
		if t.Failed() {
			t.Fatalf("after write %d of %d, %d commands done, some of what wasn't flushed: %v", at, len(log), done, some != nil)
		}
	}
	t.Logf("%d places were torn while they were written", torn)
}

// record runs the commands while the device logs what they write. kept is called before the
// first, and after each.
func (w *cut) record(kept func(step string)) (base image, log []entry, rnd *rand.Rand) {
	w.Helper()
	base = w.begin()
	kept("begin")
	m := logged(w.T, cutName, volume, w.device, w.logDevice)
	w.mount("/dev/dm-0")
	for _, s := range cutSteps {
		w.ends([]int{0}, s.args...)
		s.holds(w)
		m.mark(cutName, s.name)
		kept(s.name)
	}
	w.unmount()
	m.remove(cutName)
	log = readLog(w.T, w.logDevice)
	marks, flushes, size := 0, 0, 0
	for _, e := range log {
		if e.mark != "" {
			marks++
		}
		if e.flags&logFlush != 0 {
			flushes++
		}
		size += len(e.data)
	}
	if marks < len(cutSteps) || flushes < 10 {
		w.Fatalf("%d writes, %d marks, %d flushes", len(log), marks, flushes)
	}
	// All of the log makes what lies on the device.
	if !w.read().equal(left(base, log, len(log), nil)) {
		w.Fatal("the log doesn't make what was written")
	}
	seed := kernelSays(w.T, "firmus.seed")
	w.Logf("%s: %d writes of %d bytes, %d flushes; FIRMUS_POWER_SEED=%d", w.kind, len(log), size, flushes, seed)
	return base, log, rand.New(rand.NewPCG(seed, 3))
}

// passed says how many commands had ended; the next one was to come, or was cut off.
func passed(log []entry) (done int) {
	for _, e := range log {
		if slices.ContainsFunc(cutSteps, func(s cutStep) bool { return s.name == e.mark }) {
			done++
		}
	}
	return done
}

func (w *cut) holdsEither(path string, old, new []byte) bool {
	b, err := os.ReadFile(filepath.Join(mounted, path))
	if errors.Is(err, fs.ErrNotExist) {
		return old == nil
	}
	return err == nil && (old != nil && bytes.Equal(b, old) || bytes.Equal(b, new))
}

func (w *cut) either(path string, old, new []byte) {
	w.Helper()
	if !w.holdsEither(path, old, new) {
		w.Errorf("%s holds neither the old file nor the new one", path)
	}
}
