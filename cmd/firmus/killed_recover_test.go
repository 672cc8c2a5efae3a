package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/testdata"
)

// killsOf is how often TestRecoverKilled kills a recovery, and a quarter of that without
// FIRMUS_ALL_PARTS=1; FIRMUS_KILLS says another number.
const killsOf = 20

// TestRecoverKilled: a recovery that is killed at any moment of its run leaves in each place
// the old file or the new one, whole, and what lay there is in its place or kept. The same
// order again ends it; then each place holds the version, each damaged file is kept once,
// nothing of ours is left, and the record holds.
func TestRecoverKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("a long run of kills")
	}
	t.Parallel()
	kills := killsOf
	if os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		kills /= 4
	}
	if s := os.Getenv("FIRMUS_KILLS"); s != "" {
		var err error
		if kills, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	w := newKillWorld(t)
	// How long it takes, measured: kills fall into all of it. The first run is slower.
	var took time.Duration
	for range 2 {
		w.spoil()
		began := time.Now()
		if err := w.child().Run(); err != nil {
			t.Fatal(err)
		}
		took = time.Since(began)
		w.holds(true)
	}
	seed := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	moments := map[string]int{}
	for kill := range kills {
		w.spoil()
		// Half of them over all of the run, half where files are put back: behind its first
		// part, in which the program starts and plans.
		at := seed.Float64() * 1.1
		if kill%2 == 0 {
			at = 0.4 + seed.Float64()*0.6
		}
		after := time.Duration(at * float64(took))
		child := w.child()
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(after, func() { child.Process.Kill() })
		err := child.Wait()
		timer.Stop()
		moments[w.holds(err == nil)]++
		w.run(0, "recover", "--store", "vault")
		if got := w.holds(true); t.Failed() {
			t.Fatalf("killed after %s of %s: %s", after, took, got)
		}
	}
	t.Logf("%d kills in runs of %s: %v", kills, took, moments)
	w.run(0, "ledger", "verify")
	w.run(0, "audit", "--full")
}

// killWorld is an archive whose vault is spoiled again and again.
type killWorld struct {
	*testing.T
	dir, config string
	files       []string
	version     map[string][]byte
	bad         map[string][]byte // what lay in each place before the recovery; nil: nothing
	kept        map[string]bool   // before it
}

func newKillWorld(t *testing.T) *killWorld {
	w := &killWorld{T: t, dir: t.TempDir(), version: map[string][]byte{}}
	for i := range 24 {
		p := fmt.Sprintf("QV-%04d/QV-%04d_A.wav", i/3, i)
		w.files = append(w.files, p)
		w.version[p] = testdata.Wave(p, 100_000)
		for _, s := range []string{"studio", "vault"} {
			w.write(s, p, w.version[p])
		}
	}
	w.config = filepath.Join(w.dir, "firmus.toml")
	if err := os.WriteFile(w.config, []byte("name = \"x\"\nstate = \"state\"\n[set.masters]\nrole = \"master\"\n"+
		"[store.studio]\nkind = \"disk\"\narrivals = true\nsets = { masters = \"studio\" }\n"+
		"[store.vault]\nkind = \"disk\"\nown_drive = true\nsets = { masters = \"vault\" }\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	w.run(0, "intake")
	w.run(0, "audit")
	return w
}

// child is a recovery in a process of its own.
func (w *killWorld) child() *exec.Cmd {
	c := exec.Command(os.Args[0], "--config", w.config, "recover", "--store", "vault", "--reason", "killed")
	c.Env = append(os.Environ(), beProgram+"=1")
	return c
}

func (w *killWorld) write(store, p string, b []byte) {
	w.Helper()
	path := filepath.Join(w.dir, store, p)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		w.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		w.Fatal(err)
	}
	at := time.Now().AddDate(0, -1, 0).Truncate(time.Second)
	if err := os.Chtimes(path, at, at); err != nil {
		w.Fatal(err)
	}
}

func (w *killWorld) run(want int, args ...string) {
	w.Helper()
	var out, msg bytes.Buffer
	if got := run(append([]string{"--config", w.config}, args...), nil, &out, &msg); got != want {
		w.Fatalf("%q: exit %d, want %d\n%s%s", args, got, want, out.String(), msg.String())
	}
}

// spoil damages a third of the vault, removes a third, and notes what is there.
func (w *killWorld) spoil() {
	w.Helper()
	w.bad, w.kept = map[string][]byte{}, map[string]bool{}
	for i, p := range w.files {
		b := bytes.Clone(w.version[p])
		switch i % 3 {
		case 0:
			b[70_000] ^= byte(1 + rand.IntN(255))
			w.write("vault", p, b)
		case 1:
			if err := os.Remove(filepath.Join(w.dir, "vault", p)); err != nil {
				w.Fatal(err)
			}
			b = nil
		}
		w.bad[p] = b
	}
	for k := range w.keptNow() {
		w.kept[k] = true
	}
	w.run(1, "audit", "vault", "--full")
}

func (w *killWorld) keptNow() map[string][]byte {
	w.Helper()
	out := map[string][]byte{}
	paths, err := filepath.Glob(filepath.Join(w.dir, "vault", ".firmus-kept", "*", "*"))
	if err != nil {
		w.Fatal(err)
	}
	for _, p := range paths {
		b, err := os.ReadFile(p)
		if err != nil {
			w.Fatal(err)
		}
		out[p] = b
	}
	return out
}

// holds looks at both paths of each file; ended says that the recovery did. It says how far
// it had come.
func (w *killWorld) holds(ended bool) string {
	w.Helper()
	kept := w.keptNow()
	is, fresh := 0, 0
	for _, p := range w.files {
		b, err := os.ReadFile(filepath.Join(w.dir, "vault", p))
		isNew := err == nil && bytes.Equal(b, w.version[p])
		isOld := err == nil && w.bad[p] != nil && bytes.Equal(b, w.bad[p]) || os.IsNotExist(err) && w.bad[p] == nil
		if isNew {
			is++
		}
		times := 0
		for k, x := range kept {
			if !w.kept[k] && bytes.Equal(x, w.bad[p]) && strings.HasSuffix(k, filepath.Base(p)+".damaged") {
				times++
			}
		}
		damaged := w.bad[p] != nil && !bytes.Equal(w.bad[p], w.version[p])
		switch {
		case !isNew && !isOld:
			w.Errorf("%s holds neither the old file nor the new one: %d bytes, %v", p, len(b), err)
		case ended && !isNew:
			w.Errorf("%s isn't the version after a recovery that ended", p)
		case damaged && isNew && times != 1, times > 1, !damaged && times > 0:
			w.Errorf("%s: what lay there is kept %d times", p, times)
		}
	}
	for k := range kept {
		if !w.kept[k] {
			fresh++
		}
	}
	if ended {
		for _, s := range []string{"studio", "vault"} {
			if err := filepath.WalkDir(filepath.Join(w.dir, s), func(p string, d os.DirEntry, err error) error {
				if err == nil && strings.HasPrefix(d.Name(), ".firmus-new-") {
					w.Errorf("%s was left", p)
				}
				return err
			}); err != nil {
				w.Error(err)
			}
		}
	}
	switch {
	case is == len(w.files):
		return "all done"
	case is == len(w.files)/3 && fresh == 0:
		return "nothing done"
	}
	return "between"
}
