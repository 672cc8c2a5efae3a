package app_test

import (
	"context"
	"os"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
)

// withMount is a root of which one first-level folder is a mount of another volume.
type withMount struct {
	stores.Root
	folder  string
	mounted *bool
}

func (r withMount) Mounts(_ context.Context, folders []string) (map[string]fixity.Lies, error) {
	out := map[string]fixity.Lies{}
	for _, f := range folders {
		if *r.mounted && f == r.folder {
			out[f] = fixity.Lies{Device: "8:17", ID: "volume B"}
		}
	}
	return out, nil
}

// TestFilesOnAMountThatIsNotMountedAreNeverMissing: neither while the folder is empty nor
// while it isn't there. The other folders are audited.
func TestFilesOnAMountThatIsNotMountedAreNeverMissing(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig)
	for _, at := range []string{"studio", "vault"} {
		w.write(at+"/masters/QV-0107/QV-0107_A.wav", "a", 60_000)
		w.write(at+"/masters/QV-0108/QV-0108_A.wav", "b", 60_000)
	}
	w.intake()
	mounted := true
	audit := func() acts.AuditResult {
		a := w.open()
		defer a.Close()
		root := a.Acts.Root
		a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
			x, err := root(store, set, c)
			if err == nil && store == "vault" {
				x = withMount{x, "QV-0108", &mounted}
			}
			return x, err
		}
		rs, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Stores: []string{"vault"}, Cache: fixity.Bypassed})
		if err != nil {
			t.Fatal(err)
		}
		w.consistent(a)
		return rs[0]
	}
	if r := audit(); len(r.Trouble)+len(r.Findings) > 0 || r.States[fixity.Intact] != 2 {
		t.Fatalf("mounted: %v, %v, %v", r.Trouble, kinds(r), r.States)
	}
	mounted = false
	w.move("vault/masters/QV-0108", "elsewhere/QV-0108")
	for _, gone := range []bool{false, true} {
		if !gone {
			if err := os.Mkdir(w.path("vault/masters/QV-0108"), 0o755); err != nil {
				t.Fatal(err)
			}
		} else {
			w.remove("vault/masters/QV-0108")
		}
		r := audit()
		if len(r.Findings) > 0 || r.Exit() != 3 || !strings.Contains(strings.Join(r.Trouble, "\n"), "QV-0108 is away: the volume that it lay on is not mounted") {
			t.Errorf("not mounted, folder gone %v: exit %d, %v, %v", gone, r.Exit(), kinds(r), r.Trouble)
		}
		if r.States[fixity.Intact] != 2 || r.Listed != 1 {
			t.Errorf("not mounted, folder gone %v: %v, %d listed", gone, r.States, r.Listed)
		}
	}
	mounted = true
	w.move("elsewhere/QV-0108", "vault/masters/QV-0108")
	if r := audit(); r.Exit() != 0 || r.States[fixity.Intact] != 2 {
		t.Errorf("mounted again: %v, %v, %v", r.Trouble, kinds(r), r.States)
	}
}
