package pages

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/pages/items"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var todayRoutes = []site.Route{
	{Pattern: "GET /{$}", Needs: fixity.Viewer, Do: todayPage},
}

type todayData struct {
	Deck        *items.DeckData // for who does the work of the day
	Suspect     []items.Suspicion
	Counts      []countOf
	Incidents   []incidentLine
	Urgent      []site.Line
	More        int64
	Tidy        int64
	Keep        []keepLine
	Clock       string         // why nothing may be done by it
	Public      []string       // restricted files that a service gives to everybody
	Proposals   []proposalLine // that wait for a second person
	Waiting     []waitingLine  // that lie in arrivals and are not taken in yet
	Since       time.Time      // they looked last
	First       bool           // they never did
	Arrived     []string       // items, the newest first
	MoreArrived bool
	Ended       []site.Line
	Stores      []storeLine
	Jobs        []site.JobNow
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

func todayPage(q *site.Request) error {
	e, now := q.Site.Archive, q.Site.Now()
	d := todayData{Since: q.Who.Looked, First: q.Who.Looked.IsZero(), Technique: q.Who.Role.May(fixity.Technician), Reviewer: q.Who.Role.May(fixity.Reviewer)}
	if d.First {
		d.Since = now.AddDate(0, 0, -7)
	}
	var err error
	if d.Clock, err = e.CheckClock(q.Context()); err != nil {
		return err
	}
	err = q.View(func(t *ledger.Tx) error {
		var err error
		if d.Nothing, err = t.Log.Empty(); err != nil {
			return err
		}
		if err := d.decide(q, t); err != nil {
			return err
		}
		if d.Reviewer {
			if d.Proposals, err = proposals(q, t, nil); err != nil {
				return err
			}
		}
		keep, err := t.Sources.Keep()
		if err != nil {
			return err
		}
		for _, k := range keep {
			if !q.MayKnowAll() { // a stick's folders are named after what is on it
				k.Source, k.Folder = "name withheld", ""
			}
			d.Keep = append(d.Keep, keepLine{tagOf(k.Source), k.Source, k.Folder, k.At, len(k.Files)})
		}
		if d.Waiting, err = waitingLines(q, t); err != nil {
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
				d.Public = append(d.Public, site.Sentence(report.Fact(x)))
			}
			if d.Suspect, err = items.Suspicions(q, t, d.Arrived); err != nil {
				return err
			}
			if d.Deck, err = items.Deck(q, t); err != nil {
				return err
			}
			// Nothing is said twice.
			d.Urgent = slices.DeleteFunc(d.Urgent, func(l site.Line) bool {
				return slices.ContainsFunc(d.Deck.Again, func(a site.Line) bool { return a.ID == l.ID })
			})
		}
		ended, err := t.Findings.SettledSince(d.Since)
		if err != nil {
			return err
		}
		slices.Reverse(ended)
		for _, f := range ended[:min(len(ended), mostSince)] {
			d.Ended = append(d.Ended, site.LineOf(q.Veiled(f)))
		}
		away, err := report.NotHere(t, e.Rules, now)
		if err != nil {
			return err
		}
		if d.Stores, err = storeLines(q.Site, t, away); err != nil {
			return err
		}
		d.Record, err = stateOfRecord(q, t)
		return err
	})
	if err != nil {
		return err
	}
	d.Jobs = q.Runs()
	if q.Site.NextLetter != nil {
		ctx, cancel := context.WithTimeout(q.Context(), time.Second)
		d.Letter = q.Site.NextLetter(ctx)
		cancel()
	}
	return q.Render("today", "Today", d)
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
func waitingLines(q *site.Request, t *ledger.Tx) (out []waitingLine, err error) {
	rules := q.Site.Archive.Rules
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
				name += "/" + q.Named(set.Name, l.Folder)
			}
			out = append(out, waitingLine{name, l.Files, report.Size(l.Bytes), l.Since, q.Site.Now().Sub(l.Since) > set.Rest()+24*time.Hour})
		}
	}
	slices.SortStableFunc(out, func(a, b waitingLine) int { return a.Since.Compare(b.Since) })
	return out, nil
}

func (d *todayData) decide(q *site.Request, t *ledger.Tx) error {
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
			d.Urgent = append(d.Urgent, site.LineOf(q.Veiled(f)))
		}
	}
	d.More = max(0, n[fixity.NoneIntact]+n[fixity.AtRisk]-int64(len(d.Urgent))-many)
	return nil
}

// storeLines say how it stands with each store, from tallies.
func storeLines(s *site.Site, t *ledger.Tx, away report.Absent) ([]storeLine, error) {
	now := s.Now()
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
	var more map[string]site.StoreNow
	if s.Stores != nil {
		more = s.Stores()
	}
	var out []storeLine
	for _, r := range s.Archive.Rules.Stores {
		l := storeLine{Name: r.Name, Place: r.Place, State: "intact"}
		known, err := t.Stores.Get(r.Name)
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return nil, err
		}
		var listed time.Time
		for i, x := range known.Roots {
			if i == 0 || x.ListedAt.Before(listed) {
				listed = x.ListedAt
			}
		}
		if !listed.IsZero() {
			l.Listed = site.DayTime(listed, now)
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

// tagOf is what people call a stick by: the name under which the system shows it, else the
// last part of the folder that was named.
func tagOf(source string) string {
	p := path.Clean(strings.ReplaceAll(source, `\`, "/"))
	for _, above := range []struct {
		dir   string
		depth int // of the stick's own folder below it
	}{{"/run/media/", 2}, {"/media/", 2}, {"/Volumes/", 1}} {
		if rest, ok := strings.CutPrefix(p, above.dir); ok {
			parts := strings.Split(rest, "/")
			return parts[min(len(parts), above.depth)-1]
		}
	}
	if drive, _, ok := strings.Cut(p, ":"); ok && len(drive) == 1 {
		return drive + ":" // a drive letter: its label isn't in the path
	}
	if base := path.Base(p); base != "/" && base != "." {
		return base
	}
	return source
}
