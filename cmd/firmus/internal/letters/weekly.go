package letters

import (
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/letters/calendar"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// week is what a weekly letter is written from.
type week struct {
	words
	since, now, next time.Time
	late             []time.Time // earlier weekly letters that were not written
	stores           []ledger.StoreWeek
	shelf            ledger.ShelfWeek
	urgent           []*thread
	tidy             []ledger.Finding
	ended            []ledger.Finding
	taken            []ledger.Taken
	takenCopies      []ledger.Tally
	single           int64         // files that one store alone was shown to hold
	singleFor        time.Duration // how long they are, as far as that is known
	none             int64
	keep             []ledger.Received
	proposals        []ledger.Proposal // that wait for a second person
	visits           []report.Visit
	drills           []report.StoreDrill
	owners           []ledger.OwnerCount
	public           []fixity.Fact // restricted files that a service gives to everybody
	filling          []ledger.Filling
	takenOut         []ledger.TakenOut
	backups          []ledger.Backup
	undelivered      []ledger.Delivery
	reading          fixity.RegisterReading
	versions         []fixity.RegisterVersion // of the register, that were read since
	missed           map[string][]Missed
	notes            []Note
	events           int64
	root             string
	name, host       string
	first            bool
	to               []string
}

// weekly writes the letter of the week.
func (l *Letters) weekly(t *ledger.Tx, xs []*thread, now, since, next time.Time, from ledger.LetterCursor, b beside) (draft, error) {
	w := week{words: l.words(), now: now, next: next, name: l.o.Name, host: l.o.Host, first: from.Weekly.IsZero(), missed: b.missed, notes: b.notes, to: l.recipients(false)}
	// The last letter's week ended when it was due; of the first one's nothing is known.
	w.since = since
	if w.first {
		w.since = now.AddDate(0, 0, -7)
	}
	for s := l.slotAfter(since); l.slotAfter(s).Before(now); s = l.slotAfter(s) {
		w.late = append(w.late, s)
	}
	if err := l.readWeek(t, &w); err != nil {
		return draft{}, err
	}
	for _, x := range xs {
		if len(x.open) > 0 {
			w.urgent = append(w.urgent, x)
		}
	}
	var told []ledger.Finding
	for _, x := range w.urgent {
		told = append(told, x.open...)
	}
	var err error
	if w.withhold, err = l.withholds(t, slices.Concat(told, w.tidy, w.ended)); err != nil {
		return draft{}, err
	}
	subject, p := w.letter()
	letter, err := l.compose(ledger.LetterWeekly, "weekly", subject, p, now)
	if w.first {
		letter.Calendar = calendar.Weekly(clean(l.o.Name), l.domain(), now, next.In(l.o.Zone))
	}
	return draft{letter: letter, to: w.to}, err
}

func (l *Letters) readWeek(t *ledger.Tx, w *week) (err error) {
	if w.stores, err = t.Post.Weeks(w.since); err != nil {
		return err
	}
	order := func(name string) int {
		return slices.IndexFunc(l.o.Rules.Stores, func(s care.Store) bool { return s.Name == name })
	}
	w.stores = slices.DeleteFunc(w.stores, func(s ledger.StoreWeek) bool {
		i := order(s.Store)
		return i < 0 || l.o.Rules.Stores[i].Kind == "optical"
	})
	decisions, err := t.Discs.Decisions()
	if err != nil {
		return err
	}
	if w.shelf, err = t.Discs.Since(w.since, func(c ledger.DiscCheck) bool { return ledger.GoodCheck(c, decisions) }); err != nil {
		return err
	}
	slices.SortStableFunc(w.stores, func(a, b ledger.StoreWeek) int { return order(a.Store) - order(b.Store) })
	open, err := t.Findings.Open("")
	if err != nil {
		return err
	}
	for _, f := range open {
		if f.Urgency == fixity.Tidy {
			w.tidy = append(w.tidy, f)
		}
	}
	if w.ended, err = t.Findings.SettledSince(w.since); err != nil {
		return err
	}
	if w.taken, w.takenCopies, err = t.Post.TakenSince(w.since); err != nil {
		return err
	}
	counts, err := t.Copies.CountsByNumber()
	if err != nil {
		return err
	}
	for _, c := range counts {
		switch c.Copies {
		case 0:
			w.none = c.Files
		case 1:
			w.single = c.Files
		}
	}
	_, sound, err := t.Copies.Thin(1, 1)
	if err != nil {
		return err
	}
	w.singleFor = sound[1]
	if w.keep, err = t.Sources.Keep(); err != nil {
		return err
	}
	if w.owners, err = t.Services.Owners(); err != nil {
		return err
	}
	if w.public, err = t.Audits.Public(); err != nil {
		return err
	}
	if w.filling, err = t.Stores.Filling(); err != nil {
		return err
	}
	if w.takenOut, err = t.Stores.TakenOut(); err != nil {
		return err
	}
	fs, err := t.Clock.Since(w.since)
	if err != nil {
		return err
	}
	for _, f := range fs {
		if f.Job == ledger.FiringVisit {
			w.visits = append(w.visits, report.VisitOf(f))
		}
	}
	if w.proposals, err = t.Proposals.Waiting(); err != nil {
		return err
	}
	if w.drills, err = report.DrillsOf(t, w.rules, w.now); err != nil {
		return err
	}
	if w.backups, err = t.Log.Backups(); err != nil {
		return err
	}
	if w.undelivered, err = t.Post.UndeliveredSince(w.since); err != nil {
		return err
	}
	if w.reading, err = t.Register.Reading(); err != nil {
		return err
	}
	if w.versions, err = t.Register.VersionsSince(w.since); err != nil {
		return err
	}
	w.events, w.root, err = t.Post.Mark()
	return err
}

// unchecked are stores that were expected, and of which no complete listing was made
// in the week.
func (w week) unchecked() []string {
	var out []string
	for _, s := range w.stores {
		if s.Files == 0 && !s.Adopted {
			continue
		}
		if s.Listed.Before(w.since) && s.Read+s.Reported == 0 {
			out = append(out, s.Store)
		}
	}
	return out
}

func (w week) checked() bool {
	return slices.ContainsFunc(w.stores, func(s ledger.StoreWeek) bool {
		return !s.Listed.IsZero() && !s.Listed.Before(w.since) || s.Read+s.Reported > 0
	})
}

func (w week) waiting() int {
	return len(tidied(w.tidy)) + len(w.keep) + len(w.owned(false)) + len(w.public)
}

func (w week) letter() (string, page) {
	var p page
	w.lead(&p)
	subject := w.subject()
	w.open(&p)
	p.add(part{Title: "The stores, since " + w.when(w.since), Table: w.table()})
	w.rest(&p)
	w.foot(&p)
	return subject, p
}

func (w week) subject() string {
	next := "Next letter " + w.next.In(w.zone).Format("Mon 2 Jan, 15:04")
	head := "Week to " + w.now.In(w.zone).Format("2 Jan") + ": "
	if len(w.urgent) > 0 {
		u, oldest, n := fixity.AtRisk, w.now, 0
		var fs []ledger.Finding
		for _, x := range w.urgent {
			if x.urgency() == fixity.NoneIntact {
				u = fixity.NoneIntact
			}
			for _, f := range x.open {
				n++
				fs = append(fs, f)
				if f.Opened.Before(oldest) {
					oldest = f.Opened
				}
			}
		}
		slices.SortFunc(fs, func(a, b ledger.Finding) int { return int(a.ID - b.ID) })
		what := fixity.Count(int64(n), "open finding")
		f := fs[0]
		oneFile := !slices.ContainsFunc(fs, func(o ledger.Finding) bool { return o.File == 0 || o.File != f.File })
		if oneFile { // also if several copies of it are bad: it is one recording
			short, _ := w.whatIs(f)
			what = w.words.nameIn(f.Set, f.Path) + ", " + w.role(f.Set) + " " + short
		} else if n == 1 && f.Kind == fixity.Away {
			what = w.awayShort(f)
		}
		return fmt.Sprintf("%s for %s - %s [%s] - week to %s. %s", urgency(u), age(w.now.Sub(oldest)), what, numbers(fs), w.now.In(w.zone).Format("2 Jan"), next)
	}
	switch {
	case !w.checked():
		return head + "NOTHING WAS CHECKED. " + next
	case len(w.tidy) > 0:
		return head + fmt.Sprintf("nothing urgent in what was checked, %d to tidy. ", len(tidied(w.tidy))) + next
	}
	return head + "all that was checked is intact. " + next
}

func (w week) lead(p *page) {
	var first string
	switch {
	case len(w.urgent) > 0:
		first = fmt.Sprintf("%s open and should not wait: see below.", isAre(int64(len(w.urgent)), "matter"))
	case !w.checked():
		first = "Nothing was checked this week: neither a listing nor a reading was finished. What the stores hold now is not known."
	case len(w.tidy) > 0:
		first = "Nothing is urgent in what was checked this week."
	default:
		first = "All that was checked this week is intact. Nothing is urgent."
	}
	if n := w.waiting(); n == 1 {
		first += " One thing waits for you."
	} else if n > 1 {
		first += fmt.Sprintf(" %s wait for you.", fixity.Count(int64(n), "thing"))
	}
	p.Lead = append(p.Lead, first)
	var not []string
	for _, s := range w.unchecked() {
		rule, _ := w.rules.Store(s)
		i := slices.IndexFunc(w.stores, func(x ledger.StoreWeek) bool { return x.Store == s })
		why := ""
		if seen := w.stores[i].Seen; rule.Visiting && !seen.IsZero() {
			why = fmt.Sprintf(" (it visits; last here %s, expected by %s)", w.day(seen), w.day(seen.Add(rule.ExpectWithin)))
		} else if !seen.IsZero() {
			why = fmt.Sprintf(" (last here %s)", w.when(seen))
		}
		not = append(not, "the "+w.store(s)+why)
	}
	if n := w.shelf.Discs - w.shelf.Read; n > 0 {
		not = append(not, fmt.Sprintf("%s of %s", fixity.Number(n), fixity.Count(w.shelf.Discs, "disc")))
	}
	if len(not) > 0 {
		p.Lead = append(p.Lead, "Not checked: "+fixity.And(not)+".")
	}
	if len(w.late) > 0 {
		var at []string
		for _, s := range w.late {
			at = append(at, w.day(s))
		}
		p.Lead = append(p.Lead, fmt.Sprintf("No weekly letter was written for %s: Firmus did not run then.", fixity.And(at)))
	}
}

func isAre(n int64, noun string) string { return fixity.Counted(n, noun, "is", "are") }

// awayShort says of a store that is away what is wrong with it.
func (w week) awayShort(f ledger.Finding) string {
	if shut(f) {
		return "the " + report.Credential(f.Store, w.rules) + " to the " + w.store(f.Store) + " doesn't work any more"
	}
	return "the " + w.storeAt(f.Store) + " could not be reached"
}

// open is what is more than untidy, the most urgent first, the oldest first in that.
func (w week) open(p *page) {
	xs := slices.Clone(w.urgent)
	slices.SortStableFunc(xs, func(a, b *thread) int { return b.urgency().Level() - a.urgency().Level() })
	x := part{Title: "Open, and should not wait"}
	for _, t := range xs {
		f := t.open[0]
		short, _ := w.whatIs(f)
		s := ""
		switch {
		case f.Kind == fixity.Away:
			s = w.awayShort(f)
		case f.Subject == fixity.OfStore:
			s = w.what(f)
		case oneDisc(t.open) && (len(t.open) > 1 || f.Subject == fixity.OfDisc):
			s = "the " + w.lies(f) + " is not as it should be"
		case len(t.fileIDs()) == 1:
			s = fmt.Sprintf("%s, %s %s; %s", w.words.nameIn(f.Set, f.Path), w.role(f.Set), short, report.Good(f))
		default:
			s = fmt.Sprintf("%s, the first of them %s: %s", fixity.Count(int64(len(t.fileIDs())), "file"), w.words.nameIn(f.Set, f.Path), short)
		}
		x.Lines = append(x.Lines, fmt.Sprintf("[%s] %s for %s: %s. What to do: %s", numbers(t.open), heading(t.open), age(w.now.Sub(f.Opened)), s, w.show(f)))
	}
	p.add(x)
}

func (w week) table() table {
	t := table{Head: []string{"", "files", "seen", "read", "longest unread", "promised"}, Right: []bool{false, true, false, true}}
	for _, s := range w.stores {
		rule, _ := w.rules.Store(s.Store)
		seen := "-"
		switch nights := w.nights(s); {
		case nights > 1:
			seen = fixity.Count(nights, "day")
		case !s.Listed.IsZero():
			seen = s.Listed.In(w.zone).Format("2 Jan")
		}
		unread, promised := "-", "none set"
		if !s.Oldest.IsZero() {
			unread = age(w.now.Sub(s.Oldest))
		}
		if s.NeverRead > 0 {
			unread = fixity.Number(s.NeverRead) + " never read"
		}
		if rule.ReadWithin > 0 {
			kept := "kept"
			if !s.Unread.IsZero() && w.now.Sub(s.Unread) > rule.ReadWithin {
				kept = "NOT KEPT"
			}
			if s.Files == 0 {
				kept = "nothing there yet"
			}
			promised = days(rule.ReadWithin) + ", " + kept
		}
		if rule.Visiting && !s.Seen.IsZero() {
			promised += "; expected by " + w.day(s.Seen.Add(rule.ExpectWithin))
		}
		if s.Reported > 0 {
			promised += fmt.Sprintf("; %s reported right by the service", fixity.Number(s.Reported))
		}
		t.Rows = append(t.Rows, []string{clean(s.Store), fixity.Number(s.Files), seen, fixity.Number(s.Read), unread, promised})
	}
	return w.shelfRow(t)
}

// nights counts the days of the week on which a store was listed completely.
func (w week) nights(s ledger.StoreWeek) int64 {
	day := map[string]bool{}
	for _, t := range s.Listings {
		day[t.In(w.zone).Format(time.DateOnly)] = true
	}
	return int64(len(day))
}
