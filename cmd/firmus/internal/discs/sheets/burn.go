package sheets

import (
	"fmt"
	"io"
	"strings"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Text writes the sheet for a terminal, at most Width columns wide. It gives w's
// error.
func (s BurnSheet) Text(w io.Writer) error { return s.page().writeText(w) }

// HTML writes the sheet as one page to print. It gives w's error; nothing is written
// before the page is whole.
func (s BurnSheet) HTML(w io.Writer) error { return s.page().writeHTML(w) }

func (s BurnSheet) page() page {
	p := page{Archive: clean(s.Archive), Title: "BURN SHEET", Number: clean(s.Number)}
	var top block
	number := or(s.Number, 14)
	if s.Part > 0 {
		number.Text += fmt.Sprintf(", part %d", s.Part)
		if s.Parts > 0 {
			number.Text += fmt.Sprintf(" of %d", s.Parts)
		}
	}
	top.add("Disc", row(number, gap, label("Box"), or(discs.Box(s.Box), 8)))
	top.add("Item", row(or(s.Item, 30)))
	top.add("Kind", row(or(s.kind(), 14)))
	blankName := or(s.Blank, 24)
	if s.Holds.Name != "" {
		top.add("Blank", row(blankName, part{Text: "(" + clean(s.Holds.Name) + ")"}))
	} else {
		top.add("Blank", row(blankName))
	}
	top.add("Sheet made", row(or(s.made(), 16), label("by"), or(s.By, 12)))
	p.Blocks = append(append(p.Blocks, top), s.labels()...)

	if len(s.Files) == 0 {
		p.Blocks = append(p.Blocks, block{Lines: []line{sayf("No files are registered for this disc: there is nothing to burn.")}})
		return p
	}
	title := "Files, in the order of the disc tracks"
	if s.Kind == ledger.DataDisc {
		title = "Files"
	}
	var lines []line
	if s.summed() {
		title = "Files, summed up by folder"
		lines = append(lines, sayf("All %s one by one:  %s", fixity.Count(len(s.Files), "file"), report.Order{Act: report.ListDisc, Disc: clean(s.Number)}.In(s.Say)))
	}
	p.Blocks = append(p.Blocks, block{Title: title, Table: s.table()})
	if len(lines) > 0 {
		p.Blocks = append(p.Blocks, block{Lines: lines})
	}
	if from := s.from(); len(from) > 0 {
		p.Blocks = append(p.Blocks, block{Title: "Take each from this place, and from no other", Lines: from})
	}
	fit, warnings := s.fit()
	var sum block
	sum.add("Total", fit...)
	sum.add("Take care", warnings...)
	p.Blocks = append(p.Blocks, sum, block{Title: "Do this", Steps: s.steps()})
	p.Blocks = append(p.Blocks, block{Title: "Burned", Table: s.burned()})
	p.Blocks = append(p.Blocks, block{Lines: []line{smallf("A disc counts only when its check sheet says IDENTICAL. What was burned is compared with the versions on this sheet; if a file is signed off anew, the disc still holds the earlier version.")}})
	return p
}

// mostRows is how many files of a data disc are told one by one, and how many folders.
const mostRows = 40

// summed says that the sheet tells folders: thousands of files would take a hundred pages.
func (s BurnSheet) summed() bool { return s.Kind == ledger.DataDisc && len(s.Files) > mostRows }

// folder is what stands before the last separator of a path, of whatever system.
func folder(p string) string {
	if i := strings.LastIndexAny(p, `/\`); i > 0 {
		return p[:i]
	}
	return p
}

// folders gathers files by a folder, in the order in which they come.
func (s BurnSheet) folders(of func(BurnFile) string) (names []string, files map[string][]BurnFile) {
	files = map[string][]BurnFile{}
	for _, f := range s.Files {
		n := of(f)
		if n == "" {
			continue
		}
		if files[n] == nil {
			names = append(names, n)
		}
		files[n] = append(files[n], f)
	}
	return names, files
}

// from are the whole paths of the files by their numbers in the table; of a data disc
// those of their folders.
func (s BurnSheet) from() []line {
	var out []line
	if s.Kind != ledger.DataDisc {
		for i, f := range s.Files {
			if f.From != "" {
				out = append(out, row(part{Text: fmt.Sprintf("%d", i+1), Label: true}, part{Text: report.ShowPlace(f.From), Whole: true}))
			}
		}
		return out
	}
	names, files := s.folders(func(f BurnFile) string {
		if f.From == "" {
			return ""
		}
		return folder(f.From)
	})
	for i, n := range names {
		if i == mostRows {
			return append(out, sayf("and from %s more: the list names each file's place", fixity.Count(len(names)-i, "folder")))
		}
		out = append(out, row(part{Text: fixity.Count(len(files[n]), "file") + " of the folder", Label: true}, part{Text: report.ShowPlace(n), Whole: true}))
	}
	return out
}

// List writes the place of each file to burn, one a line, and its place in the set where
// no store is known to hold it.
func (s BurnSheet) List(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "# Firmus: files to burn on %s\n", clean(s.Number))
	for _, f := range s.Files {
		if f.From == "" {
			fmt.Fprintf(&b, "# no store is known to hold version %d of %s\n", f.Version, name(f.Name))
			continue
		}
		fmt.Fprintln(&b, report.ShowPlace(f.From))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (s BurnSheet) kind() string {
	switch s.Kind {
	case ledger.DataDisc:
		return "data disc"
	case ledger.AudioDisc:
		return "audio CD"
	}
	return ""
}

func (s BurnSheet) made() string {
	if s.Made.IsZero() {
		return ""
	}
	return s.Made.Format("2 Jan 2006, 15:04 MST")
}

func (s BurnSheet) table() *table {
	audio := s.Kind != ledger.DataDisc
	t := &table{Head: []string{"Track", "File", "Version", "Length", "Done"}, Right: []bool{true, false, true, true, false}}
	if !audio {
		t.Head[0], t.Head[3] = "No.", "Size"
	}
	if s.summed() {
		t.Head[1], t.Head[2] = "Folder", "Files"
		names, files := s.folders(func(f BurnFile) string { return folder(f.Name) })
		for i, n := range names {
			if i == mostRows {
				t.Rows = append(t.Rows, []line{sayf(""), sayf("and %s more", fixity.Count(len(names)-i, "folder")), sayf(""), sayf(""), row(tick(false))})
				break
			}
			bytes := int64(0)
			for _, f := range files[n] {
				bytes += max(f.Bytes, 0)
			}
			t.Rows = append(t.Rows, []line{sayf("%d", i+1), sayf("%s", name(n)), sayf("%s", fixity.Number(int64(len(files[n])))), sayf("%s", report.Size(bytes)), row(tick(false))})
		}
		return t
	}
	for i, f := range s.Files {
		version := row(blank(3))
		if f.Version > 0 {
			version = sayf("%d", f.Version)
		}
		size := row(blank(8))
		if n := f.sectors(s.Kind); audio && n > 0 {
			size = sayf("%s", length(n))
		} else if !audio && (f.Bytes > 0 || f.Empty) {
			size = sayf("%s", report.Size(max(f.Bytes, 0)))
		}
		file := name(f.Name)
		if st := clean(f.Store); st != "" {
			file += " (" + st + ")"
		}
		t.Rows = append(t.Rows, []line{sayf("%d", i+1), sayf("%s", file), version, size, row(tick(false))})
	}
	return t
}

// fit says how long it all is and whether it goes onto the blank, and what else
// stands against burning it so.
func (s BurnSheet) fit() (fit, warnings []line) {
	l := s.load()
	measure := func(sectors int64) string {
		if s.Kind == ledger.DataDisc {
			return report.Size(sectors * sectorBytes)
		}
		return length(sectors)
	}
	what := fmt.Sprintf("%s in %s", measure(l.sectors), fixity.Count(len(s.Files), "disc track"))
	if s.Kind == ledger.DataDisc {
		what = fmt.Sprintf("%s of files, some %s with the file system's own", report.Size(l.bytes), measure(l.sectors))
	}
	if l.unknown > 0 {
		what = "at least " + what + fmt.Sprintf("; the length of %s isn't known", fixity.Count(int64(l.unknown), "file"))
	}
	fit = append(fit, sayf("%s", what))

	blanks := blanksFor(s.Kind)
	if s.Holds.Sectors > 0 {
		blanks = []Capacity{s.Holds}
	}
	fits := false
	for _, b := range blanks {
		c := clean(b.Name)
		if m := measure(b.Sectors); !strings.Contains(c, m) {
			c += " (" + m + ")"
		}
		switch left := b.Sectors - l.sectors; {
		case left < 0 && s.Holds.Sectors > 0:
			fit = append(fit, sayf("DOESN'T FIT: %s too much for a %s", measure(-left), c))
		case left < 0:
			fit = append(fit, sayf("a %s is too small by %s", c, measure(-left)))
		case l.unknown > 0:
			fit = append(fit, sayf("a %s has %s left for what isn't known", c, measure(left)))
			fits = true
		default:
			fit = append(fit, sayf("a %s holds it, with %s left over", c, measure(left)))
			fits = true
		}
	}
	if !fits {
		warnings = append(warnings, sayf("IT DOESN'T FIT. Don't burn more than the blank is made for. Make it two parts, each a disc of its own, or take a larger blank."))
	}
	if s.Kind != ledger.DataDisc && len(s.Files) > maxTracks {
		warnings = append(warnings, sayf("%s are too many: an audio CD has %d tracks at most (IEC 60908).", fixity.Count(len(s.Files), "file"), maxTracks))
	}
	if s.Kind != ledger.DataDisc {
		short, convert := 0, map[string][]int{}
		var formats []string
		for i, f := range s.Files {
			if n := f.sectors(s.Kind); n > 0 && n < leastTrack {
				short++
			}
			format := clean(f.Format)
			if format == "" && f.Rate > 0 && f.Rate != cdRate {
				format = fmt.Sprintf("%g kHz", float64(f.Rate)/1000)
			}
			if format != "" {
				if convert[format] == nil {
					formats = append(formats, format)
				}
				convert[format] = append(convert[format], i+1)
			}
		}
		if short > 0 {
			warnings = append(warnings, sayf("%s shorter than 4 s, the least for a disc track (IEC 60908).", is(short)))
		}
		for _, f := range formats {
			warnings = append(warnings, sayf("%s recorded as %s. An audio CD takes 44.1 kHz, 16 bit, stereo: the burning program would convert, and a check could then say no more than \"alike\". Convert first, take the converted file in as an access file, and burn that.", isTrack(convert[f]), f))
		}
	}
	for _, t := range s.Left {
		if t = clean(t); t != "" {
			warnings = append(warnings, sayf("%s", t))
		}
	}
	return fit, warnings
}

func is(n int) string { return fixity.Counted(n, "file", "is", "are") }

func isTrack(ns []int) string {
	if len(ns) == 1 {
		return fmt.Sprintf("Track %d is", ns[0])
	}
	if ns[len(ns)-1]-ns[0] == len(ns)-1 {
		return fmt.Sprintf("Tracks %d to %d are", ns[0], ns[len(ns)-1])
	}
	return fixity.Counted(len(ns), "track", "is", "are")
}

// discs are what is to be written on each disc that this sheet is for.
func (s BurnSheet) discs() []string {
	n := clean(s.Number)
	if len(s.Twins) == 0 {
		return []string{n}
	}
	var out []string
	for _, t := range s.Twins {
		out = append(out, strings.TrimSpace(n+" "+clean(t)))
	}
	return out
}

func (s BurnSheet) steps() []line {
	var out []line
	add := func(parts ...part) { out = append(out, row(parts...)) }
	say := func(format string, args ...any) part { return part{Text: fmt.Sprintf(format, args...)} }
	open := tick(false)

	blanks := "Take a new blank out of its package only now."
	if n := len(s.Twins); n > 1 {
		blanks = fmt.Sprintf("Take %d new blanks out of their package only now; better of two batches.", n)
	}
	add(say("%s Hold a disc by the rim and the hole, and look at it: no scratch, no dust, no bubble.", blanks))
	if s.Kind == ledger.DataDisc {
		add(say("In the burning program begin a data disc, with long names (ISO 9660 with Joliet or Rock Ridge, or UDF). Put in the files above under their own names, not packed into an archive."))
	} else {
		add(say("In the burning program begin an audio CD. Put in the files above, in this order, from the places named above: no copy from elsewhere, no other format."))
		add(open, say("Gap between tracks: 0 s"), gap, open, say("Levelling, normalising, fading, all effects: off"))
	}
	add(open, say("Whole disc at once (\"disc at once\"), one session"), gap, open, say("Close the disc: nothing is added later"))
	add(open, say("Speed: neither the highest nor the lowest that blank and burner offer; keep to what has given good check sheets with this blank"))
	if ds := s.discs(); len(s.Twins) > 1 {
		add(say("Burn %s, one after the other, each from the files themselves and not one from the other.", fixity.And(ds)))
	} else {
		add(say("Burn it. Leave the computer alone meanwhile."))
	}
	for i, d := range s.discs() {
		which := ""
		if len(s.Twins) > 1 {
			which = fmt.Sprintf(" on copy %d of %d", i+1, len(s.Twins))
		}
		add(say("Write%s, on the label side, best on the clear ring around the hole:", which), or(d, 14))
	}
	add(say("Write with a soft felt pen for discs, without solvents; no ballpoint, no pencil. Stick nothing on a disc (NIST SP 500-252, 5.2.5 and 5.2.7)."))
	for i, d := range s.discs() {
		if s.Say != nil {
			if i == 0 {
				add(say("Put it back into the drive. On the page Work, under “Check the disc in the drive”, type what is written on it, tick “It was burned just now”, and choose “Check it”."))
			} else {
				add(say("Then the next, %s, in the same way.", d))
			}
			continue
		}
		cmd := "firmus disc check"
		if d != "" {
			cmd += " --written " + quoted(d)
		}
		if s.Drive != "" {
			cmd += " --drive " + quoted(clean(s.Drive))
		}
		if d != "" {
			cmd += " --fresh --sheet " + quoted(strings.ReplaceAll(d, " ", "-")+".html")
		}
		then := "Put it back into the drive and type:  "
		if i > 0 {
			then = "Then the next:  "
		}
		add(say("%s%s", then, cmd))
	}
	if len(s.Twins) > 1 {
		add(say("The letter says which copy of these contents a disc is. It doesn't say which side of the reel."))
		add(say("Put each disc into a case of its own with its check sheet; keep the copies in two places."))
	} else {
		add(say("Put the disc into its case, and its check sheet into the box folder."))
	}
	return out
}

// burned is filled in by hand.
func (s BurnSheet) burned() *table {
	t := &table{Head: []string{"Written on it", "Burned on", "By", "Brand and batch", "Speed", "Checked"}, Right: make([]bool, 6)}
	for _, d := range s.discs() {
		t.Rows = append(t.Rows, []line{row(or(d, 14)), row(blank(12)), row(blank(10)), row(blank(20)), row(blank(5)), row(tick(false))})
	}
	return t
}
