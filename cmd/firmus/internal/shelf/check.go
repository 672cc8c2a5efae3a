package shelf

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// Text writes the sheet for a terminal, at most Width columns wide. It gives w's
// error.
func (s CheckSheet) Text(w io.Writer) error { return s.page().writeText(w) }

// HTML writes the sheet as one page to print. It gives w's error; nothing is written
// before the page is whole.
func (s CheckSheet) HTML(w io.Writer) error { return s.page().writeHTML(w) }

func (s CheckSheet) page() page {
	p := page{Archive: clean(s.Archive), Title: "DISC CHECK SHEET", Number: clean(s.Number)}
	if p.Number == "" {
		p.Number = clean(s.Written)
	}
	main, more := s.verdict()
	p.Blocks = append(p.Blocks,
		block{Facts: s.identity()},
		block{Verdict: &verdictBox{"VERDICT", main, more}},
	)
	if steps := s.steps(); len(steps) > 0 {
		p.Blocks = append(p.Blocks, block{Title: "Do this", Steps: steps})
	}
	var found block
	found.add("Compared with", s.compared()...)
	found.add("Not as burned", s.damaged()...)
	found.add("Also on it", s.extra()...)
	found.add("Read", s.read()...)
	found.add("Tries needed at", places(s.TriesAt)...)
	found.add("Unreadable at", s.bad(s.UnreadableAt, true)...)
	found.add("Differing at", s.bad(s.DifferingAt, len(s.UnreadableAt) == 0)...)
	found.add("On the way", s.way()...)
	found.add("Noticed", s.noticed()...)
	p.Blocks = append(p.Blocks, found, block{Facts: s.circumstances()})
	var last block
	last.add("Does not show", s.limits()...)
	p.Blocks = append(p.Blocks, last, block{Facts: s.foot()})
	// The picture comes last: where it doesn't fit on the first page, what is to be
	// signed does.
	if d := s.draw(); d != nil {
		p.Blocks = append(p.Blocks, block{Surface: d})
	}
	return p
}

func (s CheckSheet) identity() []fact {
	var b block
	written := []part{or(s.Written, 20)}
	if by := clean(s.WrittenBy); by != "" && s.Written != "" {
		written = append(written, part{Text: "(typed by " + by + ")"})
	}
	b.add("Written on the disc", row(append(written, gap, label("Box"), or(s.Box, 8))...))

	proved := []line{sayf("nothing: what is on it isn't known")}
	if t := clean(s.Proved); t != "" {
		proved = []line{sayf("%s", t)}
	}
	if alike := cleaned(s.Alike); len(alike) > 0 && s.Verdict != Other {
		all := alike
		if n := clean(s.Number); n != "" && !slices.Contains(alike, n) {
			all = append([]string{n}, alike...)
		}
		what := "are registered with the same contents"
		if len(all) == 1 {
			what = "is registered with the same contents"
		}
		proved = append(proved, sayf("%s %s; contents can't tell which this is.", list(all), what))
	}
	if sw := clean(s.Swap); sw != "" && s.Verdict != Other {
		proved = append(proved, sayf("By its contents it seems to be %s: two discs may have been exchanged.", sw))
	}
	b.add("Proved by contents", proved...)

	registered := clean(s.Number)
	if s.Part > 0 && registered != "" {
		registered = fmt.Sprintf("%s, part %d", registered, s.Part)
	}
	if registered != "" && registered != clean(s.Written) {
		b.add("Registered as", sayf("%s", registered))
	}

	kind := s.kind()
	switch s.Closed {
	case Yes:
		kind += ", closed"
	case No:
		kind += ", NOT closed: more could be written on it"
	}
	b.add("Kind", row(part{Text: kind}, gap, label("Blank"), or(s.Blank, 14), gap, label("Burned"), or(s.Burned, 14)))
	return b.Facts
}

func (s CheckSheet) kind() string {
	medium, carrier := clean(s.Medium), "disc"
	for _, c := range []string{"CD", "DVD"} {
		if strings.HasPrefix(medium, c) {
			carrier = c
		}
	}
	if carrier == "disc" && s.Kind != Data && s.Kind != "" {
		carrier = "CD"
	}
	k := carrier
	switch s.Kind {
	case Audio:
		k = "audio " + carrier
	case Data:
		k = "data " + carrier
	case Mixed:
		k = carrier + " with sound and data"
	}
	if medium != "" && medium != carrier {
		k += " (" + medium + ")"
	}
	if s.Layers.Two {
		k += ", two layers"
	}
	return k
}

// mostFiles and mostPlaces are how many a sheet lists; it says how many more there
// are.
const (
	mostFiles  = 30
	mostPlaces = 12
)

// compared says with which files, gathered by version and day of sign-off.
func (s CheckSheet) compared() []line {
	if !s.Baseline.IsZero() && len(s.Files) == 0 {
		if s.Verdict == Baseline {
			return []line{sayf("nothing: this is its first reading")}
		}
		return []line{sayf("its first reading, %s", day(s.Baseline))}
	}
	return gathered(s.Files, func(f CheckFile) string {
		t := ""
		if f.Version > 0 {
			t += fmt.Sprintf(", version %d", f.Version)
		}
		if !f.SignedOff.IsZero() {
			t += ", signed off " + day(f.SignedOff)
		}
		if st := clean(f.Store); st != "" {
			t += " (copy: " + st + ")"
		}
		switch f.Evidence {
		case Likeness:
			t += "; by likeness only, which is weaker evidence"
			if f := clean(f.Format); f != "" {
				t += ": recorded as " + f
			}
		case Samples:
			t += "; sample for sample"
		case Bytes:
			t += "; byte for byte"
		case NoEvidence:
			t += "; couldn't be compared"
		}
		return t
	})
}

// gathered puts files that follow each other and of which the same is said into one:
// "9 files, A to B". At most mostFiles are told, and then how many files are left over.
func gathered(fs []CheckFile, say func(CheckFile) string) (out []line) {
	for i := 0; i < len(fs); {
		said := say(fs[i])
		j := i + 1
		for j < len(fs) && say(fs[j]) == said {
			j++
		}
		if len(out) == mostFiles {
			return append(out, sayf("and %s more", report.Count(int64(len(fs)-i), "file")))
		}
		names := name(fs[i].Name)
		switch n := j - i; {
		case n == 1 && fs[i].Track > 0:
			names = fmt.Sprintf("disc track %d, %s", fs[i].Track, names)
		case n == 2:
			names += " and " + name(fs[j-1].Name)
		case n > 2:
			names = fmt.Sprintf("%s, %s to %s", report.Count(int64(n), "file"), names, name(fs[j-1].Name))
		}
		out = append(out, sayf("%s%s", names, said))
		i = j
	}
	return out
}

// damaged lists files that aren't intact.
func (s CheckSheet) damaged() []line {
	var bad []CheckFile
	for _, f := range s.Files {
		if f.State != fixity.Intact && f.State != "" {
			bad = append(bad, f)
		}
	}
	return gathered(bad, func(f CheckFile) string {
		said, why := s.stateWords(f.State), clean(f.Why)
		if strings.HasPrefix(why, said) {
			said, why = why, "" // it says the same, and more
		}
		t := ": " + said
		if f.At != "" && f.At != f.Name {
			t += ", on the disc " + name(f.At)
		}
		if why != "" {
			t += ". " + why
		}
		return t
	})
}

func (s CheckSheet) stateWords(st fixity.State) string {
	switch st {
	case fixity.Missing:
		return "not on the disc"
	case fixity.Altered:
		if s.Verdict == Changed {
			return "the same recording with other samples"
		}
		return "read well, and not what was burned"
	case fixity.Unreadable:
		return "parts couldn't be read"
	case fixity.Unsteady:
		return "two readings disagree"
	}
	if m := fixity.Means("state", string(st)); m != "" {
		return m
	}
	return clean(string(st))
}

func (s CheckSheet) extra() []line {
	var out []line
	for i, f := range s.Extra {
		if i == mostFiles {
			out = append(out, sayf("and %s more", report.Count(int64(len(s.Extra)-i), "file")))
			break
		}
		out = append(out, sayf("%s (not registered)", name(f)))
	}
	return out
}

func (s CheckSheet) circumstances() []fact {
	var b block
	if s.Image != "" {
		b.add("Image", sayf("%s: an image was read, no disc", name(s.Image)))
	} else {
		b.add("Drive", row(or(s.Drive, 14), gap, label("firmware"), or(s.Firmware, 8), gap, label("serial"), or(s.Serial, 14), gap, part{Text: s.speed()}))
		b.add("Control disc", s.control())
		by := []part{label("no cracks"), tick(s.Looked.NoCracks), gap, label("no lifting edge"), tick(s.Looked.NoLiftingEdge), gap, label("scratches"), tick(s.Looked.Scratches), gap, label("by"), or(s.Looked.By, 10)}
		b.add("Looked at first", row(by...), smallf("A disc that is cracked, or whose layers come apart, is never spun."))
	}
	b.add("Checked", row(or(s.when(), 30), label("by"), or(s.By, 12)))
	b.add("Checks before", s.before()...)
	return b.Facts
}

// speed is the cap as a multiple of 1x: 176.4 kB a second for a CD (75 sectors of
// 2352 bytes) and 1385 for a DVD (MMC-6).
func (s CheckSheet) speed() string {
	if s.Speed <= 0 {
		return "speed not capped"
	}
	one := 176.4
	if s.Medium == "" && s.Kind != Audio {
		return fmt.Sprintf("speed at most %s kB/s", report.Number(int64(s.Speed)))
	}
	if strings.HasPrefix(s.Medium, "DVD") {
		one = 1385
	}
	return fmt.Sprintf("speed at most %sx", mm(math.Round(float64(s.Speed)/one*2)/2))
}

func (s CheckSheet) control() line {
	c := s.Control
	if c.At.IsZero() {
		return sayf("none was read in this drive, so the drive's own trouble can't be told from the disc's")
	}
	how := "read without more tries"
	if c.Retried > 0 || c.Bad > 0 {
		how = fmt.Sprintf("NOT clean: %s needed more tries, %s couldn't be read; suspect the drive", report.Count(c.Retried, "sector"), report.Number(c.Bad))
	}
	t := fmt.Sprintf("%s in this drive, %s", how, day(c.At))
	if n := clean(c.Number); n != "" {
		t = n + ": " + t
	}
	return sayf("%s", t)
}

// when is the span of the check, with its zone: "25 Nov 2025, 14:20 - 14:24 UTC".
func (s CheckSheet) when() string {
	if s.Begun.IsZero() {
		return ""
	}
	b := s.Begun
	if s.Ended.IsZero() {
		return b.Format("2 Jan 2006, 15:04 MST")
	}
	e := s.Ended.In(b.Location())
	if day(b) == day(e) {
		if b.Format("MST") != e.Format("MST") { // clocks were changed meanwhile
			return b.Format("2 Jan 2006, 15:04 MST") + " - " + e.Format("15:04 MST")
		}
		return b.Format("2 Jan 2006, 15:04") + " - " + e.Format("15:04 MST")
	}
	return b.Format("2 Jan 2006, 15:04 MST") + " - " + e.Format("2 Jan 2006, 15:04 MST")
}

const mostBefore = 5

func (s CheckSheet) before() []line {
	if len(s.Before) == 0 {
		return []line{sayf("none")}
	}
	var out []line
	for i, c := range s.Before {
		if i == mostBefore {
			out = append(out, sayf("and %s more", report.Count(int64(len(s.Before)-i), "check")))
			break
		}
		t := fmt.Sprintf("%s: %s, %s after more tries", day(c.At), c.Verdict.words(), report.Count(c.Retried, "sector"))
		if c.Unreadable > 0 {
			t += fmt.Sprintf(", %s unreadable", report.Number(c.Unreadable))
		}
		if !c.SameDrive {
			t += " (another drive or speed: tries can't be compared)"
		}
		out = append(out, sayf("%s", t))
	}
	return out
}

func (s CheckSheet) foot() []fact {
	var b block
	var next []string
	for _, t := range s.Twins {
		n := clean(t.Number)
		switch {
		case n == "":
		case t.Checked.IsZero():
			next = append(next, n+" has not been checked.")
		default:
			next = append(next, fmt.Sprintf("%s was checked %s: %s.", n, day(t.Checked), t.Verdict.words()))
		}
	}
	if !s.LookAgain.IsZero() {
		next = append(next, "Look again: "+s.LookAgain.Format("January 2006")+".")
	}
	if len(next) > 0 {
		b.add("Next", sayf("%s", strings.Join(next, " ")))
	}
	event := blank(8)
	if s.Event > 0 {
		event = part{Text: fmt.Sprint(s.Event)}
	}
	l := []part{event}
	if len(s.Findings) > 0 {
		var ns []string
		for _, f := range s.Findings {
			ns = append(ns, fmt.Sprint(f))
		}
		what := "Finding"
		if len(ns) > 1 {
			what = "Findings"
		}
		l = append(l, gap, label(what), part{Text: list(ns)})
	}
	b.add("Event", row(append(l, gap, label("Initials"), blank(8))...), sayf("Keep in the box folder. Stick nothing on the disc."))
	return b.Facts
}

func cleaned(words []string) []string {
	var out []string
	for _, w := range words {
		if w = clean(w); w != "" {
			out = append(out, w)
		}
	}
	return out
}
