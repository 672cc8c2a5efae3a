package items

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// sidesAPage is how many sides a page of them has.
const sidesAPage = 50

// Counter makes the counter of what comes next with all sides.
func Counter(o site.Options) *reels.Counter {
	e := o.Archive
	return &reels.Counter{
		Mark: func(ctx context.Context) (n int64, err error) {
			err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { n, err = t.Log.Count(); return err })
			return n, err
		},
		Count: func(ctx context.Context) (*reels.Overview, error) {
			return reels.Look(ctx, e.Ledger, func(t *ledger.Tx) (reels.Plan, error) { return planOf(t, e.Rules) }, e.Now())
		},
		Run: o.Run,
	}
}

func planOf(t *ledger.Tx, rules care.Rules) (reels.Plan, error) {
	shelf, err := t.Discs.Any()
	return reels.PlanOf(rules, shelf), err
}

type reelsData struct {
	At      time.Time
	Items   int64
	Unsided bool // nothing tells sides
	Sides   int64
	Filters []reelFilter
	Chosen  string // in words; "" all
	Heads   []columnHead
	Groups  []columnGroup
	Rows    []sideRow
	Onlys   []reelFilter // of what the register says
	Bases   []reelFilter
	Discs   bool
	First   bool
	More    string
	Print   string
	Forms   []string // addresses of the statement, as page, workbook, CSV and JSON; nil if it isn't for the person who asks
}

type reelFilter struct {
	Path, Words string
	N           int64
	Here        bool
	Need        bool
}

// columnGroup is a role with how many columns it has.
type columnGroup struct {
	Name string
	N    int
}

type columnHead struct{ Store, Place, Role string }

type sideRow struct {
	Item, Side, Path string
	Next             string
	Why              []site.Link
	Need             bool
	Length           string
	Cells            []cellData
	Transferred      string // the day
	Whole            string
	Edited           string
	DiscA, DiscB     discCell
	Said             []string // by the register: base, condition, treatment, priority
	Title            string
	Once             bool
}

// discCell is one copy of a side on discs.
type discCell struct {
	Discs []site.Link
	Empty string
}

type cellData struct {
	Label, State, Words, Date string
	Empty                     string // "not yet", "not expected"
	Need                      bool
}

// reelsPage shows where each side is in the work.
func reelsPage(q *site.Request) error {
	d, err := chosenSides(q, sidesAPage)
	if err != nil {
		return err
	}
	return q.Render("reels", "Reels", d)
}

// filterOf is what the address asks for.
func filterOf(q *site.Request) (f reels.Filter, err error) {
	v := q.URL.Query()
	f = reels.Filter{Next: reels.Next(v.Get("next")), Only: reels.Only(v.Get("only")), Base: v.Get("base")}
	if f.Next != "" && !slices.Contains(reels.Nexts, f.Next) || f.Only != "" && !slices.Contains(reels.Onlys, f.Only) {
		return f, fixity.ErrNotFound
	}
	return f, nil
}

// filterWords say what sides a filter lets through; "" all.
func filterWords(f reels.Filter) string {
	var out []string
	for _, w := range []string{f.Next.Words(), f.Base, f.Only.Words()} {
		if w != "" {
			out = append(out, w)
		}
	}
	return strings.Join(out, ", ")
}

func filterQuery(f reels.Filter) url.Values {
	v := url.Values{}
	for _, x := range [][2]string{{"next", string(f.Next)}, {"only", string(f.Only)}, {"base", f.Base}} {
		if x[1] != "" {
			v.Set(x[0], x[1])
		}
	}
	return v
}

func withQuery(base string, v url.Values) string {
	if len(v) == 0 {
		return base
	}
	return base + "?" + v.Encode()
}

func chosenSides(q *site.Request, n int) (reelsData, error) {
	f, err := filterOf(q)
	if err != nil {
		return reelsData{}, err
	}
	o, err := q.Site.Reels.Overview(q.Context())
	if errors.Is(err, reels.ErrCounting) {
		q.W.Header().Set("Retry-After", "5")
		return reelsData{}, site.Status{Code: http.StatusServiceUnavailable, Title: "The sides are being counted", Text: "Firmus was started just now. Look again in a few seconds."}
	}
	if err != nil {
		return reelsData{}, err
	}
	query := q.URL.Query()
	after := reels.Key{Item: query.Get("after"), Side: query.Get("side")}
	keys, more := o.Page(f, after, n)
	d := reelsData{At: o.At, Items: o.Items, Sides: o.Sides(), Unsided: o.Unsided(), Discs: o.Plan.Discs, Chosen: filterWords(f), First: after == reels.Key{}, Print: withQuery("/print/reels", filterQuery(f))}
	if q.MayKnowAll() {
		for _, form := range []string{"", "/xlsx", "/csv", "/json"} {
			d.Forms = append(d.Forms, withQuery("/print/sides"+form, filterQuery(f)))
		}
	}
	for _, x := range reels.Nexts {
		w := reelFilter{Path: withQuery("/reels", filterQuery(reels.Filter{Next: x})), Words: x.Words(), N: o.Counts[x], Here: f == reels.Filter{Next: x}, Need: x == reels.PutRight || x == reels.Decide}
		if w.N > 0 || w.Here {
			d.Filters = append(d.Filters, w)
		}
	}
	for _, x := range reels.Onlys {
		w := reelFilter{Path: withQuery("/reels", filterQuery(reels.Filter{Only: x})), Words: x.Words(), N: o.Only[x], Here: f == reels.Filter{Only: x}}
		if w.N > 0 || w.Here {
			d.Onlys = append(d.Onlys, w)
		}
	}
	for _, x := range slices.Sorted(maps.Keys(o.Bases)) {
		if len(d.Bases) < mostBases {
			d.Bases = append(d.Bases, reelFilter{Path: withQuery("/reels", filterQuery(reels.Filter{Base: x})), Words: x, N: o.Bases[x], Here: f == reels.Filter{Base: x}})
		}
	}
	d.Heads, d.Groups = headsOf(o.Plan)
	if err := q.View(func(t *ledger.Tx) error {
		read := reels.Reader{Plan: o.Plan}
		for _, k := range keys {
			s, ok, err := read.Side(t, k)
			if err != nil {
				return err
			}
			if !ok {
				continue // it was retired meanwhile
			}
			r, err := rowOf(q, t, o.Plan, s)
			if err != nil {
				return err
			}
			d.Rows = append(d.Rows, r)
		}
		return nil
	}); err != nil {
		return d, err
	}
	if more {
		v := filterQuery(f)
		v.Set("after", keys[len(keys)-1].Item)
		v.Set("side", keys[len(keys)-1].Side)
		d.More = "/reels?" + v.Encode()
	}
	return d, nil
}

// mostBases is how many bases are offered: a column with more holds something else.
const mostBases = 8

// headsOf are the heads of the columns, and how many of them each role has.
func headsOf(p reels.Plan) (heads []columnHead, groups []columnGroup) {
	for _, c := range p.Columns {
		role := roleWord(c.Role)
		heads = append(heads, columnHead{c.Store, c.Place, role})
		if k := len(groups); k > 0 && groups[k-1].Name == role {
			groups[k-1].N++
		} else {
			groups = append(groups, columnGroup{role, 1})
		}
	}
	return heads, groups
}

func roleWord(r fixity.Role) string {
	if r == fixity.Access {
		return "access files"
	}
	return "master"
}

func rowOf(q *site.Request, t *ledger.Tx, p reels.Plan, s reels.Side) (sideRow, error) {
	now := q.Site.Now()
	r := sideRow{Item: s.Item, Side: s.Side, Path: site.ItemPath(s.Item), Next: s.Order(), Need: s.Next == reels.PutRight || s.Next == reels.Decide, Length: report.Clock(s.Length), Once: s.Once}
	if r.Need {
		for i, f := range s.Findings {
			if i == 3 {
				break
			}
			r.Why = append(r.Why, site.Link{Path: fmt.Sprintf("/findings/%d", f.ID), Text: fmt.Sprintf("finding %d", f.ID)})
		}
	}
	for i, c := range s.Cells {
		r.Cells = append(r.Cells, cellOf(p.Columns[i], c, s.Next == reels.Decide, now))
	}
	if len(s.Files) > 0 {
		if r.Transferred, r.Whole = report.Day(s.Transferred, now), "whole"; s.Unfinished {
			r.Whole = "not whole"
		}
		switch {
		case s.Editing:
			r.Edited = "being edited"
		case s.Access > 0:
			r.Edited = fixity.Count(s.Access, "file")
		case p.Access:
			r.Edited = "not yet"
		}
	}
	if s.Says != nil {
		if q.Who.Role.May(fixity.Technician) || !q.Restricted.Item(s.Item, s.Side) {
			r.Title = s.Says.Title
		}
		for _, x := range []string{s.Says.Base, s.Says.Condition, s.Treatment(), hazardOf(s.Says), priorityOf(s.Says)} {
			if x != "" {
				r.Said = append(r.Said, x)
			}
		}
	}
	if p.Discs && len(s.Files) > 0 {
		return r, r.discs(t, s)
	}
	return r, nil
}

// hazardOf and priorityOf are what the register says, with the name of its column.
func hazardOf(x *register.Says) string   { return labelled("hazard: ", x.Hazard) }
func priorityOf(x *register.Says) string { return labelled("priority: ", x.Priority) }

func labelled(label, text string) string {
	if text == "" {
		return ""
	}
	return label + text
}

// discs fills in on which discs the side is: copy 1 is twin A or a disc without a twin.
func (r *sideRow) discs(t *ledger.Tx, s reels.Side) error {
	for _, id := range s.Discs {
		d, err := t.Discs.Get(id)
		if err != nil {
			return err
		}
		to := &r.DiscA
		if d.Twin != "" && d.Twin != "A" {
			to = &r.DiscB
		}
		to.Discs = append(to.Discs, site.Link{Path: site.DiscPath(d.Name()), Text: d.Name()})
	}
	for _, c := range []*discCell{&r.DiscA, &r.DiscB} {
		if len(c.Discs) == 0 {
			c.Empty = "not yet"
		}
	}
	if all := max(s.Access, 1); s.OnDisc > 0 && s.OnDisc < all {
		r.DiscA.Empty = fmt.Sprintf("%d of %d files", s.OnDisc, all)
	}
	return nil
}

func cellOf(h reels.Column, c reels.Cell, perhaps bool, now time.Time) cellData {
	out := cellData{Label: roleWord(h.Role) + ", " + h.Store}
	switch {
	case c.All == 0 && c.Expected:
		out.Empty = "not yet"
		return out
	case c.All == 0:
		out.Empty = "not expected"
		return out
	}
	out.State, out.Words = string(c.State), string(c.State)
	switch c.State {
	case fixity.Altered:
		out.Words = "damaged"
		if perhaps { // somebody must say whether it was meant
			out.Words = "changed"
		}
	case fixity.Editing:
		out.Words = "being edited"
	}
	out.Need = c.State != fixity.Intact && c.State != fixity.Editing && c.State != fixity.Awaited && c.State != fixity.Behind
	if c.Of < c.All {
		out.Words = fmt.Sprintf("%d of %d %s", c.Of, c.All, out.Words)
	}
	if day := report.Day(c.Since, now); !c.Since.IsZero() && day != report.Day(now, now) {
		out.Date = day
	}
	return out
}

type reelData struct {
	Item    string
	Rows    []sideRow
	Heads   []columnHead
	Groups  []columnGroup
	Discs   bool
	Files   []reelFile
	OnDiscs []site.Link
	Suspect []string
	History []site.Event
	Print   string
}

type reelFile struct {
	Set, Path, Name string
	Length, Size    string
	Version         int64
	Digest          string
	By              string
	At              time.Time
	Unfinished      string
	Copies          []site.CopyLine
	Findings        []site.Link
	Retired         string
}

// mostHeard is of how many files of one reel is asked whether they were edited before.
const mostHeard = 1000

// reelPage shows all that is known of one reel.
func reelPage(q *site.Request) error {
	item := q.PathValue("item")
	e := q.Site.Archive
	it, err := statements.MakeItem(q.Context(), e.Ledger, q.Site.Name, e.Rules, item, e.Now())
	none := errors.Is(err, fixity.ErrNotFound) // the register may know it
	if err != nil && !none {
		return err
	}
	d := reelData{Item: item, Print: "/print" + site.ItemPath(item)}
	err = q.View(func(t *ledger.Tx) error {
		plan, err := planOf(t, q.Site.Archive.Rules)
		if err != nil {
			return err
		}
		d.Discs = plan.Discs
		read := reels.Reader{Plan: plan}
		sides, err := read.Item(t, item)
		if err != nil {
			return err
		}
		if none {
			if d.Print = ""; len(sides) == 0 {
				return fixity.ErrNotFound
			}
		}
		for _, s := range sides {
			r, err := rowOf(q, t, plan, s)
			if err != nil {
				return err
			}
			d.Rows = append(d.Rows, r)
		}
		d.Heads, d.Groups = headsOf(plan)
		d.Suspect, err = suspect(q, t, item, mostHeard)
		return err
	})
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	for _, f := range it.Files {
		x := reelFile{Set: f.Set, Path: q.Named(f.Set, f.Path), Version: f.Version}
		for _, v := range f.Versions {
			if v.N == f.Version {
				x.Size, x.Digest, x.By, x.At = report.Size(v.Size), v.SHA256, report.Both(v.By, v.Second), v.At.Time
				x.Length = report.Clock(time.Duration(v.Sound * float64(time.Second)))
			}
		}
		if f.Unfinished != nil {
			x.Unfinished = f.Unfinished.Lacking
		}
		if f.Retired != nil {
			x.Retired = report.Local(f.Retired.Time)
		}
		for _, c := range it.Lines(f) {
			x.Copies = append(x.Copies, site.CopyLine{Store: c.Where, State: string(c.State), Is: c.Is, Known: c.Known, At: q.Named(f.Set, c.At), Bad: c.Bad})
			if c.Disc != "" && !seen[c.Disc] {
				seen[c.Disc] = true
				d.OnDiscs = append(d.OnDiscs, site.Link{Path: site.DiscPath(c.Disc), Text: c.Disc})
			}
		}
		for _, fd := range f.Findings {
			text := fmt.Sprintf("finding %d: %s", fd.ID, fd.Kind)
			if fd.State != "open" {
				text += ", ended"
			}
			x.Findings = append(x.Findings, site.Link{Path: fmt.Sprintf("/findings/%d", fd.ID), Text: text})
		}
		for _, ev := range f.Events {
			w := site.Event{At: ev.At.Time, What: ev.Means + ": " + q.Named(f.Set, f.Path), By: report.Both(ev.By, ev.Second)}
			if ev.Store != "" {
				w.What += " (" + ev.Store + ")"
			}
			if ev.Reason != "" && !q.MayNotKnow(f.Set, f.Path) {
				w.What += ": " + ev.Reason
			}
			d.History = append(d.History, w)
		}
		d.Files = append(d.Files, x)
	}
	slices.SortStableFunc(d.History, func(a, b site.Event) int { return a.At.Compare(b.At) })
	if n := len(d.History); n > site.MostEvents {
		d.History = d.History[n-site.MostEvents:]
	}
	return q.Render("reel", site.Shown(item), d)
}

// reelsPrint is the list to print, as the day's work: a page of sides of one kind, or of all.
func reelsPrint(q *site.Request) error {
	d, err := chosenSides(q, sidesOnPaper)
	if err != nil {
		return err
	}
	return q.Render("reelsprint", "Where each reel is", d)
}

// sidesOnPaper is how many sides a printed list has.
const sidesOnPaper = 200

// sidesPrint is the statement of all sides that are asked for, in each of its forms.
func sidesPrint(q *site.Request) error {
	if !q.MayKnowAll() {
		return site.ErrRestricted
	}
	f, err := filterOf(q)
	if err != nil {
		return err
	}
	e := q.Site.Archive
	return q.Kept("reels", filterQuery(f).Encode(), func() (site.Statement, error) {
		return statements.MakeReels(q.Context(), e.Ledger, q.Site.Name, e.Rules, f, e.Now())
	})
}

// reelPrint is the statement of one reel, on paper.
func reelPrint(q *site.Request) error {
	e := q.Site.Archive
	it, err := statements.MakeItem(q.Context(), e.Ledger, q.Site.Name, e.Rules, q.PathValue("item"), e.Now())
	if err != nil {
		return err
	}
	if slices.ContainsFunc(it.Files, func(f statements.File) bool { return q.MayNotKnow(f.Set, f.Path) }) {
		return site.ErrRestricted
	}
	if err := it.Draw(acts.Of(e).Hurt(q.Context())); err != nil {
		return err
	}
	return q.Stated("reel", it)
}
