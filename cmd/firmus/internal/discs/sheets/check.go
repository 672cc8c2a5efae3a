package sheets

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
)

// CheckSheet is a check of a disc to print. What isn't known stays blank, or isn't
// mentioned.
type CheckSheet struct {
	Archive string // the holdings' name
	discs.Check
	Image      string // the image file that was read; "" a disc in a drive
	Twice      bool   // the sound was read twice
	Unfinished string // why the check ended before its end; "" it was finished
	// Steps are what the disc's open findings say is to be done: the sheet says the same.
	Steps []string
	// Again is when the sheet is shown again, from what the ledger keeps of the check; zero: it
	// was checked just now.
	Again time.Time
	Say   report.Say // how who reads it orders things; nil: by commands
}

// Text writes the sheet for a terminal, at most Width columns wide. It gives w's
// error.
func (s CheckSheet) Text(w io.Writer) error { return s.page().writeText(w) }

// HTML writes the sheet as one page to print. It gives w's error; nothing is written
// before the page is whole.
func (s CheckSheet) HTML(w io.Writer) error { return s.page().writeHTML(w) }

func (s CheckSheet) page() page {
	p := page{Archive: clean(s.Archive), Title: "DISC CHECK SHEET", Number: clean(s.number())}
	if p.Number == "" {
		p.Number = clean(s.Row.Written)
	}
	main, more := s.verdict()
	if !s.Again.IsZero() {
		p.Blocks = append(p.Blocks, block{Lines: []line{sayf("Made again %s, from what the ledger keeps of this check. Where in a track a sector lies, levels and the copies that it was compared with aren't kept. What is to be done today stands with the disc and its findings.", day(s.Again))}})
	}
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
	found.add("Tries needed at", places(s.RetriedAt())...)
	found.add("Unreadable at", s.bad(s.Report.Unreadable, s.Report.UnreadableAll, true)...)
	found.add("Differing at", s.bad(s.Report.Differing, s.Report.DifferingAll, len(s.Report.Unreadable) == 0)...)
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
	written := []part{or(s.Row.Written, 20)}
	if by := clean(s.Row.By); by != "" && s.Row.Written != "" {
		written = append(written, part{Text: "(typed by " + by + ")"})
	}
	b.add("Written on the disc", row(append(written, gap, label("Box"), or(discs.Box(s.Disc.Box), 8))...))

	proved := []line{sayf("nothing: what is on it isn't known")}
	if t := clean(s.proved()); t != "" {
		proved = []line{sayf("%s", t)}
	}
	var alike []string
	for _, t := range s.Twins {
		alike = append(alike, clean(t.Disc.Name()))
	}
	if n := clean(s.number()); n != "" && len(alike) > 0 && !slices.Contains(alike, n) {
		alike = append([]string{n}, alike...)
	}
	if s.Disc.ID == 0 && len(s.Proved) > 1 { // it may be any of them
		alike = nil
		for _, d := range s.Proved {
			alike = append(alike, clean(d.Name()))
		}
	}
	if len(alike) > 0 && s.Report.Verdict != fixity.DiscOther {
		what := "are registered with the same contents"
		if len(alike) == 1 {
			what = "is registered with the same contents"
		}
		proved = append(proved, sayf("%s %s; contents can't tell which this is.", fixity.And(alike), what))
	}
	if sw := clean(s.swapped()); sw != "" && s.Report.Verdict != fixity.DiscOther {
		proved = append(proved, sayf("By its contents it seems to be %s: two discs may have been exchanged.", sw))
	}
	b.add("Proved by contents", proved...)

	registered := clean(s.number())
	if s.Disc.Part > 0 && registered != "" {
		registered = fmt.Sprintf("%s, part %d", registered, s.Disc.Part)
	}
	if registered != "" && registered != clean(s.Row.Written) {
		b.add("Registered as", sayf("%s", registered))
	}

	if n, of := s.copyOf(); of > 1 {
		b.add("Copy", sayf("%d of %d with the same contents: the letter %s says which copy, not which side", n, of, clean(s.Disc.Twin)))
	}

	kind := s.kind()
	switch closed, open := discs.ClosedOrNot(s.About); {
	case open:
		kind += ", NOT closed: more could be written on it"
	case closed:
		kind += ", closed"
	}
	b.add("Kind", row(part{Text: kind}, gap, label("Blank"), or(s.Disc.Blank, 14), gap, label("Burned"), or(s.Disc.Burned, 14)))
	return b.Facts
}

// number is the registered disc that it was held against: "QD-0031 A"; "" none.
func (s CheckSheet) number() string {
	return ledger.Disc{Number: s.Disc.Number, Twin: s.Disc.Twin}.Name()
}

// copyOf is which of the discs of the same number and contents it is; 0 of 0 if it has no
// letter.
func (s CheckSheet) copyOf() (n, of int) {
	if s.Disc.Twin == "" {
		return 0, 0
	}
	n, of = 1, 1
	for _, t := range s.Twins {
		if t.Disc.Number == s.Disc.Number && t.Disc.Part == s.Disc.Part {
			of++
			if t.Disc.Twin < s.Disc.Twin {
				n++
			}
		}
	}
	return n, of
}

// proved is what its contents show.
func (s CheckSheet) proved() string {
	if s.Report.Verdict.Proves() {
		return s.Shows
	}
	return discs.Names(s.Proved)
}

// swapped is the disc that it seems to be, where another was meant; "" none.
func (s CheckSheet) swapped() string {
	if s.Swap == "" {
		return ""
	}
	return discs.Names(s.Proved)
}

func (s CheckSheet) kind() string {
	medium, carrier := clean(s.About.Medium), "disc"
	for _, c := range []string{"CD", "DVD"} {
		if strings.HasPrefix(medium, c) {
			carrier = c
		}
	}
	if carrier == "disc" && s.About.Kind != optical.Data && s.About.Kind != "" {
		carrier = "CD"
	}
	k := carrier
	switch s.About.Kind {
	case optical.Audio:
		k = "audio " + carrier
	case optical.Data:
		k = "data " + carrier
	case optical.Mixed:
		k = carrier + " with sound and data"
	}
	if medium != "" && medium != carrier {
		k += " (" + medium + ")"
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
	if !s.Since.IsZero() && len(s.Files) == 0 {
		if s.Report.Verdict == fixity.DiscBaseline {
			return []line{sayf("nothing: this is its first reading")}
		}
		return []line{sayf("its first reading, %s", day(s.Since))}
	}
	return gathered(s.Files, func(f discs.File) string {
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
		switch {
		case f.State == "":
			return t + "; couldn't be compared"
		case f.Weaker && clean(f.Format) != "":
			return t + "; by likeness only, which is weaker evidence: recorded as " + clean(f.Format)
		case f.Weaker:
			return t + "; by likeness only, which is weaker evidence"
		case s.Disc.Kind == ledger.AudioDisc:
			return t + "; sample for sample"
		}
		return t + "; byte for byte"
	})
}

// ref is a file as people name it: SET/PATH.
func ref(f discs.File) string { return f.Set + "/" + ledger.DisplayPath(f.Path) }

// gathered puts files that follow each other and of which the same is said into one:
// "9 files, A to B". At most mostFiles are told, and then how many files are left over.
func gathered(fs []discs.File, say func(discs.File) string) (out []line) {
	for i := 0; i < len(fs); {
		said := say(fs[i])
		j := i + 1
		for j < len(fs) && say(fs[j]) == said {
			j++
		}
		if len(out) == mostFiles {
			return append(out, sayf("and %s more", fixity.Count(len(fs)-i, "file")))
		}
		names := name(ref(fs[i]))
		switch n := j - i; {
		case n == 1 && fs[i].Track > 0:
			names = fmt.Sprintf("disc track %d, %s", fs[i].Track, names)
		case n == 2:
			names += " and " + name(ref(fs[j-1]))
		case n > 2:
			names = fmt.Sprintf("%s, %s to %s", fixity.Count(int64(n), "file"), names, name(ref(fs[j-1])))
		}
		out = append(out, sayf("%s%s", names, said))
		i = j
	}
	return out
}

// damaged lists files that aren't intact.
func (s CheckSheet) damaged() []line {
	var bad []discs.File
	for _, f := range s.Files {
		if f.State != fixity.Intact && f.State != "" {
			bad = append(bad, f)
		}
	}
	return gathered(bad, func(f discs.File) string {
		said, why := s.stateWords(f.State), clean(f.Why)
		if f.Holds != 0 {
			said, why = why, ""
		}
		if strings.HasPrefix(why, said) {
			said, why = why, "" // it says the same, and more
		}
		t := ": " + said
		if f.At != "" && f.At != f.Name {
			t += ", on the disc " + name(f.At)
		}
		if n, more := rangesOf(f); n > 0 && f.State == fixity.Altered && s.Disc.Kind == ledger.DataDisc {
			t += fmt.Sprintf(", within %s%s from byte %s on", fixity.Count(n, "byte"), more, fixity.Number(f.Ranges[0].Offset))
		}
		if why != "" {
			t += ": " + why
		}
		return t
	})
}

// rangesOf is how many bytes of a file are in its ranges.
func rangesOf(f discs.File) (n int64, more string) {
	for _, r := range f.Ranges {
		n += r.Length
	}
	if f.More {
		more = " or more"
	}
	return n, more
}

func (s CheckSheet) stateWords(st fixity.State) string {
	switch st {
	case fixity.Missing:
		return "not on the disc"
	case fixity.Altered:
		if s.Report.Verdict == fixity.DiscChanged {
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
	for i, f := range s.Report.Extra {
		if i == mostFiles {
			out = append(out, sayf("and %s more", fixity.Count(len(s.Report.Extra)-i, "file")))
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
		b.add("Drive", row(or(s.Row.Drive, 14), gap, label("firmware"), blank(8), gap, label("serial"), blank(14), gap, part{Text: s.speed()}))
		b.add("Control disc", s.control())
		seen := strings.ToLower(s.Row.Looked)
		looked := ""
		if seen != "" {
			looked = s.Row.By
		}
		by := []part{label("no cracks"), tick(strings.Contains(seen, "no crack")), gap, label("no lifting edge"), tick(strings.Contains(seen, "no lifting")), gap,
			label("scratches"), tick(strings.Contains(seen, "scratch") && !strings.Contains(seen, "no scratch")), gap, label("by"), or(looked, 10)}
		b.add("Looked at first", row(by...), smallf("A disc that is cracked, or whose layers come apart, is never spun."))
	}
	b.add("Checked", row(or(s.when(), 30), label("by"), or(s.Row.By, 12)))
	b.add("Checks before", s.before()...)
	return b.Facts
}

// speed is the cap as a multiple of 1x: 176.4 kB a second for a CD (75 sectors of
// 2352 bytes) and 1385 for a DVD (MMC-6).
func (s CheckSheet) speed() string {
	if s.Report.Check.Speed <= 0 {
		return "speed not capped"
	}
	one := 176.4
	if s.About.Medium == "" && s.About.Kind != optical.Audio {
		return fmt.Sprintf("speed at most %s kB/s", fixity.Number(int64(s.Report.Check.Speed)))
	}
	if strings.HasPrefix(s.About.Medium, "DVD") {
		one = 1385
	}
	return fmt.Sprintf("speed at most %sx", mm(math.Round(float64(s.Report.Check.Speed)/one*2)/2))
}

func (s CheckSheet) control() line {
	if s.Control == nil {
		return sayf("none was read in this drive, so the drive's own trouble can't be told from the disc's")
	}
	k := s.Control.Check
	how := "read without more tries"
	if bad := k.Unreadable + k.Doubtful; k.Retried > 0 || bad > 0 {
		how = fmt.Sprintf("NOT clean: %s needed more tries, %s couldn't be read; suspect the drive", fixity.Count(k.Retried, "sector"), fixity.Number(bad))
	}
	t := fmt.Sprintf("%s in this drive, %s", how, day(k.Ended))
	if n := clean(s.Control.Disc.Name()); n != "" {
		t = n + ": " + t
	}
	return sayf("%s", t)
}

// when is the span of the check, with its zone: "25 Nov 2025, 14:20 - 14:24 UTC".
func (s CheckSheet) when() string {
	if s.Row.Began.IsZero() {
		return ""
	}
	b := s.Row.Began.Local()
	if s.Row.Ended.IsZero() {
		return b.Format("2 Jan 2006, 15:04 MST")
	}
	e := s.Row.Ended.In(b.Location())
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
	for n, k := range slices.Backward(s.Before) {
		if len(out) == mostBefore {
			out = append(out, sayf("and %s more", fixity.Count(int64(n+1), "check")))
			break
		}
		t := fmt.Sprintf("%s: %s, %s after more tries", day(k.Ended), verdictWords(k.Verdict), fixity.Count(k.Retried, "sector"))
		if k.Unreadable > 0 {
			t += fmt.Sprintf(", %s unreadable", fixity.Number(k.Unreadable))
		}
		if k.Drive != s.Row.Drive || k.Speed != s.Row.Speed {
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
		switch n := clean(t.Disc.Name()); {
		case n == "":
		case t.Check == nil:
			next = append(next, n+" has not been checked.")
		default:
			next = append(next, fmt.Sprintf("%s was checked %s: %s.", n, day(t.Check.Ended), verdictWords(t.Check.Verdict)))
		}
	}
	if s.Good() && s.Report.Verdict != fixity.DiscBaseline && s.Unfinished == "" {
		next = append(next, "Look again: "+s.Row.Ended.Local().AddDate(1, 0, 0).Format("January 2006")+".")
	}
	if len(next) > 0 {
		b.add("Next", sayf("%s", strings.Join(next, " ")))
	}
	event := blank(8)
	if s.Row.Event > 0 {
		event = part{Text: fmt.Sprint(s.Row.Event)}
	}
	l := []part{event}
	if len(s.Findings) > 0 {
		var ns []string
		for _, f := range s.Findings {
			ns = append(ns, fmt.Sprint(f.ID))
		}
		what := "Finding"
		if len(ns) > 1 {
			what = "Findings"
		}
		l = append(l, gap, label(what), part{Text: fixity.And(ns)})
	}
	b.add("Event", row(append(l, gap, label("Initials"), blank(8))...), sayf("Keep in the box folder. Stick nothing on the disc."))
	return b.Facts
}
