package statements

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/levels"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Levels is the statement of the preservation levels: which are kept, cell by cell, and by
// what that is known.
type Levels struct {
	Name   string              `json:"name"`
	At     *report.Instant     `json:"at"`
	Source string              `json:"source"`
	Levels map[levels.Area]int `json:"levels"`
	Cells  []LevelCell         `json:"cells"`
	// Withdrawn are statements that hold no more.
	Withdrawn []LevelStated `json:"withdrawn"`
}

// LevelCell is one cell of the matrix.
type LevelCell struct {
	Area     levels.Area  `json:"area"`
	Level    int          `json:"level"`
	Kept     bool         `json:"kept"`
	Evidence string       `json:"evidence"`
	Points   []LevelPoint `json:"points"`
}

// LevelPoint is one demand of a cell.
type LevelPoint struct {
	Code     string       `json:"point"`
	Words    string       `json:"asks"`
	Computed bool         `json:"computed"`
	Kept     bool         `json:"kept"`
	Figures  string       `json:"figures"`
	Stated   *LevelStated `json:"statement"` // the one that stands; null: none
	Lacks    string       `json:"lacks"`
}

// LevelStated is a person's statement.
type LevelStated struct {
	ID          int64           `json:"id"`
	Point       string          `json:"point"`
	Day         string          `json:"day"`
	Words       string          `json:"words"`
	By          string          `json:"by"`
	At          *report.Instant `json:"at"`
	Withdrawn   *report.Instant `json:"withdrawn,omitempty"`
	WithdrawnBy string          `json:"withdrawn_by,omitempty"`
	Reason      string          `json:"reason,omitempty"`
}

const levelsSource = "NDSA Levels of Digital Preservation, version 2.0 (October 2019), in our own words"

// MakeLevels reads the statement from the ledger, as of now.
func MakeLevels(ctx context.Context, l *ledger.Ledger, name string, now time.Time) (out Levels, err error) {
	out = Levels{Name: name, At: report.InstantOf(now), Source: levelsSource, Cells: []LevelCell{}, Withdrawn: []LevelStated{}}
	var facts levels.Facts
	var said []levels.Statement
	all := map[int64]LevelStated{}
	err = l.View(ctx, func(t *ledger.Tx) error {
		if facts, err = levelFacts(t, now); err != nil {
			return err
		}
		ss, err := t.Levels.Statements()
		if err != nil {
			return err
		}
		said, out.Withdrawn = nil, out.Withdrawn[:0]
		for _, s := range ss {
			x := LevelStated{s.ID, s.Point, s.Day, s.Words, s.By, report.InstantOf(s.At), report.InstantOf(s.Withdrawn), s.WithdrawnBy, s.Reason}
			if !s.Withdrawn.IsZero() {
				out.Withdrawn = append(out.Withdrawn, x)
				continue
			}
			all[s.ID] = x
			said = append(said, levels.Statement{ID: s.ID, Point: s.Point, Day: s.Day, Words: s.Words, By: s.By, At: s.At})
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	r := levels.Judge(facts, said)
	out.Levels = r.Levels
	for _, c := range r.Cells {
		x := LevelCell{Area: c.Area, Level: c.Level, Kept: c.Kept, Evidence: c.Evidence(), Points: []LevelPoint{}}
		for _, p := range c.Points {
			y := LevelPoint{Code: p.Code, Words: p.Words, Computed: p.Computed(), Kept: p.Kept, Figures: p.Figures, Lacks: p.Lacks}
			if p.Statement != nil {
				s := all[p.Statement.ID]
				y.Stated = &s
			}
			x.Points = append(x.Points, y)
		}
		out.Cells = append(out.Cells, x)
	}
	return out, nil
}

// levelFacts are what the ledger shows: by readings, and by nothing that is only configured.
func levelFacts(t *ledger.Tx, now time.Time) (f levels.Facts, err error) {
	f.Now = now
	rules, err := t.Stores.Rules()
	if err != nil {
		return f, err
	}
	shown, err := t.Copies.ShownByReading()
	if err != nil {
		return f, err
	}
	for _, s := range shown {
		g := levels.Group{Files: s.Files, Copies: int(s.Copies)}
		for _, name := range s.In {
			rule, _ := rules.Store(name)
			if p := placeKey(rule); p != "" && !slices.Contains(g.Places, p) {
				g.Places = append(g.Places, p)
			}
			kind := rule.Kind
			if name == rules.Discs() {
				kind = "optical"
			}
			if kind != "" && !slices.Contains(g.Media, kind) {
				g.Media = append(g.Media, kind)
			}
		}
		f.Groups = append(f.Groups, g)
	}
	if _, f.WithoutVersion, err = t.Findings.CountLost(); err != nil {
		return f, err
	}
	sums, err := t.Copies.Summaries()
	if err != nil {
		return f, err
	}
	for _, s := range sums {
		if rule, ok := rules.Store(s.Store); ok && s.Adopted {
			f.Stores = storeFacts(f.Stores, rule, s)
		}
	}
	backups, err := t.Log.Backups()
	if err != nil {
		return f, err
	}
	for _, b := range backups {
		if rule, ok := rules.Store(b.Store); ok && b.Trouble == "" && !b.At.IsZero() {
			f.Backups = append(f.Backups, levels.Backup{Store: b.Store, Place: placeKey(rule), At: b.At})
		}
	}
	switch v, err := t.Clock.LastEnded(ledger.FiringVerify, ""); {
	case err == nil && v.Outcome == ledger.FiringDone:
		f.Checked = v.Ended
	case err != nil && !errors.Is(err, fixity.ErrNotFound):
		return f, err
	}
	did := func(x ledger.Times) levels.Did { return levels.Did{N: x.N, Last: x.Last, By: x.By, In: x.In} }
	demanded, err := t.Audits.OnDemand()
	if err != nil {
		return f, err
	}
	given, err := t.Levels.Listed()
	if err != nil {
		return f, err
	}
	f.Given = levels.Given(given)
	followed, err := t.Audits.FollowedUp()
	if err != nil {
		return f, err
	}
	d, err := t.Findings.Damage()
	f.OnDemand, f.FollowedUp, f.PutRight, f.BurnedAnew, f.Damaged, f.EverDamaged = did(demanded), did(followed), did(d.Put), did(d.Burned), d.Open, d.Ever
	return f, err
}

// placeKey is a place as two of its names are compared; "" if the configuration doesn't say.
func placeKey(s care.Store) string { return strings.Join(strings.Fields(s.Place), " ") }

// storeFacts adds what is known of one set in a store.
func storeFacts(all []levels.Store, rule care.Store, s ledger.SetSummary) []levels.Store {
	i := slices.IndexFunc(all, func(x levels.Store) bool { return x.Name == s.Store })
	if i < 0 {
		i = len(all)
		all = append(all, levels.Store{Name: s.Store, Within: rule.ReadWithin, Arrivals: rule.Arrivals})
	}
	x := &all[i]
	for state, n := range s.States {
		if state != fixity.Awaited && state != fixity.Missing {
			x.Copies += n
		}
	}
	x.NeverRead += s.NeverRead
	if !s.Unread.IsZero() && (x.Waits.IsZero() || s.Unread.Before(x.Waits)) {
		x.Waits = s.Unread
	}
	if !s.OldestRead.IsZero() && (x.Oldest.IsZero() || s.OldestRead.Before(x.Oldest)) {
		x.Oldest = s.OldestRead
	}
	return all
}

// Text writes the statement for a terminal.
func (l Levels) Text(w io.Writer) error { return l.Sheet().Text(w) }

// HTML writes the statement as a page to print.
func (l Levels) HTML(w io.Writer) error { return l.Sheet().HTML(w) }

// Sheet is the statement as a sheet.
func (l Levels) Sheet() sheet.Sheet {
	s := sheet.Sheet{Archive: l.Name, Title: "Preservation levels", Under: report.Local(l.At.Time)}
	reached := sheet.Block{Title: "Levels that are reached"}
	for _, a := range levels.Areas {
		reached.Facts = append(reached.Facts, [2]string{string(a), l.Reached(a)})
	}
	s.Blocks = append(s.Blocks, reached)
	for _, c := range l.Cells {
		b := sheet.Block{Title: c.Title()}
		for _, p := range c.Points {
			b.List = append(b.List, p.Line())
		}
		s.Blocks = append(s.Blocks, b)
	}
	s.Blocks = append(s.Blocks, sheet.Block{Title: "What this doesn't show", Lines: []string{
		"Figures are those of the record: what was read, where, and when. Statements are what the persons named said; nobody has checked them. A level is reached only with all levels below it. Source: " + l.Source + "."}})
	return s
}

// Reached says which level an area has reached.
func (l Levels) Reached(a levels.Area) string {
	if n := l.Levels[a]; n > 0 {
		return fmt.Sprintf("level %d of %d", n, levels.Highest)
	}
	return "none yet"
}

// Title names a cell, and says whether it is kept.
func (c LevelCell) Title() string {
	kept := "not kept"
	if c.Kept {
		kept = "kept"
	}
	return fmt.Sprintf("%s, level %d: %s", strings.ToUpper(string(c.Area[:1]))+string(c.Area[1:]), c.Level, kept)
}

// Line is a point with its evidence.
func (p LevelPoint) Line() string {
	kept := "not kept"
	if p.Kept {
		kept = "kept"
	}
	return fmt.Sprintf("%s (%s, %s): %s", p.Asks(), p.Code, kept, p.Evidence())
}

// Asks is what the point asks for, as a sentence begins.
func (p LevelPoint) Asks() string { return strings.ToUpper(p.Words[:1]) + p.Words[1:] }

// Evidence is what a point rests on, and what it lacks.
func (p LevelPoint) Evidence() string {
	var parts []string
	if p.Figures != "" {
		parts = append(parts, p.Figures)
	}
	if s := p.Stated; s != nil {
		parts = append(parts, fmt.Sprintf("stated by %s for %s: %s (statement %d)", s.By, s.Day, strings.TrimRight(report.Plainly(s.Words), "."), s.ID))
	}
	if p.Lacks != "" {
		parts = append(parts, p.Lacks)
	}
	return strings.Join(parts, "; ")
}

// CSV writes a row for each point.
func (l Levels) CSV(w io.Writer) error {
	rows := [][]string{{"area", "level", "cell_kept", "point", "asks", "kept", "figures", "stated_by", "stated_for", "words", "statement", "lacks"}}
	for _, c := range l.Cells {
		for _, p := range c.Points {
			row := []string{string(c.Area), strconv.Itoa(c.Level), strconv.FormatBool(c.Kept), p.Code, p.Words, strconv.FormatBool(p.Kept), p.Figures, "", "", "", "", p.Lacks}
			if s := p.Stated; s != nil {
				row[7], row[8], row[9], row[10] = s.By, s.Day, s.Words, strconv.FormatInt(s.ID, 10)
			}
			rows = append(rows, row)
		}
	}
	return csv.NewWriter(w).WriteAll(sheet.CSVCells(rows))
}
