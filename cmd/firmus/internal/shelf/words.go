package shelf

import (
	"fmt"
	"math"
	"strings"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// verdict is what the check came to in a sentence that stands alone, and what must be
// read with it. What this drive can't reach at the disc's edge is never part of it.
func (s CheckSheet) verdict() (main string, more []line) {
	switch s.Verdict {
	case Intact:
		main, more = s.intact()
	case Unreadable:
		main = fmt.Sprintf("UNREADABLE IN PLACES: %s of %s couldn't be read", report.Number(s.Unreadable), report.Count(s.Sectors, "sector"))
		more = append(more, sayf("All that was read is what was burned."))
	case Altered:
		main = "ALTERED: " + report.Count(total(s.DifferingAt), "sector") + " " + wereWas(total(s.DifferingAt)) + " read well and " + holdHolds(total(s.DifferingAt)) + " something else than what was burned"
		if s.Kind != Audio && len(s.DifferingAt) == 0 {
			main = fmt.Sprintf("ALTERED: %s read well and not what was burned", fileWas(s.count(fixity.Altered)))
		}
		if s.Kind == Audio && total(s.DifferingAt) == 0 {
			main = "ALTERED: it was read well and isn't what was burned"
			more = append(more, s.whys()...)
		}
		if s.Unreadable > 0 {
			more = append(more, sayf("%s couldn't be read.", report.Count(s.Unreadable, "sector")))
		}
	case Unsteady:
		main = "UNSTEADY: the drive lost its place while reading; nothing is said about the disc"
	case Reordered:
		main = "IN ANOTHER ORDER: sample for sample what was burned, but not in the order in which the tracks are registered"
	case Changed:
		main, more = s.changed()
	case Alike:
		main = "ALIKE, by weaker evidence: the same recording"
		more = append(more, sayf("The files aren't recorded as a disc is, so no sample could be compared with its own. That every sample is right isn't shown."))
		more = append(more, s.whys()...)
	case Other:
		main = "ANOTHER DISC"
		if n := clean(s.Number); n != "" {
			main = "ANOTHER DISC: this isn't " + n
		}
		if s.Swap != "" {
			more = append(more, sayf("Its contents are those of %s.", clean(s.Swap)))
		}
	case Missing:
		n := s.count(fixity.Missing)
		main = "INCOMPLETE: 1 file that is registered isn't on it"
		if n != 1 {
			main = fmt.Sprintf("INCOMPLETE: %s that are registered aren't on it", report.Count(n, "file"))
		}
	case SaysNothing:
		main = "SAYS NOTHING: there is no sound on it that could be compared"
		more = append(more, sayf("Silence is equal to any silent disc."))
	case Baseline:
		main = "FIRST READING: nothing older is known to hold it against"
		more = append(more, s.known())
	case Unregistered:
		main = "NOT REGISTERED: read, and compared with nothing"
	case NotCompared:
		main = "NOT COMPARED: it was read, but no copy of what was burned is within reach"
		if r := s.rotten(); len(r) > 0 {
			main = fmt.Sprintf("NOT COMPARED: %s in %s isn't what was burned any more", clean(r[0].Name), clean(r[0].Store))
			more = append(more, sayf("The disc was held against that copy, so nothing is said about the disc."))
			for _, f := range r[1:] {
				more = append(more, sayf("%s in %s isn't what was burned either.", clean(f.Name), clean(f.Store)))
			}
		}
	default:
		main = "NOT KNOWN"
	}
	if s.Unfinished != "" {
		was := main
		main = "NOT FINISHED: " + clean(s.Unfinished)
		switch s.Verdict {
		case "":
			more = nil
		case Intact, Baseline, Alike, Reordered:
			// What is right so far may not be so in the rest.
			more = []line{sayf("What was read up to there is what it should be; nothing is said about the rest.")}
		case NotCompared:
		default:
			more = append([]line{sayf("Up to there: %s.", was)}, more...)
		}
	}
	if s.Together != "" {
		more = append(more, sayf("Together with %s it is complete: each has what the other lacks.", clean(s.Together)))
	}
	return main, more
}

func (s CheckSheet) intact() (string, []line) {
	switch {
	case !s.Baseline.IsZero():
		return "AS AT ITS FIRST READING", []line{s.known()}
	case s.Kind == Data:
		var more []line
		if s.Directory != "" {
			more = append(more, sayf("But %s.", clean(s.Directory)))
		}
		return fmt.Sprintf("IDENTICAL, byte for byte: %s", allOf(int64(len(s.Files)))), more
	case s.Kind == Mixed:
		return "IDENTICAL, in all this drive can read", nil
	default:
		return "IDENTICAL, sample for sample, in all this drive can read", nil
	}
}

func (s CheckSheet) changed() (string, []line) {
	main := "CHANGED ON THE WAY: the same recording with other samples"
	if g := s.Way.GainDB; math.Abs(g) >= 0.05 && s.Way.SpreadDB < 1 {
		main += fmt.Sprintf(" (%s)", louder(g))
	}
	if s.Way.Decision == "" {
		return main, s.whys()
	}
	l := fmt.Sprintf("Decided for discs of its class: %s", clean(s.Way.Decision))
	if s.Way.DecidedBy != "" {
		l += ", by " + clean(s.Way.DecidedBy)
	}
	if !s.Way.DecidedAt.IsZero() {
		l += ", " + day(s.Way.DecidedAt)
	}
	return main, []line{sayf("%s.", l)}
}

// mostWhys is how many files a verdict tells of.
const mostWhys = 5

// whys say of the files that aren't simply intact what became of them.
func (s CheckSheet) whys() (out []line) {
	for _, f := range s.Files {
		if f.Why == "" {
			continue
		}
		if len(out) == mostWhys {
			return append(out, sayf("And more: see below."))
		}
		out = append(out, sayf("%s: %s.", clean(f.Name), clean(f.Why)))
	}
	return out
}

// known is the limit of what a first reading can show.
func (s CheckSheet) known() line {
	if s.Baseline.IsZero() {
		return sayf("Known since this reading, not since burning.")
	}
	return sayf("Known since %s, not since burning.", day(s.Baseline))
}

// words are a verdict in a list of checks.
func (v Verdict) words() string {
	switch v {
	case Intact:
		return "identical"
	case Unreadable:
		return "unreadable in places"
	case Altered:
		return "altered"
	case Unsteady:
		return "unsteady"
	case Reordered:
		return "in another order"
	case Changed:
		return "changed on the way"
	case Alike:
		return "alike, by weaker evidence"
	case Other:
		return "another disc"
	case Missing:
		return "incomplete"
	case SaysNothing:
		return "said nothing"
	case Baseline:
		return "first reading"
	case Unregistered:
		return "not registered"
	case NotCompared:
		return "read, not compared"
	}
	return "not known"
}

// steps are what is to be done now, the first first.
func (s CheckSheet) steps() []line {
	var out []line
	add := func(format string, args ...any) { out = append(out, sayf(format, args...)) }
	disc := clean(s.Number)
	spins := s.Image == ""
	if spins && (s.Unreadable > 0 || s.Verdict == Unreadable) {
		add("Try a second drive first (IASA-TC 04, 8.1.7): a disc that one drive can't read may read well in another. Until then it isn't given up.")
		add("If dirt is seen: blow it off, or wipe with a soft cotton cloth straight from the centre to the edge, never round (IASA-TC 04, 5.6.5; NIST SP 500-252, section 6).")
		add("If it is cracked or its layers come apart, put it into no drive again.")
	} else if spins && (s.Verdict == Altered || s.Verdict == Unsteady || s.Doubtful > 0) {
		add("Read it in a second drive (IASA-TC 04, 8.1.7): what differs or is doubtful in one may read well in another.")
	}
	switch s.Verdict {
	case Unreadable, Altered, Missing:
		for _, t := range s.Twins {
			if n := clean(t.Number); n != "" {
				add("Check its twin %s next.", n)
			}
		}
		if disc != "" && !spins {
			add("Burn the disc anew from an intact copy: firmus disc sheet %s prints how. Keep the old one.", quoted(numberAlone(disc)))
		} else if disc != "" && s.Verdict != Unreadable {
			add("If it stays so, burn the disc anew from an intact copy: firmus disc sheet %s prints how. Keep this one.", quoted(numberAlone(disc)))
		} else if disc != "" {
			add("If no drive reads it, burn it anew from an intact copy: firmus disc sheet %s prints how. Keep this one.", quoted(numberAlone(disc)))
		}
	case Changed:
		if s.Way.Decision == "" {
			add("Look in the burning program for levelling, normalising or conversion, and turn it off before the next disc.")
			add("If more discs were burned so, decide once for all of them; else burn this one anew.")
		}
	case Intact:
		if s.Directory != "" {
			add("Read it in a second drive. If that says the same, burn the disc anew when you next burn discs: firmus disc sheet %s. Keep this one.", quoted(numberAlone(disc)))
		}
	case Reordered:
		add("Register the disc with the order that is on it, or burn the disc anew.")
	case Other:
		add("Look at what is written on the disc, and whether its case and box are its own.")
		if s.Swap != "" {
			add("Look for %s where %s should lie: the two may have been exchanged.", clean(s.Number), clean(s.Swap))
		}
	case Unregistered:
		add("Register it: firmus disc add NUMBER --kind %s FILES.", s.kindWord())
	case NotCompared:
		if r := s.rotten(); len(r) > 0 {
			add("Look at that copy first: firmus audit %s --full. Then check the disc again.", quoted(clean(r[0].Store)))
		} else if len(s.Next) == 0 {
			add("Bring the store that holds what was burned, and check again: firmus disc check.")
		}
	case SaysNothing:
		add("Listen to it, or look whether it is the right disc.")
	}
	if s.Unfinished != "" {
		add("Start the check again: it goes on where it ended.")
	}
	for _, n := range s.Next {
		if n = clean(n); n != "" {
			add("%s", n)
		}
	}
	return out
}

func (s CheckSheet) kindWord() string {
	if s.Kind == Audio {
		return Audio
	}
	return Data
}

// limits are what the sheet doesn't show.
func (s CheckSheet) limits() []line {
	out := []line{sayf("Media error rates: a calibrated tester is needed (IASA-TC 04, 8.1.9).")}
	if s.Retried > 0 || s.Doubtful > 0 {
		out = append(out, sayf("Why sectors needed more tries: tries depend on the drive and on dust too, and are no measure of error rates."))
	}
	if s.Image != "" {
		out = append(out, sayf("That the disc can be read: an image of it was."))
	} else {
		out = append(out, sayf("That another drive will read it."))
	}
	if s.Kind != Data {
		m := "Anything about a finer master, which isn't on it."
		if f := clean(s.Master); f != "" {
			m = fmt.Sprintf("Anything about the master (%s), which isn't on it.", f)
		}
		out = append(out, sayf("%s", m))
	} else if f := clean(s.Master); f != "" {
		out = append(out, sayf("Anything about the master (%s), which isn't on it.", f))
	}
	if !s.Baseline.IsZero() || s.Verdict == Baseline {
		out = append(out, sayf("What was burned: what is on record is what the disc held at its first reading."))
	}
	if e := s.Way.EdgeStart + s.Way.EdgeEnd; e > 0 {
		where := "first"
		switch {
		case s.Way.EdgeStart > 0 && s.Way.EdgeEnd > 0:
			where = "outermost"
		case s.Way.EdgeEnd > 0:
			where = "last"
		}
		out = append(out, smallf("Not comparable: the %s %s (%.3f s) lie beyond this drive's reach. That is neither damage nor proof.", where, report.Count(e, "sample"), float64(e)/cdRate))
	}
	return out
}

func louder(db float64) string {
	if db < 0 {
		return fmt.Sprintf("%.1f dB softer", -db)
	}
	return fmt.Sprintf("%.1f dB louder", db)
}

func wereWas(n int64) string {
	if n == 1 {
		return "was"
	}
	return "were"
}

func holdHolds(n int64) string {
	if n == 1 {
		return "holds"
	}
	return "hold"
}

func fileWas(n int64) string { return report.Count(n, "file") + " " + wereWas(n) }

func allOf(n int64) string {
	switch n {
	case 0:
		return "all that is registered"
	case 1:
		return "its one file"
	}
	return "all " + report.Count(n, "file")
}

func total(ps []Place) (n int64) {
	for _, p := range ps {
		n += p.Count
	}
	return n
}

func (s CheckSheet) count(st fixity.State) (n int64) {
	for _, f := range s.Files {
		if f.State == st {
			n++
		}
	}
	return n
}

// rotten are the files whose copy, that the disc was held against, isn't what was burned.
func (s CheckSheet) rotten() (fs []CheckFile) {
	for _, f := range s.Files {
		if f.Rotten {
			fs = append(fs, f)
		}
	}
	return fs
}

// numberAlone is a disc's number without its twin's letter.
func numberAlone(n string) string {
	if i := strings.LastIndexByte(n, ' '); i > 0 && len(n)-i == 2 {
		return n[:i]
	}
	return n
}

// quoted is a word for a shell, of whatever system.
func quoted(s string) string {
	if strings.ContainsAny(s, " '\"\\$`!*?&|;<>()") {
		return `"` + strings.ReplaceAll(s, `"`, `\"`) + `"`
	}
	return s
}
