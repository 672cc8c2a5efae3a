package statements

import (
	"context"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Extent is how much of a set is under care.
type Extent struct {
	Set     string `json:"set"`
	Files   int64  `json:"files"`
	Items   int64  `json:"items"`
	Seconds int64  `json:"seconds"`        // of sound, in the files whose length is known
	Unknown int64  `json:"length_unknown"` // files
}

// NotReached is a store that was not there when it was last looked for.
type NotReached struct {
	Store string          `json:"store"`
	Place string          `json:"place"`
	Seen  *report.Instant `json:"last_seen"`
}

func (n NotReached) words() string {
	return fmt.Sprintf("%s: last seen %s. What is said of it here is from then.", named(n.Store, n.Place), at(n.Seen))
}

// Thin is a file that no store, or only one, was shown to hold.
type Thin struct {
	Set        string   `json:"set"`
	Path       string   `json:"path"`
	PathBase64 string   `json:"path_base64,omitempty"`
	Item       string   `json:"item"`
	Copies     int64    `json:"copies"` // that are independent
	In         []string `json:"in"`
	Seconds    int64    `json:"seconds"`
}

const (
	thinKept  = 1000
	thinShown = 20
)

// NameAll names all files that no store, or one, was shown to hold, however many they are.
func (h *Holdings) NameAll(ctx context.Context, l *ledger.Ledger) error {
	return l.View(ctx, func(t *ledger.Tx) error { _, err := h.name(t, math.MaxInt); return err })
}

// name names up to so many of them, and gives how long all files are, by their copies.
func (h *Holdings) name(t *ledger.Tx, most int) (map[int64]time.Duration, error) {
	thin, sound, err := t.Copies.Thin(1, most)
	h.Thin = make([]Thin, 0, len(thin))
	for _, x := range thin {
		shown, exact := report.Path(x.Path)
		in := x.In
		if in == nil {
			in = []string{}
		}
		h.Thin = append(h.Thin, Thin{x.Set, shown, exact, x.Item, x.Copies, in, int64(x.Sound / time.Second)})
	}
	return sound, err
}

// extent reads how much there is, what could not be reached, and what has too few copies.
func (h *Holdings) extent(t *ledger.Tx, rules care.Rules, now time.Time) error {
	es, err := t.Files.Extents()
	if err != nil {
		return err
	}
	for _, e := range es {
		h.Extents = append(h.Extents, Extent{e.Set, e.Files, e.Items, int64(e.Sound / time.Second), e.Unknown})
	}
	away, err := report.NotHere(t, rules, now)
	if err != nil {
		return err
	}
	h.NotReached = append(h.NotReached, notReached(away, rules)...)
	sound, err := h.name(t, thinKept)
	if err != nil {
		return err
	}
	for i, c := range h.Copies {
		h.Copies[i].Sound = int64(sound[c.Stores] / time.Second)
	}
	return nil
}

// notReached are the absent stores in the configuration's order.
func notReached(a report.Absent, rules care.Rules) (out []NotReached) {
	for _, s := range rules.Stores {
		if seen, ok := a[s.Name]; ok {
			out = append(out, NotReached{s.Name, s.Place, report.InstantOf(seen)})
		}
	}
	return out
}

// Text writes the statement for a terminal.
func (h Holdings) Text(w io.Writer) error { return h.Sheet().Text(w) }

// HTML writes the statement as a page to print.
func (h Holdings) HTML(w io.Writer) error { return h.Sheet().HTML(w) }

// Sheet is the statement as a sheet.
func (h Holdings) Sheet() sheet.Sheet {
	s := sheet.Sheet{Archive: h.Name, Title: "Statement of holdings", Under: report.Local(h.At.Time)}
	add := func(b sheet.Block) {
		if b.Facts != nil || b.Table != nil || b.Lines != nil || b.List != nil {
			s.Blocks = append(s.Blocks, b)
		}
	}
	add(h.underCare())
	add(h.notReached())
	add(h.stores())
	add(h.reported())
	add(h.copies())
	add(h.thin(0, "Files of which no copy was shown to be intact"))
	add(h.thin(1, "Files with one copy only"))
	add(sheet.Block{Title: "Open findings", Lines: []string{h.Findings.words()}})
	add(h.Shelf.block())
	add(unfinishedBlock(h.Unfinished))
	more := sheet.Block{Title: "Besides"}
	for _, v := range h.Visits {
		more.List = append(more.List, "Visit: "+v.Store+" "+v.Words(time.Local))
	}
	for _, d := range h.Drills {
		more.List = append(more.List, "Brought back from "+d.Store+": "+d.Words(time.Local))
	}
	for _, k := range h.Keep {
		more.List = append(more.List, fmt.Sprintf("KEEP: %s, received %s into %s/%s (%s). Not all of it was read whole in two independent stores.",
			report.Show(k.Source), at(k.Received), k.Set, report.Show(k.Folder), fixity.Count(int64(k.Files), "file")))
	}
	if h.Retired > 0 {
		more.List = append(more.List, "Retired: "+fixity.Count(h.Retired, "file"))
	}
	add(more)
	add(ownersBlock(h.Owners))
	add(sheet.Block{Title: "What this doesn't show", Lines: h.notShown()})
	return s
}

// notShown is what the statement says of itself.
func (h Holdings) notShown() []string {
	out := []string{"It says what was checked and when. It doesn't say that a transfer itself was good, nor what a store holds since it was last read."}
	if of := h.few(); of > int64(len(h.Thin)) {
		out = append(out, fmt.Sprintf("%s have no copy or one only. The first %s are named. All of them can be asked for: --all, or \"all files\" on the page To print.", fixity.Count(of, "file"), fixity.Number(int64(len(h.Thin)))))
	}
	return out
}

// few is how many files have no copy that was shown to be intact, or one.
func (h Holdings) few() (n int64) {
	for _, c := range h.Copies {
		if c.Stores < 2 {
			n += c.Files
		}
	}
	return n
}

func (h Holdings) underCare() sheet.Block {
	b := sheet.Block{Title: "Under care"}
	for _, e := range h.Extents {
		text := fixity.Count(e.Files, "file") + " of " + fixity.Count(e.Items, "item") + ofSound(e.Seconds)
		if e.Unknown > 0 && e.Seconds > 0 {
			text += fmt.Sprintf(" (the length of %s isn't known)", fixity.Count(e.Unknown, "file"))
		}
		b.Facts = append(b.Facts, [2]string{e.Set, text})
	}
	return b
}

func (h Holdings) notReached() sheet.Block {
	b := sheet.Block{Title: "Could not be reached"}
	for _, n := range h.NotReached {
		b.Lines = append(b.Lines, n.words())
	}
	return b
}

// named is a store with its place, as people know it.
func named(store, place string) string {
	if place == "" {
		return store
	}
	return store + " (" + place + ")"
}

func (h Holdings) stores() sheet.Block {
	t := &sheet.Table{Head: []string{"store", "set", "files", "size", "of those checked", "listed", "longest unread", "promised"}, Right: []bool{false, false, true, true}}
	for _, s := range h.Stores {
		promise := "none set"
		if s.Promise > 0 {
			promise = report.Days(time.Duration(s.Promise) * time.Second)
			if s.Kept {
				promise += ", kept"
			} else {
				promise += ", NOT KEPT"
			}
		}
		oldest := at(s.OldestRead)
		if s.NeverRead > 0 {
			oldest = fixity.Number(s.NeverRead) + " never read"
		}
		if !s.Adopted {
			oldest, promise = "not yet adopted", ""
		}
		state := s.found()
		for _, n := range h.NotReached {
			if n.Store == s.Store && n.Seen != nil {
				state = "when last seen, " + report.Day(n.Seen.Time, h.At.Time) + ": " + state
			}
		}
		t.Rows = append(t.Rows, []string{named(s.Store, s.Place), s.Set, fixity.Number(s.Files), report.Size(s.Bytes), state, at(s.Listed), oldest, promise})
	}
	return sheet.Block{Title: "Stores", Table: t}
}

// reported says by what services report the copies that they keep.
func (h Holdings) reported() sheet.Block {
	t := &sheet.Table{Head: []string{"store", "set", "files", "reported by"}, Right: []bool{false, false, true}}
	for _, s := range h.Stores {
		for _, by := range fixity.Vocabulary {
			if n := s.ReportedBy[fixity.Basis(by.Code)]; by.Group == "basis" && n > 0 {
				t.Rows = append(t.Rows, []string{named(s.Store, s.Place), s.Set, fixity.Number(n), by.Means})
			}
		}
	}
	if len(t.Rows) == 0 {
		return sheet.Block{}
	}
	return sheet.Block{Title: "What services report of the copies that they keep", Table: t, Lines: []string{
		"A checksum of the whole file, or of all its parts, that agrees shows that no other file took its place. It doesn't show that the bytes are well today: only a reading does. Size and time show neither."}}
}

// found says what was found of a set in a store: never that a store is intact.
func (s StoreSet) found() string {
	var bad, rest []string
	for _, t := range fixity.Vocabulary {
		n := s.States[fixity.State(t.Code)]
		if t.Group != "state" || n == 0 {
			continue
		}
		switch fixity.State(t.Code) {
		case fixity.Intact:
		case fixity.Awaited, fixity.Editing, fixity.Behind:
			rest = append(rest, fixity.Number(n)+" "+t.Code)
		default:
			bad = append(bad, fixity.Number(n)+" "+t.Code)
		}
	}
	if s.Filling {
		rest = append(rest, "being filled")
	}
	if len(bad) > 0 {
		bad[0] = strings.Replace(bad[0], " ", " of "+fixity.Number(s.Files)+" ", 1)
		return strings.Join(append(bad, rest...), ", ")
	}
	if s.Listed == nil {
		return "nothing yet"
	}
	return strings.Join(append([]string{"no difference found"}, rest...), ", ")
}

// copies counts files by their copies. What a service reports and what was read are told
// apart where they differ.
func (h Holdings) copies() sheet.Block {
	b := sheet.Block{Title: "Files by the number of independent stores that were shown to hold their current version"}
	differ := slices.ContainsFunc(h.Copies, func(c CopiesRow) bool { return c.Read != c.Files })
	b.Table = &sheet.Table{Head: []string{"copies", "files"}, Right: []bool{true, true}}
	if differ {
		b.Table.Head, b.Table.Right = []string{"copies", "files", "by readings alone"}, []bool{true, true, true}
	}
	var sound []string
	b.Table.Head = append(b.Table.Head, "")
	for _, c := range h.Copies {
		row := []string{fixity.Number(c.Stores), fixity.Number(c.Files)}
		if differ {
			row = append(row, fixity.Number(c.Read))
		}
		if c.Sound > 0 {
			sound = append(sound, report.Hours(c.Sound)+" with "+fixity.Count(c.Stores, "copy"))
		}
		note := ""
		switch {
		case c.Files == 0:
		case c.Stores == 0:
			note = "<- no store was shown to hold it"
		case c.Stores == 1:
			note = "<- one copy only"
		}
		b.Table.Rows = append(b.Table.Rows, append(row, note))
	}
	if len(sound) > 0 {
		b.Lines = append(b.Lines, "Sound, as far as its length is known: "+fixity.And(sound)+".")
	}
	b.Figure = h.picture()
	for _, s := range h.Shared {
		b.Lines = append(b.Lines, "NOTE: "+s.Text)
	}
	for _, x := range h.TakenOut {
		b.Lines = append(b.Lines, "NOTE: "+x.Words())
	}
	return b
}

// picture draws a bar for each number of copies, as long as its share of the files.
func (h Holdings) picture() template.HTML {
	var all int64
	var rows []CopiesRow
	for _, c := range h.Copies {
		if all += c.Files; c.Files > 0 {
			rows = append(rows, c)
		}
	}
	if len(rows) < 2 {
		return "" // a number says it
	}
	const wide, high = 560, 20
	var b strings.Builder
	var alt []string
	for i, c := range rows {
		share := Share{Files: all, Within: c.Files}
		words := fmt.Sprintf("%s: %s, %d %%", fixity.Count(c.Stores, "copy"), fixity.Count(c.Files, "file"), share.percent())
		alt = append(alt, words)
		at, long := i*(high+8), float64(wide)*float64(c.Files)/float64(all)
		fmt.Fprintf(&b, `<rect class="all" x="120" y="%d" width="%d" height="%d"/><rect class="share" x="120" y="%d" width="%.2f" height="%d"/><text x="112" y="%d" text-anchor="end">%s</text><text x="%d" y="%d">%d %%</text>`,
			at, wide, high, at, max(long, 1), high, at+14, fixity.Count(c.Stores, "copy"), 120+wide+8, at+14, share.percent())
	}
	return template.HTML(fmt.Sprintf(`<figure class="bars"><svg viewBox="0 0 740 %d" role="img" aria-label="%s">`, len(rows)*(high+8), template.HTMLEscapeString(strings.Join(alt, "; "))) + b.String() + `</svg></figure>`)
}

// thin names the files with so many copies.
func (h Holdings) thin(copies int64, title string) sheet.Block {
	b := sheet.Block{Title: title}
	more := int64(0)
	for _, c := range h.Copies {
		if c.Stores == copies {
			more = c.Files
		}
	}
	for _, x := range h.Thin {
		if x.Copies != copies || len(b.List) == thinShown {
			continue
		}
		line := x.Set + "/" + report.Show(x.Path)
		if len(x.In) > 0 {
			line += ", in " + strings.Join(x.In, " and ")
		}
		b.List = append(b.List, line)
		more--
	}
	if len(b.List) > 0 && more > 0 {
		b.List = append(b.List, fmt.Sprintf("and %s more: this statement as a workbook (XLSX) names them", fixity.Number(more)))
	}
	return b
}

// words tell what is open: a lost recording is one, however many copies of it are bad.
func (n FindingCount) words() string {
	text := "none"
	if n.NoneIntact+n.AtRisk+n.Tidy > 0 {
		text = fmt.Sprintf("%s without a known intact copy, %s at risk, %s to tidy", fixity.Count(n.Lost, "file"), fixity.Count(n.AtRisk, "finding"), fixity.Number(n.Tidy))
	}
	if n.Disputed > 0 {
		text = fixity.Count(n.Disputed, "file") + " to be decided: stores hold different bytes, and no version counts as intact until then; " + text
	}
	if n.Settled > 0 {
		text += fmt.Sprintf(". Besides, %s settled by a person", fixity.Counted(n.Settled, "copy", "is not as it should be, and counts for nothing:", "are not as they should be, and count for nothing:"))
	}
	return text
}
