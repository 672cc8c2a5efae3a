//go:build unix

package main

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestBesideADaemon has one archive used by all at once: a daemon that works, a second one, and
// many commands, some of which write the same. Each ends with what it should do or with a message;
// no recording changes, and the record holds. Then yesterday's ledger is put in the place of
// today's: the daemon notices, says so, and goes on with that.
func TestBesideADaemon(t *testing.T) {
	if testing.Short() {
		t.Skip("many processes")
	}
	if apart(t) {
		return
	}
	commands := 13
	if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
		commands = 100
	}
	w := newKillWorld(t)
	w.dice = rand.New(rand.NewPCG(1, 1))
	before := recordings(t, w.dir)
	yesterday := w.get("state/ledger.db")
	for n := range 3 {
		name := fmt.Sprintf("access/QV-0104/QV-0104_%d.wav", n)
		w.put("studio/"+name, tune(name, 300, false))
		w.put("vault/"+name, tune(name, 300, false))
		before["studio/"+name], before["vault/"+name] = "", ""
	}
	for p := range before {
		if before[p] == "" {
			before[p] = recordings(t, w.dir)[p]
		}
	}
	log := func() string { b, _ := os.ReadFile(w.base + "-log"); return string(b) }
	within := func(what string, ok func() bool) {
		t.Helper()
		for began := time.Now(); !ok(); time.Sleep(50 * time.Millisecond) {
			if time.Since(began) > time.Minute {
				t.Fatalf("not within a minute: %s\n%s", what, log())
			}
		}
	}
	d := w.daemon()
	ended := make(chan error, 1)
	go func() { ended <- d.Wait() }()
	over := false
	defer func() {
		if !over {
			_ = d.Process.Kill()
			<-ended
		}
	}()
	within("it takes new files in", func() bool { return strings.Contains(log(), "taken") })

	second := w.daemon()
	if err := second.Wait(); err == nil || !strings.Contains(log(), "runs already") {
		t.Errorf("a second daemon: %v\n%s", err, log())
	}

	kinds := [][]string{{"findings"}, {"store", "list"}, {"report", "holdings"}, {"audit"}, {"intake"}, {"ledger", "verify"}, {"finish", "access/QV-0101"},
		{"levels", "state", "integrity-1-virus", "--words", "looked at by the office"}, {"register", "read"}, {"recover", "--drill"},
		{"account", "add", "Ada Wren", "--role", "viewer"}, {"disc", "add", "QD-0031", "--twin", "A", "--kind", "data", "masters/QV-0101"}, {"ledger", "checkpoint", "--out", "seal.txt"}}
	var all sync.WaitGroup
	var mu sync.Mutex
	did := map[string]int{}
	for n := range commands {
		args := kinds[n%len(kinds)]
		all.Go(func() {
			var out bytes.Buffer
			c := w.child(args...)
			c.Stdin, c.Stdout, c.Stderr = strings.NewReader(passwords), &out, &out
			err := c.Run()
			exit, said := c.ProcessState.ExitCode(), out.String()
			mu.Lock()
			defer mu.Unlock()
			if exit < 0 || exit > 3 || exit > 0 && strings.TrimSpace(said) == "" {
				t.Errorf("%q: exit %d, %v: %s", args, exit, err, said)
			}
			for _, bad := range []string{"goroutine ", "malformed", "disk I/O", "NOT WHAT WAS WRITTEN", "database is locked", "SQLITE"} {
				if strings.Contains(said, bad) {
					t.Errorf("%q: %s", args, said)
				}
			}
			if exit == 0 {
				did[args[0]]++
			}
		})
	}
	all.Wait()
	for _, once := range []string{"account", "disc"} { // what two can't do both
		if did[once] != 1 {
			t.Errorf("%s was done %d times", once, did[once])
		}
	}
	for _, each := range []string{"findings", "store", "report", "levels"} { // nobody is in their way
		if did[each] != (commands+len(kinds)-1)/len(kinds) && did[each] != commands/len(kinds) {
			t.Errorf("%s was done %d times", each, did[each])
		}
	}
	w.run(0, "ledger", "verify")
	if now := recordings(t, w.dir); !maps.Equal(sounds(now), sounds(before)) {
		t.Errorf("recordings were\n%v\nand are\n%v", before, now)
	}

	// Yesterday's ledger, as it comes out of a backup by hand: no moment is without one.
	if strings.Contains(log(), "EARLIER COPY") {
		t.Error("said too soon")
	}
	w.put("state/put-back.db", yesterday)
	if err := os.Chmod(filepath.Join(w.dir, "state/put-back.db"), 0o600); err != nil {
		t.Fatal(err)
	}
	w.remove("state/ledger.db-*")
	if err := os.Rename(filepath.Join(w.dir, "state/put-back.db"), filepath.Join(w.dir, "state/ledger.db")); err != nil {
		t.Fatal(err)
	}
	within("it is said", func() bool { return strings.Contains(log(), "EARLIER COPY") })
	w.put("studio/access/QV-0105/QV-0105_A_01.wav", tune("later", 300, false))
	w.put("vault/access/QV-0105/QV-0105_A_01.wav", tune("later", 300, false))
	within("it goes on", func() bool {
		exit, said := w.try("", "report", "item", "QV-0105")
		return exit == 0 && strings.Contains(said, "QV-0105_A_01.wav")
	})
	if err := d.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Errorf("a daemon that was stopped in order: %v\n%s", err, log())
	}
	over = true
	w.run(0, "ledger", "verify")
	w.run(0, "intake")
	w.run(0, "audit", "--full")
	held(t, w.dir)
}

// sounds leaves out what Firmus itself writes.
func sounds(all map[string]string) map[string]string {
	out := maps.Clone(all)
	maps.DeleteFunc(out, func(p, _ string) bool { return !strings.HasSuffix(p, ".wav") })
	return out
}
