//go:build unix

package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity/testing/ledgertest"
)

const largeConfig = `name = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
place = "Studio, room 12"
sets = { masters = "studio/masters" }
[store.vault]
kind = "disk"
own_drive = true
place = "Vault, town hall"
sets = { masters = "vault/masters" }
[store.mirror]
kind = "disk"
own_drive = true
place = "Barn"
sets = { masters = "mirror/masters" }
[mail]
server = "127.0.0.1:9"
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example"]
tls = "none"
`

// TestLarge measures what people wait for with a ledger of many files in three stores. It
// is made in the folder that FIRMUS_LARGE names, and used again if it is there:
// FIRMUS_LARGE_FILES files (a million), FIRMUS_LARGE_FINDINGS findings (5,000).
func TestLarge(t *testing.T) {
	dir := os.Getenv("FIRMUS_LARGE")
	if dir == "" {
		t.Skip("FIRMUS_LARGE names no folder for a large ledger")
	}
	number := func(name string, n int) int {
		if s := os.Getenv(name); s != "" {
			var err error
			if n, err = strconv.Atoi(s); err != nil {
				t.Fatal(err)
			}
		}
		return n
	}
	files, findings := number("FIRMUS_LARGE_FILES", 1_000_000), number("FIRMUS_LARGE_FINDINGS", 5_000)
	file := filepath.Join(dir, "firmus.toml")
	if _, err := os.Stat(filepath.Join(dir, "made")); err != nil {
		makeLarge(t, dir, files, findings)
	}
	for _, args := range [][]string{{"version"}, {"findings"}, {"findings", "--json"}, {"report", "holdings"}, {"report", "year"}, {"report", "levels"}, {"report", "reels"}, {"report", "item", "QV-00001"}} {
		var took, cpu []time.Duration
		var most int64
		for range 5 {
			c := exec.Command(os.Args[0], append([]string{"--config", file}, args...)...)
			c.Env = append(os.Environ(), beProgram+"=1")
			begun := time.Now()
			out, err := c.CombinedOutput()
			took = append(took, time.Since(begun))
			if err != nil && c.ProcessState.ExitCode() != 1 {
				t.Fatalf("%v: %v: %s", args, err, out)
			}
			cpu = append(cpu, c.ProcessState.UserTime()+c.ProcessState.SystemTime())
			most = max(most, c.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)
		}
		slices.Sort(took)
		slices.Sort(cpu)
		t.Logf("firmus %s: %v, %v of the processors, at most %d MiB", strings.Join(args, " "), took[2].Round(time.Millisecond), cpu[2].Round(time.Millisecond), most>>10)
	}
	fillLarge(t, dir)
}

func makeLarge(t *testing.T, dir string, files, findings int) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "firmus.toml"), []byte(largeConfig), 0o644); err != nil {
		t.Fatal(err)
	}
	now := time.Now().Add(-24 * time.Hour)
	a := openLarge(t, dir, now)
	defer a.Close()
	x := ledgertest.Large{Ledger: a.Ledger, Set: "masters", Stores: []string{"studio", "vault", "mirror"}, Now: now}
	step := func(what string, do func() error) {
		t.Helper()
		begun, before := time.Now(), used()
		if err := do(); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %v, %v of the processors; the ledger has %d MiB, the event files %d", what, time.Since(begun).Round(time.Millisecond), (used() - before).Round(time.Millisecond),
			size(t, dir, "state/ledger.db*")>>20, size(t, dir, "state/events/*")>>20)
	}
	step(fmt.Sprintf("%d files taken in", files), func() error {
		if err := x.Adopt(t.Context(), "disk"); err != nil {
			return err
		}
		return x.Fill(t.Context(), 0, files)
	})
	for _, s := range x.Stores[:2] {
		step("all in "+s+" read", func() error { return x.Read(t.Context(), s, now.Add(time.Hour), 0) })
	}
	step("all in mirror read", func() error { return x.Read(t.Context(), "mirror", now.Add(2*time.Hour), files/findings) })
	if err := os.WriteFile(filepath.Join(dir, "made"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
}

// fillLarge measures the first filling of the outbox with all findings, and puts it back.
func fillLarge(t *testing.T, dir string) {
	a := openLarge(t, dir, time.Now())
	defer a.Close()
	l, err := a.Letters(nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 2 {
		begun, before := time.Now(), used()
		n, err := l.Fill(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("filling the outbox (%d.): %d letters, %v, %v of the processors", i+1, n, time.Since(begun).Round(time.Millisecond), (used() - before).Round(time.Millisecond))
	}
}

func openLarge(t *testing.T, dir string, now time.Time) *app.App {
	t.Helper()
	cfg, err := config.Load(filepath.Join(dir, "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	a, err := app.Open(context.Background(), app.Options{Config: cfg, By: "a test", Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// used is the time of the processors that this process had.
func used() time.Duration {
	var r syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &r) != nil {
		return 0
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

func size(t *testing.T, dir, pattern string) (n int64) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, pattern))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if st, err := os.Stat(name); err == nil {
			n += st.Size()
		}
	}
	return n
}
