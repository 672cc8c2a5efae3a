package statements

import (
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

// Text writes the statement for a terminal.
func (y Year) Text(w io.Writer) error { return y.Sheet().Text(w) }

// HTML writes the statement as a page to print.
func (y Year) HTML(w io.Writer) error { return y.Sheet().HTML(w) }

// Grids are its tables; the first is what CSV is made of.
func (y Year) Grids() []sheet.Grid {
	g := sheet.Grid{Name: "Months", Head: []string{"month", "files_taken_in", "items_taken_in", "hours_taken_in", "files_retired", "files", "hours", "files_of_unknown_length", "files_read", "bytes_read",
		"found_none_intact", "found_at_risk", "found_tidy", "put_back", "signed_off", "findings_ended", "findings_open", "disc_checks", "drills", "drill_files", "drill_files_proved"}}
	for _, s := range y.Stores {
		g.Head = append(g.Head, "read_within_promise_"+s.Store, "of_files_"+s.Store)
	}
	discs := sheet.Grid{Name: "Discs checked", Head: []string{"month", "verdict", "checks"}}
	for _, m := range y.Months {
		row := []any{m.Month}
		if !m.Known {
			g.Rows = append(g.Rows, append(row, make([]any, len(g.Head)-1)...))
			continue
		}
		row = append(row, m.Taken, m.TakenItems, hours(m.TakenSeconds), m.Retired, m.Files, hours(m.Seconds), m.Unknown, m.Read, m.ReadBytes,
			m.NoneIntact, m.AtRisk, m.Tidy, m.PutBack, m.SignedOff, m.Ended, m.Open, m.DiscChecks, m.Drills, m.Drilled, m.Proved)
		for _, c := range m.Coverage {
			if c == nil {
				row = append(row, nil, nil)
			} else {
				row = append(row, c.Within, c.Files)
			}
		}
		g.Rows = append(g.Rows, row)
		for _, t := range fixity.Vocabulary {
			if n := m.Verdicts[t.Code]; t.Group == "disc" && n > 0 {
				discs.Rows = append(discs.Rows, []any{m.Month, t.Code, n})
			}
		}
	}
	return []sheet.Grid{g, discs, notesGrid(y.notShown())}
}

// hours are seconds as hours, to a hundredth; nil if no length is known.
func hours(seconds int64) any {
	if seconds <= 0 {
		return nil
	}
	return float64((seconds*100+1800)/3600) / 100
}

// notesGrid is what a statement says of itself, as the last sheet of a workbook.
func notesGrid(lines []string) sheet.Grid {
	g := sheet.Grid{Name: "What this doesn't show", Head: []string{"note"}}
	for _, l := range lines {
		g.Rows = append(g.Rows, []any{l})
	}
	return g
}

// name is a month as people read it.
func (m Month) name() string { return m.from.Format("January") }

// Sheet is the statement as a sheet.
func (y Year) Sheet() sheet.Sheet {
	s := sheet.Sheet{Archive: y.Name, Title: fmt.Sprintf("Statement of the year %d", y.Year), Under: "Made " + report.Local(y.At.Time)}
	if y.nothing() {
		text := "Nothing is known of this year: nothing was under care yet."
		if y.Begun != nil {
			text = "Nothing is known of this year: the record begins " + report.Local(y.Begun.Time) + "."
		}
		s.Blocks = append(s.Blocks, sheet.Block{Lines: []string{text}})
		return s
	}
	last := y.Months[len(y.Months)-1]
	sum := sheet.Block{}
	var all Month
	for _, m := range y.Months {
		all.Taken += m.Taken
		all.TakenSeconds += m.TakenSeconds
		all.Retired += m.Retired
		all.Read += m.Read
		all.ReadBytes += m.ReadBytes
		all.PutBack += m.PutBack
		all.SignedOff += m.SignedOff
		all.NoneIntact += m.NoneIntact
		all.AtRisk += m.AtRisk
		all.Tidy += m.Tidy
		all.DiscChecks += m.DiscChecks
		all.Drills += m.Drills
		all.Drilled += m.Drilled
		all.Proved += m.Proved
	}
	when := "at its end"
	if last.until.After(y.At.Time) {
		when = "on " + report.Day(y.At.Time, y.At.Time)
	}
	sum.Facts = [][2]string{
		{"taken in", fixity.Count(all.Taken, "file") + ofSound(all.TakenSeconds)},
		{"under care " + when, fixity.Count(last.Files, "file") + ofSound(last.Seconds)},
		{"read", fmt.Sprintf("%s, %s", fixity.Count(all.Read, "reading"), report.Size(all.ReadBytes))},
		{"found", fmt.Sprintf("%s without a known intact copy, %s at risk, %s to tidy", fixity.Count(all.NoneIntact, "file"), fixity.Count(all.AtRisk, "finding"), fixity.Number(all.Tidy))},
		{"put right", fmt.Sprintf("%s put back; %s signed off; %s open %s", fixity.Count(all.PutBack, "copy"), fixity.Count(all.SignedOff, "version"), fixity.Count(last.Open, "finding"), when)},
		{"discs checked", fixity.Count(all.DiscChecks, "check")},
		{"drills", drillWords(all)},
	}
	s.Blocks = append(s.Blocks, sum, y.came(), y.found(), y.discs())
	s.Blocks = append(s.Blocks, y.covered()...)
	s.Blocks = append(s.Blocks, sheet.Block{Title: "What this doesn't show", Lines: y.notShown()})
	return s
}

// ofSound is how long files are, behind their number; "" if that isn't known of any.
func ofSound(seconds int64) string {
	if seconds <= 0 {
		return ""
	}
	return ", " + report.Hours(seconds) + " of sound"
}

func drillWords(m Month) string {
	if m.Drills == 0 {
		return "none"
	}
	return fmt.Sprintf("%s: %s of %s came back as recorded", fixity.Count(m.Drills, "drill"), fixity.Number(m.Proved), fixity.Count(m.Drilled, "file"))
}

// blank is a number that a person should see only where there is something.
func blank(n int64) string {
	if n == 0 {
		return "-"
	}
	return fixity.Number(n)
}

// rows makes a table with a line for each month, and one for all that were before the record.
func (y Year) rows(t *sheet.Table, cells func(m Month) []string) *sheet.Table {
	before := ""
	for i, m := range y.Months {
		row := make([]string, len(t.Head))
		if row[0] = m.name(); m.Known {
			copy(row[1:], cells(m))
			t.Rows = append(t.Rows, row)
			continue
		}
		if before == "" {
			before = m.name()
		}
		if i+1 < len(y.Months) && y.Months[i+1].Known {
			if before != m.name() {
				row[0] = before + " to " + m.name()
			}
			row[1] = "not known"
			t.Rows = append(t.Rows, row)
		}
	}
	return t
}

// nothing says that all of the year was before the record.
func (y Year) nothing() bool {
	return !slices.ContainsFunc(y.Months, func(m Month) bool { return m.Known })
}

func (y Year) came() sheet.Block {
	t := &sheet.Table{Head: []string{"", "taken in", "sound", "retired", "under care at its end", "sound", "readings", "read"}, Right: []bool{false, true, true, true, true, true, true, true}}
	return sheet.Block{Title: "Taken in and read", Table: y.rows(t, func(m Month) []string {
		return []string{blank(m.Taken), hoursOr(m.TakenSeconds), blank(m.Retired), fixity.Number(m.Files), hoursOr(m.Seconds), blank(m.Read), sizeOr(m.ReadBytes)}
	})}
}

func hoursOr(seconds int64) string {
	if seconds <= 0 {
		return "-"
	}
	return report.Hours(seconds)
}

func sizeOr(n int64) string {
	if n <= 0 {
		return "-"
	}
	return report.Size(n)
}

func (y Year) found() sheet.Block {
	t := &sheet.Table{Head: []string{"", "none intact", "at risk", "to tidy", "put back", "signed off", "findings ended", "open at its end"}, Right: []bool{false, true, true, true, true, true, true, true}}
	return sheet.Block{Title: "Found and put right", Table: y.rows(t, func(m Month) []string {
		return []string{blank(m.NoneIntact), blank(m.AtRisk), blank(m.Tidy), blank(m.PutBack), blank(m.SignedOff), blank(m.Ended), blank(m.Open)}
	})}
}

// discs are the checks by their verdicts, and the drills.
func (y Year) discs() sheet.Block {
	b := sheet.Block{Title: "Discs checked, and drills"}
	t := &sheet.Table{Head: []string{"", "discs checked", "verdicts", "drills"}, Right: []bool{false, true}}
	some := false
	for _, m := range y.Months {
		some = some || m.DiscChecks > 0 || m.Drills > 0
	}
	if !some {
		b.Lines = []string{"No disc was checked and no file was brought back as a proof."}
		return b
	}
	b.Table = y.rows(t, func(m Month) []string {
		var verdicts []string
		for _, w := range fixity.Vocabulary {
			if n := m.Verdicts[w.Code]; w.Group == "disc" && n > 0 {
				verdicts = append(verdicts, fixity.Number(n)+" "+w.Code)
			}
		}
		drill := "-"
		if m.Drills > 0 {
			drill = drillWords(m)
		}
		return []string{blank(m.DiscChecks), strings.Join(verdicts, ", "), drill}
	})
	return b
}

// covered says how the promises to read were kept, month by month.
func (y Year) covered() []sheet.Block {
	if len(y.Stores) == 0 {
		return nil
	}
	b := sheet.Block{Title: "Read within the promise, at each month's end"}
	t := &sheet.Table{Head: []string{""}, Right: []bool{false}}
	for _, s := range y.Stores {
		t.Head = append(t.Head, fmt.Sprintf("%s, %s", s.Store, report.Days(time.Duration(s.Within)*time.Second)))
		t.Right = append(t.Right, true)
	}
	some := false
	b.Table = y.rows(t, func(m Month) []string {
		var out []string
		for _, c := range m.Coverage {
			some = some || c != nil
			out = append(out, c.words())
		}
		return out
	})
	if some {
		b.Figure = y.picture()
	}
	return []sheet.Block{b}
}

// words are a share; never 100 % of what isn't all, nor 0 % of what is something.
func (c *Share) words() string {
	if c == nil {
		return "not known"
	}
	return fmt.Sprintf("%s of %s (%d %%)", fixity.Number(c.Within), fixity.Number(c.Files), c.percent())
}

func (c Share) percent() int64 {
	p := (c.Within*200 + c.Files) / (2 * c.Files)
	switch {
	case p == 100 && c.Within < c.Files:
		return 99
	case p == 0 && c.Within > 0:
		return 1
	}
	return p
}

// picture draws a column for each month and store: as high as the share of files that had been
// read within the promise. What isn't known is an empty frame with a question mark.
func (y Year) picture() template.HTML {
	const wide, high, left, gap = 44, 46, 4, 22
	var b strings.Builder
	for i, s := range y.Stores {
		fmt.Fprintf(&b, `<figure class="year"><figcaption>%s: share of files read within %s</figcaption><svg viewBox="0 0 %d %d" role="img" aria-label="%s">`,
			template.HTMLEscapeString(named(s.Store, s.Place)), report.Days(time.Duration(s.Within)*time.Second), 12*wide+2*left, high+gap+14, template.HTMLEscapeString(y.alt(i)))
		fmt.Fprintf(&b, `<line class="scale" x1="0" x2="%d" y1="14" y2="14"/><line class="base" x1="0" x2="%d" y1="%d" y2="%d"/>`, 12*wide+2*left, 12*wide+2*left, high+14, high+14)
		for m := range 12 {
			x := left + m*wide
			label := time.Date(y.Year, time.Month(m+1), 1, 0, 0, 0, 0, time.UTC).Format("Jan")
			fmt.Fprintf(&b, `<text class="name" x="%d" y="%d">%s</text>`, x+wide/2, high+14+15, label)
			if m >= len(y.Months) {
				continue
			}
			c := y.Months[m].Coverage[i]
			if c == nil {
				fmt.Fprintf(&b, `<text class="none" x="%d" y="%d">?</text>`, x+wide/2, high+8)
				continue
			}
			h := float64(high) * float64(c.Within) / float64(c.Files)
			fmt.Fprintf(&b, `<rect class="all" x="%d" y="14" width="%d" height="%d"/><rect class="share" x="%d" y="%.2f" width="%d" height="%.2f"/><text class="part" x="%d" y="11">%d %%</text>`,
				x+8, wide-16, high, x+8, 14+float64(high)-h, wide-16, h, x+wide/2, c.percent())
		}
		b.WriteString(`</svg></figure>`)
	}
	return template.HTML(b.String())
}

// alt is what the picture shows, in words.
func (y Year) alt(store int) string {
	var out []string
	for _, m := range y.Months {
		out = append(out, m.name()+" "+m.Coverage[store].words())
	}
	return strings.Join(out, "; ")
}

// notShown is what the statement says of itself.
func (y Year) notShown() []string {
	out := []string{"It says what was recorded, and when. It doesn't say that a transfer itself was good, nor what a store holds since it was last read."}
	if y.Begun != nil && y.Begun.Time.Local().Year() >= y.Year {
		out = append(out, "The record begins "+report.Local(y.Begun.Time)+". What was before isn't known.")
	}
	if y.Rebuilt != nil && y.Rebuilt.Time.Local().Year() >= y.Year {
		out = append(out, "The ledger was made anew "+report.Local(y.Rebuilt.Time)+". Files that were under care before count as taken in then; when they were read before, and what was open, isn't known.")
	}
	for _, r := range y.Restored {
		out = append(out, "The ledger was brought back from a backup "+report.Local(r.Time)+". What was read since that backup and before then may be missing.")
	}
	if len(y.Stores) > 0 {
		var of []string
		for _, s := range y.Stores {
			of = append(of, s.Store+" "+report.Days(time.Duration(s.Within)*time.Second))
		}
		out = append(out, "Coverage is held against the promises of today ("+fixity.And(of)+"), for files under care at the month's end. What was promised earlier isn't stored.")
		if y.unsure {
			out = append(out, "Some readings at intake were recorded without their store. They count for the store in which new files arrive; in another store a file counts from its first audit.")
		}
	}
	if n := y.Months[len(y.Months)-1].Unknown; n > 0 {
		out = append(out, fmt.Sprintf("The length of %s under care isn't known: hours are of the others.", fixity.Count(n, "file")))
	} else if slices.ContainsFunc(y.Months, func(m Month) bool { return m.Unknown > 0 }) {
		out = append(out, "The length of some files that are retired now isn't known: hours are of the others.")
	}
	return append(out, "Hours are those of the version under care now. Readings are counted by UTC days, all else by the local calendar.")
}
