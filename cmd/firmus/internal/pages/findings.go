package pages

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var findingRoutes = []route{
	{"GET /findings", fixity.Viewer, findingsPage},
	{"GET /findings/{id}", fixity.Viewer, findingPage},
	{"GET /incidents/{id}", fixity.Viewer, incidentPage},
	{"GET /search", fixity.Viewer, searchPage},
}

// perPage is how many lines a page of a list has.
const perPage = 100

// line is a finding in a list.
type line struct {
	ID      int64
	State   string // whose mark stands before it
	Urgency fixity.Urgency
	Heading string
	Subject string // what it is about
	What    string
	Good    string
	Since   time.Time
	Ended   string
}

func lineOf(f ledger.Finding) line {
	l := line{ID: f.ID, State: stateOf(f), Urgency: f.Urgency, Heading: headingOf(f), Subject: subjectOf(f), What: kindInWords(f), Since: f.Opened}
	if f.Kind != fixity.Unfinished && f.Open() {
		l.Good = report.Good(f)
	}
	if !f.Open() {
		l.Ended = report.EndedBy(f)
	}
	return l
}

// stateOf says which mark stands before a finding.
func stateOf(f ledger.Finding) string {
	if f.Subject == fixity.OfRegister {
		return string(fixity.Unexpected) // a note; nothing is damaged
	}
	return string(f.Kind)
}

// headingOf is what stands before a finding, in small letters: a page isn't a telegram.
func headingOf(f ledger.Finding) string {
	if fixity.State(f.Kind) == fixity.Disputed {
		return "to be decided"
	}
	return fixity.Means("urgency", string(f.Urgency))
}

// subjectOf names what a finding is about.
func subjectOf(f ledger.Finding) string {
	switch {
	case f.Subject == fixity.OfStore:
		return f.Store
	case f.Subject == fixity.OfRegister:
		return "the register"
	case f.Disc != "" && (f.Path == "" || f.Subject == fixity.OfDisc):
		return "disc " + f.Disc
	case f.Disc != "":
		return shown(f.Set+"/"+f.Path) + ", disc " + f.Disc
	}
	return shown(f.Set + "/" + f.Path)
}

// kindInWords says in a few words what is wrong, and where.
func kindInWords(f ledger.Finding) string {
	on := " on " + f.Store
	if f.Disc != "" {
		on = ""
	}
	if f.Subject == fixity.OfStore {
		if f.Kind == fixity.Away {
			return "could not be reached"
		}
		return report.What(f, report.Local)
	}
	if f.Subject == fixity.OfDisc || f.Subject == fixity.OfManifest || f.Subject == fixity.OfRegister {
		return report.What(f, report.Local)
	}
	words := map[string]string{
		"altered": "damaged" + on, "missing": "missing" + on, "misplaced": "in another place" + on, "unreadable": "can't be read" + on, "unsteady": "reads differently each time" + on,
		"disputed": "differs between stores", "unexpected": "under no one's care" + on, "unfinished": "not a whole recording", "awaited": "not there yet" + on, "behind": "an earlier version" + on,
	}
	w, ok := words[string(f.Kind)]
	if !ok {
		w = string(f.Kind) + on
	}
	switch f.Anatomy {
	case fixity.CutShort:
		w = "cut short" + on
	case fixity.Grown:
		w = "longer than it was" + on
	case fixity.Zeroed:
		w = "stretches of zeros" + on
	case fixity.Replaced:
		w = "holds other contents" + on
	case fixity.DescriptionOnly:
		w = "the description in the file differs" + on
	}
	if f.FoundAt != "" {
		w += ": found at " + shown(f.FoundAt)
	}
	return w
}

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
	Lines []line
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
func findingsPage(q *request) error {
	form := q.URL.Query()
	d := findingsData{Ended: form.Get("ended") != ""}
	err := q.view(func(t *tx) error {
		if d.Ended {
			return d.ended(q, t, form.Get("from"))
		}
		return d.open(q, t, form.Get("from"))
	})
	if err != nil {
		return err
	}
	return q.render("findings", "Findings", d)
}

func (d *findingsData) open(q *request, t *tx, from string) error {
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
		if q.who.Role.May(fixity.Reviewer) {
			if d.Waiting, err = q.proposals(t, nil); err != nil {
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
				g.Lines = append(g.Lines, lineOf(q.veiled(f)))
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

func (d *findingsData) ended(q *request, t *tx, from string) error {
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
		g.Lines = append(g.Lines, lineOf(q.veiled(f)))
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
	return fmt.Sprintf("%s of %s on %s: %s", n, x.Set, x.Store, kindInWords(ledger.Finding{Finding: fixity.Finding{Kind: x.Kind, Store: x.Store, Subject: fixity.OfFile}}))
}

type incidentData struct {
	ID      int64
	Words   string
	First   line
	Open    int64
	Steps   []step
	Amount  string
	Lines   []line
	More    string
	Saw     string // mark of all findings that are open
	SignOf  bool
	Two     bool // a second person has to confirm a sign-off
	Waiting []proposalLine
	Put     bool   // copies can be put right by one order
	InStep  string // what a program keeps in step with the store; "" if none does
	Person  asks
}

// incidentPage shows what happened to many files at once, with what to do about all of them.
func incidentPage(q *request) error {
	id, err := q.number("id")
	if err != nil {
		return err
	}
	after := int64(0)
	if from := q.URL.Query().Get("from"); from != "" {
		if after, err = strconv.ParseInt(from, 10, 64); err != nil {
			return fixity.ErrNotFound
		}
	}
	d := incidentData{ID: id, Person: q.asks()}
	err = q.view(func(t *tx) error {
		x, err := t.Incidents.Get(id)
		if isNotFound(err) {
			return fmt.Errorf("nothing of an incident %d is open any more: %w", id, fixity.ErrNotFound)
		}
		if err != nil {
			return err
		}
		d.Two = deciding.Of(q.s.o.Archive).SetAsksForTwo(x.Set)
		if d.Waiting, err = q.proposals(t, func(p ledger.Proposal) bool { // one about an incident is about all of it
			ids := deciding.FindingsOf(p)
			if len(ids) == 0 {
				return false
			}
			f, err := t.Findings.Get(ids[0])
			return err == nil && f.Incident == id
		}); err != nil {
			return err
		}
		d.Words, d.Open, d.First = incidentInWords(x), x.Open, lineOf(q.veiled(x.First))
		if d.Saw, err = t.Incidents.Mark(id); err != nil {
			return err
		}
		m, err := report.MatterOf(t, q.s.o.Archive.Rules, q.s.o.Where, x.First)
		if err != nil {
			return err
		}
		if !q.hides(x.First) {
			d.Steps = q.steps(m.Steps())
		}
		if m.Amount.Files > 0 {
			d.Amount = report.Much(m.Amount)
		}
		rule, _ := q.s.o.Archive.Rules.Store(x.Store)
		d.SignOf = rule.Arrivals && (fixity.State(x.Kind) == fixity.Misplaced || fixity.State(x.Kind) == fixity.Missing || fixity.State(x.Kind) == fixity.Altered && report.Edited(x.First, q.s.o.Archive.Rules))
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
			d.Lines = append(d.Lines, lineOf(q.veiled(f)))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return q.render("incident", "Incident "+q.PathValue("id"), d)
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
	Open            []line
}

// searchPage finds files by a number, a barcode or a piece of their name.
func searchPage(q *request) error {
	d := searchData{Q: strings.TrimSpace(q.URL.Query().Get("q")), Withheld: !q.mayKnowAll()}
	if n, err := strconv.ParseInt(strings.TrimPrefix(d.Q, "#"), 10, 64); err == nil && strings.HasPrefix(d.Q, "#") {
		return q.see(fmt.Sprintf("/findings/%d", n))
	}
	if d.Q != "" {
		if err := q.view(func(t *tx) error {
			files, err := t.Files.Search(d.Q, perPage+1)
			if err != nil {
				return err
			}
			if len(files) > perPage {
				files, d.More = files[:perPage], !d.Withheld // how many there are would tell of names too
			}
			for _, f := range files {
				if q.mayNotKnow(f.Set, f.Path) && !strings.Contains(strings.ToLower(f.Item), strings.ToLower(d.Q)) {
					continue // that a name holds what was typed tells the name
				}
				x := found{Set: f.Set, Path: q.named(f.Set, f.Path), Item: f.Item}
				fs, err := t.Findings.Of(f.ID)
				if err != nil {
					return err
				}
				for _, o := range fs {
					if o.Open() {
						x.Open = append(x.Open, lineOf(q.veiled(o)))
					}
				}
				d.Files = append(d.Files, x)
			}
			return nil
		}); err != nil {
			return err
		}
	}
	return q.render("search", "Search", d)
}
