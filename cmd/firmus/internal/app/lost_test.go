package app_test

import (
	"errors"
	"os"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/fixity"
)

// A daemon that finds its ledger gone begins no other: it says so as an error, is not
// ready, and goes on by itself when the ledger is back.
func TestADaemonWithoutItsLedgerNeverBeginsAnother(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	w.move("state", "elsewhere")
	before := w.generations("studio")
	r := w.daemon(addr)
	r.within(time.Minute, "it can be asked", r.answers("/healthz", 200, "ok"))
	r.within(time.Minute, "it isn't ready", r.answers("/readyz", 503, "ledger"))
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_ledger_up 0"))
	r.within(time.Minute, "it is said", func() bool {
		return r.log.has("level=ERROR") && r.log.has("there was one") && r.log.has("firmus ledger restore")
	})
	if _, err := os.Stat(w.path("state/ledger.db")); err == nil {
		t.Error("another ledger was begun")
	}
	if after := w.generations("studio"); len(after) != len(before) {
		t.Errorf("backups %v became %v", before, after)
	}
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		_, err := w.restore(nil)
		if err == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal(err)
		}
	}
	r.within(time.Minute, "it goes on", r.answers("/readyz", 200, "ok"))
}

// A daemon beside which a lost ledger is made anew goes on telling.
func TestADaemonBesideARebuildNeverStopsTelling(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	w.audit(acts.AuditOrder{})
	for _, n := range glob(t, w.path("state/ledger.db*")) {
		if err := os.Remove(n); err != nil {
			t.Fatal(err)
		}
	}
	// It begins its own, as if nothing were there of the lost one.
	w.move("state/events", "events")
	w.move("state/record.key", "record.key")
	w.move("studio", "away/studio")
	w.move("vault", "away/vault")
	for _, d := range []string{"studio/masters", "studio/access", "vault/masters", "vault/access"} {
		if err := os.MkdirAll(w.path(d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	w.remove("studio")
	w.remove("vault")
	w.move("away/studio", "studio")
	w.move("away/vault", "vault")
	w.move("events", "state/events-lost-1")
	w.now = time.Now()
	a := w.open()
	res, err := a.Receiving.Rebuild(t.Context(), receiving.IntakeOrder{Cache: fixity.Bypassed})
	a.Close()
	if err != nil || res.Events == 0 {
		t.Fatalf("%+v, %v", res, err)
	}
	if err := os.Remove(w.path("studio/masters/QV-0101/QV-0101_A.wav")); err != nil {
		t.Fatal(err)
	}
	w.audit(acts.AuditOrder{})
	r.within(time.Minute, "the finding is told", func() bool { return r.log.has("kind=missing") })
	if r.log.has("can't be followed") {
		t.Error("the record could not be followed")
	}
}

// A daemon clears away as it begins what one that was killed left in the state folder: until the
// next audit that may take as much room as the largest recording.
func TestADaemonClearsAwayWhatAKillLeft(t *testing.T) {
	t.Parallel()
	w, _ := daemonWorld(t, "")
	w.write("state/.firmus-drill-1/1", "left", 1000)
	ready := make(chan bool, 1)
	w.daemon("", func(o *app.DaemonOptions) {
		o.Ready = func() {
			_, err := os.Stat(w.path("state/.firmus-drill-1"))
			ready <- errors.Is(err, os.ErrNotExist)
		}
	})
	if !<-ready {
		t.Error("it is still there")
	}
}
