package app_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/outlook"
	"firmus/fixity"
	"firmus/replicas/testing/drivetest"
)

const day = 24 * time.Hour

// boundedWorld is a cloud world with files of the given sizes, all intact by what the
// service reports and none read yet; the turn of all has come.
func boundedWorld(t *testing.T, aDay string, sizes ...int) (*cloudWorld, []string) {
	t.Helper()
	c := newCloudWorld(t, fmt.Sprintf("read_a_day = %q\nread_within = \"10d\"\n", aDay))
	var ids []string
	for i, size := range sizes {
		item := fmt.Sprintf("QV-%04d", 107+i)
		ids = append(ids, c.server.AddFile(c.server.AddFolder(c.masters, item), item+"_A.wav", bytesOf(item, size)))
		c.write("studio/masters/"+item+"/"+item+"_A.wav", item, size)
	}
	c.now = c.now.Add(time.Hour)
	c.intake()
	if r := c.audit(acts.AuditOrder{})["cloud"]; r.States[fixity.Intact] != int64(len(sizes)) || r.Read != 0 || r.PutOff != 0 {
		t.Fatalf("reported: %v, %d read, %d put off", r.States, r.Read, r.PutOff)
	}
	c.now = c.now.Add(9*day + 12*time.Hour)
	return c, ids
}

func (c *cloudWorld) cloudAudit(full bool) acts.AuditResult {
	c.t.Helper()
	c.server.Reset()
	return c.audit(acts.AuditOrder{Stores: []string{"cloud"}, Full: full})["cloud"]
}

// sent is how many bytes of files the server gave out since the last Reset.
func (c *cloudWorld) sent() (n int64) {
	for _, x := range c.server.Calls() {
		n += x.Sent
	}
	return n
}

// TestReadADay: a day's bytes are not exceeded, over runs and restarts; the run that
// ends for that is no failure, and goes on the next day with what has waited longest.
func TestReadADay(t *testing.T) {
	t.Parallel()
	c, _ := boundedWorld(t, "100kB", 40_000, 40_000, 40_000, 40_000, 40_000)
	for _, want := range []struct {
		what         string
		after        time.Duration
		read, putOff int64
	}{
		{"first day", 0, 2, 3},
		{"the same day", 10 * time.Minute, 0, 3},
		{"second day", day, 2, 1},
		{"the same day again", 10 * time.Minute, 0, 1},
		{"third day", day, 1, 0},
		{"nothing is due", time.Minute, 0, 0},
	} {
		c.now = c.now.Add(want.after)
		r := c.cloudAudit(false)
		if r.Read != want.read || r.PutOff != want.putOff || r.PutOffLen != 40_000*want.putOff || r.Exit() != 0 || !r.Complete {
			t.Errorf("%s: %d read, %d put off (%d bytes), exit %d, complete %v; want %d read, %d put off",
				want.what, r.Read, r.PutOff, r.PutOffLen, r.Exit(), r.Complete, want.read, want.putOff)
		}
		if c.sent() != 40_000*want.read {
			t.Errorf("%s: %d bytes were fetched", want.what, c.sent())
		}
	}
	// What somebody orders is read all the same, and counts.
	c.now = c.now.Add(9 * day)
	if r := c.cloudAudit(true); r.Read != 5 || r.PutOff != 0 {
		t.Errorf("full: %d read, %d put off", r.Read, r.PutOff)
	}
}

// TestLongerThanADay: a file that is longer than what is left, or than a whole day's
// bytes, gets a day of its own; those that have waited less don't overtake it.
func TestLongerThanADay(t *testing.T) {
	t.Parallel()
	c, _ := boundedWorld(t, "100kB", 30_000, 30_000, 250_000, 90_000, 30_000)
	var days []string
	for range 10 {
		r := c.cloudAudit(false)
		days = append(days, fmt.Sprintf("%d:%d", r.Read, c.sent()))
		if r.PutOff == 0 {
			break
		}
		if sent := c.sent(); sent > 100_000 && (sent != 250_000 || r.Read != 1) || sent == 0 {
			t.Errorf("a day of %d bytes, %d files", sent, r.Read)
		}
		c.now = c.now.Add(day)
	}
	if !slices.Contains(days, "1:250000") {
		t.Errorf("days: %v", days)
	}
	for _, x := range c.allCloud() {
		if x.Read.At.IsZero() {
			t.Errorf("never read; days: %v", days)
		}
	}
}

// TestNotHeldUp: what has changed is read though the day's bytes are, until as much
// again was read.
func TestNotHeldUp(t *testing.T) {
	t.Parallel()
	c, ids := boundedWorld(t, "100kB", 50_000, 50_000, 50_000, 50_000, 50_000, 50_000)
	c.now = c.now.Add(-9 * day)
	if r := c.cloudAudit(true); r.Read != 6 {
		t.Fatal(r.Read)
	}
	// 300,000 bytes were read today.
	c.server.Write(ids[1], bytesOf("another", 50_000))
	if r := c.cloudAudit(false); r.Read != 0 {
		t.Errorf("after three days' bytes: %d read", r.Read)
	}
	c.now = c.now.Add(day)
	if r := c.cloudAudit(false); r.Read != 1 || fmt.Sprint(kinds(r)) != "[altered QV-0108/QV-0108_A.wav]" {
		t.Errorf("the next day: %d read, %v", r.Read, kinds(r))
	}
	// It was read twice; another that changes is read today, too, the rest tomorrow.
	for _, id := range ids[2:] {
		c.server.Write(id, bytesOf("another "+id, 50_000))
	}
	first := c.cloudAudit(false)
	c.now = c.now.Add(time.Hour)
	if r := c.cloudAudit(false); c.sent() != 0 || first.Exit() != 1 {
		t.Errorf("twice the day's bytes: %d more, %v", c.sent(), kinds(r))
	}
	for range 9 {
		c.now = c.now.Add(day)
		c.cloudAudit(false)
	}
	if r := c.cloudAudit(false); len(r.Findings) != 5 {
		t.Errorf("in the end: %v", kinds(r))
	}
}

// TestNeverGivenOut: a file that its owner gives to nobody is told, and doesn't keep the
// others from their turn.
func TestNeverGivenOut(t *testing.T) {
	t.Parallel()
	c, ids := boundedWorld(t, "100kB", 90_000, 90_000, 90_000, 90_000)
	c.server.Forbid(ids[0])
	c.server.Write(ids[2], bytesOf("longer than a day, and due ahead of its turn", 250_000))
	c.server.Forbid(ids[2])
	read := int64(0)
	for range 6 {
		a := c.open()
		rs, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Stores: []string{"cloud"}, Cache: fixity.Bypassed})
		a.Close()
		if err != nil {
			t.Fatal(err)
		}
		read += rs[0].Read
		if rs[0].Read == 0 && (rs[0].Exit() != 3 || !strings.Contains(fmt.Sprint(rs[0].Trouble), "not allow")) {
			t.Errorf("exit %d, %v", rs[0].Exit(), rs[0].Trouble)
		}
		c.now = c.now.Add(day)
	}
	if read != 2 {
		t.Errorf("%d of the two that may be read were", read)
	}
}

// TestAllowanceSpent: a service that gives no more today is not asked for each file.
func TestAllowanceSpent(t *testing.T) {
	t.Parallel()
	c, _ := boundedWorld(t, "10MB", 50_000, 50_000, 50_000, 50_000, 50_000, 50_000)
	c.server.Reset()
	c.server.Inject(drivetest.Fault{Method: "drive.files.get#media", Skip: 2, Count: -1, Status: 403, Reason: "quotaExceeded"})
	a := c.open()
	defer a.Close()
	rs, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Cache: fixity.Bypassed})
	if err != nil {
		t.Fatal(err)
	}
	r := rs[2]
	if r.Store != "cloud" || r.Exit() != 3 || r.Read != 2 || len(r.Findings) != 0 || !strings.Contains(fmt.Sprint(r.Trouble), "not before tomorrow") {
		t.Errorf("%s: exit %d, %d read, %v, %v", r.Store, r.Exit(), r.Read, kinds(r), r.Trouble)
	}
	if n := c.server.Count("drive.files.get#media"); n != 3 {
		t.Errorf("%d files were asked for", n)
	}
	if rs[0].Exit() != 0 || rs[0].States[fixity.Intact] != 6 {
		t.Errorf("the studio: %v", rs[0].Trouble)
	}
}

// TestCloudRate: reading goes no faster than the store's rate, also by hand.
func TestCloudRate(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t, "rate = \"400kB/s\"\n")
	c.server.AddFile(c.server.AddFolder(c.masters, "QV-0107"), "QV-0107_A.wav", bytesOf("QV-0107", 300_000))
	c.server.AddFile(c.server.AddFolder(c.masters, "QV-0108"), "QV-0108_A.wav", bytesOf("QV-0108", 100_000))
	for item, size := range map[string]int{"QV-0107": 300_000, "QV-0108": 100_000} {
		c.write("studio/masters/"+item+"/"+item+"_A.wav", item, size)
	}
	c.now = c.now.Add(time.Hour)
	c.intake()
	began := time.Now()
	if r := c.cloudAudit(true); r.Read != 2 || len(r.Findings) != 0 {
		t.Fatalf("%d read, %v", r.Read, kinds(r))
	}
	// The last piece isn't waited for.
	if took := time.Since(began); took < 800*time.Millisecond {
		t.Errorf("400,000 bytes in %s", took)
	}
}

// TestForeseenByTheDay: a bound that can't keep the promise is foreseen.
func TestForeseenByTheDay(t *testing.T) {
	t.Parallel()
	c, _ := boundedWorld(t, "10kB", 90_000, 90_000, 90_000)
	c.now = c.now.Add(-9 * day)
	a := c.open()
	defer a.Close()
	st, _ := a.Config.Store("cloud")
	o, err := outlook.Of(t.Context(), a.Ledger, st, c.now)
	if err != nil {
		t.Fatal(err)
	}
	if o.Forecast.Broken.IsZero() || o.Forecast.Short < 150_000 {
		t.Errorf("%+v", o.Forecast)
	}
	st.ReadADay = config.Size(100_000)
	if o, err = outlook.Of(t.Context(), a.Ledger, st, c.now); err != nil || !o.Forecast.Broken.IsZero() {
		t.Errorf("%+v, %v", o.Forecast, err)
	}
}
