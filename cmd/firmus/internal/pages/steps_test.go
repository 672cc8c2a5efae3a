package pages_test

import (
	"fmt"
	"html"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/pages"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// typed is a command of the program.
var typed = regexp.MustCompile(`\bfirmus (audit|recover|findings|report|disc|store|recognise|register)\b|\s--[a-z]`)

var stepLinks = regexp.MustCompile(`<a href="([^"]+)">`)

// Who works by mouse is led to forms: the steps of a finding name no command, and each link
// leads to a page that has what it promises.
func TestStepsLeadToForms(t *testing.T) {
	w := newWorld(t, worldConfig)
	for _, seed := range []string{"1", "2", "3", "4", "5", "6"} {
		w.put("masters/QV-000"+seed+"/QV-000"+seed+"_A.wav", seed, "studio", "vault")
		w.put("access/QV-000"+seed+"/QV-000"+seed+"_A.wav", "a"+seed, "studio", "vault")
	}
	w.intake()
	w.flip("studio/masters/QV-0001/QV-0001_A.wav")                                                 // damaged where files arrive
	w.flip("vault/masters/QV-0002/QV-0002_A.wav")                                                  // in the vault
	w.flip("studio/masters/QV-0003/QV-0003_A.wav")                                                 // in both, each in its own way
	w.flipAt("vault/masters/QV-0003/QV-0003_A.wav", 30_000)                                        //
	w.put("access/QV-0004/QV-0004_A.wav", "edited", "studio")                                      // saved again
	rename(t, w, "studio/masters/QV-0005/QV-0005_A.wav", "studio/masters/QV-0005/other.wav")       // called otherwise
	if err := os.Remove(filepath.Join(w.dir, "vault/masters/QV-0006/QV-0006_A.wav")); err != nil { // gone
		t.Fatal(err)
	}
	w.put("masters/QV-0009/stray.wav", "stray", "vault")
	w.pass(5 * 24 * 3600e9) // nothing is being edited any more
	w.audit()
	b := w.person("Ada Wren", fixity.Reviewer)
	seen, followed := map[fixity.Kind]bool{}, 0
	for _, f := range w.open() {
		seen[f.Kind] = true
		at := "/findings/" + itoa(f.ID)
		r := b.get(at)
		_, main, _ := strings.Cut(r.text, "<main")
		if bad := typed.FindString(main); bad != "" {
			t.Errorf("finding %d (%s) says %q to who has a mouse:\n%s", f.ID, f.Kind, bad, main)
		}
		_, steps, _ := strings.Cut(main, `<ol class="steps">`)
		steps, _, _ = strings.Cut(steps, "</ol>")
		for _, m := range stepLinks.FindAllStringSubmatch(steps, -1) {
			followed++
			path, place, _ := strings.Cut(html.UnescapeString(m[1]), "#")
			page := r
			if path != "" {
				page = b.get(path)
			}
			if page.code != http.StatusOK || place != "" && !strings.Contains(page.text, `id="`+place+`"`) {
				t.Errorf("finding %d (%s): %s leads nowhere: %d", f.ID, f.Kind, m[1], page.code)
			}
		}
	}
	for _, k := range []fixity.State{fixity.Altered, fixity.Missing, fixity.Misplaced} {
		if !seen[fixity.Kind(k)] {
			t.Errorf("no finding tells of %s: %v", k, seen)
		}
	}
	if followed < 10 {
		t.Errorf("only %d links were followed", followed)
	}
}

func rename(t *testing.T, w *world, from, to string) {
	t.Helper()
	if err := os.Rename(filepath.Join(w.dir, from), filepath.Join(w.dir, to)); err != nil {
		t.Fatal(err)
	}
}

// An order that a page has a form for leads to a route that is there, and reads as words.
func TestEachFormHasItsRoute(t *testing.T) {
	routes := http.NewServeMux()
	for pattern := range pages.Routes() {
		routes.HandleFunc(pattern, func(http.ResponseWriter, *http.Request) {})
	}
	words := site.Words()
	forms := 0
	for _, o := range []report.Order{
		{Act: report.ReadStore, Stores: []string{"studio"}}, {Act: report.Recover, Findings: []int64{7}}, {Act: report.Recover, Incident: 3}, {Act: report.LayOut, Findings: []int64{7}},
		{Act: report.SignOff, Findings: []int64{7, 8}}, {Act: report.SignOff, Incident: 3}, {Act: report.Settle, Findings: []int64{7}}, {Act: report.ShowFinding, Findings: []int64{7}},
		{Act: report.ShowFindings}, {Act: report.ShowHoldings}, {Act: report.ShowItem}, {Act: report.CheckDisc, Disc: "QD-1"}, {Act: report.ShowDiscs}, {Act: report.BurnSheet, Disc: "QD-1"},
		{Act: report.DecideDisc, Disc: "QD-1"}, {Act: report.Recognise, From: "/media/stick"},
		{Act: report.AdoptStore, Stores: []string{"vault"}}, {Act: report.ReplaceStore, Stores: []string{"vault"}}, {Act: report.ReadRegister},
	} {
		f, ok := o.Form()
		if !ok {
			t.Errorf("%s has no form", o.Act)
			continue
		}
		path, _, _ := strings.Cut(f.Path, "#")
		r, err := http.NewRequest(http.MethodGet, path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if _, pattern := routes.Handler(r); pattern == "/" || pattern == "" {
			t.Errorf("%s leads to %s, which is no page", o.Act, f.Path)
		}
		if said := words.To(o); said == "" || typed.MatchString(" "+said) {
			t.Errorf("%s is said as %q", o.Act, said)
		}
		forms++
	}
	if said, want := words.To(report.Order{Act: report.RetireDisc, Disc: "QD-1"}), "on the computer that Firmus runs on, type firmus disc retire QD-1 --reason \"…\""; said != want {
		t.Errorf("an order without a form: %q", said)
	}
	if (archive.Words{}).To(report.Order{Act: report.ShowFindings}) != "firmus findings" || forms < 19 {
		t.Errorf("the terminal says it otherwise, or only %d forms were tried", forms)
	}
}

// Where the program takes no copy by itself, because too much is wrong where it lies, a
// person names it on the page.
func TestWhoKnowsNamesTheSource(t *testing.T) {
	w := newWorld(t, worldConfig)
	for i := range 24 {
		w.put(fmt.Sprintf("masters/QV-01%02d/A.wav", i), fmt.Sprint("named", i), "studio", "vault")
	}
	w.intake()
	for i := range 22 {
		if err := os.Remove(filepath.Join(w.dir, fmt.Sprintf("vault/masters/QV-01%02d/A.wav", i))); err != nil {
			t.Fatal(err)
		}
	}
	w.flip("studio/masters/QV-0123/A.wav")
	w.audit()
	b := w.person("Ada Wren", fixity.Technician)
	tried := false
	for _, f := range w.open() {
		if f.Store != "studio" || f.Path != "QV-0123/A.wav" {
			continue
		}
		tried = true
		at := "/findings/" + itoa(f.ID)
		if r := b.get(at); !r.says("Take it from") || !r.says("<option>vault</option>") {
			t.Fatalf("nobody is asked from where: %s", r.text)
		}
		if r := b.follow(b.post(at+"/recover", "saw", b.saw(f.ID), "from", "nowhere")); r.code == http.StatusOK {
			t.Errorf("a store that isn't there gives bytes: %s", r.text)
		}
		b.follow(b.post(at+"/recover", "saw", b.saw(f.ID), "from", "vault"))
		if f = w.finding(f.ID); f.Settled != fixity.PutBack {
			t.Errorf("it ended as %q", f.Settled)
		}
	}
	if !tried {
		t.Fatal("the damage was not found")
	}
}
