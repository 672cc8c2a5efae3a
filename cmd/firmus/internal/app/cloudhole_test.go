package app_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
)

// foldered is a cloud world of n files in one folder, all known and intact.
func foldered(t *testing.T, n int) *cloudWorld {
	t.Helper()
	c := newCloudWorld(t)
	folder := c.server.AddFolder(c.masters, "QV-0300")
	for i := range n {
		name := fmt.Sprintf("QV-0300_%03d.wav", i)
		c.server.AddFile(folder, name, bytesOf(name, 60_000))
		c.write("studio/masters/QV-0300/"+name, name, 60_000)
	}
	c.now = c.now.Add(time.Hour)
	c.intake()
	if r := c.audit(acts.AuditOrder{})["cloud"]; r.States[fixity.Intact] != int64(n) || len(r.Findings) != 0 {
		t.Fatalf("%v, %v", r.States, kinds(r))
	}
	c.now = c.now.Add(24 * time.Hour)
	return c
}

// auditWith audits the cloud while the last call of its listing misbehaves.
func (c *cloudWorld) auditWith(f drivetest.Fault) acts.AuditResult {
	c.t.Helper()
	c.server.Reset()
	c.audit(acts.AuditOrder{Stores: []string{"cloud"}})
	f.Method, f.Skip = "drive.files.list", c.server.Count("drive.files.list")-1
	c.now = c.now.Add(24 * time.Hour)
	c.server.Reset()
	c.server.Inject(f)
	a := c.open()
	defer a.Close()
	rs, err := a.Acts.Audit(c.t.Context(), acts.AuditOrder{Stores: []string{"cloud"}, Cache: fixity.Bypassed})
	if err != nil {
		c.t.Fatal(err)
	}
	return rs[0]
}

// TestAHoleInAListingIsNeverMissing: what a second look finds counts. What it says of a
// file is held against the version like any report.
func TestAHoleInAListingIsNeverMissing(t *testing.T) {
	t.Parallel()
	t.Run("of few", func(t *testing.T) {
		t.Parallel()
		c := foldered(t, 12)
		r := c.auditWith(drivetest.Fault{End: 9})
		if len(r.Findings) != 0 || r.States[fixity.Intact] != 12 || r.Exit() != 0 {
			t.Errorf("%v, %v, %v", r.States, kinds(r), r.Trouble)
		}
	})
	t.Run("of few, and one of them is other bytes", func(t *testing.T) {
		t.Parallel()
		c := foldered(t, 12)
		name := "QV-0300_011.wav"
		id := c.server.Find(c.masters, "QV-0300/"+name)
		r := c.auditWith(drivetest.Fault{End: 9, Hook: func() { c.server.Write(id, bytesOf("something else", 60_000)) }})
		if got := fmt.Sprint(kinds(r)); got != "[altered QV-0300/"+name+"]" {
			t.Errorf("%v", got)
		}
	})
	t.Run("of many", func(t *testing.T) {
		t.Parallel()
		c := foldered(t, 30)
		r := c.auditWith(drivetest.Fault{End: 9})
		if len(r.Findings) != 0 || r.States[fixity.Intact] != 30 || r.Exit() != 3 || !strings.Contains(fmt.Sprint(r.Trouble), "two listings differ") {
			t.Errorf("%v, %v, %v", r.States, kinds(r), r.Trouble)
		}
		c.now = c.now.Add(24 * time.Hour)
		if r := c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]; len(r.Findings) != 0 || r.Exit() != 0 {
			t.Errorf("the next night: %v, %v", kinds(r), r.Trouble)
		}
	})
	t.Run("moved between the two", func(t *testing.T) {
		t.Parallel()
		c := foldered(t, 12)
		id := c.server.Find(c.masters, "QV-0300/QV-0300_011.wav")
		r := c.auditWith(drivetest.Fault{End: 11})
		if len(r.Findings) != 0 {
			t.Fatal(kinds(r))
		}
		other := c.server.AddFolder(c.masters, "QV-0301")
		r = c.auditWith(drivetest.Fault{Hook: func() { c.server.Move(id, other) }})
		if got := fmt.Sprint(kinds(r)); got != "[misplaced QV-0300/QV-0300_011.wav]" {
			t.Errorf("%v", got)
		}
	})
}

// TestAStrayIsNeverForgottenByAHole: with it would go that a person left it in peace.
func TestAStrayIsNeverForgottenByAHole(t *testing.T) {
	t.Parallel()
	for _, n := range []int{12, 30} { // of few, which a second look finds, and of too many
		c := foldered(t, n)
		c.server.AddFile(c.server.Find(c.masters, "QV-0300"), "stray.wav", []byte("a stray"))
		c.audit(acts.AuditOrder{Stores: []string{"cloud"}})
		first := c.strayFrom("QV-0300/stray.wav")
		c.now = c.now.Add(24 * time.Hour)
		c.auditWith(drivetest.Fault{End: 9})
		if again := c.strayFrom("QV-0300/stray.wav"); first.IsZero() || !again.Equal(first) {
			t.Errorf("%d files: first seen at %s, and then at %s", n, first, again)
		}
	}
}

// strayFrom is when a stray in the cloud was first seen; zero if none is known there.
func (c *cloudWorld) strayFrom(path string) (first time.Time) {
	c.t.Helper()
	a := c.open()
	defer a.Close()
	if err := a.Ledger.View(c.t.Context(), func(t *ledger.Tx) error {
		s, err := t.Strays.At("cloud", "masters", path)
		first = s.First
		if errors.Is(err, fixity.ErrNotFound) {
			return nil
		}
		return err
	}); err != nil {
		c.t.Fatal(err)
	}
	return first
}

// TestWrongBytesOnTheWayAreNeverRot: the same wrong byte twice, then the right one, is a
// copy that can't be read alike. What is wrong each time is altered.
func TestWrongBytesOnTheWayAreNeverRot(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		times int
		want  string
	}{{1, "[unsteady QV-0300/QV-0300_000.wav]"}, {2, "[unsteady QV-0300/QV-0300_000.wav]"}, {-1, "[altered QV-0300/QV-0300_000.wav]"}} {
		c := foldered(t, 1)
		c.server.Inject(drivetest.Fault{Method: "drive.files.get#media", Count: tc.times, Flip: true, FlipAt: 40_000})
		r := c.audit(acts.AuditOrder{Stores: []string{"cloud"}, Full: true})["cloud"]
		if got := fmt.Sprint(kinds(r)); got != tc.want {
			t.Errorf("wrong %d times: %s, want %s", tc.times, got, tc.want)
		}
	}
}
