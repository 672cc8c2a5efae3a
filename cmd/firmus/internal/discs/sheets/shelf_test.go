package sheets_test

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

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discmap"

	"github.com/google/go-cmp/cmp"
)

func init() { time.Local = time.UTC } // golden files hold times

var update = flag.Bool("update", false, "write the golden files anew")

// sheet is either sheet.
type sheet interface {
	Text(io.Writer) error
	HTML(io.Writer) error
}

func at(year int, month time.Month, day, hour, minute int) time.Time {
	return time.Date(year, month, day, hour, minute, 0, 0, time.UTC)
}

// samples are what the golden files hold, by name.
func samples() map[string]sheet {
	out := map[string]sheet{}
	for n, s := range checks() {
		out["check-"+n] = s
	}
	for n, s := range burns() {
		out["burn-"+n] = s
	}
	return out
}

// cd is what an audio CD-R of one track list says of itself.
func cd(sectors int64, tracks ...optical.Track) optical.Contents {
	return optical.Contents{Kind: optical.Audio, Medium: "CD-R", Drive: "Example DRW-24", Tracks: tracks, LeadOut: sectors}
}

// read is how all sectors of a disc were read.
func (k *made) read(rows ...optical.Run) {
	k.Report.Check.Map = discmap.Of(k.About, rows...)
	n := k.Report.Check.Map.Sectors()
	if k.About.LeadOut != n {
		k.About.LeadOut = n
		k.Report.Check.Map = discmap.Of(k.About, rows...)
	}
}

type made struct{ sheets.CheckSheet }

func sides(names ...string) (fs []discs.File) {
	for i, n := range names {
		fs = append(fs, discs.File{Set: "access", Path: "QV-0107/" + n, Version: 2, SignedOff: at(2025, 11, 18, 10, 0), Store: "studio",
			Held: burned.Held{State: fixity.Intact, Samples: true, Track: i + 1}})
	}
	return fs
}

// audio is a sheet like the one that a twin gets on a good day.
func audio() made {
	s := made{sheets.CheckSheet{Archive: "Quillmere Valley Song Survey"}}
	s.Disc = ledger.Disc{ID: 1, Number: "QD-0031", Twin: "A", Box: "4", Kind: ledger.AudioDisc}
	s.About = cd(144600)
	s.Row = ledger.DiscCheck{Written: "QD-0031 A", By: "T. O.", Began: at(2025, 11, 25, 14, 20), Ended: at(2025, 11, 25, 14, 24), Drive: "Example DRW-24",
		Speed: 2822, Verdict: fixity.DiscIntact, Looked: "no cracks, no lifting edge", Event: 48301}
	s.Shows = "QV-0107 side A, access version 2, 9 disc tracks"
	s.Files = sides("QV-0107_A_01.wav", "QV-0107_A_02.wav", "QV-0107_A_03.wav", "QV-0107_A_04.wav", "QV-0107_A_05.wav",
		"QV-0107_A_06.wav", "QV-0107_A_07.wav", "QV-0107_A_08.wav", "QV-0107_A_09.wav")
	s.Master = "96 kHz, 24 bit"
	for i := range 9 {
		s.About.Tracks = append(s.About.Tracks, optical.Track{Number: i + 1, LBA: int64(i) * 16000, Sectors: 16000})
	}
	s.About.Tracks[8].Sectors = 16600
	s.read(discmap.AtOnce(48210), discmap.Retried(8), discmap.AtOnce(96382))
	s.Report.Verdict, s.Report.Check.Speed = fixity.DiscIntact, 2822
	s.Report.Sound = &cdda.Result{Located: true, Offset: 667, EdgeEnd: 667}
	s.PausesKnown = true
	for i := 2; i <= 9; i++ {
		s.Pauses = append(s.Pauses, discs.Pause{Track: i, Sectors: 150})
	}
	s.Control = &discs.Read{Disc: ledger.Disc{Number: "QD-0001", Twin: "A"}, Check: &ledger.DiscCheck{Ended: at(2025, 11, 24, 9, 0)}}
	s.Twins = []discs.Read{{Disc: ledger.Disc{Number: "QD-0031", Twin: "B"}}}
	return s
}

// is gives the sheet a verdict.
func (k *made) is(v fixity.DiscVerdict) { k.Report.Verdict, k.Row.Verdict = v, v }

// level makes the disc one that is changed, so much louder.
func (k *made) level(gain, spread float64) {
	k.is(fixity.DiscChanged)
	k.Report.Sound = &cdda.Result{}
	k.Report.Files = []burned.Held{{Cause: burned.CauseChanged, Likeness: cdda.Likeness{Alike: 1, GainDB: gain, SpreadDB: spread}}}
}

func data() made {
	s := made{sheets.CheckSheet{Archive: "Quillmere Valley Song Survey"}}
	s.Disc = ledger.Disc{ID: 2, Number: "QD-0400", Box: "11", Kind: ledger.DataDisc}
	s.About = optical.Contents{Kind: optical.Data, Medium: "DVD+R", Drive: "Example DRW-24", LeadOut: 1200000}
	s.Row = ledger.DiscCheck{Written: "QD-0400", By: "M. R.", Began: at(2025, 11, 25, 23, 50), Ended: at(2025, 11, 26, 0, 31), Drive: "Example DRW-24", Speed: 5540, Event: 50112}
	s.Shows = "QV-0311 and QV-0312, 14 files"
	s.is(fixity.DiscUnreadable)
	s.Report.Check.Speed, s.Report.Structure, s.Report.Free = 5540, 2, 4
	s.Before = []ledger.DiscCheck{{Ended: at(2023, 11, 4, 10, 0), Verdict: fixity.DiscIntact}, {Ended: at(2024, 11, 2, 10, 0), Verdict: fixity.DiscIntact, Retried: 3, Drive: "Example DRW-24", Speed: 5540}}
	s.Findings = []ledger.Finding{finding(31)}
	for _, n := range []string{"QV-0311/QV-0311_A.wav", "QV-0311/QV-0311_B.wav", "QV-0312/QV-0312_A.wav"} {
		s.Files = append(s.Files, discs.File{Set: "masters", Path: n, Version: 1, SignedOff: at(2025, 3, 3, 9, 0), Held: burned.Held{State: fixity.Intact}})
	}
	s.Files[2].State, s.Files[2].Why = fixity.Unreadable, "28,672 bytes from 1,048,576"
	s.Report.Unreadable = []burned.Sectors{
		{LBA: 300, Count: 2, Kind: discfs.OfStructure},
		{LBA: 900000, Count: 14, Kind: discfs.OfFile, Of: []discfs.Place{{Path: "QV-0312/QV-0312_A.wav"}}},
		{LBA: 1150000, Count: 4, Kind: discfs.OfNothing},
	}
	s.Report.UnreadableAll = 20
	s.read(discmap.AtOnce(300), discmap.Bad(2), discmap.AtOnce(899668), discmap.Retried(30), discmap.Bad(14), discmap.AtOnce(249986), discmap.Bad(4), discmap.AtOnce(49996))
	return s
}

func checks() map[string]sheets.CheckSheet {
	out := map[string]sheets.CheckSheet{"empty": {}, "identical": audio().CheckSheet, "unreadable": data().CheckSheet}

	s := audio()
	s.is(fixity.DiscAltered)
	s.Files[2].State, s.Files[2].Why = fixity.Altered, "1 sector differs at 00:02:00"
	s.Report.Differing = []burned.Sectors{{LBA: 9000, Count: 1, Track: 3, Time: "00:02:00.00"}, {LBA: 130020, Count: 2}}
	s.Report.DifferingAll = 3
	s.Report.Unreadable, s.Report.UnreadableAll = []burned.Sectors{{LBA: 70000, Count: 1, Track: 5, Time: "00:00:01.10"}}, 1
	s.read(discmap.AtOnce(48210), discmap.Retried(8), discmap.AtOnce(21782), discmap.Bad(1), discmap.AtOnce(29999), discmap.Doubtful(40), discmap.AtOnce(44560))
	s.Control = nil
	s.Before = []ledger.DiscCheck{{Ended: at(2024, 11, 20, 9, 0), Verdict: fixity.DiscIntact, Retried: 2, Drive: s.Row.Drive, Speed: s.Row.Speed}}
	s.Twins[0].Check = &ledger.DiscCheck{Ended: at(2025, 11, 26, 9, 0), Verdict: fixity.DiscUnreadable}
	s.Together = "QD-0031 B"
	s.Findings = []ledger.Finding{finding(7), finding(9)}
	out["altered"] = s.CheckSheet

	s = audio()
	s.level(1.8, 0.1)
	for i := range s.Files {
		s.Files[i].State, s.Files[i].Weaker = fixity.Altered, true
	}
	out["changed"] = s.CheckSheet
	s.Decision = &ledger.DiscDecision{Reason: "burned with levelling, +1.8 dB", By: "M. R.", At: at(2025, 10, 2, 9, 0)}
	out["changed-decided"] = s.CheckSheet

	s = audio()
	s.is(fixity.DiscAlike)
	s.Report.Sound = nil
	for i := range s.Files {
		s.Files[i].Weaker, s.Files[i].Format = true, "48 kHz, 24 bit, stereo"
	}
	out["alike"] = s.CheckSheet

	s = audio()
	s.is(fixity.DiscOther)
	s.Files, s.Report.Sound = nil, nil
	s.Swap, s.Proved = "Its contents are those of QD-0032 A, not of QD-0031 A.", []ledger.Disc{{Number: "QD-0032", Twin: "A"}}
	out["other"] = s.CheckSheet

	s = made{sheets.CheckSheet{Archive: "Quillmere Valley Song Survey"}}
	s.About = cd(300000)
	s.Row = ledger.DiscCheck{Written: "songs 3, old", By: "T. O.", Began: at(2026, 1, 12, 10, 0), Ended: at(2026, 1, 12, 10, 12), Drive: "Example DRW-24"}
	s.is(fixity.DiscBaseline)
	s.Since = at(2026, 1, 12, 10, 0)
	s.read(discmap.AtOnce(300000))
	out["baseline"] = s.CheckSheet
	s.is(fixity.DiscIntact)
	s.Row.Began, s.Row.Ended = at(2027, 1, 14, 9, 0), at(2027, 1, 14, 9, 10)
	out["baseline-again"] = s.CheckSheet

	s = audio()
	s.Unfinished, s.Row.Ended = "the drive was unplugged", time.Time{}
	s.read(discmap.AtOnce(60000), discmap.Untried(84600))
	out["unfinished"] = s.CheckSheet

	s = data()
	s.About.Medium = "DVD+R DL"
	s.Report.Unreadable = append(s.Report.Unreadable, burned.Sectors{LBA: 3200000, Count: 16, Kind: discfs.OfFile, Of: []discfs.Place{{Path: "QV-0311/QV-0311_B.wav"}}})
	s.Report.UnreadableAll = 36
	s.read(discmap.AtOnce(300), discmap.Bad(2), discmap.AtOnce(899668), discmap.Retried(30), discmap.Bad(14), discmap.AtOnce(249986), discmap.Bad(4), discmap.AtOnce(2049996), discmap.Bad(16), discmap.AtOnce(699984))
	out["two-layers"] = s.CheckSheet

	s = data()
	s.is(fixity.DiscMissing)
	s.Image, s.Row.Drive, s.About.Drive, s.About.Medium = "QD-0400.iso", "", "", ""
	s.Files[0].State = fixity.Missing
	s.Report.Extra = []string{"notes.txt"}
	out["image"] = s.CheckSheet
	return out
}

func burns() map[string]sheets.BurnSheet {
	out := map[string]sheets.BurnSheet{"empty": {}}
	s := sheets.BurnSheet{Archive: "Quillmere Valley Song Survey", Number: "QD-0031", Twins: []string{"A", "B"}, Item: "QV-0107 side A", Box: "4", Kind: ledger.AudioDisc,
		Made: at(2025, 11, 18, 11, 2), By: "M. R."}
	for i, n := range []string{"QV-0107_A_01.wav", "QV-0107_A_02.wav", "QV-0107_A_03.wav"} {
		s.Files = append(s.Files, sheets.BurnFile{Name: "QV-0107/" + n, Version: 2, Store: "studio", From: `D:\studio\access\QV-0107\` + n, Bytes: 44 + 4*int64(i+5)*44100*60, Samples: int64(i+5) * 44100 * 60})
	}
	s.Labels = []sheets.Labelled{{Number: "QV-0107", Side: "A", Title: strings.Repeat("The mill below the weir; Nine lanterns; ", 5) + "Hollow hill", Performers: "Ann Arkwright, voice", Length: "31:52"},
		{Number: "QV-0107", Side: "B", Without: "restricted"}}
	out["twins"] = s

	s.Labels = nil
	s.Twins, s.Part, s.Parts, s.Holds, s.Blank = nil, 1, 2, sheets.CD74, "Example Gold"
	s.Files = append(s.Files[:3:3], sheets.BurnFile{Name: "QV-0107/QV-0107_A_04.wav", Samples: 70 * 60 * 96000, Rate: 96000, Format: "96 kHz, 24 bit, stereo"},
		sheets.BurnFile{Name: "QV-0107/QV-0107_A_05.wav"}, sheets.BurnFile{Name: "QV-0107/QV-0107_A_06.wav", Samples: 44100})
	out["too-long"] = s

	out["data"] = sheets.BurnSheet{Archive: "Quillmere Valley Song Survey", Number: "QD-0400", Kind: ledger.DataDisc, Item: "QV-0311", Files: []sheets.BurnFile{
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
	for n, s := range samples() {
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
	if err != nil || len(left) != 2*len(samples()) {
		t.Errorf("testdata has %d files, %v; want %d, one of each kind a sheet", len(left), err, 2*len(samples()))
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

func finding(id int64) ledger.Finding { return ledger.Finding{Finding: fixity.Finding{ID: id}} }

// sheetsFile is a file to burn as Windows has it.
func sheetsFile(n string) sheets.BurnFile {
	return sheets.BurnFile{Name: "masters/" + n, Version: 1, Store: "studio", From: `D:\masters\` + strings.ReplaceAll(n, "/", `\`), Bytes: 100}
}
