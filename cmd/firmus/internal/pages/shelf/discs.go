// Package shelf serves the pages about discs: lists, what checks came to, and a sitting at the
// drive.
package shelf

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Routes are the pages of discs.
var Routes = []site.Route{
	{Pattern: "GET /discs", Needs: fixity.Viewer, Do: discsPage},
	{Pattern: "GET /discs/{number}", Needs: fixity.Viewer, Do: discPage},
	{Pattern: "GET /print/discs/{number}/checks/{id}", Needs: fixity.Viewer, Do: checkPrint},
	{Pattern: "GET /discs/{number}/checks/{id}/surface.svg", Needs: fixity.Viewer, Do: surfacePicture},
	{Pattern: "GET /print/discs", Needs: fixity.Viewer, Do: discsPrint},
	{Pattern: "GET /print/discs/{number}/burn", Needs: fixity.Viewer, Do: burnPrint},
	{Pattern: "POST /work/disc", Needs: fixity.Technician, Do: discCheckAct},
	{Pattern: "POST /work/disc/decide", Needs: fixity.Reviewer, Do: discDecideAct},
	{Pattern: "GET /sitting", Needs: fixity.Technician, Do: sittingPage},
	{Pattern: "POST /sitting", Needs: fixity.Technician, Do: sittingAct},
	{Pattern: "GET /print/sitting", Needs: fixity.Technician, Do: sittingPrint},
}

func discDesk(q *site.Request) checking.Desk {
	return checking.Desk{Desk: registering.Desk{Archive: q.Site.Archive}}
}

type discsData struct {
	Discs  int64
	Chosen string   // "due", "month", "" all
	Drawn  []string // of this month's list: what the draws let be said
	Box    string
	Boxes  []boxLine
	Groups []discGroup
	More   string
	Print  string
}

type boxLine struct {
	Path, Name string
	N          int64
	Here       bool
}

type discGroup struct {
	Box   string
	Discs []discRow
}

type discRow struct {
	Name, Path, Kind, Label string
	Control                 bool
	Holds                   string
	Read, Verdict           string
	Good                    bool
	Tries, Due              string
	Worn                    bool
	Findings                []site.Link
}

// discsAPage is how many discs a page has.
const discsAPage = 100

// discsPage lists discs by their boxes: all of them a page at a time, those that are due, or
// the month's list.
func discsPage(q *site.Request) error {
	d, err := chosenDiscs(q)
	if err != nil {
		return err
	}
	return q.Render("discs", "Discs", d)
}

func discsPrint(q *site.Request) error {
	if q.URL.RawQuery == "" { // the day's list: what is due or was chosen by chance
		q.URL.RawQuery = "show=month"
	}
	d, err := chosenDiscs(q)
	if err != nil {
		return err
	}
	return q.Render("discsprint", "Discs to pull", d)
}

func chosenDiscs(q *site.Request) (discsData, error) {
	query := q.URL.Query()
	d := discsData{Chosen: query.Get("show"), Box: query.Get("box")}
	if !slices.Contains([]string{"", "due", "month"}, d.Chosen) {
		return d, fixity.ErrNotFound
	}
	e := discDesk(q)
	var all []ledger.Disc
	if err := q.View(func(t *ledger.Tx) (err error) { all, err = t.Discs.All(); return err }); err != nil {
		return d, err
	}
	d.Discs = int64(len(all))
	sortDiscs(all)
	for _, x := range all {
		name := discs.Box(x.Box)
		if n := len(d.Boxes); n > 0 && d.Boxes[n-1].Name == name {
			d.Boxes[n-1].N++
			continue
		}
		d.Boxes = append(d.Boxes, boxLine{"/discs?box=" + url.QueryEscape(name), name, 1, name == d.Box && query.Has("box")})
	}
	d.Print = "/print/discs?" + q.URL.RawQuery
	var chosen []registering.Listed
	var err error
	switch {
	case d.Chosen == "due":
		chosen, err = e.Pull(q.Context(), checking.Pull{Due: true})
	case d.Chosen == "month":
		var s checking.Sample
		if chosen, s, err = e.PullMonth(q.Context()); s.Round > 0 {
			d.Drawn = s.Words()
		}
	default:
		if query.Has("box") {
			all = slices.DeleteFunc(all, func(x ledger.Disc) bool { return discs.Box(x.Box) != d.Box })
		}
		if after := query.Get("after"); after != "" {
			for i, x := range all {
				if x.Name() == after {
					all = all[i+1:]
					break
				}
			}
		}
		if len(all) > discsAPage {
			all = all[:discsAPage]
			v := url.Values{"after": {all[discsAPage-1].Name()}}
			if query.Has("box") {
				v.Set("box", d.Box)
			}
			d.More = "/discs?" + v.Encode()
		}
		chosen, err = e.Known(q.Context(), all)
		for i := range chosen {
			if err == nil {
				chosen[i].Due, err = e.Due(q.Context(), chosen[i].Disc)
			}
		}
	}
	if err != nil {
		return d, err
	}
	decisions := []ledger.DiscDecision(nil)
	if err := q.View(func(t *ledger.Tx) (err error) { decisions, err = t.Discs.Decisions(); return err }); err != nil {
		return d, err
	}
	for _, x := range checking.InBoxes(chosen) {
		name := discs.Box(x.Disc.Box)
		if n := len(d.Groups); n == 0 || d.Groups[n-1].Box != name {
			d.Groups = append(d.Groups, discGroup{Box: name})
		}
		g := &d.Groups[len(d.Groups)-1]
		r := discRowOf(x, decisions, q.Site.Now())
		if !q.MayKnowAll() {
			r.Label = "" // it may be a title
		}
		g.Discs = append(g.Discs, r)
	}
	return d, nil
}

// sortDiscs puts discs in the order of their boxes.
func sortDiscs(all []ledger.Disc) {
	slices.SortStableFunc(all, func(a, b ledger.Disc) int {
		if c := discs.CompareBoxes(a.Box, b.Box); c != 0 {
			return c
		}
		return strings.Compare(a.Name(), b.Name())
	})
}

func discRowOf(x registering.Listed, decisions []ledger.DiscDecision, now time.Time) discRow {
	r := discRow{Name: x.Disc.Name(), Path: site.DiscPath(x.Disc.Name()), Kind: kindOfDisc(x.Disc), Label: x.Disc.Label, Control: x.Disc.Control, Due: x.Due, Worn: x.Worn()}
	old := 0
	for _, f := range x.Files {
		if !f.Current || f.Retired {
			old++
		}
	}
	switch {
	case len(x.Files) > 0:
		r.Holds = fixity.Count(len(x.Files), "file")
		if old > 0 {
			r.Holds += fmt.Sprintf(", %d of an earlier version", old)
		}
	case x.Disc.Baseline != nil:
		r.Holds = "known by its first reading, not since it was burned"
	default:
		r.Holds = "contents not known"
	}
	if x.Last != nil {
		r.Read, r.Verdict, r.Good = report.Day(x.Last.Ended, now), verdictOf(*x.Last), ledger.GoodCheck(*x.Last, decisions)
		if n := x.Last.Retried + x.Last.Doubtful; n > 0 {
			r.Tries = fmt.Sprintf("%s of %s sectors after several tries", fixity.Number(n), fixity.Number(x.Last.Sectors))
			if x.First != nil && x.Last.Drive != "" {
				r.Tries += fmt.Sprintf("; %s when it was first read in this drive", fixity.Number(x.First.Retried+x.First.Doubtful))
			}
		}
	}
	for _, f := range x.Open {
		r.Findings = append(r.Findings, site.Link{Path: fmt.Sprintf("/findings/%d", f.ID), Text: fmt.Sprintf("finding %d", f.ID)})
	}
	return r
}

func kindOfDisc(d ledger.Disc) string {
	if d.Kind == ledger.AudioDisc {
		return "audio disc"
	}
	return "data disc"
}

// verdictOf is how a check ended, as people read it.
func verdictOf(c ledger.DiscCheck) string {
	if m := fixity.Means("disc", string(c.Verdict)); m != "" {
		return m
	}
	return string(c.Verdict)
}

type discData struct {
	Name, As string // as is written, and as people read it
	Kind     string
	Box      string
	Facts    [][2]string
	Files    []discFileRow
	Checks   []checkRow
	Findings []site.Link
	Due      string
	Burn     string
	Twins    []site.Link
	Surface  string  // a picture of the newest reading; "" if there is none
	Shown    string  // the same in words
	Trends   []trend // by drive: tries aren't comparable between two
}

// trend is how many sectors needed more tries, or weren't read, in each reading of a disc in
// one drive.
type trend struct {
	Drive, Words string
	Width        int
	Bars         []bar
}

type bar struct {
	X, Y, Height   int
	Lost, LostFrom int // the part of it that wasn't read
	Says           string
}

const (
	barStep = 14
	barHigh = 60
)

// trendsOf gathers checks by drive, the oldest first.
func trendsOf(all []ledger.DiscCheck, now time.Time) (out []trend) {
	by := map[string][]ledger.DiscCheck{}
	var drives []string
	for _, c := range all {
		if c.Drive == "" || c.Sectors == 0 { // of an image nothing wears out
			continue
		}
		if by[c.Drive] == nil {
			drives = append(drives, c.Drive)
		}
		by[c.Drive] = append(by[c.Drive], c)
	}
	for _, d := range drives {
		cs := by[d]
		if len(cs) < 2 {
			continue
		}
		most := int64(1)
		bad := func(c ledger.DiscCheck) int64 { return c.Retried + c.Doubtful + c.Unreadable }
		for _, c := range cs {
			most = max(most, bad(c))
		}
		t := trend{Drive: d, Width: barStep * len(cs)}
		high := func(n int64) int {
			if n == 0 {
				return 0
			}
			return max(2, int(n*barHigh/most)) // what is there is seen
		}
		for i, c := range cs {
			says := fmt.Sprintf("%s: %s after several tries, %s unreadable", report.Day(c.Ended, now), fixity.Number(c.Retried+c.Doubtful), fixity.Number(c.Unreadable))
			h, lost := high(bad(c)), high(c.Unreadable)
			t.Bars = append(t.Bars, bar{X: i * barStep, Y: barHigh - h, Height: h, Lost: lost, LostFrom: barHigh - lost, Says: says})
		}
		t.Words = fmt.Sprintf("First %s. Newest %s.", t.Bars[0].Says, t.Bars[len(cs)-1].Says)
		out = append(out, t)
	}
	return out
}

// keptSheet is the sheet of the check that the path names.
func keptSheet(q *site.Request) (s sheets.CheckSheet, err error) {
	if !q.MayKnowAll() {
		return s, site.ErrRestricted
	}
	id, err := q.Number("id")
	if err != nil {
		return s, err
	}
	d, _, err := discOf(q)
	if err != nil {
		return s, err
	}
	c, err := discDesk(q).Kept(q.Context(), d, id)
	s = sheets.CheckSheet{Archive: q.Site.Name, Check: c, Again: q.Site.Now(), Say: q.Site.Archive.Words.Order}
	if c.Row.Drive == "" {
		s.Image = "an image"
	}
	return s, err
}

func checkPrint(q *site.Request) error {
	s, err := keptSheet(q)
	if err != nil {
		return err
	}
	return q.Sheet(s)
}

// surfacePicture is how reading went, from the disc's inner edge outwards.
func surfacePicture(q *site.Request) error {
	s, err := keptSheet(q)
	if err != nil {
		return err
	}
	svg, style, _, err := s.Surface()
	if err != nil || svg == nil {
		return errors.Join(fixity.ErrNotFound, err)
	}
	q.W.Header().Set("Content-Security-Policy", site.OwnStyle(style))
	q.W.Header().Set("Content-Type", "image/svg+xml")
	_, _ = q.W.Write(svg)
	return nil
}

// discOf is the one of the path, with those that have its number and part.
func discOf(q *site.Request) (d ledger.Disc, same []ledger.Disc, err error) {
	name := q.PathValue("number")
	err = q.View(func(t *ledger.Tx) error {
		all, err := t.Discs.All()
		if err != nil {
			return err
		}
		if i := slices.IndexFunc(all, func(x ledger.Disc) bool { return x.Name() == name }); i >= 0 {
			d = all[i]
		} else if d, err = discs.Find(name, all); err != nil {
			return errors.Join(fixity.ErrNotFound, err)
		}
		for _, x := range all {
			if x.Number == d.Number && x.Part == d.Part {
				same = append(same, x)
			}
		}
		return nil
	})
	return d, same, err
}

type discFileRow struct {
	N               int
	Name, Path, Was string
	Version         int64
}

type checkRow struct {
	At                          time.Time
	By, Verdict, Drive, Sectors string
	Good                        bool
	Tries, Unreadable           string
	Sheet                       string // its check sheet, "" for who may not see names
}

func (d discData) path() string { return site.DiscPath(d.Name) }

// discPage shows all that is known of one disc.
func discPage(q *site.Request) error {
	e := discDesk(q)
	d, same, err := discOf(q)
	if err != nil {
		return err
	}
	known, err := e.Known(q.Context(), []ledger.Disc{d})
	if err != nil {
		return err
	}
	x := known[0]
	out := discData{Name: d.Name(), Kind: kindOfDisc(d), Box: discs.Box(d.Box), Burn: "/print" + site.DiscPath(d.Number) + "/burn"}
	if out.Due, err = e.Due(q.Context(), d); err != nil {
		return err
	}
	for i, s := range same {
		if s.ID == d.ID && len(same) > 1 {
			out.As = fmt.Sprintf("copy %d of %d", i+1, len(same))
		} else if s.ID != d.ID {
			out.Twins = append(out.Twins, site.Link{Path: site.DiscPath(s.Name()), Text: s.Name()})
		}
	}
	fact := func(name, value string) {
		if value != "" {
			out.Facts = append(out.Facts, [2]string{name, value})
		}
	}
	fact("kind", out.Kind)
	if d.Control {
		fact("control disc", "it is read first, to look at the drive")
	}
	fact("box", out.Box)
	if q.MayKnowAll() {
		fact("written on it", d.Label)
	}
	fact("blank", d.Blank)
	fact("burned", d.Burned)
	fact("registered", report.Local(d.Added)+", by "+d.By)
	for _, f := range x.Files {
		r := discFileRow{Name: f.Set + "/" + q.Named(f.Set, f.Path), Version: f.Version, N: len(out.Files) + 1}
		set, _ := e.Rules.Set(f.Set)
		if item := set.ItemOf(f.Path); item != "" {
			r.Path = site.ItemPath(item)
		}
		switch {
		case f.Retired:
			r.Was = "the file is retired"
		case !f.Current:
			r.Was = "there is a newer version"
		}
		out.Files = append(out.Files, r)
	}
	var checks []ledger.DiscCheck
	var decisions []ledger.DiscDecision
	if err := q.View(func(t *ledger.Tx) (err error) {
		if checks, err = t.Discs.Checks(d.ID); err != nil {
			return err
		}
		decisions, err = t.Discs.Decisions()
		return err
	}); err != nil {
		return err
	}
	for _, c := range slices.Backward(checks) {
		r := checkRow{At: c.Ended, By: c.By, Verdict: verdictOf(c), Drive: c.Drive, Good: ledger.GoodCheck(c, decisions), Sectors: fixity.Number(c.AtOnce+c.Retried+c.Doubtful) + " of " + fixity.Number(c.Sectors),
			Tries: fixity.Number(c.Retried + c.Doubtful), Unreadable: fixity.Number(c.Unreadable)}
		if r.Drive == "" {
			r.Drive = "an image of it"
		}
		if q.MayKnowAll() {
			r.Sheet = fmt.Sprintf("/print%s/checks/%d", out.path(), c.ID)
		}
		out.Checks = append(out.Checks, r)
	}
	out.Trends = trendsOf(checks, q.Site.Now())
	if n := len(checks); n > 0 && q.MayKnowAll() {
		if i := slices.IndexFunc(decisions, func(x ledger.DiscDecision) bool { return x.Covers(checks[n-1]) }); i >= 0 {
			x := decisions[i]
			fact("decided for its class", x.Reason+", "+report.Local(x.At)+", by "+x.By)
		}
		c, err := e.Kept(q.Context(), d, checks[n-1].ID)
		if err != nil {
			return err
		}
		svg, _, words, err := sheets.CheckSheet{Check: c}.Surface()
		if err != nil {
			return err
		}
		if svg != nil {
			out.Surface, out.Shown = fmt.Sprintf("%s/checks/%d/surface.svg", out.path(), c.Row.ID), words
		}
	}
	for _, f := range x.Open {
		out.Findings = append(out.Findings, site.Link{Path: fmt.Sprintf("/findings/%d", f.ID), Text: fmt.Sprintf("finding %d: %s", f.ID, site.KindInWords(q.Veiled(f)))})
	}
	return q.Render("disc", "Disc "+d.Name(), out)
}

// burnPrint is the burn sheet of a registered disc and its twins.
func burnPrint(q *site.Request) error {
	if !q.MayKnowAll() {
		return site.ErrRestricted
	}
	s, err := discDesk(q).BurnSheet(q.Context(), q.Site.Name, q.PathValue("number"), true)
	if err != nil {
		return err
	}
	s.By, s.Say = q.Who.Name, q.Site.Archive.Words.Order
	return q.Sheet(s)
}
