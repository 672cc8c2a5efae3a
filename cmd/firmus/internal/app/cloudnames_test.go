package app_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// inCloud puts a file into the studio, and the same into a folder of the cloud.
func (c *cloudWorld) inCloud(folder, path string) (id string) {
	c.t.Helper()
	c.write("studio/masters/"+path, path, 60_000)
	return c.server.AddFile(folder, path[strings.LastIndexByte(path, '/')+1:], bytesOf(path, 60_000))
}

func (c *cloudWorld) begins() {
	c.t.Helper()
	c.now = c.now.Add(time.Hour)
	c.intake()
	if r := c.audit(acts.AuditOrder{})["cloud"]; len(r.Findings) != 0 {
		c.t.Fatalf("%v, %v", r.States, kinds(r))
	}
	c.now = c.now.Add(24 * time.Hour)
}

// TestWhatMovesInNeverTakesAPlace: what is known to lie at a place keeps it, though
// something older of its name moves there.
func TestWhatMovesInNeverTakesAPlace(t *testing.T) {
	t.Parallel()
	t.Run("a file", func(t *testing.T) {
		t.Parallel()
		c := newCloudWorld(t)
		old, kept := c.server.AddFolder(c.masters, "QV-0299"), c.server.AddFolder(c.masters, "QV-0300")
		id := c.inCloud(old, "QV-0299/A.wav")
		c.inCloud(kept, "QV-0300/A.wav")
		c.begins()
		c.server.Move(id, kept)
		for range 2 {
			r := c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]
			if got := fmt.Sprint(kinds(r)); got != "[misplaced QV-0299/A.wav]" {
				t.Errorf("%v", got)
			}
			c.now = c.now.Add(24 * time.Hour)
		}
	})
	t.Run("a folder", func(t *testing.T) {
		t.Parallel()
		c := newCloudWorld(t)
		box := c.server.AddFolder(c.masters, "QV-0298")
		old, kept := c.server.AddFolder(box, "QV-0300"), c.server.AddFolder(c.masters, "QV-0300")
		c.inCloud(old, "QV-0298/QV-0300/A.wav")
		c.inCloud(kept, "QV-0300/A.wav")
		c.inCloud(kept, "QV-0300/B.wav")
		c.begins()
		c.server.Move(old, c.masters)
		r := c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]
		if got := fmt.Sprint(kinds(r)); got != "[misplaced QV-0298/QV-0300/A.wav]" {
			t.Errorf("%v", got)
		}
	})
}

// TestTheFirstOfTwoNamesNeverHidesTheRightOne: where nothing is known of a place, a
// digest that is right there says which of two things of one name is the copy.
func TestTheFirstOfTwoNamesNeverHidesTheRightOne(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t)
	folder := c.server.AddFolder(c.masters, "QV-0300")
	cut := c.server.AddFile(folder, "A.wav", bytesOf("QV-0300/A.wav", 60_000)[:40_000])
	c.inCloud(folder, "QV-0300/A.wav")
	c.now = c.now.Add(time.Hour)
	c.intake()
	r := c.audit(acts.AuditOrder{})["cloud"]
	if got := fmt.Sprint(kinds(r)); got != "[unexpected QV-0300/A.wav [id:"+cut+"]]" || r.States[fixity.Intact] != 1 {
		t.Errorf("%v, %v", got, r.States)
	}
}

// TestAPlaceThatIsTakenIsNeverToldAsSomethingElse: names that were exchanged, and what
// has no bytes in the place of a file, are said as that.
func TestAPlaceThatIsTakenIsNeverToldAsSomethingElse(t *testing.T) {
	t.Parallel()
	detail := func(r acts.AuditResult, path string) string {
		for _, f := range r.Findings {
			if f.Path == path {
				return string(f.Kind) + ": " + report.Told(f, nil)
			}
		}
		return ""
	}
	for _, tc := range []struct {
		name string
		do   func(c *cloudWorld, folder, a, b string)
		want map[string][]string // by path
	}{
		{"exchanged", func(c *cloudWorld, folder, a, b string) {
			c.server.Rename(a, "between")
			c.server.Rename(b, "A.wav")
			c.server.Rename(a, "B.wav")
		}, map[string][]string{
			"QV-0300/A.wav": {"altered: ", `a swap with "QV-0300/B.wav"`},
			"QV-0300/B.wav": {"altered: ", `a swap with "QV-0300/A.wav"`},
		}},
		{"a shortcut", func(c *cloudWorld, folder, a, b string) {
			c.server.Delete(a)
			c.server.AddShortcut(folder, "A.wav", b)
		}, map[string][]string{"QV-0300/A.wav": {"missing: ", "a shortcut lies in its place", "deleted, or no longer shared"}}},
		{"a document", func(c *cloudWorld, folder, a, b string) {
			c.server.Bin(a, true)
			c.server.AddDocument(folder, "A.wav")
		}, map[string][]string{"QV-0300/A.wav": {"missing: ", "a document of the service's own lies in its place", "in the bin"}}},
		{"a folder", func(c *cloudWorld, folder, a, b string) {
			c.server.Delete(a)
			c.server.AddFolder(folder, "A.wav")
		}, map[string][]string{"QV-0300/A.wav": {"missing: ", "a folder lies in its place"}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			c := newCloudWorld(t)
			folder := c.server.AddFolder(c.masters, "QV-0300")
			a, b := c.inCloud(folder, "QV-0300/A.wav"), c.inCloud(folder, "QV-0300/B.wav")
			c.begins()
			tc.do(c, folder, a, b)
			r := c.audit(acts.AuditOrder{Stores: []string{"cloud"}})["cloud"]
			if len(r.Findings) != len(tc.want) {
				t.Errorf("%v", kinds(r))
			}
			for path, all := range tc.want {
				for _, want := range all {
					if got := detail(r, path); !strings.Contains(got, want) {
						t.Errorf("%s: %q, want %q in it", path, got, want)
					}
				}
			}
		})
	}
}
