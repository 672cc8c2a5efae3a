package pages

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var findingRoutes = []site.Route{
	{Pattern: "GET /findings", Needs: fixity.Viewer, Do: findingsPage},
	{Pattern: "GET /findings/{id}", Needs: fixity.Viewer, Do: findingPage},
	{Pattern: "GET /incidents/{id}", Needs: fixity.Viewer, Do: incidentPage},
	{Pattern: "GET /search", Needs: fixity.Viewer, Do: searchPage},
}

// perPage is how many lines a page of a list has.
const perPage = 100

type findingsData struct {
	Ended     bool
	Waiting   []proposalLine
	Counts    []countOf
	Incidents []incidentLine
	Groups    []group
	Open      int64
	More      string // the next page; "" if there is none
}

type countOf struct {
	Means string
	N     int64
}

type group struct {
	Means string
	Lines []site.Line
}

type incidentLine struct {
	ledger.OpenIncident
	Heading string
	Words   string
}

// levels are the urgencies, the most urgent first.
var levels = []fixity.Urgency{fixity.NoneIntact, fixity.AtRisk, fixity.Tidy}

// findingsPage lists open findings by urgency, an incident as one; ?ended=1 those that
// ended. ?from= is where the next page begins: urgency and number.
func findingsPage(q *site.Request) error {
	form := q.URL.Query()
	d := findingsData{Ended: form.Get("ended") != ""}
	err := q.View(func(t *ledger.Tx) error {
		if d.Ended {
			return d.ended(q, t, form.Get("from"))
		}
		return d.open(q, t, form.Get("from"))
	})
	if err != nil {
		return err
	}
	return q.Render("findings", "Findings", d)
}

func (d *findingsData) open(q *site.Request, t *ledger.Tx, from string) error {
	open, err := t.Findings.OpenCounts()
	if err != nil {
		return err
	}
	n := map[fixity.Urgency]int64{}
	for _, o := range open {
		n[o.Urgency] += o.N
		d.Open += o.N
	}
	for _, u := range levels {
		if n[u] > 0 {
			d.Counts = append(d.Counts, countOf{fixity.Means("urgency", string(u)), n[u]})
		}
	}
	level, after := 0, int64(0)
	if word, number, ok := strings.Cut(from, "."); ok {
		level = max(0, slices.Index(levels, fixity.Urgency(word)))
		if after, err = strconv.ParseInt(number, 10, 64); err != nil {
			return fixity.ErrNotFound
		}
	}
	if from == "" {
		if q.Who.Role.May(fixity.Reviewer) {
			if d.Waiting, err = proposals(q, t, nil); err != nil {
				return err
			}
		}
		all, err := t.Incidents.Open()
		if err != nil {
			return err
		}
		for _, x := range all {
			d.Incidents = append(d.Incidents, incidentLine{x, fixity.Means("urgency", string(x.Urgency)), incidentInWords(x)})
		}
	}
	room := perPage
	for ; level < len(levels); level++ {
		fs, err := t.Findings.Page(levels[level], after, room+1)
		if err != nil {
			return err
		}
		more := len(fs) > room
		if more {
			fs = fs[:room]
		}
		if g := (group{Means: fixity.Means("urgency", string(levels[level]))}); len(fs) > 0 {
			for _, f := range fs {
				g.Lines = append(g.Lines, site.LineOf(q.Veiled(f)))
			}
			d.Groups = append(d.Groups, g)
		}
		if room -= len(fs); more || room == 0 {
			last := after
			if len(fs) > 0 {
				last = fs[len(fs)-1].ID
			}
			if more || level+1 < len(levels) && n[levels[level+1]] > 0 {
				d.More = "/findings?from=" + url.QueryEscape(fmt.Sprintf("%s.%d", levels[level], last))
			}
			return nil
		}
		after = 0
	}
	return nil
}

func (d *findingsData) ended(q *site.Request, t *ledger.Tx, from string) error {
	below := int64(1) << 62
	if from != "" {
		var err error
		if below, err = strconv.ParseInt(from, 10, 64); err != nil {
			return fixity.ErrNotFound
		}
	}
	fs, err := t.Findings.PageOfEnded(below, perPage+1)
	if err != nil {
		return err
	}
	if len(fs) > perPage {
		fs = fs[:perPage]
		d.More = fmt.Sprintf("/findings?ended=1&from=%d", fs[perPage-1].ID)
	}
	g := group{}
	for _, f := range fs {
		g.Lines = append(g.Lines, site.LineOf(q.Veiled(f)))
	}
	if len(fs) > 0 {
		d.Groups = []group{g}
	}
	return nil
}

// incidentInWords tells many findings as the one thing that they are.
func incidentInWords(x ledger.OpenIncident) string {
	n := fixity.Count(x.Open, "file")
	switch {
	case fixity.State(x.Kind) == fixity.Unreadable:
		return fmt.Sprintf("%s on %s can't be read: the drive may be failing", n, x.Store)
	case x.Kind == fixity.Unfinished:
		return fmt.Sprintf("%s in %s: not whole when Firmus first looked at them", n, x.Store)
	}
	return fmt.Sprintf("%s of %s on %s: %s", n, x.Set, x.Store, site.KindInWords(ledger.Finding{Finding: fixity.Finding{Kind: x.Kind, Store: x.Store, Subject: fixity.OfFile}}))
}

type incidentData struct {
	ID      int64
	Words   string
	First   site.Line
	Open    int64
	Steps   []site.Step
	Amount  string
	Lines   []site.Line
	More    string
	Saw     string // mark of all findings that are open
	SignOf  bool
	Two     bool // a second person has to confirm a sign-off
	Waiting []proposalLine
	Put     bool   // copies can be put right by one order
	InStep  string // what a program keeps in step with the store; "" if none does
	Person  site.Asks
}

// incidentPage shows what happened to many files at once, with what to do about all of them.
func incidentPage(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	after := int64(0)
	if from := q.URL.Query().Get("from"); from != "" {
		if after, err = strconv.ParseInt(from, 10, 64); err != nil {
			return fixity.ErrNotFound
		}
	}
	d := incidentData{ID: id, Person: q.Asks()}
	err = q.View(func(t *ledger.Tx) error {
		x, err := t.Incidents.Get(id)
		if errors.Is(err, fixity.ErrNotFound) {
			return fmt.Errorf("nothing of an incident %d is open any more: %w", id, fixity.ErrNotFound)
		}
		if err != nil {
			return err
		}
		d.Two = deciding.Of(q.Site.Archive).SetAsksForTwo(x.Set)
		if d.Waiting, err = proposals(q, t, func(p ledger.Proposal) bool { // one about an incident is about all of it
			ids := deciding.FindingsOf(p)
			if len(ids) == 0 {
				return false
			}
			f, err := t.Findings.Get(ids[0])
			return err == nil && f.Incident == id
		}); err != nil {
			return err
		}
		d.Words, d.Open, d.First = incidentInWords(x), x.Open, site.LineOf(q.Veiled(x.First))
		if d.Saw, err = t.Incidents.Mark(id); err != nil {
			return err
		}
		m, err := report.MatterOf(t, q.Site.Archive.Rules, q.Site.Where, x.First)
		if err != nil {
			return err
		}
		if !q.Hides(x.First) {
			d.Steps = q.Steps(m.Steps())
		}
		if m.Amount.Files > 0 {
			d.Amount = report.Much(m.Amount)
		}
		rule, _ := q.Site.Archive.Rules.Store(x.Store)
		d.SignOf = rule.Arrivals && (fixity.State(x.Kind) == fixity.Misplaced || fixity.State(x.Kind) == fixity.Missing || fixity.State(x.Kind) == fixity.Altered && report.Edited(x.First, q.Site.Archive.Rules))
		switch fixity.State(x.Kind) {
		case fixity.Altered, fixity.Missing, fixity.Misplaced, fixity.Behind, fixity.Unsteady, fixity.Unreadable:
			d.Put = rule.Kind == archive.DiskKind && !m.Failing()
			d.InStep = fixity.And(m.Followers())
		}
		fs, err := t.Incidents.Page(id, after, perPage+1)
		if err != nil {
			return err
		}
		if len(fs) > perPage {
			fs = fs[:perPage]
			d.More = fmt.Sprintf("/incidents/%d?from=%d", id, fs[perPage-1].ID)
		}
		for _, f := range fs {
			d.Lines = append(d.Lines, site.LineOf(q.Veiled(f)))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return q.Render("incident", "Incident "+q.PathValue("id"), d)
}

type searchData struct {
	Q     string
	Files []found
	Items []string
	More  bool
	// Withheld says that the person may not search all names.
	Withheld bool
}

type found struct {
	Set, Path, Item string
	Open            []site.Line
}

// searchPage finds files by a number, a barcode or a piece of their name.
func searchPage(q *site.Request) error {
	d := searchData{Q: strings.TrimSpace(q.URL.Query().Get("q")), Withheld: !q.MayKnowAll()}
	if n, err := strconv.ParseInt(strings.TrimPrefix(d.Q, "#"), 10, 64); err == nil && strings.HasPrefix(d.Q, "#") {
		return q.See(fmt.Sprintf("/findings/%d", n))
	}
	if d.Q != "" {
		if err := q.View(func(t *ledger.Tx) error {
			files, err := t.Files.Search(d.Q, perPage+1)
			if err != nil {
				return err
			}
			if len(files) > perPage {
				files, d.More = files[:perPage], !d.Withheld // how many there are would tell of names too
			}
			for _, f := range files {
				if q.MayNotKnow(f.Set, f.Path) && !strings.Contains(strings.ToLower(f.Item), strings.ToLower(d.Q)) {
					continue // that a name holds what was typed tells the name
				}
				x := found{Set: f.Set, Path: q.Named(f.Set, f.Path), Item: f.Item}
				fs, err := t.Findings.Of(f.ID)
				if err != nil {
					return err
				}
				for _, o := range fs {
					if o.Open() {
						x.Open = append(x.Open, site.LineOf(q.Veiled(o)))
					}
				}
				d.Files = append(d.Files, x)
			}
			return nil
		}); err != nil {
			return err
		}
	}
	return q.Render("search", "Search", d)
}
