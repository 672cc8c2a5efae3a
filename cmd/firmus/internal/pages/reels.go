package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var reelRoutes = []route{
	{"GET /reels", fixity.Viewer, reelsPage},
	{"GET /reels/{item}", fixity.Viewer, reelPage},
	{"GET /print/reels", fixity.Viewer, reelsPrint},
	{"GET /print/reels/{item}", fixity.Viewer, reelPrint},
}

// sidesAPage is how many sides a page of them has.
const sidesAPage = 50

// count makes the counter of what comes next with all sides.
func (s *Site) count() *reels.Counter {
	e := s.o.Archive
	return &reels.Counter{
		Mark: func(ctx context.Context) (n int64, err error) {
			err = e.Ledger.View(ctx, func(t *tx) (err error) { n, err = t.Log.Count(); return err })
			return n, err
		},
		Count: func(ctx context.Context) (*reels.Overview, error) {
			return reels.Look(ctx, e.Ledger, s.plan, e.Now())
		},
		Run: s.o.Run,
	}
}

// Warm begins to count before somebody asks.
func (s *Site) Warm(ctx context.Context) {
	if _, err := s.reels.Newest(ctx); err != nil && ctx.Err() == nil {
		s.o.Log.Warn("the sides could not be counted yet", "error", err)
	}
}

func (s *Site) plan(t *tx) (reels.Plan, error) {
	shelf, err := t.Discs.Any()
	return reels.PlanOf(s.o.Archive.Rules, shelf), err
}

type reelsData struct {
	At      time.Time
	Late    bool // more was recorded since it was counted
	Items   int64
	Sides   int64
	Filters []reelFilter
	Chosen  string // in words; "" all
	Heads   []columnHead
	Groups  []columnGroup
	Rows    []sideRow
	Discs   bool
	First   bool
	More    string
	Print   string
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
	Why              []link
	Need             bool
	Length           string
	Cells            []cellData
	Discs            string
}

type cellData struct {
	Label, State, Words, Date string
	Empty                     string // "not yet", "not expected"
	Need                      bool
}

// reelsPage shows where each side is in the work.
func reelsPage(q *request) error {
	d, err := q.reels(sidesAPage)
	if err != nil {
		return err
	}
	return q.render("reels", "Reels", d)
}

// nextOf is what a filter in the address asks for.
func nextOf(text string) (reels.Next, error) {
	n := reels.Next(text)
	if n != "" && !slices.Contains(reels.Nexts, n) {
		return "", fixity.ErrNotFound
	}
	return n, nil
}

func (q *request) reels(n int) (reelsData, error) {
	query := q.URL.Query()
	next, err := nextOf(query.Get("next"))
	if err != nil {
		return reelsData{}, err
	}
	o, err := q.s.reels.Overview(q.Context())
	if errors.Is(err, reels.ErrCounting) {
		q.w.Header().Set("Retry-After", "5")
		return reelsData{}, status{http.StatusServiceUnavailable, "The sides are being counted", "Firmus was started just now. Look again in a few seconds."}
	}
	if err != nil {
		return reelsData{}, err
	}
	after := reels.Key{Item: query.Get("after"), Side: query.Get("side")}
	keys, more := o.Page(next, after, n)
	d := reelsData{At: o.At, Items: o.Items, Sides: o.Sides(), Discs: o.Plan.Discs, Chosen: next.Words(), First: after == reels.Key{}, Print: "/print/reels"}
	for _, x := range reels.Nexts {
		f := reelFilter{Path: "/reels?next=" + string(x), Words: x.Words(), N: o.Counts[x], Here: x == next, Need: x == reels.PutRight || x == reels.Decide}
		if f.N > 0 || f.Here {
			d.Filters = append(d.Filters, f)
		}
	}
	if next != "" {
		d.Print += "?next=" + string(next)
	}
	d.Heads, d.Groups = headsOf(o.Plan)
	var sides []reels.Side
	if err := q.view(func(t *tx) error {
		last := ""
		for i, k := range keys {
			if i > 0 && k.Item == last {
				continue
			}
			last = k.Item
			files, err := t.Files.OfItemWorking(k.Item)
			if err != nil {
				return err
			}
			sides = append(sides, o.Plan.SidesOf(files)...)
		}
		return nil
	}); err != nil {
		return d, err
	}
	for _, s := range sides {
		if slices.Contains(keys, reels.Key{Item: s.Item, Side: s.Side}) {
			d.Rows = append(d.Rows, q.sideRow(o.Plan, s))
		}
	}
	if more {
		v := url.Values{"after": {keys[len(keys)-1].Item}, "side": {keys[len(keys)-1].Side}}
		if next != "" {
			v.Set("next", string(next))
		}
		d.More = "/reels?" + v.Encode()
	}
	return d, nil
}

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

// reelPath is the page of a reel.
func reelPath(item string) string { return "/reels/" + url.PathEscape(item) }

func (q *request) sideRow(p reels.Plan, s reels.Side) sideRow {
	now := q.s.now()
	r := sideRow{Item: s.Item, Side: s.Side, Path: reelPath(s.Item), Next: nextWords(s), Need: s.Next == reels.PutRight || s.Next == reels.Decide, Length: clockOf(s.Length)}
	if r.Need {
		for i, f := range s.Findings {
			if i == 3 {
				break
			}
			r.Why = append(r.Why, link{fmt.Sprintf("/findings/%d", f.ID), fmt.Sprintf("finding %d", f.ID)})
		}
	}
	for i, c := range s.Cells {
		r.Cells = append(r.Cells, cellOf(p.Columns[i], c, s.Next == reels.Decide, now))
	}
	switch {
	case !p.Discs:
	case s.OnDisc > 0:
		r.Discs = fixity.Count(s.Discs, "disc")
		if all := max(s.Access, 1); s.OnDisc < all {
			r.Discs = fmt.Sprintf("%d of %d files", s.OnDisc, all)
		}
	default:
		r.Discs = "not yet"
	}
	return r
}

// nextWords is what comes next with a side, as an order.
func nextWords(s reels.Side) string {
	switch s.Next {
	case reels.PutRight:
		return "put right"
	case reels.Decide:
		return "decide"
	case reels.Finish:
		return "finish the edit"
	case reels.Edit:
		return "edit"
	case reels.Burn:
		return "burn"
	case reels.Bring:
		return "bring to " + fixity.And(s.Of)
	}
	return ""
}

// clockOf is a length without thousandths, "" if it isn't known.
func clockOf(d time.Duration) string {
	d = d.Round(time.Second)
	switch {
	case d <= 0:
		return ""
	case d < time.Hour:
		return fmt.Sprintf("%d:%02d", d/time.Minute, d/time.Second%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", d/time.Hour, d/time.Minute%60, d/time.Second%60)
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
	OnDiscs []link
	Suspect []string
	History []event
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
	Copies          []copyLine
	Findings        []link
	Retired         string
}

// reelPage shows all that is known of one reel.
func reelPage(q *request) error {
	item := q.PathValue("item")
	e := q.s.o.Archive
	it, err := statements.MakeItem(q.Context(), e.Ledger, e.Rules, item, e.Now())
	if err != nil {
		return err
	}
	d := reelData{Item: item, Print: "/print/reels/" + url.PathEscape(item)}
	err = q.view(func(t *tx) error {
		plan, err := q.s.plan(t)
		if err != nil {
			return err
		}
		d.Discs = plan.Discs
		files, err := t.Files.OfItemWorking(item)
		if err != nil {
			return err
		}
		for _, s := range plan.SidesOf(files) {
			d.Rows = append(d.Rows, q.sideRow(plan, s))
		}
		d.Heads, d.Groups = headsOf(plan)
		if !slices.ContainsFunc(files, func(f ledger.Working) bool { return q.mayNotKnow(f.File.Set, f.File.Path) }) {
			var plain []ledger.File
			for _, f := range files {
				plain = append(plain, f.File)
			}
			d.Suspect, err = q.suspect(t, plain)
		}
		return err
	})
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	for _, f := range it.Files {
		x := reelFile{Set: f.Set, Path: q.named(f.Set, f.Path), Version: f.Version}
		for _, v := range f.Versions {
			if v.N == f.Version {
				x.Size, x.Digest, x.By, x.At = report.Size(v.Size), v.SHA256, v.By, v.At.Time
				x.Length = clockOf(time.Duration(v.Sound * float64(time.Second)))
			}
		}
		if f.Unfinished != nil {
			x.Unfinished = f.Unfinished.Lacking
		}
		if f.Retired != nil {
			x.Retired = report.Local(f.Retired.Time)
		}
		for _, c := range it.Lines(f) {
			x.Copies = append(x.Copies, copyLine{Store: c.Where, State: string(c.State), Is: c.Is, Known: c.Known, At: q.named(f.Set, c.At), Bad: c.Bad})
			if c.Disc != "" && !seen[c.Disc] {
				seen[c.Disc] = true
				d.OnDiscs = append(d.OnDiscs, link{"/discs/" + url.PathEscape(c.Disc), c.Disc})
			}
		}
		for _, fd := range f.Findings {
			text := fmt.Sprintf("finding %d: %s", fd.ID, fd.Kind)
			if fd.State != "open" {
				text += ", ended"
			}
			x.Findings = append(x.Findings, link{fmt.Sprintf("/findings/%d", fd.ID), text})
		}
		for _, ev := range f.Events {
			w := event{At: ev.At.Time, What: fixity.Means("verb", string(ev.Verb)) + ": " + q.named(f.Set, f.Path), By: ev.By}
			if ev.Store != "" {
				w.What += " (" + ev.Store + ")"
			}
			if ev.Reason != "" && !q.mayNotKnow(f.Set, f.Path) {
				w.What += ": " + ev.Reason
			}
			d.History = append(d.History, w)
		}
		d.Files = append(d.Files, x)
	}
	slices.SortStableFunc(d.History, func(a, b event) int { return a.At.Compare(b.At) })
	if n := len(d.History); n > mostEvents {
		d.History = d.History[n-mostEvents:]
	}
	return q.render("reel", shown(item), d)
}

// suspect are suspicions that masters were edited before they were taken in.
func (q *request) suspect(t *tx, files []ledger.File) ([]string, error) {
	var masters []report.Heard
	for _, f := range files {
		if set, _ := q.s.o.Archive.Rules.Set(f.Set); set.Role != fixity.Master || f.Version == 0 {
			continue
		}
		s, err := t.Files.Sound(f.ID, f.Version)
		if err != nil {
			return nil, err
		}
		masters = append(masters, report.Heard{Path: f.Path, Sound: s})
	}
	return report.Suspicions(masters), nil
}

// reelsPrint is the list to print, as the day's work: a page of sides of one kind, or of all.
func reelsPrint(q *request) error {
	d, err := q.reels(sidesOnPaper)
	if err != nil {
		return err
	}
	return q.render("reelsprint", "Where each reel is", d)
}

// sidesOnPaper is how many sides a printed list has.
const sidesOnPaper = 200

// reelPrint is the statement of one reel, on paper.
func reelPrint(q *request) error {
	e := q.s.o.Archive
	it, err := statements.MakeItem(q.Context(), e.Ledger, e.Rules, q.PathValue("item"), e.Now())
	if err != nil {
		return err
	}
	if slices.ContainsFunc(it.Files, func(f statements.File) bool { return q.mayNotKnow(f.Set, f.Path) }) {
		return errRestricted
	}
	return q.sheet(it.Sheet(q.s.o.Name))
}
