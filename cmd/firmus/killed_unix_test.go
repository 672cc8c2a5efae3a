//go:build unix

package main

import (
	"bytes"
	"database/sql"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"firmus/fixity/testing/ledgertest"
)

// TestKilled kills every command that writes, at moments that are spread by chance over a run
// of it that was measured. Right after the kill each recording is what it was or what it
// becomes. Then the person says the same command again, and the archive has to be what it is
// where nothing was killed, with nothing left over. Half as often a run finds no room behind some
// byte of its files instead. What only shows leaves the archive as it is. A command that has no
// row in killRows or onlyShown, and no reason in notKilled, fails it.
//
// A plain go test takes a third of the rows, each time others. FIRMUS_KILLS says how often in
// all, FIRMUS_KILLS_SEED by which chance, FIRMUS_KILLS_OF of which rows (a part of the name).
func TestKilled(t *testing.T) {
	root := (&command{out: io.Discard, err: &plain{w: io.Discard}}).root()
	said := map[string]int{}
	rows := map[string]bool{}
	for _, r := range killRows {
		if !rows[r.command] {
			said[r.command]++
		}
		rows[r.command] = true
	}
	for c := range onlyShown {
		said[c]++
	}
	for c := range notKilled {
		said[c]++
	}
	everyCommand(root, func(cmd *cobra.Command) {
		path := strings.TrimPrefix(cmd.CommandPath(), "firmus ")
		if cmd.Runnable() && !cmd.HasSubCommands() && said[path] != 1 {
			t.Errorf("%s: say once how it is killed, that it only shows, or why it isn't killed", path)
		}
	})
	if testing.Short() {
		t.Skip("a long run of kills")
	}
	if apart(t, "FIRMUS_KILLS", "FIRMUS_KILLS_SEED", "FIRMUS_KILLS_OF") {
		return
	}
	number := func(name string, n int64) int64 {
		if s := os.Getenv(name); s != "" {
			var err error
			if n, err = strconv.ParseInt(s, 10, 64); err != nil {
				t.Fatal(err)
			}
		}
		return n
	}
	all := os.Getenv("FIRMUS_ALL_PARTS") == "1"
	total := int64(len(killRows)) * 4 / 3
	if all {
		total = 200
	}
	total = number("FIRMUS_KILLS", total)
	seed := number("FIRMUS_KILLS_SEED", time.Now().UnixNano()%1_000_000_000)
	t.Logf("%d kills, FIRMUS_KILLS_SEED=%d", total, seed)
	w := newKillWorld(t)
	sum := moments{}
	of := os.Getenv("FIRMUS_KILLS_OF")
	if of == "" || of == "shows" {
		t.Run("shows", func(t *testing.T) {
			w.t = t
			w.shows()
		})
	}
	perRow := int(total) * 4 / 5 / len(killRows) // the rest are the daemon's
	for i, r := range killRows {
		if of != "" && !strings.Contains(r.String(), of) {
			continue
		}
		if of == "" && !all && os.Getenv("FIRMUS_KILLS") == "" && (int64(i)+seed)%3 != 0 {
			continue // a third of them, of another run the others
		}
		t.Run(r.String(), func(t *testing.T) {
			w.t, w.dice = t, rand.New(rand.NewPCG(uint64(seed), uint64(i)))
			sum.add(w.kill(r, perRow))
		})
	}
	if of == "" || of == "serve" {
		t.Run("serve", func(t *testing.T) {
			w.t, w.dice = t, rand.New(rand.NewPCG(uint64(seed), uint64(len(killRows))))
			sum.add(w.killDaemon(int(total) - perRow*len(killRows)))
		})
	}
	t.Logf("in all: %v", sum)
}

// shows runs what only shows, and holds the archive behind each against what it was.
func (w *killWorld) shows() {
	t := w.t
	w.load(w.base)
	audited(w)
	discAdded(w)
	w.run(0, "disc", "add", "QD-0051", "--kind", "audio", "access/QV-0101")
	w.put("folder/a.wav", tune("a", 300, false))
	w.run(0, "manifest", "write", "folder")
	w.run(0, "bag", "make", "folder", "bag")
	if exit, said := w.try(passwords, "account", "add", "Ada Wren", "--role", "reviewer"); exit != 0 {
		t.Fatal(said)
	}
	before := stateOf(t, w.dir)
	for c, rows := range onlyShown {
		for _, args := range rows {
			args = append(strings.Fields(c), args...)
			if exit, said := w.try("", args...); exit > 1 || said == "" {
				t.Errorf("%q ends with %d: %s", args, exit, said)
			}
			if d := stateOf(t, w.dir).unlike(before); d != "" {
				t.Fatalf("%q only shows, and left another archive:\n%s", args, d)
			}
		}
	}
}

// moments counts kills by how far the run had come.
type moments map[string]int

func (m moments) add(n moments) {
	for k, v := range n {
		m[k] += v
	}
}

// killRow is a command that is killed.
type killRow struct {
	command string // the words that name it
	what    string // in which case
	args    []string
	in      string // what is typed
	exit    int    // of a run that nobody kills
	before  func(*killWorld)
	// each makes what lies outside the archive what it was, before each run; back is done
	// behind each, before archives are compared.
	each, back func(*killWorld)
	done       int // where it is said again, and was done already
	// night has an audit run a day later, before archives are compared: it makes up what a
	// command that was killed leaves to it, such as readings, manifests and the backup.
	night bool
}

func (r killRow) String() string { return strings.TrimSpace(r.command + " " + r.what) }

// killWorld is an archive in a folder, made anew from another for each try.
type killWorld struct {
	t     *testing.T
	dice  *rand.Rand
	dir   string // where it lies: always there, as the ledger knows places
	base  string // as it is before any row
	start time.Duration

	server *ledgertest.Server // of the rows that move a ledger
	url    string             // of a database there; "URL" in a row's arguments
}

func newKillWorld(t *testing.T) *killWorld {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	w := &killWorld{t: t, dir: filepath.Join(dir, "archive"), base: filepath.Join(dir, "base")}
	if err := os.MkdirAll(w.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Chdir(w.dir)
	// What a program leaves where temporary files lie shows, too.
	t.Setenv("TMPDIR", filepath.Join(w.dir, "tmp"))
	t.Setenv("HOME", filepath.Join(w.dir, "home"))
	t.Setenv("XDG_CONFIG_HOME", "")
	t.Setenv("FIRMUS_CONFIG", "")
	w.makeBase()
	w.save(w.base)
	for range 3 { // how long a program takes that does nothing
		began := time.Now()
		if err := w.child("version").Run(); err != nil {
			t.Fatal(err)
		}
		w.start = time.Since(began)
	}
	return w
}

// save keeps the archive as it is in another folder.
func (w *killWorld) save(to string) {
	w.t.Helper()
	if err := os.RemoveAll(to); err != nil {
		w.t.Fatal(err)
	}
	if out, err := exec.Command("cp", "-a", w.dir, to).CombinedOutput(); err != nil {
		w.t.Fatalf("%v: %s", err, out)
	}
}

// load makes the archive what it was when it was saved.
func (w *killWorld) load(from string) {
	w.t.Helper()
	es, err := os.ReadDir(w.dir)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, e := range es {
		if err := os.RemoveAll(filepath.Join(w.dir, e.Name())); err != nil {
			w.t.Fatal(err)
		}
	}
	if out, err := exec.Command("cp", "-a", from+"/.", w.dir).CombinedOutput(); err != nil {
		w.t.Fatalf("%v: %s", err, out)
	}
}

// child is the program in a process of its own.
func (w *killWorld) child(args ...string) *exec.Cmd {
	c := exec.Command(os.Args[0], args...)
	c.Dir, c.Env = w.dir, append(os.Environ(), beProgram+"=1")
	return c
}

// run runs a command that ends as it should.
func (w *killWorld) run(want int, args ...string) {
	w.t.Helper()
	if got, said := w.try("", args...); got != want {
		w.t.Fatalf("%q: exit %d, want %d\n%s", args, got, want, said)
	}
}

func (w *killWorld) try(in string, args ...string) (exit int, said string) {
	var out bytes.Buffer
	exit = run(args, strings.NewReader(in), &out, &out)
	return exit, out.String()
}

// kill does one row, and says when the kills fell.
func (w *killWorld) kill(r killRow, kills int) moments {
	t := w.t
	if kills == 0 {
		return nil
	}
	w.load(w.base)
	if r.before != nil {
		r.before(w)
	}
	ready := w.base + "-row"
	w.save(ready)
	args := w.args(r)
	before := recordings(t, w.dir)

	// The run that nobody kills, measured: the first is slower.
	var want state
	var took time.Duration
	for range 2 {
		w.anew(r, ready)
		c := w.child(args...)
		var said bytes.Buffer
		c.Stdin, c.Stdout, c.Stderr = strings.NewReader(r.in), &said, &said
		began := time.Now()
		if err := c.Run(); c.ProcessState == nil || c.ProcessState.ExitCode() != r.exit {
			t.Fatalf("%q: %v, want exit %d\n%s", args, err, r.exit, &said)
		}
		took = time.Since(began)
		w.afterwards(r)
		s := stateOf(t, w.dir)
		if want != nil {
			if d := s.unlike(want); d != "" {
				t.Fatalf("two runs that nobody killed came to different archives:\n%s", d)
			}
		}
		want = s
	}
	after := recordings(t, w.dir)
	count := moments{}
	for n := range kills {
		w.anew(r, ready)
		c := w.child(args...)
		c.Stdin = strings.NewReader(r.in)
		// Behind the moments in which it starts only, to a little behind its end.
		at := time.Duration(float64(w.start)*0.7 + w.dice.Float64()*(float64(took)*1.05-float64(w.start)*0.7))
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(at, func() { c.Process.Kill() })
		err := c.Wait()
		timer.Stop()
		where := fmt.Sprintf("kill %d, %v into a run of %v", n, at, took)
		killed := c.ProcessState.ExitCode() < 0
		if !killed && c.ProcessState.ExitCode() != r.exit {
			t.Fatalf("%s: it ended by itself with %v", where, err)
		}
		count[w.middle(where, killed, before, after)]++
		exit, said := w.try(r.in, args...)
		if exit != r.exit && exit != r.done {
			t.Errorf("%s: said again, it ends with %d, want %d\n%s", where, exit, r.exit, said)
		}
		w.afterwards(r)
		if d := stateOf(t, w.dir).unlike(want); d != "" {
			t.Errorf("%s: said again, the archive isn't what it is without a kill:\n%s%s", where, d, said)
		}
		if t.Failed() {
			t.FailNow()
		}
	}
	for range kills / 2 {
		if count[w.full(r, ready, args, before, after, want)]++; t.Failed() {
			t.FailNow()
		}
	}
	t.Logf("%d kills in a run of %v: %v", kills, took.Round(time.Millisecond), count)
	return count
}

// args are a row's command and its arguments.
func (w *killWorld) args(r killRow) []string {
	args := strings.Fields(r.command)
	for _, a := range r.args {
		args = append(args, strings.ReplaceAll(a, "URL", w.url))
	}
	return args
}

// anew makes all what it was before the command.
func (w *killWorld) anew(r killRow, ready string) {
	w.t.Helper()
	w.load(ready)
	if r.each != nil {
		r.each(w)
	}
}

// afterwards is the night behind a command.
func (w *killWorld) afterwards(r killRow) {
	w.t.Helper()
	if r.back != nil {
		r.back(w)
	}
	if !r.night {
		return
	}
	w.sql(`UPDATE backup SET at = at - 86400000000000`)
	if exit, said := w.try("", "audit"); exit > 1 {
		w.t.Errorf("the night's audit ends with %d: %s", exit, said)
	}
}

// fullAt in the environment is how many bytes a file of the program may have: what is written
// behind them fails, as on a drive that is full (setrlimit(2), RLIMIT_FSIZE).
const fullAt = "FIRMUS_TEST_FULL_AT"

func init() {
	children[fullAt] = func(v string) {
		n, err := strconv.ParseUint(v, 10, 63)
		if err == nil {
			signal.Ignore(syscall.SIGXFSZ)
			err = syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: n, Max: n})
		}
		if err != nil {
			panic(err)
		}
	}
}

// full runs a row where nothing can be written behind some byte of a file, and again where
// that is over. It says how often the first run failed.
func (w *killWorld) full(r killRow, ready string, args []string, before, after map[string]string, want state) string {
	w.anew(r, ready)
	// Each size is as likely as half of it: small files fail at some, the ledger at others.
	at := int(math.Exp(w.dice.Float64() * math.Log(1<<20)))
	c := w.child(args...)
	c.Env = append(c.Env, fmt.Sprint(fullAt, "=", at))
	var said bytes.Buffer
	c.Stdin, c.Stdout, c.Stderr = strings.NewReader(r.in), &said, &said
	err := c.Run()
	exit := c.ProcessState.ExitCode()
	where := fmt.Sprintf("no file may have more than %d bytes (exit %d)", at, exit)
	if exit < 0 || exit > 3 || strings.Contains(said.String(), "goroutine ") {
		w.t.Errorf("%s: %v\n%s", where, err, &said)
	}
	w.middle(where, true, before, after)
	again, text := w.try(r.in, args...)
	if again != r.exit && again != r.done {
		w.t.Errorf("%s: said again, it ends with %d, want %d\n%s", where, again, r.exit, text)
	}
	w.afterwards(r)
	if d := stateOf(w.t, w.dir).unlike(want); d != "" {
		w.t.Errorf("%s: said again, the archive isn't what it is on a drive with room:\n%s%s%s", where, d, &said, text)
	}
	if exit == r.exit {
		return "had room"
	}
	return "had no room"
}

// middle looks at the archive as the kill left it: each recording is what it was or what it
// becomes. It says how far the run had come.
func (w *killWorld) middle(where string, killed bool, before, after map[string]string) string {
	w.t.Helper()
	now := recordings(w.t, w.dir)
	for p := range maps.Keys(before) {
		if _, ok := now[p]; !ok && after[p] != "" {
			w.t.Errorf("%s: %s is gone", where, p)
		}
	}
	for p, sum := range now {
		if sum != before[p] && sum != after[p] {
			w.t.Errorf("%s: %s is neither what it was nor what it becomes", where, p)
		}
	}
	if !killed {
		return "ended"
	}
	if maps.Equal(now, before) {
		return "before a file"
	}
	return "after a file"
}

// recordings are the digests of what lies in the stores under a name of its own.
func recordings(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := treeOf(t, dir)
	for p := range out {
		if base := filepath.Base(p); !strings.HasPrefix(p, "studio/") && !strings.HasPrefix(p, "vault/") || strings.HasSuffix(p, "/") || strings.Contains(p, "/.firmus") || strings.HasPrefix(base, ".firmus") {
			delete(out, p)
		}
	}
	return out
}

// put writes a file of the archive that has been at rest for a month.
func (w *killWorld) put(p string, b []byte) {
	w.t.Helper()
	p = filepath.Join(w.dir, filepath.FromSlash(p))
	if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
		w.t.Fatal(err)
	}
	if err := os.WriteFile(p, b, 0o644); err != nil {
		w.t.Fatal(err)
	}
	at := time.Now().AddDate(0, -1, 0).Truncate(time.Hour)
	if err := os.Chtimes(p, at, at); err != nil {
		w.t.Fatal(err)
	}
}

func (w *killWorld) get(p string) []byte {
	w.t.Helper()
	b, err := os.ReadFile(filepath.Join(w.dir, filepath.FromSlash(p)))
	if err != nil {
		w.t.Fatal(err)
	}
	return b
}

// flip turns a byte of a file over, and leaves its time alone.
func (w *killWorld) flip(p string, at int) {
	w.t.Helper()
	b := w.get(p)
	b[at] ^= 0x55
	w.put(p, b)
}

func (w *killWorld) remove(ps ...string) {
	w.t.Helper()
	for _, p := range ps {
		found, err := filepath.Glob(filepath.Join(w.dir, filepath.FromSlash(p)))
		if err != nil || len(found) == 0 {
			w.t.Fatalf("%s: %v", p, err)
		}
		for _, f := range found {
			if err := os.RemoveAll(f); err != nil {
				w.t.Fatal(err)
			}
		}
	}
}

// config writes the configuration anew, with one text in the place of another.
func (w *killWorld) config(old, text string) {
	w.t.Helper()
	b := w.get("firmus.toml")
	if !bytes.Contains(b, []byte(old)) {
		w.t.Fatalf("the configuration has no %q", old)
	}
	w.put("firmus.toml", bytes.Replace(b, []byte(old), []byte(text), 1))
}

func (w *killWorld) sql(query string) {
	w.t.Helper()
	c, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "state", "ledger.db"))
	if err != nil {
		w.t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Exec(query); err != nil {
		w.t.Fatal(err)
	}
}
