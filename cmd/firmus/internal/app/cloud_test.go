package app_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
	"firmus/testdata"
)

// cloudWorld is a world with a store on a test server.
type cloudWorld struct {
	*world
	server  *drivetest.Server
	folder  string
	masters string
}

func newCloudWorld(t *testing.T, more ...string) *cloudWorld {
	t.Helper()
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	c := &cloudWorld{server: s, folder: folder, masters: s.AddFolder(folder, "masters")}
	c.world = newWorld(t, worldConfig+fmt.Sprintf(`
[store.cloud]
kind = "cloud"
service = "drive"
folder = %q
sets = ["masters"]
endpoint = %q
%s`, folder, s.Endpoint(), strings.Join(more, "")))
	return c
}

// allCloud is what the cloud has of each file.
func (c *cloudWorld) allCloud() (out []ledger.Copy) {
	c.t.Helper()
	a := c.open()
	defer a.Close()
	if err := a.Ledger.View(c.t.Context(), func(t *ledger.Tx) error {
		return t.Files.Each("masters", "", 1_000_000, func(f ledger.File) error {
			all, err := t.Copies.Of(f.ID)
			for _, x := range all {
				if x.Store == "cloud" {
					out = append(out, x)
				}
			}
			return err
		})
	}); err != nil {
		c.t.Fatal(err)
	}
	return out
}

func bytesOf(seed string, size int) []byte {
	return testdata.Wave(seed, size)
}

// TestCloudAudit: a cloud folder is audited as the disk is. What the service reports
// and what was read are told apart.
func TestCloudAudit(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t)
	ids := map[string]string{}
	for _, item := range []string{"QV-0107", "QV-0108", "QV-0109"} {
		f := c.server.AddFolder(c.masters, item)
		ids[item] = c.server.AddFile(f, item+"_A.wav", bytesOf(item, 150_000))
		c.write("studio/masters/"+item+"/"+item+"_A.wav", item, 150_000)
		c.copy("studio/masters/"+item+"/"+item+"_A.wav", "vault/masters/"+item+"/"+item+"_A.wav")
	}
	c.now = c.now.Add(time.Hour)
	if res := c.intake(); res.Taken != 3 {
		t.Fatalf("intake: %+v", res)
	}
	r := c.audit(acts.AuditOrder{})["cloud"]
	if r.States[fixity.Intact] != 3 || len(r.Findings) != 0 || r.Read != 0 {
		t.Fatalf("reported: %v, %d read, %v", r.States, r.Read, kinds(r))
	}
	// Reported is not read.
	for _, x := range c.copies("masters", "QV-0107/QV-0107_A.wav") {
		if x.Store == "cloud" && (!x.Reported.OK || !x.Read.At.IsZero()) {
			t.Errorf("evidence: reported %+v, read %+v", x.Reported, x.Read)
		}
	}
	if r = c.audit(acts.AuditOrder{Stores: []string{"cloud"}, Full: true})["cloud"]; r.Read != 3 || len(r.Findings) != 0 {
		t.Fatalf("full: %d read, %v", r.Read, kinds(r))
	}

	// A digest that disagrees is read and told; one in the bin is missing; rot that
	// no report shows is found by reading only.
	c.server.Write(ids["QV-0108"], bytesOf("something else", 150_000))
	c.server.Bin(ids["QV-0109"], true)
	c.server.Rot(ids["QV-0107"], 70_000)
	c.now = c.now.Add(24 * time.Hour)
	r = c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]
	if got := kinds(r); fmt.Sprint(got) != "[missing QV-0109/QV-0109_A.wav altered QV-0108/QV-0108_A.wav]" {
		t.Errorf("by the night's audit: %v", got)
	}
	r = c.audit(acts.AuditOrder{Stores: []string{"cloud"}, Full: true})["cloud"]
	if got := kinds(r); len(got) != 3 || got[2] != "altered QV-0107/QV-0107_A.wav" {
		t.Errorf("by reading: %v", got)
	}
	c.server.Bin(ids["QV-0109"], false)
	c.now = c.now.Add(24 * time.Hour)
	if got := kinds(c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]); len(got) != 2 {
		t.Errorf("out of the bin again: %v", got)
	}
}

// TestCloudIncomplete: what a partial or failing listing doesn't show isn't missing.
func TestCloudIncomplete(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t)
	for i := range 6 {
		item := fmt.Sprintf("QV-02%02d", i)
		c.server.AddFile(c.server.AddFolder(c.masters, item), item+"_A.wav", bytesOf(item, 70_000))
		c.write("studio/masters/"+item+"/"+item+"_A.wav", item, 70_000)
	}
	c.now = c.now.Add(time.Hour)
	c.intake()
	c.audit(acts.AuditOrder{})
	c.server.Inject(drivetest.Fault{Method: "drive.files.list", Half: true, Count: -1})
	a := c.open()
	defer a.Close()
	rs, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Stores: []string{"cloud"}, Cache: fixity.Bypassed})
	if err != nil {
		t.Fatal(err)
	}
	if rs[0].Exit() != 3 || len(rs[0].Findings) != 0 {
		t.Errorf("half a listing: exit %d, %v, %v", rs[0].Exit(), kinds(rs[0]), rs[0].Trouble)
	}
}

// TestCarriedOver: a folder that a program keeps in step with the cloud follows a
// wrong hand. What befalls both is told as one act, with what the service says of it.
func TestCarriedOver(t *testing.T) {
	t.Parallel()
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	masters := s.AddFolder(folder, "masters")
	w := newWorld(t, strings.Replace(worldConfig, "arrivals = true", "arrivals = true\nfollows = \"cloud\"", 1)+fmt.Sprintf(`
[store.cloud]
kind = "cloud"
service = "drive"
folder = %q
sets = ["masters"]
endpoint = %q
`, folder, s.Endpoint()))
	var id string
	for _, item := range []string{"QV-0107", "QV-0108"} {
		id = s.AddFile(s.AddFolder(masters, item), item+"_A.wav", bytesOf(item, 90_000))
		w.write("studio/masters/"+item+"/"+item+"_A.wav", item, 90_000)
		w.copy("studio/masters/"+item+"/"+item+"_A.wav", "vault/masters/"+item+"/"+item+"_A.wav")
	}
	w.now = w.now.Add(time.Hour)
	w.intake()
	w.audit(acts.AuditOrder{})
	w.remove("studio/masters/QV-0108/QV-0108_A.wav")
	s.Bin(id, true)
	w.now = w.now.Add(24 * time.Hour)
	rs := w.audit(acts.AuditOrder{})
	for _, store := range []string{"studio", "cloud"} {
		r := rs[store]
		if len(r.Findings) != 1 || r.Findings[0].Kind != "missing" || !strings.Contains(report.Told(r.Findings[0], nil), "one act, carried over") {
			t.Errorf("%s: %+v", store, r.Findings)
		}
	}
	if f := rs["cloud"].Findings; len(f) == 1 && !strings.Contains(report.Told(f[0], nil), "bin") {
		t.Errorf("the cloud's finding doesn't tell of the bin: %s", report.Told(f[0], nil))
	}
	if f := rs["vault"].Findings; len(f) != 0 {
		t.Errorf("vault: %+v", f)
	}
}
