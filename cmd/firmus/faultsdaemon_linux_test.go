//go:build amd64 || arm64

package main

import (
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/testing/calls"
	"firmus/cmd/firmus/testing/mailtest"
)

// whileBad is for how many calls a drive is bad beside a daemon, which goes on.
const whileBad = 60

// daemonsDrives are what befalls a daemon's calls. What comes from some call on is over when the
// daemon has been stopped, or after whileBad calls.
var daemonsDrives = []badDrive{
	{name: "is full for a while", on: func(c calls.Call) bool { return c.Room }, from: true, answer: calls.Answer{Err: syscall.ENOSPC}},
	{name: "has no room once", on: func(c calls.Call) bool { return c.Room }, answer: calls.Answer{Err: syscall.ENOSPC}},
	{name: "fails once", on: func(calls.Call) bool { return true }, answer: calls.Answer{Err: syscall.EIO}},
	{name: "fails a reading once", on: func(c calls.Call) bool { return c.Read && (c.Under("safe") || store(c)) }, answer: calls.Answer{Err: syscall.EIO}},
	{name: "gives another byte once", on: func(c calls.Call) bool { return c.Read && (c.Under("safe") || store(c)) }, answer: calls.Answer{Change: flipped}},
	{name: "gives a few bytes at a time for a while", on: func(c calls.Call) bool { return c.Read }, from: true, answer: calls.Answer{Most: 4096}},
	{name: "writes in part", on: func(c calls.Call) bool { return c.Room }, answer: calls.Answer{Most: 7}},
	{name: "goes away for a while", on: func(c calls.Call) bool { return c.Under("safe") }, from: true, answer: calls.Answer{Err: syscall.EIO}},
	{name: "is read-only for a while", on: func(c calls.Call) bool { return c.Changes && store(c) }, from: true, answer: calls.Answer{Err: syscall.EROFS}},
	{name: "is another one from then on", on: func(c calls.Call) bool { return c.Under("vault") }, other: true},
	{name: "hangs", on: func(c calls.Call) bool { return c.Under("safe") }, from: true, answer: calls.Answer{Hangs: true}, slow: true, says: "answer"},
	{name: "hangs where new files appear", on: func(c calls.Call) bool { return c.Under("studio") }, from: true, answer: calls.Answer{Hangs: true}, slow: true, says: "answer"},
}

// TestFaultsOfADaemon has a daemon work on a drive that is bad at some call, of all that it makes
// of the kernel: which fault and which call is drawn by chance. The daemon goes on, or ends with a
// message. Nothing that isn't so is in the ledger then: nothing is altered or missing but what
// is, nothing is intact that wasn't read, and the record holds. Another daemon on a drive that is
// well does what is left, and each letter came once.
//
// FIRMUS_FAULTS, FIRMUS_FAULTS_SEED and FIRMUS_FAULTS_BY are those of TestFaults.
func TestFaultsOfADaemon(t *testing.T) {
	if apart(t, chosenBy...) {
		return
	}
	total, seed := chosenFaults(t, 1, 3)
	w := newKillWorld(t)
	w.dice = rand.New(rand.NewPCG(uint64(seed), 1))
	post := w.daemonsWork()
	ready := w.base + "-row"
	before := recordings(t, w.dir)
	had := len(post.Got())
	d := w.faultyDaemon(func(calls.Call) calls.Answer { return calls.Answer{} })
	if d.lacks != "" || d.exit != 0 {
		t.Fatalf("a daemon on a drive that is well: exit %d, it lacks %q\n%s", d.exit, d.lacks, d.said)
	}
	w.cameOnce(post.Got()[had:])
	w.run(1, "audit")
	want, after := stateOf(t, w.dir), recordings(t, w.dir)
	count := moments{}
	for range total {
		var can []badDrive
		for _, b := range daemonsDrives {
			if by := os.Getenv("FIRMUS_FAULTS_BY"); strings.Contains(b.name, by) && (by != "" || !b.slow) && b.among(d.all) > 0 {
				can = append(can, b)
			}
		}
		if len(can) == 0 {
			t.Fatal("nothing is tried")
		}
		b := can[w.dice.IntN(len(can))]
		w.load(ready)
		k := w.dice.IntN(b.among(d.all))
		came := w.faultOfDaemon(post, b, k, maps.Clone(before), maps.Clone(after), want)
		t.Logf("a drive that %s, at call %d of its kind: it %s", b.name, k, came)
		count[came]++
		if t.Failed() {
			break
		}
	}
	t.Logf("%d calls: %v", len(d.all), count)
}

// ranDaemon is what came of a daemon whose calls were answered.
type ranDaemon struct {
	all   []calls.Call
	read  map[string]bool // files of which a reading was let be done
	exit  int
	said  string // its log
	lacks string // what it had still to do when it was stopped, or ended
	alone bool   // it ended by itself
}

// faultyDaemon runs a daemon with its calls answered until all is done, or until it is plain that
// it has to be started anew, and stops it in order.
func (w *killWorld) faultyDaemon(fault func(calls.Call) calls.Answer) (d ranDaemon) {
	w.t.Helper()
	const patience = 20 * time.Second
	if err := os.RemoveAll(w.base + "-log"); err != nil {
		w.t.Fatal(err)
	}
	c := w.daemonCommand()
	log, err := os.OpenFile(w.base+"-log", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		w.t.Fatal(err)
	}
	defer log.Close()
	c.Stderr = log
	d.read = map[string]bool{}
	began, first, ended := make(chan struct{}), true, make(chan error, 1)
	silent := false
	go func() {
		ended <- calls.Run(c, w.dir, func(x calls.Call) calls.Answer {
			if first {
				first = false
				close(began)
			}
			d.all = append(d.all, x)
			a := fault(x)
			if x.Read && a.Err == 0 && !a.Hangs {
				d.read[x.Path] = true
			}
			silent = silent || a.Hangs
			return a
		})
	}()
	select {
	case <-began:
	case err = <-ended:
		if errors.Is(err, calls.ErrNoListener) && os.Getenv("FIRMUS_ALL_PARTS") != "1" {
			w.t.Skip(err)
		}
		w.t.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "state", "ledger.db")+"?mode=ro")
	if err != nil {
		w.t.Fatal(err)
	}
	defer db.Close()
	for since := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		over := time.Since(since) > patience
		if silent { // each step that asks it waits for a minute
			text, _ := os.ReadFile(w.base + "-log")
			over = time.Since(since) > 5*time.Minute || strings.Contains(string(text), "answer")
		}
		if d.lacks = lacking(db); d.lacks == "" || over {
			_ = db.Close()
			for asked := 0; ; asked++ {
				if asked == 60 {
					_ = c.Process.Kill()
					w.t.Errorf("it didn't stop within a minute: %v", <-ended)
					break
				}
				_ = c.Process.Signal(os.Interrupt) // it may have ended
				select {
				case err = <-ended:
				case <-time.After(time.Second):
					continue
				}
				break
			}
			break
		}
		select {
		case err = <-ended:
			d.alone = true
		default:
			continue
		}
		break
	}
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		w.t.Fatal(err)
	}
	text, err := os.ReadFile(w.base + "-log")
	if err != nil {
		w.t.Fatal(err)
	}
	d.exit, d.said = c.ProcessState.ExitCode(), string(text)
	return d
}

// faultOfDaemon has a daemon work with a fault at the k-th call that it may befall, and another
// one without.
func (w *killWorld) faultOfDaemon(post *mailtest.Server, b badDrive, k int, before, after map[string]string, want state) string {
	t := w.t
	had := len(post.Got())
	hit := &befalling{w: w, b: b, k: k, lasts: whileBad}
	d := w.faultyDaemon(func(c calls.Call) calls.Answer { _, a := hit.by(c); return a })
	n, at, drive := hit.n, hit.at, hit.drive
	where := fmt.Sprintf("a daemon's drive that %s, at call %d of its kind (%s; exit %d, it lacked %q)", b.name, k, at, d.exit, d.lacks)
	if drive != nil {
		where += ", " + drive.what
		if d2 := drive.putBack(w); d2 != "" {
			t.Errorf("%s: the other drive isn't what it was:\n%s%s", where, d2, d.said)
		}
	}
	if os.Getenv("FIRMUS_FAULTS_LOUD") != "" {
		t.Logf("%s\n%s", where, d.said)
	}
	if d.exit < 0 || d.exit > 1 || strings.Contains(d.said, "goroutine ") || d.alone && !strings.Contains(d.said, w.dir) || d.exit != 0 && !d.alone {
		t.Errorf("%s\n%s", where, d.said)
	}
	if n > k && d.lacks != "" && !strings.Contains(d.said, b.says) {
		t.Errorf("%s: it doesn't say %q:\n%s", where, b.says, d.said)
	}
	now := recordings(t, w.dir)
	for p := range now {
		if strings.HasPrefix(path.Base(p), "manifest-") { // it may leave out what wasn't taken in
			before[p], after[p] = now[p], now[p]
		}
	}
	w.middle(where, true, before, after)
	w.nothingFalse(where, d)
	// What is due at once in a store that was away is read by the night's audit.
	w.letRun("the readings")
	if exit, said := w.try("", "audit"); exit > 1 {
		t.Errorf("%s: the night's audit ends with %d: %s", where, exit, said)
	}
	w.nothingFalse(where+", and another daemon", ranDaemon{})
	if diff := stateOf(t, w.dir).seen(true).unlike(want.seen(true)); diff != "" {
		t.Errorf("%s: another daemon leaves another archive than on a drive that is well:\n%s%s", where, diff, d.said)
	}
	// That the ledger can't be had or read is told past the outbox, which lies in it.
	w.cameOnce(slices.DeleteFunc(slices.Clone(post.Got()[had:]), func(m mailtest.Received) bool {
		return strings.HasPrefix(m.Parse(t).Header.Get("Message-Id"), "<firmus.alarm-")
	}))
	switch {
	case n <= k:
		return "was over before"
	case d.alone:
		return "ended with a message"
	case d.lacks != "":
		return "had to be started anew"
	}
	return "went on"
}

// nothingFalse holds a ledger, as a daemon left it, against what is so: one file is altered in
// the safe, where it was never seen whole, and all others are as they were taken in. d says what was read; none: that isn't
// asked.
func (w *killWorld) nothingFalse(where string, d ranDaemon) {
	w.t.Helper()
	held(w.t, w.dir)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "state", "ledger.db"))
	if err != nil {
		w.t.Fatal(err)
	}
	defer db.Close()
	each := func(query string, do func(store, path, is string)) {
		w.t.Helper()
		rows, err := db.Query(query)
		if err != nil {
			w.t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var store, path, is string
			if err := rows.Scan(&store, &path, &is); err != nil {
				w.t.Fatal(err)
			}
			do(store, path, is)
		}
		if err := rows.Err(); err != nil {
			w.t.Fatal(err)
		}
	}
	spoiled := func(store, path string) bool { return store == "safe" && path == spoiledInSafe }
	never := []string{"altered", "missing", "misplaced", "behind", "disputed", "unexpected"}
	each(`SELECT store, set_name || '/' || CAST(at AS TEXT), state FROM instance`, func(store, path, is string) {
		if slices.Contains(never, is) && !spoiled(store, path) || spoiled(store, path) && is == "intact" {
			w.t.Errorf("%s: %s in %s is %s, which isn't so\n%s", where, path, store, is, d.said)
		}
		if d.read != nil && store == "safe" && is == "intact" && !d.read["safe/"+path] {
			w.t.Errorf("%s: %s in %s is intact, and nobody read it\n%s", where, path, store, d.said)
		}
	})
	each(`SELECT store, set_name || '/' || CAST(path AS TEXT), kind FROM finding`, func(store, path, is string) {
		if slices.Contains(never, is) && !spoiled(store, path) {
			w.t.Errorf("%s: a finding says that %s in %s is %s, which isn't so\n%s", where, path, store, is, d.said)
		}
	})
}
