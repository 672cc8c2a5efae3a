package pages

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/pages/stave"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

type findingData struct {
	ID       int64
	Open     bool
	Ended    string
	Heading  string
	State    string
	Title    string // what happened, as a heading
	Lead     []string
	Stave    template.HTML
	Listen   *listenData
	Where    []string
	Incident *incidentLine
	Steps    []site.Step
	Saw      string // the mark of what is shown
	Recover  *recoverForm
	MayName  []string // discs or stores of which a person may name one to take the bytes from
	InStep   string   // what a program keeps in step with the finding's store; "" if none does
	Upload   *uploadForm
	SignOff  *signOffForm
	Settle   bool
	Like     int64  // open findings of the same class, this one with them
	SawLike  string // their mark, if closing all of them is asked for
	Waiting  []proposalLine
	Two      bool     // a second person has to confirm a decision
	NotOffer []string // what isn't offered, and why
	Copies   []site.CopyLine
	Versions []versionLine
	History  []site.Event
	Person   site.Asks
}

type versionLine struct {
	N          int64
	Current    bool
	Size       int64
	Length     string
	Digest, By string
	Reason     string
	At         time.Time
}

// recoverForm is the order to put a copy right, with what it would do.
type recoverForm struct {
	Item    recovering.Item
	InStep  string // what a program keeps in step; "" if none does
	Joined  bool
	Upload  bool
	Move    bool
	Damaged string // what lies in the place
}

// signOffForm is the order to accept what the finding tells of.
type signOffForm struct {
	What    string // what accepting means here
	Button  string
	Choices []choice // what may be meant; none: only one thing
	Edited  string   // what has to be said besides, as it looks like damage; "" if it doesn't
}

type choice struct{ Value, Text string }

// findingPage shows all that is known of one finding, and what to do.
func findingPage(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	e := q.Site.Archive
	d := findingData{ID: id, Person: q.Asks()}
	var f ledger.Finding
	var seen ledger.Seen
	var m report.Matter
	var away report.Absent
	var open []ledger.Finding
	err = q.View(func(t *ledger.Tx) error {
		if seen, err = t.SeeFinding(id); err != nil {
			return err
		}
		f, d.Saw = seen.Finding, seen.Mark()
		if f.File != 0 {
			if open, err = t.Findings.Of(f.File); err != nil {
				return err
			}
		}
		if m, err = matterOf(q.Site, t, f, &d); err != nil {
			return err
		}
		if away, err = report.NotHere(t, e.Rules, e.Now()); err != nil {
			return err
		}
		if f.File != 0 {
			if err := d.versions(t, seen.File); err != nil {
				return err
			}
		}
		if f.Open() {
			if d.Like, err = t.Findings.CountLike(f); err != nil {
				return err
			}
			if d.Like > 1 && q.URL.Query().Has("like") { // each of them is read for it
				if d.SawLike, err = t.Findings.MarkLike(f); err != nil {
					return err
				}
			}
		}
		if d.Waiting, err = proposals(q, t, func(p ledger.Proposal) bool { return deciding.About(p, id) }); err != nil {
			return err
		}
		d.Two = deciding.Of(e).AsksForTwo(seen)
		return d.history(t, f)
	})
	if err != nil {
		return err
	}
	d.Open, d.Heading, d.State = f.Open(), site.HeadingOf(f), site.StateOf(f)
	shows := q.Veiled(f)
	d.Title = site.SubjectOf(shows) + ": " + site.KindInWords(shows)
	d.tell(q, shows, m)
	d.copies(q, m, f, seen.Copies, away)
	dmg, heard, err := acts.Of(e).DamageOf(q.Context(), f)
	if err != nil {
		return err
	}
	if heard {
		d.Where = damageInWords(dmg)
		st, err := m.Stave(seen.Copies, open, dmg.Duration, away, acts.Of(e).Hurt(q.Context()))
		if err != nil {
			return err
		}
		if d.Stave, err = stave.HTML(st, "copies"); err != nil {
			return err
		}
	}
	d.Listen = listening(q, f, seen.Copies, m, away, dmg)
	if d.Open {
		if err := d.offer(q, f, seen, m); err != nil {
			return err
		}
	} else {
		d.Ended = report.Ended(shows, report.Local)
	}
	d.veil(q, f)
	return q.Render("finding", fmt.Sprintf("Finding %d", id), d)
}

// matterOf reads what to do. One of a mass incident is told by itself here: its incident
// has a page of its own.
func matterOf(s *site.Site, t *ledger.Tx, f ledger.Finding, d *findingData) (report.Matter, error) {
	alone := f
	if f.Open() && f.Incident != 0 {
		x, err := t.Incidents.Get(f.Incident)
		if err != nil {
			return report.Matter{}, err
		}
		if x.Open > 1 {
			d.Incident = &incidentLine{x, fixity.Means("urgency", string(x.Urgency)), incidentInWords(x)}
			alone.Incident = 0
		}
	}
	return report.MatterOf(t, s.Archive.Rules, s.Where, alone)
}

func (d *findingData) tell(q *site.Request, f ledger.Finding, m report.Matter) {
	say := func(s string) {
		if s = strings.TrimSpace(s); s != "" && !slices.Contains(d.Lead, site.Sentence(s)) {
			d.Lead = append(d.Lead, site.Sentence(s))
		}
	}
	say(report.What(f, report.Local))
	if told := report.Told(f, report.Local); told != "" && f.Subject == fixity.OfFile && f.Kind != fixity.Unfinished {
		say(told)
	}
	if !f.Open() {
		return
	}
	say(report.Good(f))
	say(report.Said(f, q.Site.Archive.Rules))
	for _, s := range m.More(f) {
		say(s)
	}
	d.Steps = q.Steps(m.Steps())
}

// veil takes out of a finding's page what its person may not know: names, places, what
// others typed, and what only who may act needs.
func (d *findingData) veil(q *site.Request, f ledger.Finding) {
	if !q.Hides(f) {
		return
	}
	d.Steps, d.Recover, d.SignOff, d.NotOffer, d.Incident, d.Settle = nil, nil, nil, nil, nil, false
	for i := range d.Copies {
		d.Copies[i].At = ""
	}
	for i := range d.Versions {
		d.Versions[i].Reason = ""
	}
	for i := range d.History {
		d.History[i].What, _, _ = strings.Cut(d.History[i].What, ":")
	}
}

func (d *findingData) versions(t *ledger.Tx, file ledger.File) error {
	vs, err := t.Files.Versions(file.ID)
	if err != nil {
		return err
	}
	for _, v := range vs {
		l := versionLine{N: v.N, Current: v.N == file.Version, Size: v.Size, Digest: v.SHA256.Sum, By: v.By, Reason: report.WhyVersion(v, vs), At: v.At}
		if v.Length > 0 {
			l.Length = damage.Clock(v.Length)
		}
		d.Versions = append(d.Versions, l)
	}
	return nil
}

func (d *findingData) history(t *ledger.Tx, f ledger.Finding) error {
	add := func(e ledger.Event) error {
		x := site.Event{At: e.At, What: report.Happened(e), By: report.Deciders(e)}
		if e.Reason != "" {
			x.What += ": " + e.Reason
		}
		if e.Store != "" {
			x.What += " (" + e.Store + ")"
		}
		d.History = append(d.History, x)
		return nil
	}
	if f.File != 0 {
		if err := t.Log.Of(f.File, add); err != nil {
			return err
		}
	}
	if n := len(d.History); n > site.MostEvents {
		d.History = d.History[n-site.MostEvents:]
	}
	return nil
}

func (d *findingData) copies(q *site.Request, m report.Matter, f ledger.Finding, copies []ledger.Copy, away report.Absent) {
	e := q.Site.Archive
	disputed := report.InDispute(copies)
	for _, x := range copies {
		rule, _ := e.Rules.Store(x.Store)
		l := site.CopyLine{Store: x.Store, Place: rule.Place, State: string(x.State)}
		if x.Disc != "" {
			l.Store = "disc " + x.Disc
		}
		is, known := m.CopyInWords(x, disputed)
		l.Is, l.Known = is, away.Of(x.Store, e.Now(), known)
		l.Bad = !report.Holds(x) && x.State != fixity.Awaited && x.Carrier == 0
		if p := m.PlaceOf(f, x); p != "" && x.Carrier == 0 {
			l.At = report.ShowPlace(p)
		}
		d.Copies = append(d.Copies, l)
	}
}

func damageInWords(x acts.Damage) (out []string) {
	for i, s := range x.Spans {
		if i == 10 {
			return append(out, fmt.Sprintf("and %s more", fixity.Count(len(x.Spans)-i, "place")))
		}
		if !s.InSound {
			out = append(out, "in the description in the file, outside the sound itself")
			continue
		}
		text := damage.Clock(s.From) + " to " + damage.Clock(s.To)
		if s.About {
			text = "about " + text
		}
		if len(s.Channels) > 0 {
			text += ", channel " + strings.Trim(strings.ReplaceAll(fmt.Sprint(s.Channels), " ", ", "), "[]") + " only"
		}
		out = append(out, text)
	}
	return out
}

// offer says which acts the finding's page has forms for, and why not others.
func (d *findingData) offer(q *site.Request, f ledger.Finding, seen ledger.Seen, m report.Matter) error {
	d.Settle = d.Person.May["reviewer"]
	res, err := recovering.Of(q.Site.Archive).Plan(q.Context(), recovering.Order{Findings: []int64{f.ID}, Upload: notYet})
	if err != nil {
		return err
	}
	for _, x := range res.Items {
		switch {
		case x.State == recovering.Planned && x.Way == "upload":
			d.NotOffer = append(d.NotOffer, "Firmus doesn't write to a cloud. It lays the file ready, and a person uploads it.")
			d.Upload = &uploadForm{Action: fmt.Sprintf("/findings/%d/lay-out", f.ID), Folders: foldersOf(q.Site), Person: d.Person}
		case x.State == recovering.Planned && report.Edited(f, q.Site.Archive.Rules):
			d.NotOffer = append(d.NotOffer, "First find out whether it was edited on purpose. If it was not, put the intact copy in its place: below.")
			d.Recover = recoverOf(res, x)
		case x.State == recovering.Planned:
			d.Recover = recoverOf(res, x)
		case len(x.MayName) > 0:
			d.MayName, d.InStep = x.MayName, fixity.And(m.Followers())
			d.NotOffer = append(d.NotOffer, site.Sentence("Not put back by Firmus alone: "+x.Why))
		case x.Why != "" && f.Subject == fixity.OfFile:
			why, _, _ := strings.Cut(x.Why, " What to do, step by step") // which stands above
			d.NotOffer = append(d.NotOffer, site.Sentence("Not put back by Firmus: "+why))
		}
	}
	d.SignOff = signOffOf(q.Site.Archive.Rules, f, seen)
	return nil
}

func recoverOf(res recovering.Result, x recovering.Item) *recoverForm {
	r := &recoverForm{Item: x, InStep: fixity.And(res.InStep), Joined: x.From.Path == "", Move: x.Way == "move-back"}
	switch {
	case x.To.Size < 0:
		r.Damaged = "nothing lies there"
	case x.Way == "replace":
		r.Damaged = "DAMAGED"
	}
	return r
}

// signOffOf is the form to accept what a finding tells of, nil where nothing can be
// accepted. Whether the bytes that lie there may become the truth, the act itself finds
// out: it reads them.
func signOffOf(rules care.Rules, f ledger.Finding, seen ledger.Seen) *signOffForm {
	rule, _ := rules.Store(f.Store)
	set, _ := rules.Set(f.Set)
	kind := fixity.State(f.Kind)
	switch {
	case f.Carrier != 0, f.Kind == fixity.Unfinished:
		return nil
	case f.Subject == fixity.OfStray:
		return &signOffForm{What: "It is wanted there. Firmus leaves it in peace until it changes.", Button: "Leave it in peace"}
	case f.Subject != fixity.OfFile:
		return nil
	case kind == fixity.Disputed && report.OfOther(f, rules):
		return &signOffForm{What: "This copy has the bytes of another file, so it can't be the right one.", Button: "Decide", Choices: []choice{{"keep-current", report.Meant["keep-current"]}}}
	case kind == fixity.Disputed:
		return &signOffForm{What: "Which version is right? Listen to each first.", Button: "Decide", Choices: []choice{
			{"", "This copy, on " + f.Store + ", is the right one"}, {"keep-current", report.Meant["keep-current"]},
			{"new-transfer", report.Meant["new-transfer"]},
		}}
	case !rule.Arrivals:
		return nil
	case kind == fixity.Missing:
		return &signOffForm{What: "It was removed on purpose. It is retired then: no store is expected to hold it any more.", Button: "Accept that it is gone"}
	case kind == fixity.Misplaced:
		return &signOffForm{What: "It was moved or renamed on purpose. It gets that name in every store.", Button: "Accept the new place"}
	case kind == fixity.Altered && report.OfOther(f, rules):
		return nil
	case kind == fixity.Altered && set.Role == fixity.Master:
		return &signOffForm{What: "A master is frozen, so say what the change is. Firmus reads the file first, and refuses what would make damage the truth.", Button: "Sign off the change", Choices: []choice{
			{"new-transfer", report.Meant["new-transfer"]}, {"description", report.Meant["description"]},
			{"lost-otherwise", report.Meant["lost-otherwise"]}, {"master", report.Meant["master"]},
		}}
	case kind == fixity.Altered:
		o := &signOffForm{What: "It was edited on purpose. What lies there becomes a new version; the earlier one stays on record.", Button: "Sign off the change"}
		if report.LooksDamaged(f, rules) {
			o.Edited = report.Meant["edited"]
		}
		return o
	}
	return nil
}
