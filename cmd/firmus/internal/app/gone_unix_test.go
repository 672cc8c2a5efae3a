//go:build unix

package app_test

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/fixity/ledger"
)

// A daemon whose ledger is taken away never says ok, never writes on, and never makes
// another: it says so in the log, by metric and by one letter, and goes on when the
// ledger is back.
func TestADaemonWithoutItsLedgerIsNeverReady(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name       string
		take, back func(state string) error
		said       string
	}{
		{"its folder is renamed and comes back", func(s string) error { return os.Rename(s, s+"-away") },
			func(s string) error { return os.Rename(s+"-away", s) }, "was removed or renamed"},
		{"another folder lies there", func(s string) error { return errors.Join(os.Rename(s, s+"-away"), os.Mkdir(s, 0o700)) },
			func(s string) error { return errors.Join(os.Remove(s), os.Rename(s+"-away", s)) }, "ledger.db was removed"},
		{"it is replaced by a backup", func(s string) error { return os.Rename(filepath.Join(s, "ledger.db"), filepath.Join(s, "lost.db")) },
			func(s string) error {
				b, err := os.ReadFile(filepath.Join(filepath.Dir(s), "backup.db"))
				return errors.Join(err, os.Remove(filepath.Join(s, "ledger.db-wal")), os.Remove(filepath.Join(s, "ledger.db-shm")),
					os.WriteFile(filepath.Join(s, "new.db"), b, 0o600), os.Rename(filepath.Join(s, "new.db"), filepath.Join(s, "ledger.db")))
			}, "ledger.db was removed"},
		{"it is removed, and a backup is put back", removeBeside, func(s string) error {
			b, err := os.ReadFile(filepath.Join(filepath.Dir(s), "backup.db"))
			return errors.Join(err, os.Mkdir(s, 0o700), os.WriteFile(filepath.Join(s, "new.db"), b, 0o600), os.Rename(filepath.Join(s, "new.db"), filepath.Join(s, "ledger.db")))
		}, "was removed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			post, mail := openPost(t)
			w, addr := daemonWorld(t, mailed(mail))
			a := w.open()
			_, err := a.Ledger.Snapshot(context.Background(), w.path("backup.db"))
			must(t, err)
			a.Close()
			r := w.daemon(addr, func(o *app.DaemonOptions) { o.Follow = 50 * time.Millisecond })
			r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))

			state := w.path("state")
			must(t, c.take(state))
			r.within(time.Minute, "it isn't ready, and says why", r.answers("/readyz", 503, c.said))
			r.within(time.Minute, "it can be asked", r.answers("/healthz", 200, "ok"))
			r.within(time.Minute, "the metric says so", r.answers("/metrics", 200, "firmus_ledger_up 0"))
			r.within(time.Minute, "the log says so", func() bool { return r.log.has(`level=ERROR msg="the ledger is gone`) })
			r.within(time.Minute, "a letter says so", func() bool { return post.has("URGENT: Firmus has lost its ledger") })
			w.now = time.Now()
			w.write("studio/masters/QV-0311/QV-0311_A.wav", "new", 99_999)
			time.Sleep(500 * time.Millisecond)
			if _, err := os.Lstat(filepath.Join(state, "ledger.db")); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("a ledger was made: %v", err)
			}
			post.mu.Lock()
			n := len(post.letters)
			post.mu.Unlock()
			if n != 1 {
				t.Errorf("%d letters", n)
			}

			must(t, c.back(state))
			r.within(time.Minute, "it goes on", r.answers("/readyz", 200, "ok"))
			w.write("studio/masters/QV-0312/QV-0312_A.wav", "newer", 99_998)
			r.within(time.Minute, "what is new is recorded in the ledger that lies there", func() bool {
				a := w.open()
				defer a.Close()
				return a.Ledger.View(context.Background(), func(x *ledger.Tx) error { _, err := x.Files.At("masters", "QV-0312/QV-0312_A.wav"); return err }) == nil
			})
			if strings.Contains(r.log.text(), "panic") {
				t.Error("it panicked")
			}
		})
	}
}

// One look that doesn't find the ledger is logged, and frightens nobody by a letter.
func TestALedgerThatIsGoneForOneLookIsNoAlarm(t *testing.T) {
	t.Parallel()
	post, mail := openPost(t)
	w, addr := daemonWorld(t, mailed(mail))
	r := w.daemon(addr, func(o *app.DaemonOptions) { o.Follow = 10 * time.Second })
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	state := w.path("state")
	must(t, os.Rename(state, state+"-away"))
	r.within(time.Minute, "the log says so", func() bool { return r.log.has(`level=ERROR msg="the ledger is gone`) })
	must(t, os.Rename(state+"-away", state))
	r.within(time.Minute, "the log says that it is back", func() bool { return r.log.has(`msg="the ledger is back in its place"`) })
	post.mu.Lock()
	defer post.mu.Unlock()
	if n := len(post.letters); n != 0 {
		t.Errorf("%d letters", n)
	}
}

// removeBeside removes a folder in which somebody is still writing.
func removeBeside(dir string) error {
	for {
		err := os.RemoveAll(dir)
		if !errors.Is(err, syscall.ENOTEMPTY) {
			return err
		}
	}
}
