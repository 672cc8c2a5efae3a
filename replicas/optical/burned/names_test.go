package burned_test

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discfstest"
)

// Names that a writer changed for Joliet are found by themselves, and only what is
// called otherwise is found by its bytes.
func TestNames(t *testing.T) {
	long := strings.Repeat("a long name ", 10)
	for _, tc := range []struct {
		name string
		on   map[string]string // names that were burned, and those on the disc
		say  map[string]string // of those that are found otherwise: the cause and where
	}{
		{name: "as they are", on: map[string]string{"a.wav": "a.wav", "QV-0107/b.wav": "QV-0107/b.wav"}},
		{name: "characters that aren't allowed", on: map[string]string{
			`take: "one"?.wav`: "take_ _one__.wav", `QV\0107*/<b>|.wav`: "QV_0107_/_b__.wav", "semi;1": "semi_1",
		}},
		{name: "other cases", on: map[string]string{"QV-0107/Side_a.WAV": "qv-0107/SIDE_A.wav"}},
		{name: "accents composed otherwise", on: map[string]string{"Canço\u0301/e\u0301.txt": "Can\u00e7\u00f3/\u00e9.txt"}},
		{name: "beyond 16 bits", on: map[string]string{"reel 🎙.wav": "reel _.wav", "🎙🎙.wav": "\ufffd.wav"}},
		{name: "dots and blanks at the end", on: map[string]string{"two.dots..": "two.dots", "folder ./blank ": "folder/blank"}},
		{name: "cut at 64", on: map[string]string{long + ".wav": long[:64], long + "/b.wav": long[:60] + "/b.wav"}},
		{name: "cut, with its ending", on: map[string]string{long + ".wav": long[:60] + ".wav"}},
		{name: "eight and three", on: map[string]string{"Quillmere Valley.wave": "QUILLMER.WAV", "Quillmere Valley.text": "QUIL0001.TEX"}},
		{name: "without what all are in", on: map[string]string{"s/QV-0107/a.wav": "QV-0107/a.wav", "s/QV-0108/b.wav": "QV-0108/b.wav"}},
		{name: "in one more folder", on: map[string]string{"a.wav": "burn/QV/a.wav", "s/b.wav": "burn/QV/s/b.wav"}},
		{name: "in another folder", on: map[string]string{"x/y/a.wav": "burn/a.wav", "x/y/s/b.wav": "burn/s/b.wav"}},
		{
			// Sizes tell them apart: see below.
			name: "cut to the same name", on: map[string]string{long + "1.wav": long[:60] + "~1", long + "22.wav": long[:60] + "~2"},
		}, {
			name: "called otherwise", on: map[string]string{"a.wav": "a.wav", "b.wav": "take 2.wav"},
			say: map[string]string{"b.wav": " renamed at take 2.wav"},
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			files := map[string][]byte{}
			for name := range tc.on {
				files[name] = discfstest.Content(name, 100+len(name))
			}
			p := volume{files: files, joliet: tc.on}.press()
			r := check(t, p.image(t, 0), burned.Want{Files: expected(files)})
			want := []string{"intact"}
			for _, name := range slices.Sorted(maps.Keys(tc.on)) {
				at := ""
				if tc.on[name] != name {
					at = " at " + tc.on[name]
				}
				if s, ok := tc.say[name]; ok {
					at = s
				}
				if at != "" {
					want = append(want, name+": intact"+at)
				}
			}
			if diff := cmp.Diff(want, said(r)); diff != "" || r.View != discfs.Joliet {
				t.Error(diff, r.View)
			}
		})
	}
}

// Where neither names nor sizes tell files apart their digests do.
func TestNamesDigestsDecide(t *testing.T) {
	long := strings.Repeat("a long name ", 10)
	files := map[string][]byte{}
	on := map[string]string{}
	for i := range 5 {
		name := fmt.Sprintf("%s%d.wav", long, i)
		files[name] = discfstest.Content(fmt.Sprint(i), 1000)
		on[name] = fmt.Sprintf("%s~%d", long[:60], 5-i)
	}
	r := check(t, volume{files: files, joliet: on}.press().image(t, 0), burned.Want{Files: expected(files)})
	for _, h := range r.Files {
		if h.State != fixity.Intact || h.At != on[h.Name] {
			t.Errorf("%+v", h)
		}
	}
	if r.Verdict != fixity.DiscIntact || r.DifferingAll != 0 || r.Differing != nil || r.ExtraAll != 0 {
		t.Errorf("%s, %d differ, %d more", r.Verdict, r.DifferingAll, r.ExtraAll)
	}
}

// The view is chosen that matches what was burned best.
func TestNamesView(t *testing.T) {
	both := volume{files: survey(), rockRidge: true, joliet: map[string]string{sideA: "A.wav", sideB: "B.wav", notes: "n", other: "o"}}.press()
	renamed := map[string][]byte{}
	for name, to := range map[string]string{sideA: "A.wav", sideB: "B.wav", notes: "n", other: "o"} {
		renamed[to] = survey()[name]
	}
	for view, files := range map[discfs.View]map[string][]byte{discfs.RockRidge: survey(), discfs.Joliet: renamed} {
		r := check(t, both.image(t, 0), burned.Want{Files: expected(files)})
		if diff := cmp.Diff([]string{"intact"}, said(r)); diff != "" || r.View != view {
			t.Error(diff, r.View)
		}
	}
}

// Programs that write images change names in their own ways.
func TestNamesOfWriters(t *testing.T) {
	odd := discfstest.Odd()
	delete(odd, "latin\xe9")    // genisoimage ends at names that are no text
	shallow := map[string]int{} // xorriso leaves out of Joliet what is longer than 240 bytes of it
	for name, size := range discfstest.Odd() {
		if !strings.Contains(name, "level 13") {
			shallow[name] = size
		}
	}
	text := map[string]int{}
	for name, size := range odd {
		if !strings.Contains(name, "level 06") { // plain ISO 9660 has eight levels
			text[name] = size
		}
	}
	for _, tc := range []struct {
		name    string
		recipe  string
		files   map[string]int
		view    discfs.View
		byBytes int // files whose names are too little alike
	}{
		{"Rock Ridge", "x-rock", discfstest.Odd(), discfs.RockRidge, 0},
		{"Joliet", "x-joliet", shallow, discfs.Joliet, 0},
		{"long Joliet", "joliet-long", text, discfs.Joliet, 1},
		{"Joliet's 64 characters", "joliet", text, discfs.Joliet, 1},
		{"UDF", "udf", text, discfs.UDF, 1},
		{"plain", "plain", text, discfs.Plain, 4},
		{"many, plain", "x-plain", discfstest.Burned(), discfs.Plain, 0},
		{"many, Joliet", "joliet", discfstest.Burned(), discfs.Joliet, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			out := discfstest.Image(t, tc.recipe, discfstest.Write(t, tc.files))
			files := map[string][]byte{}
			for name, size := range tc.files {
				files[name] = discfstest.Content(name, size)
			}
			w := burned.Want{Kind: optical.Data, Files: expected(files)}
			r := check(t, openImage(t, out), w)
			if r.Verdict != fixity.DiscIntact || r.View != tc.view || r.DifferingAll+r.ExtraAll != 0 {
				t.Errorf("%s in view %q, %d sectors differ, more: %q", r.Verdict, r.View, r.DifferingAll, r.Extra)
			}
			byBytes := 0
			for _, h := range r.Files {
				if h.State != fixity.Intact {
					t.Errorf("%+v", h)
				}
				if h.Cause == burned.CauseRenamed {
					byBytes++
					t.Logf("%q is %q", h.Name, h.At)
				}
			}
			if byBytes != tc.byBytes {
				t.Errorf("%d of %d were found by their bytes alone, not %d", byBytes, len(r.Files), tc.byBytes)
			}
			// One bit of one file.
			b, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(r.Files, func(h burned.Held) bool { return len(files[h.Name]) > 2000 })
			if i < 0 || r.Files[i].LBA < 0 {
				t.Fatal("no file to damage")
			}
			b[r.Files[i].LBA*discfs.SectorSize+1000] ^= 0x10
			if err := os.WriteFile(out, b, 0o600); err != nil {
				t.Fatal(err)
			}
			damaged := check(t, openImage(t, out), w)
			for k, h := range damaged.Files {
				if want := k == i; (h.State == fixity.Altered) != want || !want && h.State != fixity.Intact {
					t.Errorf("%+v", h)
				}
			}
			if damaged.Verdict != fixity.DiscAltered {
				t.Errorf("%s", damaged.Verdict)
			}
		})
	}
}
