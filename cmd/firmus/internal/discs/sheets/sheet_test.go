package sheets_test

import (
	"errors"
	"regexp"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discmap"
)

// Each verdict has words that stand alone.
func TestVerdicts(t *testing.T) {
	at := at(2026, 1, 12, 10, 0)
	for _, c := range []struct {
		verdict fixity.DiscVerdict
		change  func(*made)
		main    string
		more    string // a part of what stands below
	}{
		{fixity.DiscIntact, nil, "IDENTICAL, sample for sample, in all this drive can read", ""},
		{fixity.DiscIntact, func(s *made) { s.About.Kind = optical.Data }, "IDENTICAL, byte for byte: all 9 files", ""},
		{fixity.DiscIntact, func(s *made) { s.Since = at }, "AS AT ITS FIRST READING", "Known since 12 Jan 2026, not since burning."},
		{fixity.DiscUnreadable, func(s *made) { s.read(discmap.AtOnce(144598), discmap.Bad(2)) }, "UNREADABLE IN PLACES: 2 of 144,600 sectors couldn't be read", "All that was read is what was burned."},
		{fixity.DiscAltered, func(s *made) { s.Report.Differing, s.Report.DifferingAll = []burned.Sectors{{LBA: 1, Count: 1}}, 1 }, "ALTERED: 1 sector was read well and holds something else than what was burned", ""},
		{fixity.DiscAltered, func(s *made) { s.About.Kind, s.Files[0].State = optical.Data, fixity.Altered }, "ALTERED: 1 file was read well and isn't what was burned", ""},
		{fixity.DiscUnsteady, nil, "UNSTEADY: the drive lost its place while reading; nothing is said about the disc", ""},
		{fixity.DiscReordered, nil, "IN ANOTHER ORDER: sample for sample what was burned, but not in the order in which the tracks are registered", ""},
		{fixity.DiscChanged, func(s *made) { s.level(-0.5, 0) }, "CHANGED ON THE WAY: the same recording with other samples (0.5 dB softer)", ""},
		{fixity.DiscChanged, func(s *made) { s.level(3, 6) }, "CHANGED ON THE WAY: the same recording with other samples", ""},
		{fixity.DiscAlike, nil, "ALIKE, by weaker evidence: the same recording", "isn't shown"},
		{fixity.DiscOther, nil, "ANOTHER DISC: this isn't QD-0031 A", ""},
		{fixity.DiscMissing, func(s *made) { s.Files[0].State = fixity.Missing }, "INCOMPLETE: 1 file that is registered isn't on it", ""},
		{fixity.DiscMissing, func(s *made) { s.Files[0].State, s.Files[1].State = fixity.Missing, fixity.Missing }, "INCOMPLETE: 2 files that are registered aren't on it", ""},
		{fixity.DiscSaysNothing, nil, "SAYS NOTHING: there is no sound on it that could be compared", ""},
		{fixity.DiscBaseline, func(s *made) { s.Since = at }, "FIRST READING: nothing older is known to hold it against", "Known since 12 Jan 2026, not since burning."},
		{fixity.DiscUnregistered, nil, "NOT REGISTERED: read, and compared with nothing", ""},
		{fixity.DiscNotCompared, nil, "NOT COMPARED: it was read, but no copy of what was burned is within reach", ""},
		{fixity.DiscAltered, func(s *made) {
			s.Report.Differing, s.Report.DifferingAll, s.Unfinished = []burned.Sectors{{LBA: 1, Count: 2}}, 2, "the drive was unplugged"
		}, "NOT FINISHED: the drive was unplugged", "Up to there: ALTERED: 2 sectors were read well and hold something else"},
		{fixity.DiscIntact, func(s *made) { s.Unfinished = "stopped" }, "NOT FINISHED: stopped", "nothing is said about the rest"},
		{"", func(s *made) { s.Unfinished = "stopped" }, "NOT FINISHED: stopped", ""},
	} {
		t.Run(c.main, func(t *testing.T) {
			s := audio()
			s.is(c.verdict)
			if c.change != nil {
				c.change(&s)
			}
			s.Report.Sound = &cdda.Result{Located: s.Report.Sound.Located, EdgeEnd: 667}
			main, more := s.Sentences()
			if main != c.main || !strings.Contains(strings.Join(more, "\n"), c.more) {
				t.Errorf("got %q, %q\nwant %q, %q", main, more, c.main, c.more)
			}
			if s.Unfinished != "" && strings.Contains(main+strings.Join(more, ""), "IDENTICAL") {
				t.Error("a check that wasn't finished says identical")
			}
			// What no drive can reach at the edge is told in small print, never here.
			if all := main + strings.Join(more, ""); strings.Contains(all, "667") || strings.Contains(all, "omparable") {
				t.Errorf("the verdict speaks of the edge: %q", all)
			}
			if text, _ := render(t, s); !strings.Contains(text, "Not comparable: the last 667 samples (0.015 s)") {
				t.Error("the edge isn't told at all")
			}
		})
	}
}

// said checks what a sheet must say, and must not.
func TestSays(t *testing.T) {
	unreadable, alike, image := data(), checks()["alike"], checks()["image"]
	noPauses := audio()
	noPauses.Pauses, noPauses.PausesKnown = nil, false
	joined := audio()
	joined.Pauses = nil
	changed := audio()
	changed.level(1.8, 0.1)
	for i := range changed.Files {
		changed.Files[i].State, changed.Files[i].Why = fixity.Altered, "the same recording with other samples: +1.8 dB"
	}
	for _, c := range []struct {
		name     string
		sheet    sheet
		yes, not []string
	}{
		{"nothing is said twice", changed, []string{"the same recording with other samples: +1.8 dB"}, []string{"other samples. the same"}},
		{"every sheet", audio(), []string{"calibrated tester is needed (IASA-TC 04, 8.1.9)", "That another drive will read it", "is never spun", "Stick nothing on the disc", "about the master (96 kHz, 24 bit)", "48301", "Initials ____",
			"contents can't tell which this is", "QD-0031 B has not been checked", "Look again: November 2026", "tries depend on the drive"}, []string{"second drive"}},
		{"unreadable", unreadable, []string{"Try a second drive first (IASA-TC 04, 8.1.7)", "straight from the centre to the edge", "put it into no drive again", "space that no file uses", "the disc's own structures"}, []string{"IDENTICAL"}},
		{"the second drive comes first", unreadable, []string{"1. Try a second drive first"}, nil},
		{"weaker evidence", alike, []string{"weaker evidence: recorded as 48 kHz, 24 bit, stereo", "ALIKE, by weaker evidence"}, []string{"IDENTICAL", "sample for sample"}},
		{"an image spins in no drive", image, []string{"an image was read, no disc", "an image of it was"}, []string{"second drive", "no cracks", "firmware"}},
		{"pauses that aren't known", noPauses, []string{"level unchanged; shift 667 samples"}, []string{"silence"}},
		{"no pauses", joined, []string{"no silence between disc tracks"}, nil},
		{"burning", burns()["twins"], []string{"Gap between tracks: 0 s", "Levelling, normalising", "Whole disc at once", "Close the disc", "QD-0031 A", "QD-0031 B", "felt pen for discs, without solvents", "Stick nothing", `firmus disc check --written "QD-0031 B"`, "Speed: "}, []string{"DOESN'T FIT"}},
		{"too long", burns()["too-long"], []string{"DOESN'T FIT: 00:14:03 too much", "part 1 of 2", "Track 4 is recorded as 96 kHz", "shorter than 4 s"}, []string{"holds it"}},
		{"data", burns()["data"], []string{"a CD-R, 80 minutes (737 MB) is too small", "4.7 GB holds it", "no scratch"}, []string{"Gap between", "Levelling", "DOESN'T FIT"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, html := render(t, c.sheet)
			var words string
			for _, e := range parse(t, html) {
				if e.name == "body" {
					words = e.text
				}
			}
			for what, got := range map[string]string{"text": text, "page": words} {
				got = strings.Join(strings.Fields(strings.ReplaceAll(got, "\u00a0", " ")), " ")
				for _, y := range c.yes {
					if what == "page" && strings.HasPrefix(y, "1. ") {
						y = y[3:] // the browser numbers steps
					}
					if !strings.Contains(got, y) {
						t.Errorf("the %s doesn't say %q", what, y)
					}
				}
				for _, n := range c.not {
					if strings.Contains(got, n) {
						t.Errorf("the %s says %q", what, n)
					}
				}
			}
		})
	}
}

// A page is one file: no script, nothing that is fetched, and no text that a person
// typed becomes markup or disturbs a terminal.
func TestAlone(t *testing.T) {
	nasty := "<script>alert(1)</script>\x1b[31m\u202e\r\n\"&' ' url(http://example.org) " + strings.Repeat("x", 300)
	hostile := audio()
	bad := ledger.Disc{Number: nasty, Twin: nasty, Box: nasty, Blank: nasty, Burned: nasty, Kind: nasty}
	hostile.Archive, hostile.Unfinished, hostile.Together, hostile.Master, hostile.Shows, hostile.Swap = nasty, nasty, nasty, nasty, nasty, nasty
	hostile.Disc, hostile.Twins[0].Disc, hostile.Proved, hostile.Control.Disc = bad, bad, []ledger.Disc{bad}, bad
	hostile.Row.Written, hostile.Row.By, hostile.Row.Drive, hostile.Row.Looked = nasty, nasty, nasty, nasty
	hostile.About.Medium, hostile.About.Drive, hostile.About.Kind, hostile.About.Problems = nasty, nasty, optical.Kind(nasty), []error{errors.New(nasty)}
	hostile.Report.Extra, hostile.Report.Problems, hostile.Report.Directory = []string{nasty}, []error{errors.New(nasty)}, []string{nasty}
	hostile.Next, hostile.Bring = []discs.Next{{Disc: bad, Why: nasty}}, []discs.Bring{{Store: nasty}, {Store: nasty, Cloud: true}}
	hostile.Report.Unreadable = []burned.Sectors{{LBA: -5, Count: 1 << 62, Track: 1, Time: nasty, Of: []discfs.Place{{Path: nasty}, {Path: "a"}, {Path: "b"}, {Path: "c"}, {Path: "d"}}}}
	hostile.Decision = &ledger.DiscDecision{Reason: nasty, By: nasty}
	hostile.is(fixity.DiscVerdict(nasty))
	for i := range hostile.Files {
		f := &hostile.Files[i]
		f.Set, f.Path, f.At, f.Why, f.Store, f.Format, f.State = nasty, nasty, nasty+"2", nasty, nasty, nasty, fixity.State(nasty)
	}
	image := hostile
	image.Image, image.About.Kind = nasty, optical.Data
	image.is(fixity.DiscAltered)
	burn := burns()["too-long"]
	burn.Archive, burn.Number, burn.Item, burn.Box, burn.Blank, burn.By, burn.Holds.Name = nasty, nasty, nasty, nasty, nasty, nasty, nasty
	burn.Twins, burn.Left = []string{nasty, nasty}, []string{nasty}
	for i := range burn.Files {
		burn.Files[i].Name, burn.Files[i].Store, burn.Files[i].Format = nasty, nasty, nasty
	}
	all := samples()
	all["hostile"], all["hostile image"], all["hostile burn"] = hostile, image, burn
	wide := audio()
	wide.Shows, wide.Row.Written, wide.Archive = strings.Repeat("歌", 90), strings.Repeat("e\u0301", 200), strings.Repeat("歌 ", 70)
	all["wide"] = wide

	handlers := regexp.MustCompile(`(?i)^(on.*|src|href|action|data|srcset|poster)$`)
	for n, s := range all {
		text, html := render(t, s)
		for i, l := range strings.Split(text, "\n") {
			if c := sheets.Columns(l); c > sheets.Width {
				t.Errorf("%s: line %d has %d columns: %q", n, i+1, c, l)
			}
		}
		for _, r := range text {
			if r != '\n' && (r < ' ' || r == 0x7f || (r >= 0x80 && r < 0xa0) || r == 0x202e) {
				t.Errorf("%s: the text has %U", n, r)
				break
			}
		}
		es := parse(t, html)
		for _, e := range es {
			if e.name == "script" || e.name == "link" || e.name == "img" || e.name == "iframe" || e.name == "use" || e.name == "image" {
				t.Errorf("%s: the page has <%s>", n, e.name)
			}
			for a := range e.attr {
				if handlers.MatchString(a) {
					t.Errorf("%s: <%s> has %s", n, e.name, a)
				}
			}
			if e.name == "style" {
				for _, u := range regexp.MustCompile(`url\([^)]*\)|@import`).FindAllString(e.text, -1) {
					if !strings.HasPrefix(u, "url(#") {
						t.Errorf("%s: the style has %s", n, u)
					}
				}
			}
		}
		if len(es) < 20 {
			t.Errorf("%s: the page has %d elements", n, len(es))
		}
	}
}

func TestSectors(t *testing.T) {
	for _, c := range []struct {
		name string
		file sheets.BurnFile
		kind string
		want int64
	}{
		{"nothing known", sheets.BurnFile{}, ledger.AudioDisc, 0},
		{"one sample takes a sector", sheets.BurnFile{Samples: 1}, ledger.AudioDisc, 1},
		{"588 samples are one sector", sheets.BurnFile{Samples: 588}, ledger.AudioDisc, 1},
		{"589 are two", sheets.BurnFile{Samples: 589}, ledger.AudioDisc, 2},
		{"a minute", sheets.BurnFile{Samples: 60 * 44100}, ledger.AudioDisc, 60 * 75},
		{"a minute at 96 kHz", sheets.BurnFile{Samples: 60 * 96000, Rate: 96000}, ledger.AudioDisc, 60 * 75},
		{"48 kHz, a sector", sheets.BurnFile{Samples: 640, Rate: 48000}, ledger.AudioDisc, 1},
		{"48 kHz, a sample more", sheets.BurnFile{Samples: 641, Rate: 48000}, ledger.AudioDisc, 2},
		{"a rate that can't be", sheets.BurnFile{Samples: 588, Rate: -5}, ledger.AudioDisc, 1},
		{"data", sheets.BurnFile{Bytes: 2049}, ledger.DataDisc, 2},
		{"data, not known", sheets.BurnFile{Bytes: -1}, ledger.DataDisc, 0},
	} {
		if got := c.file.Sectors(c.kind); got != c.want {
			t.Errorf("%s: %d sectors, want %d", c.name, got, c.want)
		}
	}
}

// A disc fits to the last sector and not one more. ECMA-130: 75 sectors a second, 2 s
// of them before the first track.
func TestFit(t *testing.T) {
	for _, c := range []struct {
		name    string
		holds   sheets.Capacity
		kind    string
		sectors int64
		fits    bool
	}{
		{"74 minutes, full", sheets.CD74, ledger.AudioDisc, 74*60*75 - 150, true},
		{"74 minutes, one more", sheets.CD74, ledger.AudioDisc, 74*60*75 - 149, false},
		{"80 minutes, full", sheets.CD80, ledger.AudioDisc, 80*60*75 - 150, true},
		{"80 minutes, one more", sheets.CD80, ledger.AudioDisc, 80*60*75 - 149, false},
		{"4.7 GB with room for the file system", sheets.DVD, ledger.DataDisc, 2295104 - 1001, true},
		{"4.7 GB and no room for it", sheets.DVD, ledger.DataDisc, 2295104, false},
	} {
		s := sheets.BurnSheet{Number: "QD-0031", Kind: c.kind, Holds: c.holds, Files: []sheets.BurnFile{{Name: "a.wav", Samples: c.sectors * 588, Bytes: c.sectors * 2048}}}
		text, _ := render(t, s)
		if got := !strings.Contains(text, "DOESN'T FIT"); got != c.fits {
			t.Errorf("%s: fits %v, want %v", c.name, got, c.fits)
		}
	}
}

type broken struct{ wrote int }

func (b *broken) Write(p []byte) (int, error) { b.wrote += len(p); return 0, errBroken }

var errBroken = errors.New("no space")

func TestWriter(t *testing.T) {
	for n, s := range samples() {
		if err := s.Text(&broken{}); !errors.Is(err, errBroken) {
			t.Errorf("%s: Text gives %v", n, err)
		}
		if err := s.HTML(&broken{}); !errors.Is(err, errBroken) {
			t.Errorf("%s: HTML gives %v", n, err)
		}
	}
}
