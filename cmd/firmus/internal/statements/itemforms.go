package statements

import (
	"fmt"
	"html/template"
	"io"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/pages/stave"
	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

// Said is what the register says of a side of an item, or of all of it if Side is blank, in its
// own words.
type Said struct {
	Side         string   `json:"side"`
	Sheet        string   `json:"sheet,omitempty"`
	Row          int      `json:"row"`
	Title        string   `json:"title"`
	Base         string   `json:"base"`
	Length       string   `json:"length"`
	Box          string   `json:"box"`
	Condition    string   `json:"condition"`
	Treatment    string   `json:"treatment"`
	Hazard       string   `json:"hazard"`
	Priority     string   `json:"priority"`
	Playable     string   `json:"playable"`
	Discs        []string `json:"discs"`
	CannotRepeat bool     `json:"cannot_repeat"`
}

// saidOf reads what the register in force says of an item.
func saidOf(t *ledger.Tx, item string) (out []Said, err error) {
	out = []Said{}
	rows, err := t.Register.Says(item)
	if err != nil {
		return nil, err
	}
	all, err := reels.SaidOf(rows)
	if err != nil {
		return nil, err
	}
	for _, x := range all[item] {
		s := Said{Side: x.Side, Sheet: x.Sheet, Row: x.Line, Title: x.Title, Base: x.Base, Length: x.Length.Text, Box: x.Box, Condition: x.Condition, Hazard: x.Hazard, Priority: x.Priority,
			Playable: string(x.Playable), Discs: x.Discs, CannotRepeat: x.Playable == register.CannotAgain, Treatment: reels.Side{Says: &x}.Treatment()}
		if s.Discs == nil {
			s.Discs = []string{}
		}
		out = append(out, s)
	}
	return out, nil
}

// blocks are what the register says, a part a side. What it doesn't say isn't shown.
func (s Said) block() sheet.Block {
	b := sheet.Block{Title: "What the register says"}
	if s.Side != "" {
		b.Title += " of side " + s.Side
	}
	for _, f := range [][2]string{{"title", s.Title}, {"base", s.Base}, {"length", s.Length}, {"box", s.Box}, {"condition", s.Condition}, {"treatment", s.Treatment}, {"hazard", s.Hazard}, {"priority", s.Priority}, {"discs", strings.Join(s.Discs, ", ")}} {
		if f[1] != "" {
			b.Facts = append(b.Facts, [2]string{f[0], report.Show(f[1])})
		}
	}
	if s.CannotRepeat {
		b.Facts = append(b.Facts, [2]string{"transfer", "can't be repeated"})
	}
	if s.Row > 0 {
		row := fmt.Sprintf("row %d", s.Row)
		if s.Sheet != "" {
			row += " of sheet " + report.Show(s.Sheet)
		}
		b.Facts = append(b.Facts, [2]string{"stands in", row})
	}
	return b
}

// HTML writes the statement as a page to print.
func (i Item) HTML(w io.Writer) error { return i.Sheet().HTML(w) }

// Grids are its tables; the first is what CSV is made of, a row for each copy of each file.
func (i Item) Grids() []sheet.Grid {
	copies := sheet.Grid{Name: "Copies", Head: []string{"item", "set", "path", "version", "sha256", "store", "disc", "state", "held_version", "read", "read_ok", "reported", "unfinished", "path_base64"}}
	versions := sheet.Grid{Name: "Versions", Head: []string{"set", "path", "version", "current", "bytes", "hours", "sha256", "blake3", "md5", "reason", "by", "at"}}
	findings := sheet.Grid{Name: "Findings", Head: []string{"finding", "set", "path", "kind", "urgency", "store", "state", "opened"}}
	events := sheet.Grid{Name: "History", Head: []string{"event", "at", "what", "set", "path", "store", "by", "reason", "confirmed_by"}}
	for _, f := range i.Files {
		sha, lacking := "", ""
		for _, v := range f.Versions {
			current := "no"
			if v.N == f.Version {
				sha, current = v.SHA256, "yes"
			}
			versions.Rows = append(versions.Rows, []any{f.Set, f.Path, v.N, current, v.Size, hours(int64(v.Sound)), v.SHA256, v.BLAKE3, v.MD5, v.Reason, v.By, rfc(v.At)})
		}
		if f.Unfinished != nil {
			lacking = f.Unfinished.Lacking
		}
		for _, c := range f.Copies {
			copies.Rows = append(copies.Rows, []any{i.Item, f.Set, f.Path, f.Version, sha, c.Store, c.Disc, string(c.State), c.Version, rfc(c.Read), strconv.FormatBool(c.ReadOK), rfc(c.Reported), lacking, f.PathBase64})
		}
		for _, fd := range f.Findings {
			findings.Rows = append(findings.Rows, []any{fd.ID, f.Set, f.Path, string(fd.Kind), string(fd.Urgency), fd.Store, fd.State, fd.Opened.UTC().Format(time.RFC3339)})
		}
		for _, e := range f.Events {
			events.Rows = append(events.Rows, []any{e.Seq, rfc(e.At), e.Means, f.Set, f.Path, e.Store, e.By, e.Reason, e.Second})
		}
	}
	said := sheet.Grid{Name: "Register", Head: []string{"side", "sheet", "row", "title", "base", "length", "box", "condition", "treatment", "hazard", "priority", "playable", "discs"}}
	for _, s := range i.Register {
		said.Rows = append(said.Rows, []any{s.Side, s.Sheet, s.Row, s.Title, s.Base, s.Length, s.Box, s.Condition, s.Treatment, s.Hazard, s.Priority, s.Playable, strings.Join(s.Discs, ", ")})
	}
	return []sheet.Grid{copies, versions, findings, events, said, notesGrid([]string{notShown})}
}

// Draw adds the staves of the item's files, which its page shows; hurt says where in the
// recording a finding's damage lies.
func (i *Item) Draw(hurt func(ledger.Finding) ([]damage.Span, error)) error {
	for n := range i.Files {
		f := &i.Files[n]
		s := report.Stave{Disputed: report.InDispute(f.copies)}
		for _, v := range f.Versions {
			if v.N == f.Version {
				s.Length = time.Duration(v.Sound * float64(time.Second))
			}
		}
		for _, c := range f.copies {
			if c.Carrier != 0 {
				continue
			}
			_, away := i.absent[c.Store]
			v := report.Voice{Name: c.Store, Copy: c, Away: away, Words: report.InWords(c, s.Disputed)}
			for _, fd := range f.found {
				if fd.Open() && fd.Store == c.Store && fd.Carrier == 0 && fd.Kind != fixity.Unfinished {
					spans, err := hurt(fd)
					if err != nil {
						return err
					}
					v.Kind, v.How, v.Hurt = fd.Kind, fd.Anatomy, spans
				}
			}
			s.Voices = append(s.Voices, v)
		}
		if f.Retired != nil {
			continue
		}
		h, err := stave.HTML(s, fmt.Sprintf("file-%d", n))
		if err != nil {
			return err
		}
		f.stave = h
	}
	return nil
}

// sheetStyle is what staves add to a sheet: as wide as paper is, they stand in one row.
const sheetStyle = template.CSS(`.voice { grid-template-columns: 26mm minmax(0, 1fr) 40mm; padding: 0.5mm 0; } .voice-is, .voice-line text, .stave figcaption { font-size: 9pt; } .stave { margin: 1mm 0; } .stave figcaption { margin-top: 0.5mm; } @media print { .voice { grid-template-columns: 26mm minmax(0, 1fr) 40mm; } }`)

// style is the style of the item's figures; "" if there are none.
func (i Item) style() template.CSS {
	for _, f := range i.Files {
		if f.stave != "" {
			return template.CSS(stave.CSS) + sheetStyle
		}
	}
	return ""
}

// summed says how much of the item is under care, and in how many independent stores.
func (i Item) summed() sheet.Block {
	n, seconds, unknown, fewest := int64(0), int64(0), int64(0), int64(-1)
	for _, f := range i.Files {
		if f.Retired != nil {
			continue
		}
		n++
		if fewest < 0 || f.Independent < fewest {
			fewest = f.Independent
		}
		known := false
		for _, v := range f.Versions {
			if v.N == f.Version && v.Sound > 0 {
				seconds, known = seconds+int64(v.Sound+0.5), true
			}
		}
		if !known {
			unknown++
		}
	}
	text := fixity.Count(n, "file") + ofSound(seconds)
	if unknown > 0 && seconds > 0 {
		text += fmt.Sprintf(" (the length of %s isn't known)", fixity.Count(unknown, "file"))
	}
	b := sheet.Block{Facts: [][2]string{{"under care", text}}}
	if n > 0 {
		b.Facts = append(b.Facts, [2]string{"copies", fmt.Sprintf("%s of each file at least, in independent stores that were shown to hold its version", fixity.Count(fewest, "copy"))})
		if fewest < 2 {
			for _, f := range i.Files {
				if f.Retired == nil && f.Independent < 2 {
					b.List = append(b.List, fmt.Sprintf("%s only: %s/%s", fixity.Count(f.Independent, "copy"), f.Set, report.Show(f.Path)))
				}
			}
		}
	}
	return b
}
