//go:build amd64 || arm64

package main

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/testing/calls"
)

func init() {
	if v := os.Getenv(calls.Env); v != "" {
		calls.Listen(v)
	}
}

// badDrive is what befalls a program's calls.
type badDrive struct {
	name string
	on   func(calls.Call) bool // the calls of which one is chosen
	// from: what befalls it befalls all such calls that come after it, too.
	from   bool
	answer calls.Answer
	// other: another drive is in the place of the vault from then on, and the one that was there
	// gives errors: an empty folder, or one with such names as the vault's and a marker, or none.
	other bool
	// slow: it is waited for up to a minute, so it is only tried where it is asked for.
	slow bool
	says string // what the program says then, unless it did all that it was asked for
	// seen: what the program was given may be in the record, as a finding that ends when the
	// same is said again. So only what lies there and what copies are is compared.
	seen bool
}

// hungAtMost is how long a command may take while a store hangs: it waits for it once for a minute,
// and a little before, to find out where its folders lead and which drive it lies on.
const hungAtMost = 3 * time.Minute

func store(c calls.Call) bool {
	return c.Under("studio") || c.Under("vault")
}

func flipped(p []byte, _ int64) {
	if len(p) > 0 {
		p[len(p)/2] ^= 0x10
	}
}

var badDrives = []badDrive{
	{name: "is full from then on", on: func(c calls.Call) bool { return c.Room }, from: true, answer: calls.Answer{Err: syscall.ENOSPC}},
	{name: "has no room once", on: func(c calls.Call) bool { return c.Room }, answer: calls.Answer{Err: syscall.ENOSPC}},
	{name: "fails once", on: func(calls.Call) bool { return true }, answer: calls.Answer{Err: syscall.EIO}, seen: true},
	{name: "writes in part", on: func(c calls.Call) bool { return c.Room }, answer: calls.Answer{Most: 7}},
	{name: "is killed", on: func(c calls.Call) bool { return c.Changes }, answer: calls.Answer{Kill: true}},
	{name: "is read-only from then on", on: func(c calls.Call) bool { return c.Changes && store(c) }, from: true, answer: calls.Answer{Err: syscall.EROFS}},
	{name: "goes away", on: func(c calls.Call) bool { return c.Under("vault") }, from: true, answer: calls.Answer{Err: syscall.EIO}, seen: true},
	{name: "refuses once", on: store, answer: calls.Answer{Err: syscall.EACCES}, seen: true},
	{name: "gives another byte once", on: func(c calls.Call) bool { return c.Read && store(c) }, answer: calls.Answer{Change: flipped}, seen: true},
	{name: "is another one from then on", on: func(c calls.Call) bool { return c.Under("vault") }, other: true, seen: true},
	{name: "hangs", on: func(c calls.Call) bool { return c.Under("vault") }, from: true, answer: calls.Answer{Hangs: true}, seen: true, slow: true, says: "answer"},
	{name: "gives a few bytes at a time", on: func(c calls.Call) bool { return c.Read }, from: true, answer: calls.Answer{Most: 4096}, seen: true},
}

// TestFaults runs commands that write on a drive that is bad from some call on, of all that
// they make of the kernel: which command, which fault and which call is drawn by chance. Each
// recording is what it was or what it becomes; the command ends with a message about what is
// wrong; and when the drive is well, the same command comes to what it comes to without a
// fault, with nothing left over.
//
// FIRMUS_FAULTS says how often, FIRMUS_FAULTS_SEED by which chance, FIRMUS_FAULTS_OF of which
// rows, FIRMUS_FAULTS_BY by which fault (parts of the name).
func TestFaults(t *testing.T) {
	if apart(t, chosenBy...) {
		return
	}
	total, seed := chosenFaults(t, 3, 20)
	perRow := max(total/len(killRows), min(total, 5))
	if os.Getenv("FIRMUS_FAULTS") != "" {
		perRow = max(total/len(killRows), 1)
	}
	w := newKillWorld(t)
	dice := rand.New(rand.NewPCG(uint64(seed), 0))
	sum := moments{}
	for _, i := range dice.Perm(len(killRows)) {
		r := killRows[i]
		if !strings.Contains(r.String(), os.Getenv("FIRMUS_FAULTS_OF")) {
			continue
		}
		if total <= 0 {
			break
		}
		n := min(perRow, total)
		total -= n
		t.Run(r.String(), func(t *testing.T) {
			w.t, w.dice = t, rand.New(rand.NewPCG(uint64(seed), uint64(i)))
			sum.add(w.faults(r, n))
		})
	}
	t.Logf("in all: %v", sum)
	if len(sum) == 0 {
		t.Error("nothing was tried")
	}
}

// chosenBy are the variables by which faults are chosen.
var chosenBy = []string{"FIRMUS_FAULTS", "FIRMUS_FAULTS_SEED", "FIRMUS_FAULTS_OF", "FIRMUS_FAULTS_BY", "FIRMUS_FAULTS_LOUD"}

// chosenFaults says how often faults are tried, and by which chance: plainly, with
// FIRMUS_ALL_PARTS, or as the environment says.
func chosenFaults(t *testing.T, plainly, all int) (total int, seed int64) {
	t.Helper()
	total, seed = plainly, time.Now().UnixNano()%1_000_000_000
	if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
		total = all
	}
	for name, to := range map[string]func(int64){"FIRMUS_FAULTS": func(n int64) { total = int(n) }, "FIRMUS_FAULTS_SEED": func(n int64) { seed = n }} {
		if s := os.Getenv(name); s != "" {
			n, err := strconv.ParseInt(s, 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			to(n)
		}
	}
	t.Logf("FIRMUS_FAULTS=%d FIRMUS_FAULTS_SEED=%d", total, seed)
	return total, seed
}

// answered runs a row's command with its calls answered, and gives its status and words.
func (w *killWorld) answered(r killRow, fault func(calls.Call) calls.Answer) (exit int, said string) {
	w.t.Helper()
	c := w.child(w.args(r)...)
	var out bytes.Buffer
	c.Stdin, c.Stdout, c.Stderr = strings.NewReader(r.in), &out, &out
	err := calls.Run(c, w.dir, fault)
	if errors.Is(err, calls.ErrNoListener) {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			w.t.Fatal(err)
		}
		w.t.Skip(err)
	}
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) {
		w.t.Fatalf("%v: %s", err, &out)
	}
	return c.ProcessState.ExitCode(), out.String()
}

// faults tries a row n times, and says how the tries ended.
func (w *killWorld) faults(r killRow, n int) moments {
	t := w.t
	w.load(w.base)
	if r.before != nil {
		r.before(w)
	}
	ready := w.base + "-row"
	w.save(ready)
	w.anew(r, ready)
	before := recordings(t, w.dir)
	// Only a ledger that knows the vault can tell that another drive is in its place, and who says
	// that what lies there is the vault means just that.
	marked := !strings.HasPrefix(r.command, "store ")
	for _, p := range []string{"state/ledger.db", "vault/masters/.firmus-store.vault"} {
		_, err := os.Stat(filepath.Join(w.dir, p))
		marked = marked && err == nil
	}
	var all []calls.Call
	if exit, said := w.answered(r, func(c calls.Call) calls.Answer { all = append(all, c); return calls.Answer{} }); exit != r.exit {
		t.Fatalf("%s: exit %d, want %d\n%s", r, exit, r.exit, said)
	}
	after := recordings(t, w.dir)
	w.afterwards(r)
	want := stateOf(t, w.dir)
	count := moments{}
	for range n {
		var can []badDrive
		for _, b := range badDrives {
			if by := os.Getenv("FIRMUS_FAULTS_BY"); strings.Contains(b.name, by) && (by != "" || !b.slow) && (marked || !b.other) && b.among(all) > 0 {
				can = append(can, b)
			}
		}
		if len(can) == 0 {
			continue
		}
		b := can[w.dice.IntN(len(can))]
		w.anew(r, ready)
		count[w.fault(r, b, w.dice.IntN(b.among(all)), maps.Clone(before), maps.Clone(after), want)]++
		if t.Failed() {
			break
		}
	}
	t.Logf("%d calls: %v", len(all), count)
	return count
}

// among is how many of the calls it may befall first.
func (b badDrive) among(all []calls.Call) (n int) {
	for _, c := range all {
		if b.on(c) {
			n++
		}
	}
	return n
}

// A befalling is what a bad drive did to a program.
type befalling struct {
	w     *killWorld
	b     badDrive
	k     int        // calls of its kind before it
	lasts int        // calls that one goes on for which isn't there once only; 0: to the end
	n     int        // calls that it might have befallen
	at    calls.Call // the first that it did
	drive *otherDrive
}

// by answers a call; bad says that it is the fault's answer.
func (x *befalling) by(c calls.Call) (bad bool, a calls.Answer) {
	if c.Under("unplugged") {
		return false, calls.Answer{Err: syscall.EIO}
	}
	if !x.b.on(c) {
		return false, calls.Answer{}
	}
	if x.n++; x.n == x.k+1 {
		x.at = c
		if x.b.other {
			x.drive = x.w.plugIn()
		}
	}
	if x.n == x.k+1 || x.b.from && x.n > x.k && (x.lasts == 0 || x.b.answer.Hangs || x.n <= x.k+x.lasts) {
		return true, x.b.answer
	}
	return false, calls.Answer{}
}

// fault runs a row with a fault at the k-th call that it may befall, and again without.
func (w *killWorld) fault(r killRow, b badDrive, k int, before, after map[string]string, want state) string {
	t := w.t
	began, waits := time.Now(), []string{}
	hit := &befalling{w: w, b: b, k: k}
	exit, said := w.answered(r, func(c calls.Call) calls.Answer {
		bad, a := hit.by(c)
		if bad {
			waits = append(waits, fmt.Sprintf("  %v %s", time.Since(began).Round(time.Second), c))
		}
		return a
	})
	n, at, drive := hit.n, hit.at, hit.drive
	where := fmt.Sprintf("%s: a drive that %s, at call %d of its kind (%s; exit %d)", r, b.name, k, at, exit)
	if took := time.Since(began); took > hungAtMost {
		t.Errorf("%s: it ended after %v; what hung:\n%s\n%s", where, took, strings.Join(waits, "\n"), said)
	}
	if n > k && exit != r.exit && !strings.Contains(said, b.says) {
		t.Errorf("%s: it doesn't say %q:\n%s", where, b.says, said)
	}
	if drive != nil {
		where += ", " + drive.what
		if d := drive.putBack(w); d != "" {
			t.Errorf("%s: the other drive isn't what it was:\n%s%s", where, d, said)
		}
	}
	if !b.answer.Kill && (exit < 0 || exit > 3 || strings.Contains(said, "goroutine ")) {
		t.Errorf("%s\n%s", where, said)
	}
	if os.Getenv("FIRMUS_FAULTS_LOUD") != "" {
		t.Logf("%s\n%s", where, said)
	}
	if exit > 1 && !w.clear(said, r, at) {
		t.Errorf("%s: nothing says what is wrong:\n%s", where, said)
	}
	if b.seen { // a file that gave other bytes isn't taken in, and its manifest leaves it out
		now := recordings(t, w.dir)
		for p := range now {
			if strings.HasPrefix(path.Base(p), "manifest-") {
				before[p], after[p] = now[p], now[p]
			}
		}
	}
	w.middle(where, true, before, after)
	again, text := w.try(r.in, w.args(r)...)
	if b.seen && strings.Contains(text, "Then audit again.") { // one of two readings failed: as it says
		w.try("", "audit")
		again = r.exit
	}
	if again != r.exit && again != r.done {
		t.Errorf("%s: said again, it ends with %d, want %d\n%s%s", where, again, r.exit, said, text)
	}
	w.afterwards(r)
	got := stateOf(t, w.dir)
	if b.seen && r.command == "init" { // what can't be told of a folder isn't asked about
		return "is another question"
	}
	if d := got.seen(b.seen).unlike(want.seen(b.seen)); d != "" {
		t.Errorf("%s: said again, the archive isn't what it is on a drive that is well:\n%s%s%s", where, d, said, text)
	}
	switch {
	case n <= k:
		return "was over before"
	case exit < 0:
		return "killed"
	case exit == r.exit:
		return "went on"
	}
	return "ended with a message"
}

// otherDrive is what lies in the place of the vault, which is in the folder unplugged meanwhile.
type otherDrive struct {
	what string
	was  map[string]string
}

func (w *killWorld) plugIn() *otherDrive {
	w.t.Helper()
	if err := os.Rename(filepath.Join(w.dir, "vault"), filepath.Join(w.dir, "unplugged")); err != nil {
		w.t.Fatal(err)
	}
	d := &otherDrive{what: []string{"an empty one", "one without a marker", "one of other holdings"}[w.dice.IntN(3)]}
	for _, set := range []string{"masters", "access"} {
		if err := os.MkdirAll(filepath.Join(w.dir, "vault", set), 0o755); err != nil {
			w.t.Fatal(err)
		}
		if d.what == "one of other holdings" {
			w.put("vault/"+set+"/.firmus-store.vault", []byte("holdings: 0123456789abcdef0123456789abcdef\nstore: fedcba9876543210fedcba9876543210\nset: "+set+"\n"))
		}
	}
	if d.what != "an empty one" {
		for _, f := range killFiles {
			w.put("vault/"+f, tune("of others "+f, 700, false))
		}
		w.put("vault/masters/QV-0101/manifest-sha256.txt", []byte("theirs\n"))
	}
	d.was = treeOf(w.t, filepath.Join(w.dir, "vault"))
	return d
}

// putBack plugs the vault in again, and says what was done to the other drive.
func (d *otherDrive) putBack(w *killWorld) string {
	w.t.Helper()
	v := filepath.Join(w.dir, "vault")
	now := treeOf(w.t, v)
	var b strings.Builder
	for p, sum := range d.was {
		if is, ok := now[p]; !ok || is != sum {
			fmt.Fprintf(&b, "  changed or gone: %s\n", p)
		}
	}
	for p := range now {
		if _, ok := d.was[p]; !ok {
			fmt.Fprintf(&b, "  new: %s\n", p)
		}
	}
	if err := os.RemoveAll(v); err != nil {
		w.t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(w.dir, "unplugged"), v); err != nil {
		w.t.Fatal(err)
	}
	return b.String()
}

// clear says that a message names what it is about, and not by a name that is nobody's.
func (w *killWorld) clear(said string, r killRow, at calls.Call) bool {
	names := append([]string{w.dir, "studio", "vault", "QV-", "firmus.toml", "ledger", "register"}, r.args...)
	if at.Path != "" {
		names = append(names, path.Base(at.Path))
	}
	return !strings.Contains(said, ".firmus-new") && slices.ContainsFunc(names, func(n string) bool { return strings.Contains(said, n) })
}

// recorded are columns that keep how something was seen first.
var recorded = regexp.MustCompile(` (vouched|sole)=\d`)

// seen leaves out what was recorded on the way.
func (s state) seen(only bool) (out state) {
	if !only {
		return s
	}
	for _, l := range s {
		l = recorded.ReplaceAllString(l, "")
		if strings.HasPrefix(l, "file ") || strings.HasPrefix(l, "instance ") || strings.HasPrefix(l, "version ") {
			out = append(out, l)
		}
	}
	return out
}

// TestAFirstLookThatDiffersIsLookedAtTwice: a byte that was read wrong once, in whichever store a
// new file is first seen, is no dispute that a person would have to decide: it is said, and the
// same intake once more takes the file in.
func TestAFirstLookThatDiffersIsLookedAtTwice(t *testing.T) {
	if apart(t) {
		return
	}
	w := newKillWorld(t)
	r := killRow{command: "intake"}
	const file = "/masters/QV-0109/QV-0109_A.wav"
	for _, store := range []string{"studio", "vault"} {
		w.load(w.base)
		for _, s := range []string{"studio", "vault"} {
			w.put(s+file, tune("new", 300, false))
		}
		flips := 0
		exit, said := w.answered(r, func(c calls.Call) calls.Answer {
			if !c.Read || c.Path != store+file || flips > 0 {
				return calls.Answer{}
			}
			flips++
			return calls.Answer{Change: flipped}
		})
		if exit != 3 || flips != 1 || strings.Contains(said, "DISPUTED") || !strings.Contains(said, "gave other bytes when it was read once more") {
			t.Errorf("%s: exit %d, %d bytes turned over: %s", store, exit, flips, said)
		}
		w.run(0, "intake")
		if exit, said := w.try("", "findings"); exit != 0 {
			t.Errorf("%s: findings: exit %d: %s", store, exit, said)
		}
		w.run(0, "retire", "--dry-run", strings.TrimPrefix(file, "/")) // it is under care
	}
}

// TestNoSingleReadingIsWrittenDown: what a command reads gives another byte once, by each of its
// readings in turn. It writes down what is so, or nothing, and then it says what was read twice.
func TestNoSingleReadingIsWrittenDown(t *testing.T) {
	if apart(t) {
		return
	}
	w := newKillWorld(t)
	for _, c := range []struct {
		command, args    string
		file, made, says string
		ready            func()
	}{
		{command: "manifest write", args: "folder", file: "folder/a.wav", made: "folder/manifest-sha256.txt", says: "once more", ready: func() { w.put("folder/a.wav", tune("a", 900, false)) }},
		{command: "receive", args: "stick --into masters/QV-0106 --sides A", file: "stick/REC001.WAV", made: "studio/masters/QV-0106/QV-0106_A.wav", says: "once more", ready: func() { w.put("stick/REC001.WAV", tune("r1", 900, false)) }},
		{command: "bag make", args: "studio/masters/QV-0101 bag", file: "studio/masters/QV-0101/QV-0101_A.wav", made: "bag/manifest-sha512.txt", says: "once more"},
		{command: "bag item", args: "QV-0101 bag --restricted", file: "/masters/QV-0101/QV-0101_A.wav", made: "bag/manifest-sha512.txt"},
	} {
		w.load(w.base)
		if c.ready != nil {
			c.ready()
		}
		ready := w.base + "-row"
		w.save(ready)
		r := killRow{command: c.command, args: strings.Fields(c.args)}
		try := func(k int) (exit int, said, made string, met bool) {
			w.load(ready)
			n := 0
			exit, said = w.answered(r, func(x calls.Call) (a calls.Answer) {
				if !x.Read || !strings.HasSuffix(x.Path, c.file) {
					return a
				}
				if n == k {
					met, a.Change = true, flipped
				}
				n++
				return a
			})
			b, err := os.ReadFile(filepath.Join(w.dir, filepath.FromSlash(c.made)))
			if err != nil && !errors.Is(err, os.ErrNotExist) {
				t.Fatal(err)
			}
			return exit, said, string(b), met
		}
		exit, said, want, _ := try(-1)
		if exit != 0 || want == "" {
			t.Fatalf("%s: exit %d: %s", r, exit, said)
		}
		steady, told := 0, 0
		for k := 0; ; k++ {
			exit, said, made, met := try(k)
			if !met {
				break
			}
			switch {
			case made == want:
				steady++
			case made != "":
				t.Errorf("%s, reading %d: wrong bytes were written down (exit %d): %s", r, k, exit, said)
			case exit != 3 || !strings.Contains(said, c.says):
				t.Errorf("%s, reading %d: exit %d: %s", r, k, exit, said)
			default:
				told++
			}
		}
		if c.says != "" && told < 2 || c.says == "" && steady == 0 {
			t.Errorf("%s: %d wrong readings were told, of %d no harm came", r, told, steady)
		}
	}
}
