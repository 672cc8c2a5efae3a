package sheets

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// verdict is what the check came to in a sentence that stands alone, and what must be
// read with it. What this drive can't reach at the disc's edge is never part of it.
func (s CheckSheet) verdict() (main string, more []line) {
	switch s.Report.Verdict {
	case fixity.DiscIntact:
		main, more = s.intact()
	case fixity.DiscUnreadable:
		main, more = s.unreadable()
	case fixity.DiscAltered:
		main, more = s.altered()
	case fixity.DiscUnsteady:
		main = "UNSTEADY: the drive lost its place while reading; nothing is said about the disc"
	case fixity.DiscReordered:
		main = "IN ANOTHER ORDER: sample for sample what was burned, but not in the order in which the tracks are registered"
	case fixity.DiscChanged:
		main, more = s.changed()
	case fixity.DiscAlike:
		main = "ALIKE, by weaker evidence: the same recording"
		more = append(more, sayf("The files aren't recorded as a disc is, so no sample could be compared with its own. That every sample is right isn't shown."))
		more = append(more, s.whys()...)
	case fixity.DiscOther:
		main = "ANOTHER DISC"
		if n := clean(s.number()); n != "" {
			main = "ANOTHER DISC: this isn't " + n
		}
		if s.swapped() != "" {
			more = append(more, sayf("Its contents are those of %s.", clean(s.swapped())))
		}
	case fixity.DiscMissing:
		n := s.count(fixity.Missing)
		main = "INCOMPLETE: 1 file that is registered isn't on it"
		if n != 1 {
			main = fmt.Sprintf("INCOMPLETE: %s that are registered aren't on it", fixity.Count(n, "file"))
		}
	case fixity.DiscSaysNothing:
		main = "SAYS NOTHING: there is no sound on it that could be compared"
		more = append(more, sayf("Silence is equal to any silent disc."))
	case fixity.DiscBaseline:
		main = "FIRST READING: nothing older is known to hold it against"
		more = append(more, s.known())
	case fixity.DiscUnregistered:
		main = "NOT REGISTERED: read, and compared with nothing"
	case fixity.DiscNotCompared:
		main = "NOT COMPARED: it was read, but no copy of what was burned is within reach"
		if r := s.rotten(); len(r) > 0 {
			main = fmt.Sprintf("NOT COMPARED: %s in %s isn't what was burned any more", clean(ref(r[0])), clean(r[0].Store))
			more = append(more, sayf("The disc was held against that copy, so nothing is said about the disc."))
			for _, f := range r[1:] {
				more = append(more, sayf("%s in %s isn't what was burned either.", clean(ref(f)), clean(f.Store)))
			}
		}
	default:
		main = "NOT KNOWN"
	}
	if s.Unfinished != "" {
		was := main
		main = "NOT FINISHED: " + clean(s.Unfinished)
		switch s.Report.Verdict {
		case "":
			more = nil
		case fixity.DiscIntact, fixity.DiscBaseline, fixity.DiscAlike, fixity.DiscReordered:
			// What is right so far may not be so in the rest.
			more = []line{sayf("What was read up to there is what it should be; nothing is said about the rest.")}
		case fixity.DiscNotCompared:
		default:
			more = append([]line{sayf("Up to there: %s.", was)}, more...)
		}
	}
	if s.Together != "" {
		more = append(more, sayf("Together with %s it is complete: each has what the other lacks.", clean(s.Together)))
	}
	return main, more
}

// unreadable says how much couldn't be read.
func (s CheckSheet) unreadable() (main string, more []line) {
	t, of := s.tally(), fixity.Count(s.Counts().Sectors, "sector")
	switch {
	case t[unreadable] > 0:
		main = fmt.Sprintf("UNREADABLE IN PLACES: %s of %s couldn't be read", fixity.Number(t[unreadable]), of)
	case t[doubtful] > 0:
		main = fmt.Sprintf("UNREADABLE IN PLACES: the drive called %s of %s uncertain, and they differ", fixity.Number(t[doubtful]), of)
	default:
		main = "UNREADABLE IN PLACES: " + fixity.Count(s.count(fixity.Unreadable), "file") + " couldn't be read in full"
		more = s.whys()
	}
	if len(s.Files) > 0 && !slices.ContainsFunc(s.Files, func(f discs.File) bool { return !f.NotFound() }) {
		return main, more // nothing was compared
	}
	return main, append(more, sayf("All that was read is what was burned."))
}

// altered says how much was read well and is something else, in the measure in which it was
// compared: sectors of sound, seconds that lack, files.
func (s CheckSheet) altered() (main string, more []line) {
	n, lost := s.Report.DifferingAll, s.tally()[unreadable]
	lacking := int64(0)
	for _, f := range s.Files {
		lacking += f.Lacking
	}
	switch {
	case s.others() > 0 && s.others() == s.count(fixity.Altered):
		k := s.others()
		main = fmt.Sprintf("ANOTHER VERSION: %s on it %s another version than is registered", fixity.Count(k, "file"), fixity.OneOr(k, "is", "are"))
	case s.About.Kind != optical.Audio && s.count(fixity.Altered) > 0:
		k := s.count(fixity.Altered)
		main = fmt.Sprintf("ALTERED: %s read well and %s what was burned", fileWas(k), fixity.OneOr(k, "isn't", "aren't"))
	case lacking > 0 && n == 0:
		main = fmt.Sprintf("ALTERED: the recording isn't all there: %.2f s of it lack", float64(lacking)/cdRate)
	case n == 1:
		main = "ALTERED: 1 sector was read well and holds something else than what was burned"
	case n > 1:
		main = fmt.Sprintf("ALTERED: %s were read well and hold something else than what was burned", fixity.Count(n, "sector"))
	default:
		main = "ALTERED: it was read well and isn't what was burned"
		more = s.whys()
	}
	if n > 0 && len(s.Files) > 0 && s.count(fixity.Intact) == int64(len(s.Files)) {
		more = append(more, sayf("Every file that is registered is on it, sample for sample. What differs lies outside of them: in gaps, or in disc tracks that aren't registered."))
	}
	if lacking > 0 && n > 0 {
		more = append(more, sayf("And %.2f s of the recording lack.", float64(lacking)/cdRate))
	}
	if lost > 0 {
		more = append(more, sayf("%s couldn't be read.", fixity.Count(lost, "sector")))
	}
	return main, more
}

func (s CheckSheet) intact() (string, []line) {
	switch {
	case !s.Since.IsZero():
		return "AS AT ITS FIRST READING", []line{s.known()}
	case s.About.Kind == optical.Data:
		var more []line
		if d := discs.Directory(s.Report); d != "" {
			more = append(more, sayf("But %s.", clean(d)))
		}
		return fmt.Sprintf("IDENTICAL, byte for byte: %s", allOf(int64(len(s.Files)))), more
	case s.About.Kind == optical.Mixed:
		return "IDENTICAL, in all this drive can read", nil
	default:
		return "IDENTICAL, sample for sample, in all this drive can read", nil
	}
}

func (s CheckSheet) changed() (string, []line) {
	main := "CHANGED ON THE WAY: the same recording with other samples"
	if c, known := s.Change(); known && math.Abs(c.GainDB) >= 0.05 && c.SpreadDB < 1 {
		main += fmt.Sprintf(" (%s)", louder(c.GainDB))
	}
	d := s.Decision
	if d == nil {
		return main, s.whys()
	}
	return main, []line{sayf("Decided for discs of its class: %s, by %s, %s.", clean(d.Reason), clean(d.By), day(d.At))}
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
		out = append(out, sayf("%s: %s.", clean(ref(f)), clean(f.Why)))
	}
	return out
}

// known is the limit of what a first reading can show.
func (s CheckSheet) known() line {
	if s.Since.IsZero() {
		return sayf("Known since this reading, not since burning.")
	}
	return sayf("Known since %s, not since burning.", day(s.Since))
}

// verdictWords are a verdict in a list of checks.
func verdictWords(v fixity.DiscVerdict) string {
	switch v {
	case fixity.DiscIntact:
		return "identical"
	case fixity.DiscUnreadable:
		return "unreadable in places"
	case fixity.DiscAltered:
		return "altered"
	case fixity.DiscUnsteady:
		return "unsteady"
	case fixity.DiscReordered:
		return "in another order"
	case fixity.DiscChanged:
		return "changed on the way"
	case fixity.DiscAlike:
		return "alike, by weaker evidence"
	case fixity.DiscOther:
		return "another disc"
	case fixity.DiscMissing:
		return "incomplete"
	case fixity.DiscSaysNothing:
		return "said nothing"
	case fixity.DiscBaseline:
		return "first reading"
	case fixity.DiscUnregistered:
		return "not registered"
	case fixity.DiscNotCompared:
		return "read, not compared"
	}
	return "not known"
}

// steps are what is to be done now, the first first.
func (s CheckSheet) steps() []line {
	var out []line
	add := func(format string, args ...any) { out = append(out, sayf(format, args...)) }
	if !s.Again.IsZero() {
		return nil
	}
	if len(s.Steps) > 0 {
		for _, t := range s.Steps {
			add("%s", clean(t))
		}
		return out
	}
	disc := clean(s.number())
	burn := "its burn sheet"
	if disc != "" {
		burn = report.Order{Act: report.BurnSheet, Disc: clean(s.Disc.Number)}.In(s.Say)
	}
	spins := s.Image == ""
	if spins && (s.tally()[unreadable] > 0 || s.Report.Verdict == fixity.DiscUnreadable) {
		add("Try a second drive first (IASA-TC 04, 8.1.7): a disc that one drive can't read may read well in another. Until then it isn't given up.")
		add("If dirt is seen: blow it off, or wipe with a soft cotton cloth straight from the centre to the edge, never round (IASA-TC 04, 5.6.5; NIST SP 500-252, section 6).")
		add("If it is cracked or its layers come apart, put it into no drive again.")
	} else if spins && (s.Report.Verdict == fixity.DiscAltered || s.Report.Verdict == fixity.DiscUnsteady || s.Counts().Doubtful > 0) {
		add("Read it in a second drive (IASA-TC 04, 8.1.7): what differs or is doubtful in one may read well in another.")
	}
	switch s.Report.Verdict {
	case fixity.DiscUnreadable, fixity.DiscAltered, fixity.DiscMissing:
		for _, t := range s.Twins {
			if n := clean(t.Disc.Name()); n != "" {
				add("Check the other copy, %s, next.", n)
			}
		}
		if disc != "" && !spins {
			add("Burn the disc anew from an intact copy: %s says how. Keep the old one.", burn)
		} else if disc != "" && s.Report.Verdict != fixity.DiscUnreadable {
			add("If it stays so, burn the disc anew from an intact copy: %s says how. Keep this one.", burn)
		} else if disc != "" {
			add("If no drive reads it, burn it anew from an intact copy: %s says how. Keep this one.", burn)
		}
	case fixity.DiscChanged:
		if s.Decision == nil {
			add("Look in the burning program for levelling, normalising or conversion, and turn it off before the next disc.")
			add("If more discs were burned so, decide once for all of them; else burn this one anew.")
		}
	case fixity.DiscIntact:
		if len(s.Report.Directory) > 0 {
			add("Read it in a second drive. If that says the same, burn the disc anew when you next burn discs: %s says how. Keep this one.", burn)
		}
	case fixity.DiscReordered:
		add("Register the disc with the order that is on it, or burn the disc anew.")
	case fixity.DiscOther:
		add("Look at what is written on the disc, and whether its case and box are its own.")
		if s.swapped() != "" {
			add("Look for %s where %s should lie: the two may have been exchanged.", clean(s.number()), clean(s.swapped()))
		}
	case fixity.DiscUnregistered:
		add("Register it: %s.", report.Order{Act: report.RegisterDisc, Kind: s.kindWord()}.In(s.Say))
	case fixity.DiscNotCompared:
		if r := s.rotten(); len(r) > 0 {
			add("Look at that copy first: %s. Then check the disc again.", report.Order{Act: report.ReadStore, Stores: []string{clean(r[0].Store)}, Full: true}.In(s.Say))
		} else if len(s.Bring) == 0 {
			add("Bring the store that holds what was burned, and check again: %s.", report.Order{Act: report.CheckDisc, Disc: disc}.In(s.Say))
		}
	case fixity.DiscSaysNothing:
		add("Listen to it, or look whether it is the right disc.")
	}
	if s.Unfinished != "" {
		add("Start the check again: it goes on where it ended.")
	}
	for _, n := range s.Next {
		if !n.Twin { // that was said
			add("Read %s: %s.", clean(n.Disc.Name()), clean(n.Why))
		}
	}
	for _, b := range s.Bring {
		if b.Cloud {
			add("Copy what was burned from %s back to a hard drive and audit that: %s names the place of each file. Then check the disc again.", clean(b.Store), burn)
			continue
		}
		add("Bring the store %s and check the disc again: it holds what was burned.", clean(b.Store))
	}
	return out
}

func (s CheckSheet) kindWord() string {
	if s.About.Kind == optical.Audio {
		return ledger.AudioDisc
	}
	return ledger.DataDisc
}

// limits are what the sheet doesn't show.
func (s CheckSheet) limits() []line {
	out := []line{sayf("Media error rates: a calibrated tester is needed (IASA-TC 04, 8.1.9).")}
	if s.Counts().Retried > 0 || s.Counts().Doubtful > 0 {
		out = append(out, sayf("Why sectors needed more tries: tries depend on the drive and on dust too, and are no measure of error rates."))
	}
	if s.Image != "" {
		out = append(out, sayf("That the disc can be read: an image of it was."))
	} else {
		out = append(out, sayf("That another drive will read it."))
	}
	if s.About.Kind != optical.Data {
		m := "Anything about a finer master, which isn't on it."
		if f := clean(s.Master); f != "" {
			m = fmt.Sprintf("Anything about the master (%s), which isn't on it.", f)
		}
		out = append(out, sayf("%s", m))
	} else if f := clean(s.Master); f != "" {
		out = append(out, sayf("Anything about the master (%s), which isn't on it.", f))
	}
	if !s.Since.IsZero() || s.Report.Verdict == fixity.DiscBaseline {
		out = append(out, sayf("What was burned: what is on record is what the disc held at its first reading."))
	}
	h, _ := s.sound()
	if e := h.EdgeStart + h.EdgeEnd; e > 0 {
		where := "first"
		switch {
		case h.EdgeStart > 0 && h.EdgeEnd > 0:
			where = "outermost"
		case h.EdgeEnd > 0:
			where = "last"
		}
		out = append(out, smallf("Not comparable: the %s %s (%.3f s) lie beyond this drive's reach. That is neither damage nor proof.", where, fixity.Count(e, "sample"), float64(e)/cdRate))
	}
	return out
}

func louder(db float64) string {
	if db < 0 {
		return fmt.Sprintf("%.1f dB softer", -db)
	}
	return fmt.Sprintf("%.1f dB louder", db)
}

func wereWas(n int64) string { return fixity.OneOr(n, "was", "were") }

func fileWas(n int64) string { return fixity.Count(n, "file") + " " + wereWas(n) }

func allOf(n int64) string {
	switch n {
	case 0:
		return "all that is registered"
	case 1:
		return "its one file"
	}
	return "all " + fixity.Count(n, "file")
}

func total(ps []burned.Sectors) (n int64) {
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

// others is how many files are there as other versions than the disc is registered with.
func (s CheckSheet) others() (n int64) {
	for _, f := range s.Files {
		if f.Holds != 0 {
			n++
		}
	}
	return n
}

// rotten are the files whose copy, that the disc was held against, isn't what was burned.
func (s CheckSheet) rotten() (fs []discs.File) {
	for _, f := range s.Files {
		if f.Rotten {
			fs = append(fs, f)
		}
	}
	return fs
}

// quoted is a word for a shell, of whatever system.
func quoted(s string) string {
	if strings.ContainsAny(s, " '\"\\$`!*?&|;<>()") {
		return `"` + strings.ReplaceAll(s, `"`, `\"`) + `"`
	}
	return s
}
