package demo_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/demo"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/damage"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/drive"

	"github.com/google/go-cmp/cmp"
)

// cloudWorld is a world with its cloud, as far as the demo gets before accidents.
func cloudWorld(t *testing.T) (demo.World, *demo.Cloud, *cloud.Folder) {
	t.Helper()
	w := world(t)
	c, err := demo.OpenCloud(w.Dir, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	if err := errors.Join(demo.Week(w.Dir, now), demo.Migrate(w.Dir, now)); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Load(filepath.Join(w.Dir, "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	s, ok := cfg.Store(demo.CloudStore)
	if !ok || s.Kind != config.Cloud || !s.Visiting || s.Arrivals || s.Endpoint != c.Address() || len(s.Sets) != 1 || s.Sets[0].Set != "masters" {
		t.Fatalf("store %+v", s)
	}
	service, err := drive.Open(t.Context(), drive.Options{Endpoint: s.Endpoint, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	st, err := cloud.New(service, cloud.Options{Folder: s.Folder, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	return w, c, st.Set("masters", nil)
}

type inCloud struct {
	Reported fixity.Digest
	Bytes    string
	Owner    string
}

// seen is what the service shows, by the program's own client.
func seen(t *testing.T, f *cloud.Folder) map[string]inCloud {
	t.Helper()
	if _, err := f.Shards(t.Context()); err != nil { // Files takes any listing that is there
		t.Fatal(err)
	}
	out := map[string]inCloud{}
	for x, err := range f.Files(t.Context()) {
		if err != nil {
			t.Fatal(err)
		}
		r, err := f.Open(t.Context(), x.Entry, 0)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if _, err := b.ReadFrom(r); err != nil {
			t.Fatal(err)
		}
		r.Close()
		out[x.Entry.Path] = inCloud{x.Entry.Reported, b.String(), x.Owner}
	}
	if len(out) == 0 {
		t.Fatal("nothing lies in the cloud")
	}
	return out
}

func local(t *testing.T, w demo.World, path string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(w.Dir, "studio", "masters", filepath.FromSlash(path)))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestOpenCloud(t *testing.T) {
	w, _, f := cloudWorld(t)
	got := seen(t, f)
	if len(got) != w.Masters-1 {
		t.Errorf("%d files, want every master but one of %d", len(got), w.Masters)
	}
	for p, x := range got {
		if x.Bytes != local(t, w, p) {
			t.Errorf("%s: other bytes than in the studio", p)
		}
		if (x.Owner == demo.Lender) != (p == demo.Lent) || x.Owner == "" {
			t.Errorf("%s belongs to %q", p, x.Owner)
		}
	}
}

// Every claim about what befell the cloud is held against what the service shows.
func TestCloudPlant(t *testing.T) {
	w, c, f := cloudWorld(t)
	before := seen(t, f)
	planted, err := c.Plant()
	if err != nil {
		t.Fatal(err)
	}
	after := seen(t, f)
	said := map[string]bool{} // what the service reports of it
	for _, p := range planted {
		if p.Store != demo.CloudStore || p.Set != "masters" || p.Story == "" || p.Advice == "" {
			t.Errorf("%+v", p)
		}
		whole := local(t, w, p.Path)
		is, has := after[p.Path]
		switch p.Kind {
		case fixity.Kind(fixity.Missing):
			if has {
				t.Errorf("%s is there", p.Path)
			}
			said["missing"] = true
		case fixity.Kind(fixity.Misplaced):
			if has || after[p.FoundAt].Bytes != whole {
				t.Errorf("%s: there %v, or not at %s", p.Path, has, p.FoundAt)
			}
			delete(after, p.FoundAt)
			said["misplaced"] = true
		case fixity.Kind(fixity.Altered), fixity.Kind(fixity.Disputed):
			d, err := damage.FromBytes(t.Context(), strings.NewReader(whole), strings.NewReader(is.Bytes), int64(len(whole)), int64(len(is.Bytes)))
			if err != nil || d.Anatomy != p.Anatomy {
				t.Errorf("%s: %+v (%v), want %s", p.Path, d, err, p.Anatomy)
			}
			right := is.Reported == before[p.Path].Reported
			if right != (p.Anatomy == fixity.Flipped) {
				t.Errorf("%s, %s: the service reports what it did before: %v", p.Path, p.Anatomy, right)
			}
			said[string(p.Anatomy)] = true
		}
		delete(before, p.Path)
		delete(after, p.Path)
		want := care.Judge(care.Rules{Stores: []care.Store{{Name: "studio", Kind: "disk", Sets: []string{"masters"}}, {Name: "cloud", Kind: "cloud", Sets: []string{"masters"}}}},
			care.Case{Set: care.Set{Name: "masters", Role: fixity.Master}, Version: 1, Vouched: true, Now: now, Anatomy: p.Anatomy,
				Holdings: []care.Holding{{Copy: care.Copy{Store: "studio", Set: "masters", Held: 1, State: fixity.Intact}}, {Overdue: true, Copy: care.Copy{Store: "cloud", Set: "masters", State: fixity.State(p.Kind)}}}}, "cloud", 0)
		if p.Urgency != want.Urgency {
			t.Errorf("%s: %s; care says %s", p.Path, p.Urgency, want.Urgency)
		}
	}
	if d := cmp.Diff(before, after); d != "" {
		t.Errorf("files that no fault is claimed of (-before +after):\n%s", d)
	}
	for _, want := range []string{"missing", "misplaced", "cut-short", "replaced", "flipped"} {
		if !said[want] {
			t.Errorf("nothing is %s", want)
		}
	}
	// Nothing is planted twice, nor in what the demo did not upload.
	if again, err := c.Plant(); !errors.Is(err, demo.ErrNotOurs) || again != nil {
		t.Errorf("a second time: %v, %+v", err, again)
	}
	if d := cmp.Diff(after, func() map[string]inCloud {
		all := seen(t, f)
		for _, p := range planted {
			delete(all, p.Path)
			delete(all, p.FoundAt)
		}
		return all
	}()); d != "" {
		t.Errorf("something was touched:\n%s", d)
	}
}
