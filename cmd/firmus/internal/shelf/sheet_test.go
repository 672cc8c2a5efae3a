package shelf_test

import (
	"errors"
	"regexp"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/shelf"
	"firmus/fixity"
)

// Each verdict has words that stand alone.
func TestVerdicts(t *testing.T) {
	at := at(2026, 1, 12, 10, 0)
	for _, c := range []struct {
		verdict shelf.Verdict
		change  func(*shelf.CheckSheet)
		main    string
		more    string // a part of what stands below
	}{
		{shelf.Intact, nil, "IDENTICAL, sample for sample, in all this drive can read", ""},
		{shelf.Intact, func(s *shelf.CheckSheet) { s.Kind = shelf.Data }, "IDENTICAL, byte for byte: all 9 files", ""},
		{shelf.Intact, func(s *shelf.CheckSheet) { s.Baseline = at }, "AS AT ITS FIRST READING", "Known since 12 Jan 2026, not since burning."},
		{shelf.Unreadable, func(s *shelf.CheckSheet) { s.Unreadable = 2 }, "UNREADABLE IN PLACES: 2 of 144,600 sectors couldn't be read", "All that was read is what was burned."},
		{shelf.Altered, func(s *shelf.CheckSheet) { s.DifferingAt = []shelf.Place{{LBA: 1, Count: 1}} }, "ALTERED: 1 sector was read well and holds something else than what was burned", ""},
		{shelf.Altered, func(s *shelf.CheckSheet) { s.Kind, s.Files[0].State = shelf.Data, fixity.Altered }, "ALTERED: 1 file was read well and not what was burned", ""},
		{shelf.Unsteady, nil, "UNSTEADY: the drive lost its place while reading; nothing is said about the disc", ""},
		{shelf.Reordered, nil, "IN ANOTHER ORDER: sample for sample what was burned, but not in the order in which the tracks are registered", ""},
		{shelf.Changed, func(s *shelf.CheckSheet) { s.Way.GainDB = -0.5 }, "CHANGED ON THE WAY: the same recording with other samples (0.5 dB softer)", ""},
		{shelf.Changed, func(s *shelf.CheckSheet) { s.Way.GainDB, s.Way.SpreadDB = 3, 6 }, "CHANGED ON THE WAY: the same recording with other samples", ""},
		{shelf.Alike, nil, "ALIKE, by weaker evidence: the same recording", "isn't shown"},
		{shelf.Other, nil, "ANOTHER DISC: this isn't QD-0031 A", ""},
		{shelf.Missing, func(s *shelf.CheckSheet) { s.Files[0].State = fixity.Missing }, "INCOMPLETE: 1 file that is registered isn't on it", ""},
		{shelf.Missing, func(s *shelf.CheckSheet) { s.Files[0].State, s.Files[1].State = fixity.Missing, fixity.Missing }, "INCOMPLETE: 2 files that are registered aren't on it", ""},
		{shelf.SaysNothing, nil, "SAYS NOTHING: there is no sound on it that could be compared", ""},
		{shelf.Baseline, func(s *shelf.CheckSheet) { s.Baseline = at }, "FIRST READING: nothing older is known to hold it against", "Known since 12 Jan 2026, not since burning."},
		{shelf.Unregistered, nil, "NOT REGISTERED: read, and compared with nothing", ""},
		{shelf.NotCompared, nil, "NOT COMPARED: it was read, but no copy of what was burned is within reach", ""},
		{shelf.Altered, func(s *shelf.CheckSheet) {
			s.DifferingAt, s.Unfinished = []shelf.Place{{LBA: 1, Count: 2}}, "the drive was unplugged"
		}, "NOT FINISHED: the drive was unplugged", "Up to there: ALTERED: 2 sectors were read well and hold something else"},
		{shelf.Intact, func(s *shelf.CheckSheet) { s.Unfinished = "stopped" }, "NOT FINISHED: stopped", "nothing is said about the rest"},
		{"", func(s *shelf.CheckSheet) { s.Unfinished = "stopped" }, "NOT FINISHED: stopped", ""},
	} {
		t.Run(c.main, func(t *testing.T) {
			s := audio()
			s.Verdict = c.verdict
			if c.change != nil {
				c.change(&s)
			}
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
	noPauses.Way.Pauses, noPauses.Way.PausesKnown = nil, false
	joined := audio()
	joined.Way.Pauses = nil
	changed := audio()
	changed.Verdict = shelf.Changed
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
	hostile.Archive, hostile.Written, hostile.WrittenBy, hostile.Number, hostile.Box, hostile.Proved, hostile.Swap = nasty, nasty, nasty, nasty, nasty, nasty, nasty
	hostile.Blank, hostile.Burned, hostile.Medium, hostile.Unfinished, hostile.Together, hostile.Master = nasty, nasty, nasty, nasty, nasty, nasty
	hostile.Drive, hostile.Firmware, hostile.Serial, hostile.By, hostile.Looked.By, hostile.Control.Number, hostile.Image = nasty, nasty, nasty, nasty, nasty, nasty, nasty
	hostile.Alike, hostile.Extra, hostile.Next, hostile.Problems = []string{nasty}, []string{nasty}, []string{nasty}, []string{nasty}
	hostile.Twins[0].Number, hostile.Verdict, hostile.Kind = nasty, shelf.Verdict(nasty), nasty
	hostile.TriesAt[0].Time, hostile.UnreadableAt = nasty, []shelf.Place{{LBA: -5, Count: 1 << 62, Of: []string{nasty, "a", "b", "c", "d"}}}
	hostile.Way.Decision, hostile.Way.DecidedBy = nasty, nasty
	for i := range hostile.Files {
		f := &hostile.Files[i]
		f.Name, f.At, f.Why, f.Store, f.Format, f.State = nasty, nasty+"2", nasty, nasty, nasty, fixity.State(nasty)
	}
	hostile.Image = ""
	image := hostile
	image.Image, image.Verdict, image.Kind = nasty, shelf.Altered, shelf.Data
	burn := burns()["too-long"]
	burn.Archive, burn.Number, burn.Item, burn.Box, burn.Blank, burn.By, burn.Holds.Name = nasty, nasty, nasty, nasty, nasty, nasty, nasty
	burn.Twins, burn.Left = []string{nasty, nasty}, []string{nasty}
	for i := range burn.Files {
		burn.Files[i].Name, burn.Files[i].Store, burn.Files[i].Format = nasty, nasty, nasty
	}
	all := sheets()
	all["hostile"], all["hostile image"], all["hostile burn"] = hostile, image, burn
	wide := audio()
	wide.Proved, wide.Written, wide.Archive = strings.Repeat("歌", 90), strings.Repeat("e\u0301", 200), strings.Repeat("歌 ", 70)
	all["wide"] = wide

	handlers := regexp.MustCompile(`(?i)^(on.*|src|href|action|data|srcset|poster)$`)
	for n, s := range all {
		text, html := render(t, s)
		for i, l := range strings.Split(text, "\n") {
			if c := shelf.Columns(l); c > shelf.Width {
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
		file shelf.BurnFile
		kind string
		want int64
	}{
		{"nothing known", shelf.BurnFile{}, shelf.Audio, 0},
		{"one sample takes a sector", shelf.BurnFile{Samples: 1}, shelf.Audio, 1},
		{"588 samples are one sector", shelf.BurnFile{Samples: 588}, shelf.Audio, 1},
		{"589 are two", shelf.BurnFile{Samples: 589}, shelf.Audio, 2},
		{"a minute", shelf.BurnFile{Samples: 60 * 44100}, shelf.Audio, 60 * 75},
		{"a minute at 96 kHz", shelf.BurnFile{Samples: 60 * 96000, Rate: 96000}, shelf.Audio, 60 * 75},
		{"48 kHz, a sector", shelf.BurnFile{Samples: 640, Rate: 48000}, shelf.Audio, 1},
		{"48 kHz, a sample more", shelf.BurnFile{Samples: 641, Rate: 48000}, shelf.Audio, 2},
		{"a rate that can't be", shelf.BurnFile{Samples: 588, Rate: -5}, shelf.Audio, 1},
		{"data", shelf.BurnFile{Bytes: 2049}, shelf.Data, 2},
		{"data, not known", shelf.BurnFile{Bytes: -1}, shelf.Data, 0},
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
		holds   shelf.Capacity
		kind    string
		sectors int64
		fits    bool
	}{
		{"74 minutes, full", shelf.CD74, shelf.Audio, 74*60*75 - 150, true},
		{"74 minutes, one more", shelf.CD74, shelf.Audio, 74*60*75 - 149, false},
		{"80 minutes, full", shelf.CD80, shelf.Audio, 80*60*75 - 150, true},
		{"80 minutes, one more", shelf.CD80, shelf.Audio, 80*60*75 - 149, false},
		{"4.7 GB with room for the file system", shelf.DVD, shelf.Data, 2295104 - 1001, true},
		{"4.7 GB and no room for it", shelf.DVD, shelf.Data, 2295104, false},
	} {
		s := shelf.BurnSheet{Number: "QD-0031", Kind: c.kind, Holds: c.holds, Files: []shelf.BurnFile{{Name: "a.wav", Samples: c.sectors * 588, Bytes: c.sectors * 2048}}}
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
	for n, s := range sheets() {
		if err := s.Text(&broken{}); !errors.Is(err, errBroken) {
			t.Errorf("%s: Text gives %v", n, err)
		}
		if err := s.HTML(&broken{}); !errors.Is(err, errBroken) {
			t.Errorf("%s: HTML gives %v", n, err)
		}
	}
}
