package pages

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

var todayRoutes = []route{
	{"GET /{$}", fixity.Viewer, todayPage},
}

type todayData struct {
	Deck        *deckData // for who does the work of the day
	Suspect     []suspicion
	Counts      []countOf
	Incidents   []incidentLine
	Urgent      []line
	More        int64
	Tidy        int64
	Keep        []keepLine
	Public      []string       // restricted files that a service gives to everybody
	Proposals   []proposalLine // that wait for a second person
	Waiting     []waitingLine  // that lie in arrivals and are not taken in yet
	Since       time.Time      // they looked last
	First       bool           // they never did
	Arrived     []string       // items, the newest first
	MoreArrived bool
	Ended       []line
	Stores      []storeLine
	Jobs        []jobNow
	Letter      time.Time
	Record      recordState
	Nothing     bool // is under care
	Technique   bool // who does the work of the day
	Reviewer    bool
}

type keepLine struct {
	Tag            string // what people call the stick by
	Source, Folder string
	At             time.Time
	Files          int
}

// storeLine is how it stands with a store: never that it is intact.
type storeLine struct {
	Name, Place string
	State       string // whose mark
	Found       string
	Files       int64
	Listed      string
	Oldest      string
	Next        time.Time
	Running     bool
	Away        bool
}

// most lines of each thing that Today shows
const (
	mostUrgent = 8
	mostSince  = 12
)

func todayPage(q *request) error {
	e, now := q.s.o.Archive, q.s.now()
	d := todayData{Since: q.who.Looked, First: q.who.Looked.IsZero(), Technique: q.who.Role.May(fixity.Technician), Reviewer: q.who.Role.May(fixity.Reviewer)}
	if d.First {
		d.Since = now.AddDate(0, 0, -7)
	}
	err := q.view(func(t *tx) error {
		var err error
		if d.Nothing, err = t.Log.Empty(); err != nil {
			return err
		}
		if err := d.decide(q, t); err != nil {
			return err
		}
		if d.Reviewer {
			if d.Proposals, err = q.proposals(t, nil); err != nil {
				return err
			}
		}
		keep, err := t.Sources.Keep()
		if err != nil {
			return err
		}
		for _, k := range keep {
			if !q.mayKnowAll() { // a stick's folders are named after what is on it
				k.Source, k.Folder = "name withheld", ""
			}
			d.Keep = append(d.Keep, keepLine{tagOf(k.Source), k.Source, k.Folder, k.At, len(k.Files)})
		}
		if d.Waiting, err = q.waitingLines(t); err != nil {
			return err
		}
		if d.Arrived, d.MoreArrived, err = t.Files.NewestItems(d.Since, mostSince); err != nil {
			return err
		}
		if d.Technique {
			public, err := t.Audits.Public()
			if err != nil {
				return err
			}
			for _, x := range public {
				d.Public = append(d.Public, sentence(report.Fact(x)))
			}
			if d.Suspect, err = q.suspicions(t, d.Arrived); err != nil {
				return err
			}
			if d.Deck, err = q.deck(t); err != nil {
				return err
			}
			// Nothing is said twice.
			d.Urgent = slices.DeleteFunc(d.Urgent, func(l line) bool {
				return slices.ContainsFunc(d.Deck.Again, func(a line) bool { return a.ID == l.ID })
			})
		}
		ended, err := t.Findings.SettledSince(d.Since)
		if err != nil {
			return err
		}
		slices.Reverse(ended)
		for _, f := range ended[:min(len(ended), mostSince)] {
			d.Ended = append(d.Ended, lineOf(q.veiled(f)))
		}
		away, err := report.NotHere(t, e.Rules, now)
		if err != nil {
			return err
		}
		if d.Stores, err = q.s.storeLines(t, away); err != nil {
			return err
		}
		d.Record, err = q.recordState(t)
		return err
	})
	if err != nil {
		return err
	}
	d.Jobs = q.runs()
	if q.s.o.NextLetter != nil {
		ctx, cancel := context.WithTimeout(q.Context(), time.Second)
		d.Letter = q.s.o.NextLetter(ctx)
		cancel()
	}
	return q.render("today", "Today", d)
}

// waitingLine is what lies where files arrive, and isn't under care yet.
type waitingLine struct {
	Folder string
	Files  int64
	Size   string
	Since  time.Time
	Long   bool // longer than a new file has to rest
}

// waitingLines are those of all sets, from the newest listing: no drive is looked at.
func (q *request) waitingLines(t *tx) (out []waitingLine, err error) {
	rules := q.s.o.Archive.Rules
	for _, set := range rules.Sets {
		in, ok := rules.Arrivals(set.Name)
		if !ok {
			continue
		}
		all, err := t.Strays.Lies(in.Name, set.Name, mostSince+1)
		if err != nil {
			return nil, err
		}
		for _, l := range all {
			name := set.Name
			if l.Folder != "" {
				name += "/" + q.named(set.Name, l.Folder)
			}
			out = append(out, waitingLine{name, l.Files, report.Size(l.Bytes), l.Since, q.s.now().Sub(l.Since) > set.Rest()+24*time.Hour})
		}
	}
	slices.SortStableFunc(out, func(a, b waitingLine) int { return a.Since.Compare(b.Since) })
	return out, nil
}

func (d *todayData) decide(q *request, t *tx) error {
	open, err := t.Findings.OpenCounts()
	if err != nil {
		return err
	}
	n := map[fixity.Urgency]int64{}
	for _, o := range open {
		n[o.Urgency] += o.N
	}
	for _, u := range levels {
		if n[u] > 0 {
			d.Counts = append(d.Counts, countOf{fixity.Means("urgency", string(u)), n[u]})
		}
	}
	d.Tidy = n[fixity.Tidy]
	all, err := t.Incidents.Open()
	if err != nil {
		return err
	}
	many := int64(0)
	for _, x := range all {
		d.Incidents = append(d.Incidents, incidentLine{x, fixity.Means("urgency", string(x.Urgency)), incidentInWords(x)})
		many += x.Open
	}
	for _, u := range levels[:2] {
		fs, err := t.Findings.Page(u, 0, mostUrgent-len(d.Urgent))
		if err != nil {
			return err
		}
		for _, f := range fs {
			d.Urgent = append(d.Urgent, lineOf(q.veiled(f)))
		}
	}
	d.More = max(0, n[fixity.NoneIntact]+n[fixity.AtRisk]-int64(len(d.Urgent))-many)
	return nil
}

// storeLines say how it stands with each store, from tallies.
func (s *Site) storeLines(t *tx, away report.Absent) ([]storeLine, error) {
	now := s.now()
	tallies, err := t.Copies.Tallies()
	if err != nil {
		return nil, err
	}
	states := map[string]map[fixity.State]int64{}
	for _, x := range tallies {
		if states[x.Store] == nil {
			states[x.Store] = map[fixity.State]int64{}
		}
		states[x.Store][x.State] += x.Files
	}
	var more map[string]StoreNow
	if s.o.Stores != nil {
		more = s.o.Stores()
	}
	var out []storeLine
	for _, r := range s.o.Archive.Rules.Stores {
		l := storeLine{Name: r.Name, Place: r.Place, State: "intact"}
		known, err := t.Stores.Get(r.Name)
		if err != nil && !isNotFound(err) {
			return nil, err
		}
		var listed time.Time
		for i, x := range known.Roots {
			if i == 0 || x.ListedAt.Before(listed) {
				listed = x.ListedAt
			}
		}
		if !listed.IsZero() {
			l.Listed = dayTime(listed, now)
		}
		if r.Kind == string(config.Optical) {
			l.Listed = "disc by disc"
		}
		l.found(states[r.Name], !listed.IsZero() || r.Kind == string(config.Optical))
		if at, gone := away[r.Name]; gone {
			l.Away, l.State = true, "away"
			l.Found = "when last seen, " + report.Day(at, now) + ": " + l.Found
		}
		if x, ok := more[r.Name]; ok {
			l.Next, l.Running = x.Next, x.Running
			if !x.Oldest.IsZero() {
				l.Oldest = days(now.Sub(x.Oldest))
				if x.Within > 0 {
					l.Oldest = fmt.Sprintf("%d of %s", int(now.Sub(x.Oldest).Hours()/24), days(x.Within))
				}
			}
			if x.Unread > 0 {
				l.Oldest = strings.TrimPrefix(l.Oldest+", "+fixity.Number(x.Unread)+" never read", ", ")
			}
		}
		out = append(out, l)
	}
	return out, nil
}

const noDifference = "no difference found"

// found says what was found in a store.
func (l *storeLine) found(states map[fixity.State]int64, listed bool) {
	var bad, rest []string
	for _, t := range fixity.Vocabulary {
		n := states[fixity.State(t.Code)]
		if t.Group != "state" || n == 0 {
			continue
		}
		l.Files += n
		word := fixity.Number(n) + " " + t.Code
		switch fixity.State(t.Code) {
		case fixity.Intact:
		case fixity.Awaited, fixity.Editing, fixity.Behind:
			rest = append(rest, word)
		default:
			if len(bad) == 0 {
				l.State = t.Code
			}
			bad = append(bad, word)
		}
	}
	switch {
	case len(bad) > 0:
		bad[0] = strings.Replace(bad[0], " ", " of "+fixity.Number(l.Files)+" ", 1)
		l.Found = strings.Join(append(bad, rest...), ", ")
	case !listed:
		l.State, l.Found = "awaited", "nothing yet"
	default:
		l.Found = strings.Join(append([]string{noDifference}, rest...), ", ")
	}
}

func days(d time.Duration) string { return fixity.Count(int64(d/(24*time.Hour)), "day") }

// dayTime is a time for a person: today's by its clock, another by its day.
func dayTime(t, now time.Time) string {
	t, now = t.Local(), now.Local()
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return "today, " + t.Format("15:04")
	}
	return report.Day(t, now)
}
