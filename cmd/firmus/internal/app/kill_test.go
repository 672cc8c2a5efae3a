package app_test

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// childConfig makes this test's binary a daemon of its own.
const childConfig = "FIRMUS_TEST_DAEMON_CONFIG"

func TestMain(m *testing.M) {
	if file := os.Getenv(childConfig); file != "" {
		err := app.RunDaemon(context.Background(), app.DaemonOptions{Log: slog.New(slog.NewTextHandler(os.Stderr, nil)), By: "the test", Build: metrics.Build{Version: "test"},
			Load: func() (*config.Config, error) { return config.Load(file) }, TakeInFirst: 20 * time.Millisecond, Rest: time.Millisecond})
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	time.Local = time.FixedZone("QVT", 2*3600) // letters give local times
	os.Exit(m.Run())
}

// kills is how often the daemon is killed.
const kills = 40

// TestDaemonKilled: the daemon is killed again and again, in the middle of audits and
// of taking in. The record holds together each time, and in the end nothing is lost.
func TestDaemonKilled(t *testing.T) {
	w := newWorld(t, worldConfig+`rate = "40MB/s"
[store.safe]
kind = "disk"
visiting = true
rate = "1MB/s"
sets = { masters = "safe/masters" }
read_within = "90d"
[web]
listen = "`+freeAddr(t)+`"
`)
	w.now = time.Now().Add(-24 * time.Hour)
	const first = 120
	name := func(i int) string { return fmt.Sprintf("masters/QV-%04d/QV-%04d_A.wav", i, i) }
	for i := range first {
		w.write("studio/"+name(i), name(i), 100_000+i)
		w.copy("studio/"+name(i), "vault/"+name(i))
		w.copy("studio/"+name(i), "safe/"+name(i))
	}
	w.now = time.Now()
	if res := w.intake(); res.Taken != first {
		t.Fatalf("intake: %+v", res)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	log, err := os.Create(w.path("log"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	start := func() *exec.Cmd {
		cmd := exec.Command(self)
		cmd.Env = append(os.Environ(), childConfig+"="+w.path("firmus.toml"))
		cmd.Stderr = log
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd
	}
	dice := rand.New(rand.NewPCG(1, 2))
	reading, files := 0, first
	for i := range kills {
		// Something arrives each time.
		w.now = time.Now()
		w.write("studio/"+name(files), name(files), 300_000+files)
		files++
		cmd := start()
		time.Sleep(150*time.Millisecond + time.Duration(dice.IntN(450))*time.Millisecond)
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait()
		a := w.open()
		if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error {
			f, err := x.LastFiring(ledger.FiringVisit, "safe")
			if err == nil && f.Ended.IsZero() {
				reading++
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		w.consistent(a)
		a.Close()
		if t.Failed() {
			t.Fatalf("after kill %d", i)
		}
	}
	if reading < kills/4 {
		t.Errorf("only %d of %d kills hit the middle of a visit", reading, kills)
	}
	// Left alone, it brings everything to its end.
	cmd := start()
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	var taken, intact int64
	var visit ledger.Firing
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		a := w.open()
		if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) (err error) {
			taken, intact = 0, 0
			tallies, err := x.Tallies()
			for _, y := range tallies {
				if y.Store == "studio" && y.Set == "masters" {
					taken += y.Files
					if y.State == fixity.Intact {
						intact += y.Files
					}
				}
			}
			if err != nil {
				return err
			}
			visit, err = x.LastFiring(ledger.FiringVisit, "safe")
			return err
		}); err != nil {
			t.Fatal(err)
		}
		a.Close()
		if taken == int64(files) && intact == taken && visit.Outcome == ledger.FiringDone {
			break
		}
	}
	if taken != int64(files) || intact != taken || visit.Outcome != ledger.FiringDone {
		b, _ := os.ReadFile(filepath.Join(w.dir, "log"))
		t.Fatalf("%d of %d files are under care, %d intact; the visit: %+v\n%s", taken, files, intact, visit, b[max(0, len(b)-3000):])
	}
	t.Logf("%d kills, %d of them in the middle of a visit, which took %d tries; %d files", kills, reading, visit.Tries, files)
	a := w.open()
	defer a.Close()
	w.consistent(a)
	v, err := a.Ledger.Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("record: %+v", v)
}
