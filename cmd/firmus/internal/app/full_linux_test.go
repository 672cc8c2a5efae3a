package app_test

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// mounted makes a small drive of the state folder, or skips.
func mounted(t *testing.T, dir, size string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("nothing can be mounted here: ", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(dir, unix.MNT_DETACH) })
}

// smallState is a world whose state folder is a small drive.
func smallState(t *testing.T) (w *world, addr, file string) {
	addr = freeAddr(t)
	w = newWorld(t, worldConfig+"\n[web]\nlisten = \""+addr+"\"\n")
	mounted(t, w.path("state"), "8m")
	w.now = time.Now().Add(-time.Hour)
	f := "masters/QV-0107/QV-0107_A.wav"
	w.write("studio/"+f, f, 150_000)
	w.copy("studio/"+f, "vault/"+f)
	if res := w.intake(); res.Taken != 1 {
		t.Fatalf("%+v", res)
	}
	return w, addr, f
}

// fill takes all room of a drive, to the last byte.
func (w *world) fill(name string) {
	w.t.Helper()
	f, err := os.Create(w.path(name))
	if err != nil {
		w.t.Fatal(err)
	}
	defer f.Close()
	for n := 1 << 16; n > 0; n /= 2 {
		for err = nil; err == nil; {
			_, err = f.Write(make([]byte, n))
		}
	}
}

// The ledger's drive becomes full while the second of three stores is read: what was found in
// the first is told, and of the other two that they are not finished.
func TestAFullDriveEndsAnAuditAndWhatWasFoundIsTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig+`[store.zeta]
kind = "disk"
own_drive = true
sets = { masters = "zeta/masters" }
`)
	mounted(t, w.path("state"), "8m")
	f := "masters/QV-0107/QV-0107_A.wav"
	w.write("studio/"+f, f, 150_000)
	w.copy("studio/"+f, "vault/"+f)
	w.copy("studio/"+f, "zeta/"+f)
	w.intake()
	b, err := os.ReadFile(w.path("studio/" + f))
	if err != nil {
		t.Fatal(err)
	}
	b[100_000] ^= 1
	w.put("studio/"+f, b, w.now)
	w.now = w.now.Add(24 * time.Hour)
	a := w.open()
	defer a.Close()
	full := false
	a.Acts.Progress.File = func(s fixity.Shard, _ string, _ int64) {
		if s.Store == "vault" && !full {
			full = true
			w.fill("state/filler")
		}
	}
	rs, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Full: true, Cache: fixity.Bypassed})
	if err == nil || !full || len(rs) != 3 {
		t.Fatalf("the drive is full: %t; %d results, %v", full, len(rs), err)
	}
	if r := rs[0]; r.Store != "studio" || len(r.Findings) != 1 || r.Exit() != 1 {
		t.Errorf("studio: %+v", r)
	}
	for i, store := range []string{"vault", "zeta"} {
		if r := rs[i+1]; r.Store != store || len(r.Trouble) == 0 || r.Exit() != 3 {
			t.Errorf("%s: %+v", store, r)
		}
	}
}

// A ledger whose drive becomes full is said and shown; the daemon runs on, and makes
// up for it when there is room again.
func TestDaemonLedgerDriveFull(t *testing.T) {
	t.Parallel()
	w, addr, f := smallState(t)
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	r.watches("studio", "masters")
	w.fill("state/filler")
	if err := os.Rename(w.path("studio/"+f), w.path("elsewhere")); err != nil {
		t.Fatal(err)
	}
	r.within(time.Minute, "it is said", func() bool { return r.log.has("could not be noted in the ledger") })
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_state_free_bytes 0"))
	if !r.answers("/healthz", 200, "ok")() {
		t.Error("it counts as dead")
	}
	if r.log.has("kind=missing") {
		t.Error("a finding was told that nobody could write down")
	}
	w.remove("state/filler")
	r.within(time.Minute, "the finding", func() bool { return r.log.has("kind=missing") })
	r.stop()
	a := w.open()
	defer a.Close()
	w.consistent(a)
}

// A ledger on a read-only drive is said and shown, and used once it can be.
func TestDaemonLedgerDriveReadOnly(t *testing.T) {
	t.Parallel()
	w, addr, _ := smallState(t)
	if err := unix.Mount("", w.path("state"), "", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	r := w.daemon(addr)
	r.within(time.Minute, "it is said", func() bool { return r.log.has("the ledger can't be opened; tried again") })
	r.within(time.Minute, "it isn't ready", r.answers("/readyz", 503, "ledger"))
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_ledger_writable 0"))
	if err := unix.Mount("", w.path("state"), "", unix.MS_REMOUNT, ""); err != nil {
		t.Fatal(err)
	}
	r.within(time.Minute, "it goes on", r.answers("/readyz", 200, "ok"))
}

// A full drive is no fault of a backup: nobody is sent on to make the ledger anew.
func TestAFullDriveNeverMakesABackupUseless(t *testing.T) {
	t.Parallel()
	w, _, _ := smallState(t)
	fill := w.path("state/fill")
	f, err := os.Create(fill)
	for b := make([]byte, 1<<10); err == nil; {
		_, err = f.Write(b)
	}
	f.Close()
	_, err = w.restore(nil)
	if err == nil || errors.Is(err, fixity.ErrNotFound) || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("on a full drive: %v", err)
	}
	if err := os.Remove(fill); err != nil {
		t.Fatal(err)
	}
	if _, err = w.restore(back); err != nil {
		t.Errorf("with room again: %v", err)
	}
}

// Where not even reading has room, it is said what is full and what to do.
func TestAFullDriveIsSaidWithWhatToDo(t *testing.T) {
	t.Parallel()
	w, _, _ := smallState(t)
	w.fill("state/fill")
	cfg, err := config.Load(w.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	a, err := app.Open(t.Context(), app.Options{Config: cfg, By: "the test", MustExist: true})
	if err == nil {
		a.Close()
	}
	if !errors.Is(err, ledger.ErrFull) || !strings.Contains(err.Error(), w.path("state")) || !strings.Contains(err.Error(), "Make room on that drive") || strings.Contains(err.Error(), "4874") {
		t.Errorf("on a full drive: %v", err)
	}
}
