package app_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
)

// followedWorld is a cloud world in which all is known and intact, for a daemon.
func followedWorld(t *testing.T) (c *cloudWorld, addr string, ids map[string]string) {
	t.Helper()
	addr = freeAddr(t)
	c = newCloudWorld(t, fmt.Sprintf("[web]\nlisten = %q\n", addr))
	c.now = time.Now().Add(-time.Hour)
	ids = map[string]string{}
	for i := range 5 {
		item := fmt.Sprintf("QV-%04d", 107+i)
		ids[item] = c.server.AddFile(c.server.AddFolder(c.masters, item), item+"_A.wav", bytesOf(item, 80_000))
		c.write("studio/masters/"+item+"/"+item+"_A.wav", item, 80_000)
	}
	c.now = time.Now()
	c.intake()
	if r := c.audit(acts.AuditOrder{})["cloud"]; r.States[fixity.Intact] != 5 || len(r.Findings) != 0 {
		t.Fatalf("%v, %v", r.States, kinds(r))
	}
	return c, addr, ids
}

func (c *cloudWorld) followed(addr string) *running {
	c.t.Helper()
	r := c.daemon(addr, func(o *app.DaemonOptions) { o.Changes = 200 * time.Millisecond })
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	return r
}

// open findings of the cloud, as "kind path".
func (c *cloudWorld) openFindings() string {
	c.t.Helper()
	a := c.open()
	defer a.Close()
	var out []string
	if err := a.Ledger.View(c.t.Context(), func(t *ledger.Tx) error {
		fs, err := t.Findings.Open("cloud")
		for _, f := range fs {
			out = append(out, string(f.Kind)+" "+f.Path)
		}
		return err
	}); err != nil {
		c.t.Fatal(err)
	}
	return strings.Join(out, ", ")
}

func (c *cloudWorld) token() (token string) {
	c.t.Helper()
	a := c.open()
	defer a.Close()
	if err := a.Ledger.View(c.t.Context(), func(t *ledger.Tx) (err error) { token, err = t.Services.LogToken("cloud", c.folder); return err }); err != nil {
		c.t.Fatal(err)
	}
	return token
}

// TestCloudChangesAreTold: what is exchanged, binned or deleted in the cloud is told
// between audits, also what happened while no daemon ran; and what comes back.
func TestCloudChangesAreTold(t *testing.T) {
	t.Parallel() // most of the time is waiting
	c, addr, ids := followedWorld(t)
	r := c.followed(addr)
	r.within(time.Minute, "the log is followed", func() bool { return c.token() != "" })

	// Where nothing happens a call a time is all.
	c.server.Reset()
	r.within(time.Minute, "it is asked now and then", func() bool { return c.server.Count("drive.changes.list") >= 3 })
	if lists, asked, all := c.server.Count("drive.files.list"), c.server.Count("drive.changes.list"), c.server.Count(""); lists != 0 || all > asked+1 {
		t.Errorf("where nothing happens: asked %d times, %d listings, %d calls", asked, lists, all)
	}
	c.server.Write(ids["QV-0108"], bytesOf("something else", 80_000))
	r.within(time.Minute, "the exchanged one is told", func() bool { return c.openFindings() == "altered QV-0108/QV-0108_A.wav" })
	c.server.Bin(ids["QV-0109"], true)
	r.within(time.Minute, "the binned one is told", func() bool { return strings.Contains(c.openFindings(), "missing QV-0109/QV-0109_A.wav") })
	c.server.Bin(ids["QV-0109"], false)
	r.within(time.Minute, "it has come back", func() bool { return c.openFindings() == "altered QV-0108/QV-0108_A.wav" })
	r.stop()

	// While it doesn't run.
	c.server.Delete(ids["QV-0110"])
	c.server.Write(ids["QV-0111"], bytesOf("yet another thing", 80_000))
	r = c.followed(addr)
	r.within(time.Minute, "what happened meanwhile is told", func() bool {
		s := c.openFindings()
		return strings.Contains(s, "missing QV-0110/QV-0110_A.wav") && strings.Contains(s, "altered QV-0111/QV-0111_A.wav")
	})
	if strings.Contains(c.openFindings(), "QV-0107") {
		t.Errorf("findings: %s", c.openFindings())
	}
}

// TestTwoExchangedWithinOnePollAreNeverLeftUnread until the next audit, wherever they lie.
func TestTwoExchangedWithinOnePollAreNeverLeftUnread(t *testing.T) {
	t.Parallel() // most of the time is waiting
	c, addr, ids := followedWorld(t)
	r := c.followed(addr)
	r.within(time.Minute, "the log is followed", func() bool { return c.token() != "" })
	r.stop()
	c.server.Write(ids["QV-0108"], bytesOf("something else", 80_000))
	c.server.Write(ids["QV-0110"], bytesOf("another thing", 80_000))
	r = c.followed(addr)
	r.within(time.Minute, "both are told", func() bool {
		return c.openFindings() == "altered QV-0108/QV-0108_A.wav, altered QV-0110/QV-0110_A.wav"
	})
}

// TestCloudLogIsBegunAnew: a token that the service doesn't know any more has all
// listed, and a new one taken.
func TestCloudLogIsBegunAnew(t *testing.T) {
	t.Parallel() // most of the time is waiting
	c, addr, ids := followedWorld(t)
	a := c.open()
	if err := a.Ledger.Tx(t.Context(), time.Now(), func(t *ledger.Tx) error { return t.Services.PutLogToken("cloud", c.folder, "no token") }); err != nil {
		t.Fatal(err)
	}
	a.Close()
	c.server.Bin(ids["QV-0107"], true)
	r := c.followed(addr)
	r.within(time.Minute, "the binned one is told", func() bool { return c.openFindings() == "missing QV-0107/QV-0107_A.wav" })
	r.within(time.Minute, "a new token", func() bool { return c.token() != "no token" })
}

// TestNeverMissingByTheLog: what the log says is no evidence. While no complete listing
// can be had, nothing is missing; afterwards it is.
func TestNeverMissingByTheLog(t *testing.T) {
	t.Parallel() // most of the time is waiting
	c, addr, ids := followedWorld(t)
	r := c.followed(addr)
	r.within(time.Minute, "the log is followed", func() bool { return c.token() != "" })
	c.server.Inject(drivetest.Fault{Method: "drive.files.list", Incomplete: true, Count: -1})
	c.server.Delete(ids["QV-0107"])
	r.within(time.Minute, "it is noticed", func() bool { return r.log.has("the service tells of changes") })
	r.within(time.Minute, "it was looked at", func() bool { return r.log.has("a change will be looked at again") })
	if s := c.openFindings(); s != "" {
		t.Errorf("by the log alone: %s", s)
	}
	c.server.Reset()
	r.within(time.Minute, "a complete listing doesn't show it", func() bool { return c.openFindings() == "missing QV-0107/QV-0107_A.wav" })
}
