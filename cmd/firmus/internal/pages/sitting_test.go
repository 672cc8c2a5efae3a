package pages_test

import (
	"context"
	"encoding/binary"
	"encoding/xml"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/testing/browsertest"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// discDrive is a drive of which the test says what lies in it.
type discDrive struct {
	mu    sync.Mutex
	image string
}

func (d *discDrive) put(image string) { d.mu.Lock(); d.image = image; d.mu.Unlock() }

// withDrive is a world with three discs of a file each, and the drive that they are read in.
func withDrive(t *testing.T) (*world, *discDrive, map[string]string) {
	w := newWorld(t, worldConfig+"[store.shelf]\nkind = \"optical\"\ndrive = \"/dev/quillmere\"\n", func(w *world) {
		d := &discDrive{}
		open := w.app.Discs.Open
		w.app.Discs.Open = func(ctx context.Context, _ discs.At) (discs.Opened, error) {
			d.mu.Lock()
			defer d.mu.Unlock()
			return open(ctx, discs.At{Image: d.image})
		}
		w.drive = d
	})
	for _, s := range []string{"A", "B", "C"} {
		w.put("masters/QV-0107/QV-0107_"+s+".wav", s, "studio", "vault")
	}
	w.intake()
	images := map[string]string{}
	for i, s := range []string{"A", "B", "C"} {
		name := "QD-000" + string(rune('1'+i))
		bytes, err := os.ReadFile(filepath.Join(w.dir, "studio/masters/QV-0107/QV-0107_"+s+".wav"))
		if err != nil {
			t.Fatal(err)
		}
		image, err := burn.Data(burn.Volume{Label: strings.ReplaceAll(name, "-", "_"), Files: []burn.File{{Path: "QV-0107_" + s + ".wav", Bytes: bytes, Time: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}}})
		if err != nil {
			t.Fatal(err)
		}
		images[name] = filepath.Join(w.dir, name+".iso")
		if err := os.WriteFile(images[name], image, 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := w.app.Discs.Add(t.Context(), registering.Order{Number: name, Kind: ledger.DataDisc, Box: "4", Files: []string{"masters/QV-0107/QV-0107_" + s + ".wav"}}); err != nil {
			t.Fatal(err)
		}
	}
	return w, w.drive, images
}

// Discs are read one after the other by a form: it says which one to put in, remembers what
// was read over a reload and a restart, and takes another disc as what it is.
func TestSittingOnAPage(t *testing.T) {
	w, drive, images := withDrive(t)
	b := w.person("Theo", fixity.Technician)
	const page = "/sitting?box=4"
	r := b.get(page)
	if r.code != 200 || !r.says("Put in QD-0001 of box 4.") || !r.says("0 of 3 discs read") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	read := func(disc, image string, more ...string) answer {
		t.Helper()
		drive.put(images[image])
		return b.follow(b.post("/sitting", append([]string{"box", "4", "disc", disc}, more...)...))
	}
	if r := read("QD-0001", "QD-0001"); r.code != http.StatusUnprocessableEntity || !r.says("Look at the disc before") {
		t.Errorf("not looked at: %d %s", r.code, r.text)
	}
	if r := read("QD-0001", "QD-0001", "looked", "no cracks"); r.code != 200 || !r.says("QD-0001: intact") || !r.says("Go on with the next disc") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	if r := b.get(page); !r.says("1 of 3 discs read") || !r.says("Put in QD-0002 of box 4.") {
		t.Errorf("after a reload: %s", r.text)
	}
	if r := b.get(page + "&next=QD-0003"); !r.says("Put in QD-0003 of box 4.") {
		t.Errorf("another one first: %s", r.text)
	}
	if r := read("QD-0001", "QD-0001", "looked", "no cracks"); r.code != http.StatusConflict {
		t.Errorf("once more: %d %s", r.code, r.text)
	}
	// The third is put in where the second was asked for.
	if r := read("QD-0002", "QD-0003", "looked", "a scratch", "written", "QD-0003"); !r.says("QD-0002 was asked for, and this is QD-0003: intact") {
		t.Errorf("another disc: %d %s", r.code, r.text)
	}
	if r := b.get("/print/sitting?box=4"); r.code != 200 || !r.says("QD-0003") || !r.says("QD-0002") {
		t.Errorf("the sheet: %d %s", r.code, r.text)
	}
	again := w.restarted()
	c := again.person("Tom", fixity.Technician)
	if r := c.get(page); !r.says("2 of 3 discs read") || !r.says("Put in QD-0002 of box 4.") {
		t.Errorf("after a restart: %s", r.text)
	}
	if r := read("QD-0002", "QD-0002", "looked", "no cracks"); !r.says("All discs of this sitting were read.") || !r.says("DISCS READ") {
		t.Errorf("the last: %d %s", r.code, r.text)
	}
	if r := b.get(page); !r.says("0 of 3 discs read") {
		t.Errorf("a new sitting: %s", r.text)
	}
	for _, bad := range []string{"/sitting?show=none", "/sitting?box=nowhere", "/print/sitting"} {
		if r := b.get(bad); r.code != 404 && r.code != 422 {
			t.Errorf("%s: %d", bad, r.code)
		}
	}
	if r := b.get("/sitting"); r.code != 200 {
		t.Errorf("nothing chosen: %d", r.code)
	}
}

// What the ledger keeps of a check is shown and printed again: its sheet, the surface, and how
// readings go from one to the next.
func TestACheckIsPrintedAgain(t *testing.T) {
	t.Parallel()
	w, drive, images := withDrive(t)
	b := w.person("Theo", fixity.Technician)
	check := func(disc, image string) answer {
		t.Helper()
		drive.put(image)
		return b.follow(b.post("/work/disc", "number", disc, "looked", "no cracks", "fresh", "yes"))
	}
	if r := check("QD-0001", images["QD-0001"]); !r.says("The disc is as it should be.") || !r.says("The check sheet to print") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	bytes, err := os.ReadFile(images["QD-0001"])
	if err != nil {
		t.Fatal(err)
	}
	copy(bytes[len(bytes)-60_000:], make([]byte, 5000)) // in the recording
	bad := filepath.Join(w.dir, "bad.iso")
	if err := os.WriteFile(bad, bytes, 0o644); err != nil {
		t.Fatal(err)
	}
	if r := check("QD-0001", bad); !r.says("isn't as it should be") || strings.Contains(r.text, "firmus disc") || !r.says("the burn sheet of QD-0001 says how") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	var checks []ledger.DiscCheck
	w.view(func(t *ledger.Tx) (err error) { checks, err = t.Discs.Checks(1); return err })
	if len(checks) != 2 {
		t.Fatalf("%d checks", len(checks))
	}
	at := func(i int) string { return "/print/discs/QD-0001/checks/" + itoa(checks[i].ID) }
	page := b.get("/discs/QD-0001")
	for i := range checks {
		if !strings.Contains(page.text, at(i)) {
			t.Errorf("the disc's page has no link to %s: %s", at(i), page.text)
		}
	}
	surface := "/discs/QD-0001/checks/" + itoa(checks[1].ID) + "/surface.svg"
	if !strings.Contains(page.text, surface) {
		t.Errorf("no picture of the surface: %s", page.text)
	}
	for i, want := range []string{"IDENTICAL, byte for byte: all of 1 file", "ALTERED: 1 file was read well and isn't what was burned"} {
		r := b.get(at(i))
		_, surface, _ := strings.Cut(r.text, "Surface of the disc")
		if r.code != 200 || !r.says("Made again") || r.says("Do this") || surface == "" {
			t.Errorf("sheet %d: %d made %v do %v surface %v", i, r.code, r.says("Made again"), r.says("Do this"), surface != "")
		}
		if i == 1 && (!r.says("ALTERED: ") || !r.says("QV-0107_A.wav") || !strings.Contains(surface, `class="differs"`)) || i == 0 && !r.says("IDENTICAL, byte for byte") {
			t.Errorf("sheet %d doesn't say %q: %s", i, want, r.text)
		}
	}
	r := b.get(surface)
	if r.code != 200 || r.header.Get("Content-Type") != "image/svg+xml" || !strings.Contains(r.text, `class="differs"`) || !strings.Contains(r.header.Get("Content-Security-Policy"), "sha256-") {
		t.Errorf("the picture: %d %v %s", r.code, r.header, r.text)
	}
	if err := xml.Unmarshal([]byte(r.text), new(struct{})); err != nil {
		t.Errorf("the picture is no XML: %v", err)
	}
	v := w.person("Vera", fixity.Viewer)
	for _, path := range []string{at(0), surface} { // no set is restricted here
		if r := v.get(path); r.code != 200 {
			t.Errorf("%s for a viewer: %d", path, r.code)
		}
	}
	if os.Getenv("FIRMUS_AXE") != "" {
		screen := browsertest.New(t)
		signIn(t, screen, w, "Theo")
		for _, path := range []string{"/discs/QD-0001", at(0), at(1)} {
			screen.Open(w.server.URL + path)
			fits(t, screen, axe(t), path)
		}
	}
	for _, path := range []string{"/print/discs/QD-0002/checks/" + itoa(checks[0].ID), "/print/discs/QD-0001/checks/99", "/print/discs/QD-0001/checks/x", "/discs/QD-0009/checks/1/surface.svg"} {
		if r := b.get(path); r.code != 404 {
			t.Errorf("%s: %d", path, r.code)
		}
	}
}

// tune is six seconds of a CD's sound, as a WAVE file: a tone that changes, and noise. Each
// sample is gain times as loud.
func tune(seed uint64, gain float64) []byte {
	const samples = 6 * 44100
	r := rand.New(rand.NewPCG(seed, 0))
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x44\xac\x00\x00\x10\xb1\x02\x00\x04\x00\x10\x00data\x00\x00\x00\x00")
	binary.LittleEndian.PutUint32(b[4:], 36+4*samples)
	binary.LittleEndian.PutUint32(b[40:], 4*samples)
	tone := 300.0
	for i := range samples {
		if i%11025 == 0 {
			tone = 200 + 300*r.Float64()
		}
		v := 8000*math.Sin(2*math.Pi*tone*float64(i)/44100) + 4000*(r.Float64()-0.5)
		b = binary.LittleEndian.AppendUint16(b, uint16(int16(gain*v)))
		b = binary.LittleEndian.AppendUint16(b, uint16(int16(gain*0.8*v)))
	}
	return b
}

// Discs that were burned with levelling are decided on at once, by a reviewer on a page.
func TestDecidingForAClassOfDiscsOnAPage(t *testing.T) {
	w, drive, _ := withDrive(t)
	theo, ada := w.person("Theo", fixity.Technician), w.person("Ada Wren", fixity.Reviewer)
	decide := []string{"number", "QD-0051", "reason", "levelled by the program"}
	for i, number := range []string{"QD-0051", "QD-0052"} {
		path := fmt.Sprintf("access/QV-0131/QV-0131_A_%02d.wav", i+1)
		w.put(path, "", "studio", "vault")
		for _, s := range []string{"studio", "vault"} {
			if err := os.WriteFile(filepath.Join(w.dir, s, path), tune(uint64(i), 1), 0o644); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(filepath.Join(w.dir, s, path), hour, hour); err != nil {
				t.Fatal(err)
			}
		}
		w.intake()
		if _, err := w.app.Discs.Add(t.Context(), registering.Order{Number: number, Kind: ledger.AudioDisc, Box: "5", Files: []string{path}}); err != nil {
			t.Fatal(err)
		}
		pcm, sheet := burn.Sound(number+".bin", "Quillmere", "", []burn.Track{{PCM: tune(uint64(i), 1.23)[44:]}}, 0)
		cue := filepath.Join(w.dir, number+".cue")
		if err := errors.Join(os.WriteFile(filepath.Join(w.dir, number+".bin"), pcm, 0o644), os.WriteFile(cue, []byte(sheet), 0o644)); err != nil {
			t.Fatal(err)
		}
		drive.put(cue)
		if r := theo.follow(theo.post("/work/disc", "number", number, "written", number, "looked", "clean")); r.code != 200 || !r.says("The disc isn't as it should be.") || !r.says("+1.8 dB") {
			t.Fatalf("the check of %s: %d %s", number, r.code, r.text)
		}
	}
	if n := len(w.open()); n != 2 {
		t.Fatalf("%d findings are open", n)
	}
	if r := theo.post("/work/disc/decide", decide...); r.code != http.StatusForbidden || len(w.open()) != 2 {
		t.Errorf("a technician decides: %d", r.code)
	}
	if r := ada.follow(ada.post("/work/disc/decide", decide...)); r.code != 200 || !r.says("2 discs are covered by the decision now, and those that are checked later.") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	if fs := w.open(); len(fs) != 0 {
		t.Errorf("still open: %+v", fs)
	}
	w.view(func(x *ledger.Tx) error {
		all, err := x.Discs.Decisions()
		if len(all) != 1 || all[0].By != "Ada Wren" || all[0].Reason != "levelled by the program" || all[0].Class.AnyGain {
			t.Errorf("decisions: %+v", all)
		}
		return err
	})
	if r := ada.get("/discs/QD-0051"); !r.says("levelled by the program") {
		t.Errorf("the disc's page: %s", r.text)
	}
}

// A decision for a class of discs is refused in the page's words where the disc was burned as
// it should be, or isn't one, and changes nothing.
func TestClassOfDiscsOnAPage(t *testing.T) {
	w, drive, images := withDrive(t)
	b := w.person("Ada Wren", fixity.Reviewer)
	drive.put(images["QD-0001"])
	if r := b.follow(b.post("/work/disc", "number", "QD-0001", "written", "QD-0001", "looked", "clean")); r.code != 200 || !r.says("The disc is as it should be.") {
		t.Fatalf("the check: %d %s", r.code, r.text)
	}
	for _, number := range []string{"QD-0001", "QD-0009", "", "<script>"} {
		before := w.count()
		r := b.follow(b.post("/work/disc/decide", "number", number, "reason", "levelled by the program"))
		if r.code < 400 || r.says("covered by the decision") || w.count() != before {
			t.Errorf("%q: %d %s", number, r.code, r.text)
		}
		if _, main, _ := strings.Cut(r.text, "<main"); strings.Contains(main, "firmus disc") || strings.Contains(main, "<script>") {
			t.Errorf("%q is told in a command's words: %s", number, main)
		}
	}
	if r := b.post("/work/disc/decide", "number", "QD-0001"); r.code != http.StatusUnprocessableEntity {
		t.Errorf("without a reason: %d", r.code)
	}
}
