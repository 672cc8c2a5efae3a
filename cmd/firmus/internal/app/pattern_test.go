package app_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
)

// newFiledWorld is a cloud world whose cloud names the masters by a pattern.
func newFiledWorld(t *testing.T, set, store string) *cloudWorld {
	t.Helper()
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	c := &cloudWorld{server: s, folder: folder, masters: s.AddFolder(folder, "masters")}
	cfg := worldConfig
	if set != "" {
		cfg = strings.Replace(cfg, "role = \"master\"\n", "role = \"master\"\npattern = '"+set+"'\n", 1)
	}
	cfg += fmt.Sprintf("[store.cloud]\nkind = \"cloud\"\nservice = \"drive\"\nfolder = %q\nsets = [\"masters\"]\nendpoint = %q\n", folder, s.Endpoint())
	if store != "" {
		cfg += "patterns = { masters = '" + store + "' }\n"
	}
	c.world = newWorld(t, cfg)
	return c
}

// hold puts a file into the studio, the vault and, at another path, the cloud.
func (c *cloudWorld) hold(path, seed, at string) (id string) {
	c.t.Helper()
	c.write("studio/masters/"+path, seed, 90_000)
	c.copy("studio/masters/"+path, "vault/masters/"+path)
	if at == "" {
		return ""
	}
	return c.server.Put(c.masters, at, bytesOf(seed, 90_000))
}

// cloud audits the cloud a day later.
func (c *cloudWorld) cloud(full bool) acts.AuditResult {
	c.t.Helper()
	c.now = c.now.Add(24 * time.Hour)
	return c.audit(acts.AuditOrder{Stores: []string{"cloud"}, Full: full})["cloud"]
}

func (c *cloudWorld) downloads() int { return c.server.Count("drive.files.get#media") }

// cloudCopy is the cloud's copy of a master.
func (c *cloudWorld) cloudCopy(path string) ledger.Copy {
	c.t.Helper()
	copies := c.copies("masters", path)
	i := slices.IndexFunc(copies, func(x ledger.Copy) bool { return x.Store == "cloud" })
	if i < 0 {
		c.t.Fatalf("no copy of %q in the cloud is expected", path)
	}
	return copies[i]
}

// checked is what a check says of the cloud.
func (c *cloudWorld) checked() string {
	c.t.Helper()
	a := c.open()
	defer a.Close()
	all, err := a.Acts.CheckStores(c.t.Context())
	if err != nil {
		c.t.Fatal(err)
	}
	for _, x := range all {
		if x.Store == "cloud" {
			return x.Detail
		}
	}
	return ""
}

// begin takes all in and audits the cloud for the first time.
func (c *cloudWorld) begin() acts.AuditResult {
	c.t.Helper()
	c.now = c.now.Add(time.Hour)
	c.intake()
	return c.cloud(false)
}

// TestMovedInTheCloud: a file that was moved or renamed is known again by the digest
// that the service reports, without a download; a reading proves it in its turn.
func TestMovedInTheCloud(t *testing.T) {
	t.Parallel()
	c := newFiledWorld(t, "", "")
	a := c.hold("QV-0107/QV-0107_A.wav", "a", "QV-0107/QV-0107_A.wav")
	b := c.hold("QV-0107/QV-0107_B.wav", "b", "QV-0107/QV-0107_B.wav")
	c.hold("QV-0108/QV-0108_A.wav", "c", "incoming/tape 12.wav") // never seen at its place
	r := c.begin()
	if got := fmt.Sprint(kinds(r)); got != "[misplaced QV-0108/QV-0108_A.wav]" || r.Findings[0].FoundAt != "incoming/tape 12.wav" {
		t.Errorf("at first sight: %v", got)
	}
	c.server.Move(a, c.server.AddFolder(c.masters, "sorted"))
	c.server.Rename(b, "second side.wav")
	r = c.cloud(false)
	want := map[string]string{"QV-0107/QV-0107_A.wav": "sorted/QV-0107_A.wav", "QV-0107/QV-0107_B.wav": "QV-0107/second side.wav", "QV-0108/QV-0108_A.wav": "incoming/tape 12.wav"}
	if len(r.Findings) != len(want) {
		t.Errorf("findings: %v", kinds(r))
	}
	for _, f := range r.Findings {
		if f.Kind != fixity.Kind(fixity.Misplaced) || f.FoundAt != want[f.Path] || !strings.Contains(report.Told(f, nil), "the service reports") || !slices.Contains(f.IntactIn, "cloud") {
			t.Errorf("%s %s at %s, intact in %v: %s", f.Kind, f.Path, f.FoundAt, f.IntactIn, report.Told(f, nil))
		}
	}
	if n := c.downloads(); n != 0 || r.Read != 0 {
		t.Errorf("%d downloads", n)
	}
	// Reported is not read.
	for path := range want {
		if x := c.cloudCopy(path); !x.Reported.OK || !x.Read.At.IsZero() || x.Held != 1 {
			t.Errorf("%s: reported %+v, read %+v, held %d", path, x.Reported, x.Read, x.Held)
		}
	}
	// The reading comes within the promise, and once.
	for range 60 {
		c.now = c.now.Add(5 * 24 * time.Hour)
		c.cloud(false)
	}
	if n := c.downloads(); n != 3 {
		t.Errorf("%d downloads within the promise, want 3", n)
	}
	r = c.cloud(false)
	for _, f := range r.Findings {
		if !strings.Contains(report.Told(f, nil), "its bytes are the right ones") {
			t.Errorf("after its reading: %s: %s", f.Path, report.Told(f, nil))
		}
	}
	// Put back, all is well.
	c.server.Move(a, c.server.Find(c.masters, "QV-0107"))
	c.server.Rename(b, "QV-0107_B.wav")
	if got := kinds(c.cloud(false)); len(got) != 1 {
		t.Errorf("put back: %v", got)
	}
}

// TestProofsADay: readings that prove what was moved keep to the bytes of a day, too.
func TestProofsADay(t *testing.T) {
	t.Parallel()
	c := newFiledWorld(t, "", "")
	cfg, err := os.ReadFile(c.path("firmus.toml"))
	if err == nil {
		err = os.WriteFile(c.path("firmus.toml"), append(cfg, "read_a_day = \"200kB\"\nread_within = \"20d\"\n"...), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for i := range 7 {
		path := fmt.Sprintf("QV-0107/QV-0107_%c.wav", 'A'+i)
		ids = append(ids, c.hold(path, path, path))
	}
	c.begin()
	sorted := c.server.AddFolder(c.masters, "sorted")
	for _, id := range ids {
		c.server.Move(id, sorted)
	}
	c.now = c.now.Add(30 * 24 * time.Hour) // all of them are due
	before := 0
	for day := range 6 {
		if r := c.cloud(false); len(r.Findings) != 7 {
			t.Fatalf("day %d: %v", day, kinds(r))
		}
		n := c.downloads()
		if n > before+2 || n == before && n < 7 {
			t.Errorf("day %d: %d files of 90 kB were read", day, n-before)
		}
		before = n
	}
	if before != 7 {
		t.Errorf("%d were read in all", before)
	}
}

// TestMovedAndRotten: what the service reports of a moved file is refuted by a reading.
func TestMovedAndRotten(t *testing.T) {
	t.Parallel()
	c := newFiledWorld(t, "", "")
	id := c.hold("QV-0107/QV-0107_A.wav", "a", "QV-0107/QV-0107_A.wav")
	c.begin()
	c.server.Rename(id, "side one.wav")
	c.server.Rot(id, 50_000)
	if got := fmt.Sprint(kinds(c.cloud(false))); got != "[misplaced QV-0107/QV-0107_A.wav]" {
		t.Errorf("by report: %s", got)
	}
	r := c.cloud(true)
	if got := fmt.Sprint(kinds(r)); got != "[missing QV-0107/QV-0107_A.wav unexpected QV-0107/side one.wav]" {
		t.Fatalf("by reading: %s", got)
	}
	if d := report.Told(r.Findings[0], nil); !strings.Contains(d, "the service reports the right checksum") || !strings.Contains(d, "other bytes were read") {
		t.Errorf("it says %q", d)
	}
	if got := kinds(c.cloud(false)); len(got) != 2 {
		t.Errorf("the night after: %v", got)
	}
}

// TestFiledInTheCloud: where the cloud names files in another way, what both names
// have in common pairs them: intact on the first audit, without a download.
func TestFiledInTheCloud(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		set, store  string
		paths, ats  [2]string
		remarkFirst string
	}{
		"item, side and track": {
			"{item}/{item}_{side}_{track}.wav", "{track}-{side}-{item}.wav",
			[2]string{"QV-0107/QV-0107_A_01.wav", "QV-0107/QV-0107_A_02.wav"},
			[2]string{"all/1-a-qv-0107.wav", "all/2-a-qv-0107.wav"}, "",
		},
		"barcode in both": {
			"{barcode} {item} {side}.wav", "{barcode}_{side}.wav",
			[2]string{"box 1/400638133 QV-0107 A.wav", "box 1/400638133 QV-0107 B.wav"},
			[2]string{"400638133_A.wav", "more/400638133_B.wav"}, "",
		},
		"named groups": {
			`(?P<item>QV-\d{4})_(?P<side>[AB])`, `^(?P<side>[AB]) of (?P<item>QV-\d+)`,
			[2]string{"QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav"},
			[2]string{"A of QV-0107.wav", "B of QV-0107.wav"}, "",
		},
		"first folder": {
			"", "{item}.wav",
			[2]string{"QV-0107/transfer.wav", "QV-0108/transfer.wav"},
			[2]string{"QV-0107.wav", "QV-0108.wav"}, "",
		},
		"barcode in the cloud only": {
			"{item}/{item}_{side}.wav", "{barcode}_{side}.wav",
			[2]string{"QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav"},
			[2]string{"400638133_A.wav", "400638133_B.wav"}, "found in cloud by their checksum",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := newFiledWorld(t, tc.set, tc.store)
			var ids [2]string
			for i := range ids {
				ids[i] = c.hold(tc.paths[i], fmt.Sprint(i), tc.ats[i])
			}
			r := c.begin()
			if len(r.Findings) != 0 || r.States[fixity.Intact] != 2 || c.downloads() != 0 {
				t.Fatalf("first audit: %v, %v, %d downloads", r.States, kinds(r), c.downloads())
			}
			if got := strings.Join(r.Warnings, "\n"); tc.remarkFirst == "" && got != "" || !strings.Contains(got, tc.remarkFirst) {
				t.Errorf("warnings: %q", got)
			}
			for i, p := range tc.paths {
				if x := c.cloudCopy(p); x.At != tc.ats[i] || !x.Reported.OK || !x.Read.At.IsZero() {
					t.Errorf("%s lies at %q, %+v", p, x.At, x.Reported)
				}
			}
			told := "told by their digest"
			if tc.remarkFirst == "" {
				told = "in their names"
			}
			if d := c.checked(); !strings.Contains(d, told) {
				t.Errorf("check says %q", d)
			}
			if r = c.cloud(true); r.Read != 2 || len(r.Findings) != 0 || len(r.Warnings) != 0 {
				t.Errorf("a full audit: %d read, %v, %q", r.Read, kinds(r), r.Warnings)
			}
			// What is exchanged there is altered there; what goes is missing.
			c.server.Write(ids[0], bytesOf("something else", 90_000))
			c.server.Bin(ids[1], true)
			if got, want := fmt.Sprint(kinds(c.cloud(false))), fmt.Sprintf("[missing %s altered %s]", tc.paths[1], tc.paths[0]); got != want {
				t.Errorf("exchanged and gone: %s, want %s", got, want)
			}
		})
	}
}

// TestFiledElsewhere: in another folder, with the same fields, a copy has its place;
// under a name of other fields its bytes are misplaced.
func TestFiledElsewhere(t *testing.T) {
	t.Parallel()
	c := newFiledWorld(t, "{item}_{side}.wav", "{side} {item}.wav")
	a := c.hold("box 1/QV-0107_A.wav", "a", "A QV-0107.wav")
	b := c.hold("box 1/QV-0107_B.wav", "b", "B QV-0107.wav")
	c.begin()
	c.server.Move(a, c.server.AddFolder(c.masters, "1958"))
	c.server.Rename(b, "C QV-0107.wav")
	r := c.cloud(false)
	if got := fmt.Sprint(kinds(r)); got != "[misplaced box 1/QV-0107_B.wav]" || r.Findings[0].FoundAt != "C QV-0107.wav" {
		t.Errorf("moved and renamed: %s", got)
	}
	if x := c.cloudCopy("box 1/QV-0107_A.wav"); x.At != "1958/A QV-0107.wav" || x.State != fixity.Intact || c.downloads() != 0 {
		t.Errorf("moved: at %q, %s, %d downloads", x.At, x.State, c.downloads())
	}
	// A rename that was accepted changes the fields: the cloud has to follow.
	c.move("studio/masters/box 1/QV-0107_A.wav", "studio/masters/box 1/QV-0109_A.wav")
	r = c.audit(acts.AuditOrder{Stores: []string{"studio"}})["studio"]
	if len(r.Findings) != 1 {
		t.Fatalf("studio: %v", kinds(r))
	}
	app := c.open()
	defer app.Close()
	if _, err := app.Deciding.SignOff(t.Context(), deciding.SignOffOrder{Findings: []int64{r.Findings[0].ID}, Reason: "wrong number"}); err != nil {
		t.Fatal(err)
	}
	if x := c.cloudCopy("box 1/QV-0109_A.wav"); x.State != fixity.Behind {
		t.Errorf("after the sign-off the cloud is %s", x.State)
	}
	c.server.Rename(a, "A QV-0109.wav")
	c.cloud(false)
	if x := c.cloudCopy("box 1/QV-0109_A.wav"); x.State != fixity.Intact || x.At != "1958/A QV-0109.wav" || c.downloads() != 0 {
		t.Errorf("the cloud followed: %s at %q, %d downloads", x.State, x.At, c.downloads())
	}
	// A rename that leaves the fields alone is none for the cloud.
	c.move("studio/masters/box 1/QV-0109_A.wav", "studio/masters/box 2/QV-0109_A.wav")
	r = c.audit(acts.AuditOrder{Stores: []string{"studio"}})["studio"]
	if _, err := app.Deciding.SignOff(t.Context(), deciding.SignOffOrder{Findings: []int64{r.Findings[0].ID}, Reason: "another box"}); err != nil {
		t.Fatal(err)
	}
	if x := c.cloudCopy("box 2/QV-0109_A.wav"); x.State != fixity.Intact {
		t.Errorf("after a move to another box the cloud is %s", x.State)
	}
}

// TestAmbiguous: of two things of the same fields nothing is guessed.
func TestAmbiguous(t *testing.T) {
	t.Parallel()
	c := newFiledWorld(t, "{item}_{side}.wav", "{side} {item}.wav")
	c.hold("box 1/QV-0107_A.wav", "a", "")
	c.hold("box 1/QV-0108_A.wav", "b", "1/A QV-0108.wav")
	c.hold("box 1/QV-0109_A.wav", "c", "1/A QV-0109.wav")
	// Neither is the file by its digest.
	c.server.Put(c.masters, "1/A QV-0107.wav", bytesOf("one", 90_000))
	c.server.Put(c.masters, "2/A QV-0107.wav", bytesOf("two", 90_000))
	// One is, the other isn't.
	c.server.Put(c.masters, "2/A QV-0108.wav", bytesOf("three", 90_000))
	// Both are.
	c.server.Put(c.masters, "2/A QV-0109.wav", bytesOf("c", 90_000))
	r := c.begin()
	got := map[string]string{}
	for _, f := range r.Findings {
		got[string(f.Kind)+" "+f.Path] = report.Told(f, nil)
	}
	for what, want := range map[string]string{
		"unexpected 1/A QV-0107.wav":    `ambiguous: by its name it may be "box 1/QV-0107_A.wav", and so may what lies at 1 other places`,
		"unexpected 2/A QV-0107.wav":    "ambiguous",
		"unexpected 2/A QV-0108.wav":    "",
		"misplaced box 1/QV-0109_A.wav": "ambiguous",
		"unexpected 2/A QV-0109.wav":    "ambiguous",
	} {
		if d, ok := got[what]; !ok || !strings.Contains(d, want) {
			t.Errorf("%s: %t, %q", what, ok, d)
		}
	}
	if len(got) != 5 || c.downloads() != 0 {
		t.Errorf("%d findings, %d downloads: %v", len(got), c.downloads(), got)
	}
	if x := c.cloudCopy("box 1/QV-0107_A.wav"); x.State != fixity.Awaited {
		t.Errorf("the file of which both may be: %s", x.State)
	}
	if x := c.cloudCopy("box 1/QV-0108_A.wav"); x.State != fixity.Intact || x.At != "1/A QV-0108.wav" {
		t.Errorf("the file of which one is: %s at %q", x.State, x.At)
	}
	// The next night tells of the twin of a file that has its place.
	for _, f := range c.cloud(false).Findings {
		if f.Path == "2/A QV-0108.wav" && !strings.Contains(report.Told(f, nil), `"box 1/QV-0108_A.wav" once more`) {
			t.Errorf("twin of a file in its place: %s", report.Told(f, nil))
		}
	}
	// With one of the two gone it is clear.
	c.server.Bin(c.server.Find(c.masters, "2/A QV-0107.wav"), true)
	c.server.Write(c.server.Find(c.masters, "1/A QV-0107.wav"), bytesOf("a", 90_000))
	c.cloud(false)
	if x := c.cloudCopy("box 1/QV-0107_A.wav"); x.State != fixity.Intact {
		t.Errorf("with one gone: %s", x.State)
	}
}

// TestSpelledInAnotherWay: Unicode form and case make no other file.
func TestSpelledInAnotherWay(t *testing.T) {
	t.Parallel()
	c := newFiledWorld(t, "", "")
	nfc, nfd := "QV-0110/B\u00e4nkelsang_A.wav", "QV-0110/Ba\u0308nkelsang_A.wav"
	c.hold(nfc, "a", nfd)
	c.hold("QV-0111/QV-0111_A.wav", "b", "qv-0111/QV-0111_a.WAV")
	r := c.begin()
	if len(r.Findings) != 0 || r.States[fixity.Intact] != 2 || c.downloads() != 0 {
		t.Errorf("%v, %v, %d downloads", r.States, kinds(r), c.downloads())
	}
	if len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], `case only: 1, such as "qv-0111/QV-0111_a.WAV"`) {
		t.Errorf("warnings: %q", r.Warnings)
	}
	if x := c.cloudCopy(nfc); x.At != nfd {
		t.Errorf("at %q", x.At)
	}
	// A name of its own is another file's, however like it is.
	c.server.Put(c.masters, "QV-0111/QV-0111_A.WAV", bytesOf("another", 90_000))
	if got := fmt.Sprint(kinds(c.cloud(false))); got != "[unexpected QV-0111/QV-0111_A.WAV]" {
		t.Errorf("beside it: %s", got)
	}
}

// TestDriveChangesForm: a drive that came back from a system with another Unicode
// form is not read for it, and its manifest still holds.
func TestDriveChangesForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig)
	nfc, nfd := "QV-0110/B\u00e4nkelsang_A.wav", "QV-0110/Ba\u0308nkelsang_A.wav"
	w.write("studio/masters/"+nfc, "a", 90_000)
	w.copy("studio/masters/"+nfc, "vault/masters/"+nfc)
	w.now = w.now.Add(time.Hour)
	w.intake()
	w.move("studio/masters/"+nfc, "studio/masters/"+nfd)
	w.move("vault/masters/"+nfc, "vault/masters/"+nfd)
	w.now = w.now.Add(24 * time.Hour)
	for store, r := range w.audit(acts.AuditOrder{}) {
		if len(r.Findings) != 0 || r.States[fixity.Intact] != 1 || r.Read != 0 {
			t.Errorf("%s: %v, %v, %d read", store, r.States, kinds(r), r.Read)
		}
	}
	// It is not new in the studio; and a change there is of that file, and can be signed off.
	if res := w.intake(); res.Taken != 0 {
		t.Errorf("taken in again: %+v", res)
	}
	w.write("studio/masters/"+nfd, "re-edited", 90_000)
	r := w.audit(acts.AuditOrder{Stores: []string{"studio"}, Full: true})["studio"]
	if got := kinds(r); len(got) != 1 || got[0] != "altered "+nfc {
		t.Fatalf("altered: %q", got)
	}
	a := w.open()
	defer a.Close()
	if _, err := a.Deciding.SignOff(t.Context(), deciding.SignOffOrder{Findings: []int64{r.Findings[0].ID}, Reason: "re-edited", NewTransfer: true}); err != nil {
		t.Fatal(err)
	}
	for _, x := range w.copies("masters", nfc) {
		if want := map[string]fixity.State{"studio": fixity.Intact, "vault": fixity.Behind}[x.Store]; x.State != want {
			t.Errorf("%s: %s", x.Store, x.State)
		}
	}
}
