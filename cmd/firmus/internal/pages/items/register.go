package items

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/reading"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Routes are the pages of items and of the register.
func Routes() []site.Route {
	return []site.Route{
		{Pattern: "GET /register", Needs: fixity.Viewer, Do: registerPage},
		{Pattern: "GET /register/changes/{n}", Needs: fixity.Viewer, Do: new(comparisons).page},
		{Pattern: "GET /register/rows/{n}/{line}", Needs: fixity.Viewer, Do: registerRow},
		{Pattern: "POST /register/read", Needs: fixity.Technician, Do: registerRead},
		{Pattern: "POST /register/fewer", Needs: fixity.Technician, Do: registerFewer},
		{Pattern: "GET /reels", Needs: fixity.Viewer, Do: reelsPage},
		{Pattern: "GET /reels/{item}", Needs: fixity.Viewer, Do: reelPage},
		{Pattern: "GET /print/reels", Needs: fixity.Viewer, Do: reelsPrint},
		{Pattern: "GET /print/sides", Needs: fixity.Viewer, Do: sidesPrint},
		{Pattern: "GET /print/sides/{form}", Needs: fixity.Viewer, Do: sidesPrint},
		{Pattern: "GET /print/reels/{item}", Needs: fixity.Viewer, Do: reelPrint},
		{Pattern: "GET /print/reels/{item}/{form}", Needs: fixity.Viewer, Do: reelPrint},
	}
}

// rowsAPage is how many problems, changes or nights a page of them has.
const rowsAPage = 50

// wideAt is how much of a cell stands in a list; a row's own page has all of it.
const wideAt = 300

// comparisons remembers how the newest versions differ: two versions never change.
type comparisons struct {
	mu   sync.Mutex
	of   map[int64]register.Changes
	line []int64 // the oldest first
}

// mostComparisons is how many are remembered.
const mostComparisons = 4

// changes are how a version differs from the one before, and what the rows of both are about,
// by their lines.
func (k *comparisons) changes(t *ledger.Tx, v fixity.RegisterVersion) (register.Changes, error) {
	k.mu.Lock()
	c, ok := k.of[v.N]
	k.mu.Unlock()
	if ok || v.N < 2 {
		return c, nil
	}
	before, err := t.Register.Version(v.N - 1)
	if err != nil {
		return c, err
	}
	was, err := reading.RowsOf(t, before)
	if err != nil {
		return c, err
	}
	is, err := reading.RowsOf(t, v)
	if err != nil {
		return c, err
	}
	c = register.Compare(was, is)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.of == nil {
		k.of = map[int64]register.Changes{}
	}
	if _, ok := k.of[v.N]; !ok {
		k.of[v.N], k.line = c, append(k.line, v.N)
		if len(k.line) > mostComparisons {
			delete(k.of, k.line[0])
			k.line = k.line[1:]
		}
	}
	return c, nil
}

type registerData struct {
	Configured bool
	File       string // the configuration's
	From       string
	Read       string // when, in words
	Trouble    string
	MaySay     bool // that the rows which lack are gone on purpose
	Rows       int64
	Matched    int64
	Waiting    int64
	Groups     []registerGroup
	Chosen     string
	Problems   []registerProblem
	More       string
	Nights     []registerNight
	Older      string
	Person     site.Asks
	Withheld   bool
}

// registerGroup are kinds of trouble under one heading.
type registerGroup struct {
	Title string
	Kinds []registerKind
}

type registerKind struct {
	Path, Words string
	Here        bool
}

type registerProblem struct {
	Row, Column, Text string
	Path              string // of the row
	Item              *site.Link
	Finding           *site.Link
}

type registerNight struct {
	Path  string
	At    time.Time
	By    string
	Words string
	Rows  int64
}

// registerSides are the kinds of trouble by who says what: the register more than the files,
// or the files more than the register. All others are of the register alone.
var registerSides = []struct {
	title string
	kinds []string
}{
	{"The register says what the files don't", []string{"absent", "disc", "folder", "length", "date"}},
	{"The files say what the register doesn't", []string{"no-row"}},
	{"In the register itself", nil},
}

func registerPage(q *site.Request) error {
	d := registerData{Configured: q.Site.Register.From != "", File: q.Site.Config, Person: q.Asks(), Chosen: q.URL.Query().Get("kind")}
	if !d.Configured {
		return q.Render("register", "Register", d)
	}
	query := q.URL.Query()
	line, _ := strconv.Atoi(query.Get("line"))
	below, _ := strconv.ParseInt(query.Get("below"), 10, 64)
	err := q.View(func(t *ledger.Tx) error {
		r, err := t.Register.Reading()
		if err != nil {
			return err
		}
		d.From, d.Trouble, d.Rows, d.Matched, d.Waiting = q.Site.Register.From, r.Trouble, r.Rows, r.Matched, r.Waiting
		if !r.ReadAt.IsZero() {
			d.Read = site.DayTime(r.ReadAt, q.Site.Now())
		}
		open, err := t.Findings.OfRegister()
		if err != nil {
			return err
		}
		d.MaySay = slices.ContainsFunc(open, reading.MaySayFewer)
		counts, err := t.Register.CountProblems()
		if err != nil {
			return err
		}
		d.groups(counts)
		now, err := t.Register.Version(0)
		if errors.Is(err, fixity.ErrNotFound) {
			return nil
		}
		if err != nil {
			return err
		}
		ps, err := t.Register.Problems(d.Chosen, line, query.Get("key"), rowsAPage+1)
		if err != nil {
			return err
		}
		if len(ps) > rowsAPage {
			ps = ps[:rowsAPage]
			last := ps[rowsAPage-1]
			d.More = "/register?" + url.Values{"kind": {d.Chosen}, "line": {strconv.Itoa(last.Line)}, "key": {last.Key}}.Encode()
		}
		for _, p := range ps {
			d.Problems = append(d.Problems, problemOf(q, now.N, p))
		}
		vs, err := t.Register.Versions(below, rowsAPage+1)
		if err != nil {
			return err
		}
		if len(vs) > rowsAPage {
			vs = vs[:rowsAPage]
			d.Older = fmt.Sprintf("/register?below=%d", vs[rowsAPage-1].N)
		}
		for _, v := range vs {
			d.Nights = append(d.Nights, nightOf(v))
		}
		return nil
	})
	if err != nil {
		return err
	}
	d.Withheld = !q.MayKnowAll()
	return q.Render("register", "Register", d)
}

func (d *registerData) groups(counts map[string]int64) {
	var placed []string
	for _, g := range registerSides {
		placed = append(placed, g.kinds...)
	}
	var kinds []string
	for k := range counts {
		kinds = append(kinds, k)
	}
	slices.Sort(kinds)
	for _, g := range registerSides {
		out := registerGroup{Title: g.title}
		for _, k := range kinds {
			if g.kinds == nil && !slices.Contains(placed, k) || slices.Contains(g.kinds, k) {
				out.Kinds = append(out.Kinds, registerKind{"/register?" + url.Values{"kind": {k}}.Encode(), report.RowsWith(fixity.Kind(k), counts[k]), k == d.Chosen})
			}
		}
		if len(out.Kinds) > 0 {
			d.Groups = append(d.Groups, out)
		}
	}
}

func problemOf(q *site.Request, version int64, p fixity.RegisterProblem) registerProblem {
	out := registerProblem{Column: p.Column, Text: report.RegisterRow(p.Tells)}
	if rowWithheld(q, p.Item, "") {
		out.Text = report.RowsWith(fixity.Kind(p.Kind), 1) + " (what it says is withheld)"
	}
	if p.Line > 0 {
		out.Row, out.Path = fmt.Sprint(p.Line), rowPath(version, p.Line)
		if p.Sheet != "" {
			out.Row = p.Sheet + ", " + out.Row
		}
	}
	if p.Item != "" {
		out.Item = &site.Link{Path: site.ItemPath(p.Item), Text: p.Item}
	}
	if p.Finding != 0 {
		out.Finding = &site.Link{Path: fmt.Sprintf("/findings/%d", p.Finding), Text: fmt.Sprintf("finding %d", p.Finding)}
		if p.Quiet {
			out.Finding.Text += ", settled"
		}
	}
	return out
}

func rowPath(version int64, line int) string {
	return fmt.Sprintf("/register/rows/%d/%d", version, line)
}

// nightOf is a version as a line of the list.
func nightOf(v fixity.RegisterVersion) registerNight {
	return registerNight{Path: fmt.Sprintf("/register/changes/%d", v.N), At: v.At, By: v.By, Rows: v.Rows, Words: report.RegisterChanges(v)}
}

type changesData struct {
	At       time.Time
	By       string
	First    bool
	Words    string
	Suspects []string
	Rows     []changedRow
	More     string
	Withheld bool
}

type changedRow struct {
	What         string // "changed", "added", "deleted"
	Row          string
	Was, Is      string // pages of the row
	Name         string // what it says it is about
	Cells        []cellChange
	WithheldRest bool
}

type cellChange struct{ Column, Before, After string }

// page shows how a version differs from the one before.
func (k *comparisons) page(q *site.Request) error {
	n, err := strconv.ParseInt(q.PathValue("n"), 10, 64)
	if err != nil || n < 1 {
		return fixity.ErrNotFound
	}
	after, _ := strconv.Atoi(q.URL.Query().Get("after"))
	after = max(after, 0)
	d := changesData{First: n == 1}
	err = q.View(func(t *ledger.Tx) error {
		v, err := t.Register.Version(n)
		if err != nil {
			return err
		}
		d.At, d.By, d.Words = v.At, v.By, report.RegisterChanges(v)
		c, err := k.changes(t, v)
		if err != nil {
			return err
		}
		columns, err := reading.ColumnsOf(v)
		if err != nil {
			return err
		}
		d.Suspects = suspects(c, columns)
		all := len(c.Changed) + len(c.Added) + len(c.Deleted)
		for i := after; i < min(all, after+rowsAPage); i++ {
			x := changedRow{}
			var row register.Row
			switch k := i - len(c.Changed); {
			case k < 0:
				ch := c.Changed[i]
				row = ch.After
				x.What, x.Was, x.Is = "changed", rowPath(n-1, ch.Before.Line), rowPath(n, ch.After.Line)
				for _, y := range ch.Cells {
					x.Cells = append(x.Cells, cellChange{columnName(columns, y), cutCell(y.Before), cutCell(y.After)})
				}
			case k < len(c.Added):
				row = c.Added[k]
				x.What, x.Is = "added", rowPath(n, row.Line)
			default:
				row = c.Deleted[k-len(c.Added)]
				x.What, x.Was = "deleted", rowPath(n-1, row.Line)
			}
			x.Row = fmt.Sprint(row.Line)
			x.Name = strings.TrimSpace(row.Text(register.Item) + " " + row.Text(register.Side))
			if rowWithheld(q, row.Text(register.Item), row.Text(register.Side)) {
				x.Cells, x.WithheldRest = nil, true
			}
			d.Rows = append(d.Rows, x)
		}
		if all > after+rowsAPage {
			d.More = fmt.Sprintf("/register/changes/%d?after=%d", n, after+rowsAPage)
		}
		return nil
	})
	if err != nil {
		return err
	}
	d.Withheld = !q.MayKnowAll()
	return q.Render("registerchanges", "Changes of the register", d)
}

func cutCell(s string) string {
	r := []rune(s)
	if len(r) <= wideAt {
		return s
	}
	return string(r[:wideAt]) + fmt.Sprintf(" … (%s more)", fixity.Count(len(r)-wideAt, "character"))
}

func suspects(c register.Changes, columns register.Columns) (out []string) {
	for _, f := range slices.Concat(reading.FactsOf(fixity.TornColumn, c, columns), reading.FactsOf(fixity.FilledDown, c, columns)) {
		out = append(out, site.Sentence(report.Fact(f)))
	}
	return out
}

type rowData struct {
	N        int64
	At       time.Time
	Now      bool // of the version in force
	Row      string
	Name     string
	Cells    []cellChange // Column and Before
	Copy     string       // the row as a spreadsheet program takes it
	Item     *site.Link
	Withheld bool
}

// registerRow shows a row whole, as it stood in a version, so that it can be copied back.
func registerRow(q *site.Request) error {
	n, err := strconv.ParseInt(q.PathValue("n"), 10, 64)
	line, err2 := strconv.Atoi(q.PathValue("line"))
	if err != nil || err2 != nil || n < 1 {
		return fixity.ErrNotFound
	}
	d := rowData{N: n}
	err = q.View(func(t *ledger.Tx) error {
		v, err := t.Register.Version(n)
		if err != nil {
			return err
		}
		now, err := t.Register.Version(0)
		if err != nil {
			return err
		}
		d.At, d.Now = v.At, now.N == n
		kept, err := t.Register.Rows(v)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(kept, func(r fixity.RegisterRow) bool { return r.Line == line })
		if i < 0 {
			return fixity.ErrNotFound
		}
		row, err := register.FromStored(kept[i].Cells, line)
		if err != nil {
			return err
		}
		columns, err := reading.ColumnsOf(v)
		if err != nil {
			return err
		}
		d.Row = fmt.Sprint(line)
		if row.Sheet != "" {
			d.Row = row.Sheet + ", " + d.Row
		}
		d.Name = strings.TrimSpace(row.Text(register.Item) + " " + row.Text(register.Side))
		if kept[i].Item != "" {
			d.Item = &site.Link{Path: site.ItemPath(kept[i].Item), Text: kept[i].Item}
		}
		if d.Withheld = rowWithheld(q, kept[i].Item, kept[i].Side); d.Withheld {
			return nil
		}
		for _, f := range register.Fields {
			if c := row.Cells[f]; c.Text != "" {
				d.Cells = append(d.Cells, cellChange{Column: columnName(columns, register.ChangedCell{Field: f}), Before: c.Text})
			}
		}
		for _, o := range row.Rest {
			d.Cells = append(d.Cells, cellChange{Column: o.Header, Before: o.Text})
		}
		d.Copy = row.Tabbed()
		return nil
	})
	if err != nil {
		return err
	}
	return q.Render("registerrow", "Row "+d.Row+" of the register", d)
}

// rowWithheld says that what a row about a side of an item says isn't for the person who asks.
func rowWithheld(q *site.Request, item, side string) bool {
	if q.Who.Role.May(fixity.Technician) {
		return false
	}
	return q.Restricted.Sets() || q.Restricted.Item(item, side)
}

// registerRead reads the register now.
func registerRead(q *site.Request) error {
	return readRegister(q, false, "")
}

// registerFewer reads the register once a person said that nearly all its rows are gone on
// purpose.
func registerFewer(q *site.Request) error {
	reason, err := q.Reason()
	if err != nil {
		return err
	}
	return readRegister(q, true, reason)
}

func readRegister(q *site.Request, fewer bool, reason string) error {
	return q.Act("Read the register", func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		reg := reading.Of(a, q.Site.Register)
		reg.Fewer, reg.Reason = fewer, reason
		r, err := reg.Read(ctx)
		if err != nil {
			return site.Outcome{}, err
		}
		if r.Failed != nil {
			return site.Outcome{}, site.Refused(site.Sentence(r.Failed.Error()) + " What was read of it last stays in force.")
		}
		return site.Outcome{See: "/register"}, nil
	})
}

// columnName is what people call a column.
func columnName(columns register.Columns, c register.ChangedCell) string {
	if c.Field == "" {
		return c.Header
	}
	if h := columns[c.Field]; h != "" {
		return h
	}
	return string(c.Field)
}
