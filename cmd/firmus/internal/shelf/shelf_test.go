package shelf_test

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/shelf"
	"firmus/fixity"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// sheet is either sheet.
type sheet interface {
	Text(io.Writer) error
	HTML(io.Writer) error
}

func at(year int, month time.Month, day, hour, minute int) time.Time {
	return time.Date(year, month, day, hour, minute, 0, 0, time.UTC)
}

// sheets are what the golden files hold, by name.
func sheets() map[string]sheet {
	out := map[string]sheet{}
	for n, s := range checks() {
		out["check-"+n] = s
	}
	for n, s := range burns() {
		out["burn-"+n] = s
	}
	return out
}

func sides(names ...string) (fs []shelf.CheckFile) {
	for i, n := range names {
		fs = append(fs, shelf.CheckFile{Name: "QV-0107/" + n, Version: 2, SignedOff: at(2025, 11, 18, 10, 0), Store: "studio", State: fixity.Intact, Evidence: shelf.Samples, Track: i + 1})
	}
	return fs
}

// audio is a sheet like the one that a twin gets on a good day.
func audio() shelf.CheckSheet {
	s := shelf.CheckSheet{
		Archive: "Quillmere Valley Song Survey",
		Written: "QD-0031 A", WrittenBy: "T. O.", Number: "QD-0031 A", Box: "4",
		Proved: "QV-0107 side A, access version 2, 9 disc tracks", Alike: []string{"QD-0031 B"},
		Kind: shelf.Audio, Medium: "CD-R", Closed: shelf.Yes,
		Verdict: shelf.Intact,
		Files: sides("QV-0107_A_01.wav", "QV-0107_A_02.wav", "QV-0107_A_03.wav", "QV-0107_A_04.wav", "QV-0107_A_05.wav",
			"QV-0107_A_06.wav", "QV-0107_A_07.wav", "QV-0107_A_08.wav", "QV-0107_A_09.wav"),
		Master:  "96 kHz, 24 bit",
		Sectors: 144600, AtOnce: 144592, Retried: 8, MostTries: 3,
		TriesAt: []shelf.Place{{LBA: 48210, Count: 8, Track: 3, Time: "00:02:12.40"}},
		LeadOut: 144600,
		Runs: []shelf.Run{
			{LBA: 0, Count: 48210, State: shelf.RunAtOnce}, {LBA: 48210, Count: 8, State: shelf.RunRetried}, {LBA: 48218, Count: 96382, State: shelf.RunAtOnce},
		},
		Way:     shelf.Way{Located: true, Shift: 667, Unchanged: true, EdgeEnd: 667},
		Control: shelf.Control{Number: "QD-0001 A", At: at(2025, 11, 24, 9, 0)},
		Speed:   2822,
		Looked:  shelf.Looked{NoCracks: true, NoLiftingEdge: true, By: "T. O."},
		Begun:   at(2025, 11, 25, 14, 20), Ended: at(2025, 11, 25, 14, 24), By: "T. O.",
		Twins:     []shelf.Sibling{{Number: "QD-0031 B"}},
		LookAgain: at(2026, 11, 1, 0, 0), Event: 48301,
	}
	s.Way.PausesKnown = true
	for i := 2; i <= 9; i++ {
		s.Way.Pauses = append(s.Way.Pauses, shelf.Pause{Track: i, Sectors: 150})
	}
	return s
}

func data() shelf.CheckSheet {
	s := shelf.CheckSheet{
		Archive: "Quillmere Valley Song Survey", Written: "QD-0400", Number: "QD-0400", Box: "11",
		Proved: "QV-0311 and QV-0312, 14 files", Kind: shelf.Data, Medium: "DVD+R", Closed: shelf.Yes,
		Verdict: shelf.Unreadable, Sectors: 1200000, AtOnce: 1199950, Retried: 30, MostTries: 5, Unreadable: 20,
		LeadOut: 1200000, Structure: 2, Free: 4,
		Drive: "Example DRW-24", Firmware: "1.03", Speed: 5540,
		Begun: at(2025, 11, 25, 23, 50), Ended: at(2025, 11, 26, 0, 31), By: "M. R.",
		Before: []shelf.Before{{At: at(2024, 11, 2, 10, 0), Verdict: shelf.Intact, Retried: 3, SameDrive: true}, {At: at(2023, 11, 4, 10, 0), Verdict: shelf.Intact}},
		Event:  50112, Findings: []int64{31},
	}
	for _, n := range []string{"QV-0311/QV-0311_A.wav", "QV-0311/QV-0311_B.wav", "QV-0312/QV-0312_A.wav"} {
		s.Files = append(s.Files, shelf.CheckFile{Name: n, Version: 1, SignedOff: at(2025, 3, 3, 9, 0), State: fixity.Intact, Evidence: shelf.Bytes})
	}
	s.Files[2].State, s.Files[2].Why = fixity.Unreadable, "28,672 bytes from 1,048,576"
	s.UnreadableAt = []shelf.Place{
		{LBA: 300, Count: 2, Structure: true},
		{LBA: 900000, Count: 14, Of: []string{"QV-0312/QV-0312_A.wav"}},
		{LBA: 1150000, Count: 4},
	}
	s.TriesAt = []shelf.Place{{LBA: 899990, Count: 30}}
	s.Runs = []shelf.Run{
		{LBA: 0, Count: 300, State: shelf.RunAtOnce}, {LBA: 300, Count: 2, State: shelf.RunUnreadable}, {LBA: 302, Count: 899668, State: shelf.RunAtOnce},
		{LBA: 899970, Count: 30, State: shelf.RunRetried}, {LBA: 900000, Count: 14, State: shelf.RunUnreadable}, {LBA: 900014, Count: 249986, State: shelf.RunAtOnce},
		{LBA: 1150000, Count: 4, State: shelf.RunUnreadable}, {LBA: 1150004, Count: 49996, State: shelf.RunAtOnce},
	}
	return s
}

func checks() map[string]shelf.CheckSheet {
	out := map[string]shelf.CheckSheet{"empty": {}, "identical": audio(), "unreadable": data()}

	s := audio()
	s.Verdict, s.Doubtful, s.AtOnce = shelf.Altered, 40, 144552-1
	s.Files[2].State, s.Files[2].Why = fixity.Altered, "1 sector differs at 00:02:00"
	s.DifferingAt = []shelf.Place{{LBA: 9000, Count: 1, Track: 3, Time: "00:02:00.00"}, {LBA: 130020, Count: 2}}
	s.UnreadableAt = []shelf.Place{{LBA: 70000, Count: 1, Track: 5, Time: "00:00:01.10"}}
	s.Unreadable = 1
	s.Runs = []shelf.Run{
		{LBA: 0, Count: 48210, State: shelf.RunAtOnce}, {LBA: 48210, Count: 8, State: shelf.RunRetried}, {LBA: 48218, Count: 21782, State: shelf.RunAtOnce},
		{LBA: 70000, Count: 1, State: shelf.RunUnreadable}, {LBA: 70001, Count: 29999, State: shelf.RunAtOnce}, {LBA: 100000, Count: 40, State: shelf.RunDoubtful},
		{LBA: 100040, Count: 44560, State: shelf.RunAtOnce},
	}
	s.Control = shelf.Control{}
	s.Before = []shelf.Before{{At: at(2024, 11, 20, 9, 0), Verdict: shelf.Intact, Retried: 2, SameDrive: true}}
	s.Twins[0].Checked, s.Twins[0].Verdict = at(2025, 11, 26, 9, 0), shelf.Unreadable
	s.Together = "QD-0031 B"
	s.Findings = []int64{7, 9}
	out["altered"] = s

	s = audio()
	s.Verdict, s.Way = shelf.Changed, shelf.Way{GainDB: 1.8, SpreadDB: 0.1}
	for i := range s.Files {
		s.Files[i].State, s.Files[i].Evidence = fixity.Altered, shelf.Likeness
	}
	out["changed"] = s
	s.Way.Decision, s.Way.DecidedBy, s.Way.DecidedAt = "burned with levelling, +1.8 dB", "M. R.", at(2025, 10, 2, 9, 0)
	out["changed-decided"] = s

	s = audio()
	s.Verdict, s.Way = shelf.Alike, shelf.Way{GainDB: 0.01}
	for i := range s.Files {
		s.Files[i].Evidence, s.Files[i].Format = shelf.Likeness, "48 kHz, 24 bit, stereo"
	}
	out["alike"] = s

	s = audio()
	s.Way, s.Files = shelf.Way{}, nil
	s.Verdict, s.Swap, s.Proved = shelf.Other, "QD-0032 A", "QV-0108 side A, access version 1"
	out["other"] = s

	s = shelf.CheckSheet{Archive: "Quillmere Valley Song Survey", Written: "songs 3, old", WrittenBy: "T. O.", Kind: shelf.Audio, Medium: "CD-R",
		Verdict: shelf.Baseline, Baseline: at(2026, 1, 12, 10, 0), Sectors: 300000, AtOnce: 300000, LeadOut: 300000,
		Runs: []shelf.Run{{LBA: 0, Count: 300000, State: shelf.RunAtOnce}}, Begun: at(2026, 1, 12, 10, 0), Ended: at(2026, 1, 12, 10, 12), By: "T. O."}
	out["baseline"] = s
	s.Verdict, s.Begun, s.Ended = shelf.Intact, at(2027, 1, 14, 9, 0), at(2027, 1, 14, 9, 10)
	out["baseline-again"] = s

	s = audio()
	s.Verdict, s.Unfinished, s.Ended = shelf.Intact, "the drive was unplugged", time.Time{}
	s.AtOnce, s.Retried, s.Untried, s.TriesAt = 60000, 0, 84600, nil
	s.Runs = []shelf.Run{{LBA: 0, Count: 60000, State: shelf.RunAtOnce}, {LBA: 60000, Count: 84600, State: shelf.RunUntried}}
	out["unfinished"] = s

	s = data()
	s.Layers = shelf.Layers{Two: true, Break: 2000000}
	s.Medium, s.LeadOut, s.Sectors, s.AtOnce = "DVD+R DL", 3900000, 3900000, 3900000-46
	s.Runs = append(s.Runs, shelf.Run{LBA: 1200000, Count: 2000000, State: shelf.RunAtOnce}, shelf.Run{LBA: 3200000, Count: 16, State: shelf.RunUnreadable}, shelf.Run{LBA: 3200016, Count: 699984, State: shelf.RunAtOnce})
	s.UnreadableAt = append(s.UnreadableAt, shelf.Place{LBA: 3200000, Count: 16, Of: []string{"QV-0311/QV-0311_B.wav"}})
	s.Unreadable, s.AtOnce = 36, 3900000-66
	out["two-layers"] = s
	s.Layers.Break = 0
	out["two-layers-unknown"] = s

	s = data()
	s.Verdict, s.Image, s.Drive, s.Medium = shelf.Missing, "QD-0400.iso", "", ""
	s.Files[0].State = fixity.Missing
	s.Extra = []string{"notes.txt"}
	out["image"] = s
	return out
}

func burns() map[string]shelf.BurnSheet {
	out := map[string]shelf.BurnSheet{"empty": {}}
	s := shelf.BurnSheet{Archive: "Quillmere Valley Song Survey", Number: "QD-0031", Twins: []string{"A", "B"}, Item: "QV-0107 side A", Box: "4", Kind: shelf.Audio,
		Made: at(2025, 11, 18, 11, 2), By: "M. R."}
	for i, n := range []string{"QV-0107_A_01.wav", "QV-0107_A_02.wav", "QV-0107_A_03.wav"} {
		s.Files = append(s.Files, shelf.BurnFile{Name: "QV-0107/" + n, Version: 2, Store: "studio", From: `D:\studio\access\QV-0107\` + n, Bytes: 44 + 4*int64(i+5)*44100*60, Samples: int64(i+5) * 44100 * 60})
	}
	out["twins"] = s

	s.Twins, s.Part, s.Parts, s.Holds, s.Blank = nil, 1, 2, shelf.CD74, "Example Gold"
	s.Files = append(s.Files[:3:3], shelf.BurnFile{Name: "QV-0107/QV-0107_A_04.wav", Samples: 70 * 60 * 96000, Rate: 96000, Format: "96 kHz, 24 bit, stereo"},
		shelf.BurnFile{Name: "QV-0107/QV-0107_A_05.wav"}, shelf.BurnFile{Name: "QV-0107/QV-0107_A_06.wav", Samples: 44100})
	out["too-long"] = s

	out["data"] = shelf.BurnSheet{Archive: "Quillmere Valley Song Survey", Number: "QD-0400", Kind: shelf.Data, Item: "QV-0311", Files: []shelf.BurnFile{
		{Name: "QV-0311/QV-0311_A.wav", Version: 1, Bytes: 1834000000}, {Name: "QV-0311/QV-0311_B.wav", Version: 1, Bytes: 1790000044}, {Name: "QV-0311/empty.txt", Version: 1, Empty: true}}}
	return out
}

func render(t *testing.T, s sheet) (text, html string) {
	t.Helper()
	var a, b bytes.Buffer
	if err := s.Text(&a); err != nil {
		t.Fatal(err)
	}
	if err := s.HTML(&b); err != nil {
		t.Fatal(err)
	}
	return a.String(), b.String()
}

func TestGolden(t *testing.T) {
	for n, s := range sheets() {
		t.Run(n, func(t *testing.T) {
			text, html := render(t, s)
			for ext, got := range map[string]string{".txt": text, ".html": html} {
				file := filepath.Join("testdata", n+ext)
				if *update {
					if err := os.WriteFile(file, []byte(got), 0o666); err != nil {
						t.Fatal(err)
					}
				}
				want, err := os.ReadFile(file)
				if err != nil {
					t.Fatal(err)
				}
				if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); d != "" {
					t.Errorf("%s (-want +got):\n%s", file, d)
				}
			}
		})
	}
	left, err := filepath.Glob("testdata/*")
	if err != nil || len(left) != 2*len(sheets()) {
		t.Errorf("testdata has %d files, %v; want %d, one of each kind a sheet", len(left), err, 2*len(sheets()))
	}
}

// parse reads a page as XML, and gives all elements with their attributes and text.
func parse(t *testing.T, page string) []element {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.Entity = true, nil
	var all []element
	var open []int
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			e := element{name: x.Name.Local, attr: map[string]string{}}
			for _, a := range x.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			open = append(open, len(all))
			all = append(all, e)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			for _, i := range open {
				all[i].text += string(x)
			}
		}
	}
	return all
}

type element struct {
	name string
	attr map[string]string
	text string
}
