package app_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
)

// TestVisitingCloud: a test server that may come and go is no finding while it is
// away, also for check, and is one when its promise is broken. What was found in it
// stays open meanwhile.
func TestVisitingCloud(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t)
	text, err := os.ReadFile(c.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(c.path("firmus.toml"), append(text, "visiting = true\nexpect_within = \"60d\"\n"...), 0o644); err != nil {
		t.Fatal(err)
	}
	var id string
	for _, item := range []string{"QV-0107", "QV-0108"} {
		id = c.server.AddFile(c.server.AddFolder(c.masters, item), item+"_A.wav", bytesOf(item, 90_000))
		c.write("studio/masters/"+item+"/"+item+"_A.wav", item, 90_000)
		c.copy("studio/masters/"+item+"/"+item+"_A.wav", "vault/masters/"+item+"/"+item+"_A.wav")
	}
	c.now = c.now.Add(time.Hour)
	c.intake()
	c.audit(acts.AuditOrder{})
	c.server.Bin(id, true)
	c.now = c.now.Add(24 * time.Hour)
	if got := kinds(c.audit(acts.AuditOrder{})["cloud"]); len(got) != 1 {
		t.Fatalf("while it is there: %v", got)
	}
	checked := func() (ok bool, details string) {
		t.Helper()
		a := c.open()
		defer a.Close()
		ss, err := a.Acts.CheckStores(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		cfg, err := config.Load(c.path("firmus.toml"))
		if err != nil {
			t.Fatal(err)
		}
		ps, err := clouds.Check(t.Context(), cfg, func() time.Time { return c.now })
		if err != nil || len(ps) == 0 {
			t.Fatalf("%v, %v", ps, err)
		}
		ok = true
		for _, s := range ss {
			ok, details = ok && s.OK, details+s.Detail+"\n"
		}
		for _, p := range ps {
			ok = ok && !p.Grave
		}
		return ok, details
	}
	c.server.Close()
	c.now = c.now.Add(24 * time.Hour)
	r := c.audit(acts.AuditOrder{Full: true})["cloud"]
	if got := kinds(r); len(got) != 1 || r.Exit() != 1 || !r.Promised || len(r.Away) != 1 {
		t.Errorf("within its promise: exit %d, away %v, %v", r.Exit(), r.Away, got)
	}
	if ok, details := checked(); !ok || !strings.Contains(details, "not here now, as may be") {
		t.Errorf("check, within its promise: %v\n%s", ok, details)
	}
	c.now = c.now.Add(70 * 24 * time.Hour)
	r = c.audit(acts.AuditOrder{})["cloud"]
	if got := kinds(r); len(got) != 2 || r.Exit() != 3 {
		t.Errorf("beyond its promise: exit %d, %v", r.Exit(), got)
	}
	if ok, details := checked(); ok {
		t.Errorf("check, beyond its promise:\n%s", details)
	}
}
