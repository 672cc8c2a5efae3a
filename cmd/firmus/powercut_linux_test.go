package main

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/testing/powercut"
	"firmus/testdata"
)

// cutsOf is how many states each part of TestPowerCut tries; FIRMUS_POWER_CUTS says another
// number.
const cutsOf = 40

// cutWorld is an archive on which one command is cut off.
type cutWorld struct {
	*testing.T
	dir  string
	says string // of the last command
	// May is what a place may hold, by path from dir: any of these texts, or nothing if one is
	// nil. The recordings are in it.
	may map[string][][]byte
}

// cutPart is a command that writes, and what must hold wherever the power goes.
type cutPart struct {
	name    string
	prepare func(w *cutWorld)
	in      string // what the person types
	args    []string
	// kept looks at what the cut left, before anything ran again; ended: the command had ended,
	// and all that it said it had done must be there. It may be nil.
	kept func(w *cutWorld, ended bool)
	// again are the statuses with which the same command may end after the cut; 0 if nil.
	again []int
	// then looks at what is there after that. It may be nil.
	then func(w *cutWorld)
	// audited is the status of a full audit in the end.
	audited int
	bare    bool // there is no archive
}

// TestPowerCut runs commands that write, each once and under strace, and cuts the power after
// each of its steps: package powercut says what may be left then. From such a state on no
// recording is lost or torn, each place holds the old file or the new one, the ledger opens and
// its record holds; what the command had said it did is there; and the same command again does
// its work and clears away what the cut left.
func TestPowerCut(t *testing.T) {
	if _, err := exec.LookPath("strace"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("strace isn't there")
	}
	t.Parallel()
	n := cutsOf
	if os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		n /= 8
	}
	seed := uint64(time.Now().UnixNano())
	for key, to := range map[string]func(uint64){"FIRMUS_POWER_CUTS": func(x uint64) { n = int(x) }, "FIRMUS_POWER_SEED": func(x uint64) { seed = x }} {
		if s := os.Getenv(key); s != "" {
			x, err := strconv.ParseUint(s, 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			to(x)
		}
	}
	t.Logf("FIRMUS_POWER_SEED=%d FIRMUS_POWER_CUTS=%d", seed, n)
	for _, p := range cutParts {
		t.Run(p.name, func(t *testing.T) { p.run(t, seed, n) })
	}
}

func (p cutPart) run(t *testing.T, seed uint64, n int) {
	w := &cutWorld{T: t, dir: memory(t), may: map[string][][]byte{}}
	if !p.bare {
		for i, f := range cutFiles {
			for _, s := range []string{"studio", "vault"} {
				w.put(s+"/"+f, testdata.Wave(f, 20_000+1000*i))
			}
		}
		w.plain("firmus.toml", []byte(cutConfig))
	}
	if p.prepare != nil {
		p.prepare(w)
	}
	cmd := exec.Command(os.Args[0], w.args(p.args)...)
	cmd.Dir, cmd.Stdin = w.dir, strings.NewReader(p.in)
	cmd.Env = append(os.Environ(), beProgram+"=1")
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	began := time.Now()
	trace, err := powercut.Record(w.dir, cmd)
	if err != nil {
		t.Fatalf("%v\n%s", err, said.String())
	}
	written, named, flushed := trace.Count()
	states, all := trace.States(seed, n, func(path string) bool { return strings.HasPrefix(path, "state/ledger.db") })
	recorded := time.Since(began)
	ends := 0
	for i, s := range states {
		if err := s.Lay(); err != nil {
			t.Fatal(err)
		}
		if s.Ended {
			ends++
		}
		p.after(w, s.Ended)
		if t.Failed() {
			t.Fatalf("state %d: %s\nThe command had said:\n%s", i, s, said.String())
		}
	}
	if written == 0 || named == 0 || flushed == 0 || len(states) < min(n, all) || ends == 0 {
		t.Errorf("%d writes, %d names, %d flushes: %d states, %d of the end", written, named, flushed, len(states), ends)
	}
	t.Logf("%d writes, %d names, %d flushes, recorded in %v; %d states of %d, %d of the end, in %v", written, named, flushed, recorded.Round(time.Millisecond), len(states), all, ends, time.Since(began).Round(time.Millisecond))
}

// after holds one state.
func (p cutPart) after(w *cutWorld, ended bool) {
	w.holds()
	if p.kept != nil {
		p.kept(w, ended)
	}
	if w.Failed() {
		return
	}
	again := p.again
	if again == nil {
		again = []int{0}
	}
	if got := w.run(p.in, p.args...); !slices.Contains(again, got) {
		w.Errorf("the same command again: exit %d, want one of %v\n%s", got, again, w.says)
		return
	}
	w.holds()
	if p.then != nil {
		p.then(w)
	}
	if p.bare {
		w.clean()
		return
	}
	w.ends(0, "ledger", "verify")
	w.ends(p.audited, "audit", "--full")
	for _, m := range w.glob("studio/*/manifest-sha256.txt") {
		w.ends(0, "manifest", "verify", filepath.Dir(m))
	}
	w.clean()
	w.holds()
}

// holds looks at all places of which is known what they may hold.
func (w *cutWorld) holds() {
	w.Helper()
	for p, may := range w.may {
		b, err := os.ReadFile(filepath.Join(w.dir, p))
		if errors.Is(err, fs.ErrNotExist) {
			b, err = nil, nil
		} else if b == nil {
			b = []byte{}
		}
		if err != nil || !slices.ContainsFunc(may, func(m []byte) bool { return (m == nil) == (b == nil) && bytes.Equal(m, b) }) {
			w.Errorf("%s holds %d bytes that it may not hold (%v), there: %v", p, len(b), err, b != nil)
		}
	}
}

// clean finds nothing that a cut left.
func (w *cutWorld) clean() {
	w.Helper()
	if err := filepath.WalkDir(w.dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		n := d.Name()
		if strings.HasPrefix(n, ".firmus-new") || strings.HasPrefix(n, "unfinished-") || strings.HasSuffix(n, ".new") ||
			filepath.Dir(p) == filepath.Join(w.dir, "state") && strings.HasPrefix(n, ".firmus-") && d.IsDir() {
			w.Errorf("%s was left", p)
		}
		return nil
	}); err != nil {
		w.Error(err)
	}
}

// memory is a folder in memory, if there is one: a state is laid in milliseconds there.
func memory(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "powercut-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// args are those of a command; DIR in them is the folder.
func (w *cutWorld) args(args []string) (out []string) {
	if args[0] != "init" {
		out = []string{"--config", filepath.Join(w.dir, "firmus.toml")}
	}
	for _, a := range args {
		out = append(out, strings.ReplaceAll(a, "DIR", w.dir))
	}
	return out
}

func (w *cutWorld) run(in string, args ...string) int {
	w.Helper()
	var out bytes.Buffer
	status := run(w.args(args), strings.NewReader(in), &out, &out)
	w.says = out.String()
	return status
}

func (w *cutWorld) ends(want int, args ...string) {
	w.Helper()
	if got := w.run("", args...); got != want {
		w.Errorf("%q: exit %d, want %d\n%s", args, got, want, w.says)
	}
}

func (w *cutWorld) glob(pattern string) []string {
	w.Helper()
	all, err := filepath.Glob(filepath.Join(w.dir, pattern))
	if err != nil {
		w.Fatal(err)
	}
	return all
}

// put writes a recording that has been at rest for a month, and must stay as it is.
func (w *cutWorld) put(path string, b []byte) {
	w.Helper()
	w.plain(path, b)
	at := time.Now().AddDate(0, -1, 0).Truncate(time.Second)
	if err := os.Chtimes(filepath.Join(w.dir, path), at, at); err != nil {
		w.Fatal(err)
	}
	w.may[path] = [][]byte{b}
}

func (w *cutWorld) plain(path string, b []byte) {
	w.Helper()
	to := filepath.Join(w.dir, path)
	if err := errors.Join(os.MkdirAll(filepath.Dir(to), 0o755), os.WriteFile(to, b, 0o644)); err != nil {
		w.Fatal(err)
	}
}

// is says that a place holds just that.
func (w *cutWorld) is(path string, b []byte) {
	w.Helper()
	if got, err := os.ReadFile(filepath.Join(w.dir, path)); err != nil || !bytes.Equal(got, b) {
		w.Errorf("%s holds %d bytes, not those that it should (%v)", path, len(got), err)
	}
}

var cutFiles = []string{"QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav", "QV-0108/QV-0108_A.wav"}

const cutConfig = `name = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = "studio" }
[store.vault]
kind = "disk"
own_drive = true
manifests = true
sets = { masters = "vault" }
`

// version is the recording that cutFiles[i] is.
func version(i int) []byte { return testdata.Wave(cutFiles[i], 20_000+1000*i) }

// inUse takes the archive's files under care.
func inUse(w *cutWorld) {
	w.Helper()
	w.ends(0, "intake")
	w.ends(0, "audit")
	if w.Failed() {
		w.FailNow()
	}
}

var cutParts = []cutPart{
	{
		name: "first intake", args: []string{"intake"},
		kept: func(w *cutWorld, ended bool) {
			if ended {
				w.ends(0, "ledger", "verify")
				w.ends(0, "audit", "--full")
				if len(w.glob("studio/*/manifest-sha256.txt")) != 2 {
					w.Error("manifests lack after an intake that had ended")
				}
			}
		},
	},
	{
		name: "intake", args: []string{"intake"},
		prepare: func(w *cutWorld) {
			inUse(w)
			w.put("studio/QV-0107/QV-0107_C.wav", testdata.Wave("QV-0107_C", 23_000))
		},
		kept: func(w *cutWorld, ended bool) {
			w.ends(0, "ledger", "verify")
			for _, m := range w.glob("studio/*/manifest-sha256.txt") {
				b, err := os.ReadFile(m)
				if n := bytes.Count(b, []byte("\n")); err != nil || !bytes.HasSuffix(b, []byte("\n")) || n < 1 || n > 3 || ended && strings.Contains(m, "QV-0107") && n != 3 {
					w.Errorf("%s has %d lines, %v", m, n, err)
				}
			}
			if ended {
				if w.ends(0, "--json", "intake"); !strings.Contains(w.says, `"taken": 0`) {
					w.Error("files weren't under care after an intake that had ended\n" + w.says)
				}
			}
		},
	},
	{
		name: "receive", args: []string{"receive", "DIR/stick", "--into", "masters/QV-0600", "--sides", "A,B"},
		prepare: func(w *cutWorld) {
			inUse(w)
			for i, n := range []string{"A", "B"} {
				b := testdata.Wave(n, 30_000)
				w.put(fmt.Sprintf("stick/REC000%d.WAV", i+1), b)
				w.may["studio/QV-0600/QV-0600_"+n+".wav"] = [][]byte{nil, b}
			}
		},
		kept: func(w *cutWorld, ended bool) {
			w.ends(0, "ledger", "verify")
			if ended {
				w.received()
			}
		},
		then: (*cutWorld).received,
	},
	{
		name: "recover", args: []string{"recover", "--store", "vault", "--reason", "cut"},
		prepare: func(w *cutWorld) {
			inUse(w)
			bad := version(0)
			bad[9_000] ^= 9
			w.put("vault/"+cutFiles[0], bad)
			if err := os.Remove(filepath.Join(w.dir, "vault", cutFiles[2])); err != nil {
				w.Fatal(err)
			}
			w.ends(1, "audit", "vault", "--full")
			w.may["vault/"+cutFiles[0]] = [][]byte{bad, version(0)}
			w.may["vault/"+cutFiles[2]] = [][]byte{nil, version(2)}
		},
		kept: func(w *cutWorld, ended bool) {
			w.ends(0, "ledger", "verify")
			if b, err := os.ReadFile(filepath.Join(w.dir, "vault", cutFiles[0])); err == nil && bytes.Equal(b, version(0)) {
				w.keptDamaged()
			}
			if ended {
				w.recovered()
			}
		},
		then: (*cutWorld).recovered,
	},
	{
		name: "backup", args: []string{"audit"},
		prepare: func(w *cutWorld) {
			inUse(w)
			w.backupDue()
			// Older ones, more than are kept.
			g := w.glob("vault/.firmus-ledger/20*")
			for i := range 9 {
				to := filepath.Join(w.dir, fmt.Sprintf("vault/.firmus-ledger/2020-01-0%dT000000Z-%s", i+1, g[0][strings.LastIndexByte(g[0], '-')+1:]))
				if err := os.CopyFS(to, os.DirFS(g[0])); err != nil {
					w.Fatal(err)
				}
			}
		},
		kept: func(w *cutWorld, ended bool) {
			w.ends(0, "ledger", "verify")
			w.wholeBackups(7)
		},
		then: func(w *cutWorld) {
			w.backupDue()
			w.ends(0, "audit")
			w.wholeBackups(7)
			if aside := w.glob("vault/.firmus-ledger/aside-*"); len(aside) > 0 {
				w.Errorf("set aside: %q", aside)
			}
		},
	},
	{
		name: "restore", args: []string{"ledger", "restore"},
		prepare: func(w *cutWorld) {
			inUse(w)
			w.backupDue()
			w.ends(0, "audit")
			// Torn by another hand: it is set aside whole.
			ledger := filepath.Join(w.dir, "state/ledger.db")
			b, err := os.ReadFile(ledger)
			if err != nil {
				w.Fatal(err)
			}
			for i := 4096; i < len(b); i += 4096 {
				copy(b[i:], "torn")
			}
			if err := os.WriteFile(ledger, b, 0o600); err != nil {
				w.Fatal(err)
			}
		},
		again: []int{0, 2}, // it may be back already
		kept: func(w *cutWorld, ended bool) {
			w.wholeBackups(1)
			if ended {
				w.ends(0, "ledger", "verify")
			}
		},
		then: func(w *cutWorld) {
			if b := append(w.glob("state/ledger-aside-*/ledger.db"), w.glob("state/ledger-aside-*/ledger.db-2")...); len(b) != 1 {
				w.Errorf("the ledger that was there lies in %q", b)
			}
		},
	},
	{
		name: "bag", args: []string{"bag", "make", "DIR/studio/QV-0107", "DIR/out"},
		prepare: inUse,
		again:   []int{0, 2}, // it may be there
		kept: func(w *cutWorld, ended bool) {
			_, err := os.Stat(filepath.Join(w.dir, "out"))
			if err == nil {
				w.ends(0, "bag", "verify", "DIR/out")
			} else if ended {
				w.Error("no bag after the command had ended")
			}
		},
		then: func(w *cutWorld) {
			w.ends(0, "bag", "verify", "DIR/out")
		},
	},
	{
		name: "sheet", args: []string{"report", "holdings", "--as", "csv", "--out", "DIR/held.csv"},
		prepare: func(w *cutWorld) {
			inUse(w)
			w.ends(0, "report", "holdings", "--as", "csv", "--out", "DIR/held.csv")
			w.put("studio/QV-0109/QV-0109_A.wav", testdata.Wave("QV-0109_A", 23_000))
			w.put("vault/QV-0109/QV-0109_A.wav", testdata.Wave("QV-0109_A", 23_000))
			w.ends(0, "intake")
			w.ends(0, "audit")
		},
		kept: func(w *cutWorld, ended bool) {
			b, err := os.ReadFile(filepath.Join(w.dir, "held.csv"))
			if err != nil || len(b) == 0 || b[len(b)-1] != '\n' || bytes.IndexByte(b, 0) >= 0 {
				w.Errorf("the sheet has %d bytes (%v)", len(b), err)
			}
		},
	},
	{
		name: "checkpoint", args: []string{"ledger", "checkpoint", "--out", "DIR/cp.txt"},
		prepare: inUse, again: []int{0, 2}, // it may be there
		kept: func(w *cutWorld, ended bool) {
			if ended {
				w.ends(0, "ledger", "verify", "--against", "DIR/cp.txt")
			}
		},
		then: func(w *cutWorld) { w.ends(0, "ledger", "verify", "--against", "DIR/cp.txt") },
	},
	{
		name: "init", args: []string{"init", "DIR/arch"}, in: "The Quillmere Valley Song Survey\n\n\n\n", bare: true,
		again: []int{0, 2}, // it may be there
		kept: func(w *cutWorld, ended bool) {
			_, err := os.Stat(filepath.Join(w.dir, "arch/firmus.toml"))
			if err == nil {
				w.configured()
			} else if ended {
				w.Error("no configuration after the command had ended")
			}
		},
		then: (*cutWorld).configured,
	},
}

// configured says that there is a whole configuration: check goes on to what lacks.
func (w *cutWorld) configured() {
	w.Helper()
	var out bytes.Buffer
	if got := run([]string{"--config", filepath.Join(w.dir, "arch/firmus.toml"), "check"}, nil, &out, &out); got != 3 && got != 0 || !strings.Contains(out.String(), "studio") {
		w.Errorf("the configuration doesn't do: %d\n%s", got, out.String())
	}
}

func (w *cutWorld) received() {
	w.Helper()
	for _, n := range []string{"A", "B"} {
		w.is("studio/QV-0600/QV-0600_"+n+".wav", testdata.Wave(n, 30_000))
	}
	if w.ends(0, "--json", "recognise", "DIR/stick"); !strings.Contains(w.says, `"held"`) {
		w.Errorf("the recordings aren't under care:\n%s", w.says)
	}
}

func (w *cutWorld) keptDamaged() {
	w.Helper()
	bad := version(0)
	bad[9_000] ^= 9
	kept := w.glob("vault/.firmus-kept/*/*.damaged")
	if len(kept) != 1 {
		w.Errorf("what lay there is kept as %q", kept)
		return
	}
	rel, err := filepath.Rel(w.dir, kept[0])
	if err != nil {
		w.Fatal(err)
	}
	w.is(rel, bad)
}

func (w *cutWorld) recovered() {
	w.Helper()
	w.keptDamaged()
	for i, f := range cutFiles {
		w.is("vault/"+f, version(i))
	}
}

// backupDue has the next audit make a backup.
func (w *cutWorld) backupDue() {
	w.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "state/ledger.db"))
	if err != nil {
		w.Fatal(err)
	}
	_, err = db.Exec("UPDATE backup SET at = 0")
	if err = errors.Join(err, db.Close()); err != nil {
		w.Fatal(err)
	}
}

// wholeBackups looks at all generations of backups.
func (w *cutWorld) wholeBackups(least int) {
	w.Helper()
	all := w.glob("vault/.firmus-ledger/20*")
	if len(all) < least {
		w.Errorf("backups: %q", all)
	}
	for _, g := range all {
		for _, f := range []string{"checkpoint.txt", "ledger.db", "discs.csv"} {
			if st, err := os.Stat(filepath.Join(g, f)); err != nil || st.Size() == 0 && f != "discs.csv" {
				w.Errorf("%s of backup %s: %v", f, g, err)
			}
		}
	}
}
