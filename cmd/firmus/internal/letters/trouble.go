package letters

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// writer writes one letter about one matter.
type writer struct {
	words
	x      *thread
	kind   string
	now    time.Time
	next   time.Time // the next weekly letter
	deputy string    // "": there is none
	to     []string
	name   string
	events int64
}

// letter is the subject and the page.
func (w writer) letter() (string, page) {
	var subject string
	var p page
	switch {
	case w.kind == ledger.LetterEnd:
		subject, p = w.ended()
	case w.x.open[0].Subject == fixity.OfStore:
		subject, p = w.ofStore(w.x.open[0])
	case oneDisc(w.x.open) && (len(w.x.open) > 1 || w.x.open[0].Subject == fixity.OfDisc):
		subject, p = w.ofDisc()
	case len(w.x.fileIDs()) == 1:
		subject, p = w.ofFile()
	default:
		subject, p = w.ofMany()
	}
	if w.kind == ledger.LetterDeputy {
		so := age(w.now.Sub(w.x.first))
		u := heading(w.x.open)
		subject = u + " for " + so + strings.TrimPrefix(subject, u)
		what := "This has"
		var old, fresh []ledger.Finding
		for _, f := range w.x.open {
			if _, ok := w.x.told[f.ID]; ok {
				old = append(old, f)
			} else {
				fresh = append(fresh, f)
			}
		}
		also := ""
		if len(fresh) > 0 {
			what, also = "["+numbers(old)+"] has", fmt.Sprintf(" [%s] is new.", numbers(fresh))
		}
		done := "nothing was done that Firmus could see."
		if w.failing() && w.x.away[w.x.open[0].Store] {
			done = "the drive is disconnected, but no other has taken its place."
		}
		p.Lead = append([]string{fmt.Sprintf("%s been so for %s, and %s%s This letter also goes to the deputy.", what, so, done, also)}, p.Lead...)
	}
	w.close(&p)
	return subject, p
}

// what a file is, in the copy that a finding is about: for subject and first line.
func (w words) whatIs(f ledger.Finding) (short, sentence string) {
	if f.Kind == fixity.Unfinished {
		return "not a whole recording", "was not a whole recording when it was first looked at"
	}
	in, at := w.lies(f), w.liesAt(f)
	switch with := w.swappedWith(f); {
	case with != "":
		return "exchanged with " + with + " on the " + in, "has the bytes of " + with + ", and that file has its bytes, on the " + at
	case report.Edited(f, w.rules):
		return "changed on the " + in, "was changed on the " + at
	}
	switch fixity.State(f.Kind) {
	case fixity.Altered:
		if report.OtherVersion(f) {
			return "another version on the " + in, "is another version than is registered on the " + at
		}
	case fixity.Unsteady:
		if f.Facts.Tells(fixity.FirstOther) {
			return "first read wrongly from the " + in, "gave other bytes when it was taken in than it gives now, read twice, on the " + at
		}
		return "read differently each time from the " + in, "gives other bytes each time it is read from the " + at
	case fixity.Missing:
		return "missing from the " + in, "is missing from the " + at
	case fixity.Unreadable:
		return "unreadable on the " + in, "can't be read from the " + at
	case fixity.Disputed:
		return "differs between the stores", "is not the same in all stores, and nothing says which is right"
	case fixity.Awaited:
		return "not yet on the " + in, "is still awaited on the " + at
	case fixity.Behind:
		if report.FormerName(f) {
			return "under its former name on the " + in, "has its former name on the " + at
		}
		return "an earlier version on the " + in, "is an earlier version on the " + at
	case fixity.Misplaced:
		return "in another place on the " + in, "lies in another place on the " + at
	}
	return "damaged on the " + in, "is damaged on the " + at
}

// swappedWith is the file that a finding's was exchanged with; "" if it was with none.
func (w words) swappedWith(f ledger.Finding) string {
	x, ok := f.Facts.Find(fixity.Exchanged)
	if !ok || len(x.Places) == 0 {
		return ""
	}
	return w.nameIn(x.Set, string(x.Places[0]))
}

// ofFile is about one file, in one store or in several.
func (w writer) ofFile() (string, page) {
	f := w.x.open[0]
	short, sentence := w.whatIs(f)
	role, name := w.role(f.Set), w.words.nameIn(f.Set, f.Path)
	also := ""
	if n := len(w.x.stored(f)); n > 0 && fixity.State(f.Kind) != fixity.Disputed {
		also = fmt.Sprintf(" and %s more", fixity.Count(int64(n), "store"))
	}
	if w.kind == ledger.LetterMore && len(w.x.read) > 0 {
		if good := common(w.x.read, f.IntactIn); len(good) > 0 {
			also += "; read and intact: " + fixity.And(good)
		}
	}
	if len(w.wrongWay()) > 0 {
		also += askWrongWay
	}
	subject := fmt.Sprintf("%s - %s - %s %s%s [%s]", heading(w.x.open), name, role, short, also, numbers(w.x.open))

	var p page
	p.Lead = append(p.Lead, fmt.Sprintf("The %s %s %s.", role, name, sentence))
	for _, o := range w.x.open[1:] {
		if _, s := w.whatIs(o); fixity.State(o.Kind) != fixity.Disputed || fixity.State(f.Kind) != fixity.Disputed {
			if o.Kind != fixity.Unfinished {
				s += ", too"
			}
			p.Lead = append(p.Lead, fmt.Sprintf("It %s.", s))
		}
	}
	for _, o := range w.wrongWay() {
		p.Lead = append(p.Lead, fmt.Sprintf("The copy on the %s was intact before. It may have been copied the wrong way round. Please stop copying.", w.store(o.Store)))
	}
	p.Lead = append(p.Lead, w.good(f), w.please(f))
	if last := w.x.open[len(w.x.open)-1]; last.Kind == fixity.Unfinished && f.Kind != fixity.Unfinished {
		p.Lead = append(p.Lead, w.please(last))
	}

	var what part
	file := w.x.files[f.File].file
	item, _, _ := strings.Cut(w.path(f.Path), "/")
	if strings.Contains(f.Path, "/") {
		what.fact("The item", item)
	}
	for i, s := range w.register(f) {
		label := ""
		if i == 0 {
			label = "Register"
		}
		what.fact(label, s)
	}
	what.fact("The file", fmt.Sprintf("%s: %s, taken in %s", f.Set, report.Show(w.path(f.Path)), w.day(file.TakenAt)))
	for _, o := range w.x.open {
		label, also := "What", ""
		if len(w.x.open) > 1 && o.Kind != fixity.Unfinished {
			also = "on the " + w.lies(o) + ": "
		}
		what.fact(label, also+w.what(o))
		m := w.matter(w.x.open...)
		way := m.WrongWay(o)
		what.fact("Wrong way", way)
		for _, s := range m.More(o) {
			if s != way {
				what.fact("Versions", s)
			}
		}
		if s := w.x.heard[o.ID]; s != "" {
			what.fact("Heard at", also+s)
		}
		if o.Kind == fixity.Unfinished {
			what.fact("How sure", "by every byte of it, when it was first read")
			continue
		}
		what.fact("How sure", also+w.told(o))
	}
	p.add(what)
	p.add(w.copies(f.File))
	w.act(&p)
	return subject, p
}

// askWrongWay stands in the subject if a copy may have been copied the wrong way round.
const askWrongWay = "; copied the wrong way round?"

// wrongWay are the findings that tell of that.
func (w writer) wrongWay() (out []ledger.Finding) {
	for _, f := range w.x.open {
		if f.WrongWay() != "" {
			out = append(out, f)
		}
	}
	return out
}

// stored are the findings of a file about other copies than that of one of them.
func (x *thread) stored(f ledger.Finding) []ledger.Finding {
	return slices.DeleteFunc(slices.Clone(x.open), func(o ledger.Finding) bool { return o.ID == f.ID || o.Kind == fixity.Unfinished })
}

// common are the words that both lists have.
func common(a, b []string) []string {
	var out []string
	for _, s := range a {
		if slices.Contains(b, s) {
			out = append(out, s)
		}
	}
	return out
}

// good says where an intact copy is known, and how.
func (w writer) good(f ledger.Finding) string {
	if f.Kind == fixity.Unfinished {
		return "Every known copy is a copy of that."
	}
	if fixity.State(f.Kind) == fixity.Disputed {
		return "Neither version counts as intact until you decide."
	}
	if same := f.Facts.SameBytes; len(f.IntactIn) == 0 && len(same) > 0 {
		on := w.store(same[0].Store)
		if same[0].Disc != "" {
			on = "disc " + clean(same[0].Disc)
		}
		return fmt.Sprintf("No copy of it is intact, but another file with the same checksum is: %s, on the %s.", w.nameIn(same[0].Set, string(same[0].Path)), on)
	}
	if len(f.IntactIn) == 0 {
		s := "No intact copy of it is known."
		if f.Mergeable {
			s = "No intact copy of it is known, but the damaged copies together hold every part of it."
		}
		if w.x.reads {
			s += " The other copies are being read now; you will hear."
		}
		return s
	}
	// The copy that is known best; the others stand in the table.
	best, rank := "", 9
	for _, s := range report.Donors(f, w.rules) {
		c, ok := w.x.intact(f, s)
		rule, _ := w.rules.Store(s)
		said, n := "The "+w.store(s)+"'s copy is intact as far as is known", 5
		switch {
		case !ok:
		case readSince(c, f) && c.Read.OK && !c.ReadAtOnce():
			said, n = fmt.Sprintf("The %s's copy is intact: all of it was read %s", w.store(s), w.when(c.Read.At)), 1
		case c.ReadAtOnce() && !rule.Visiting && !w.x.away[s] && c.Read.OK:
			said, n = fmt.Sprintf("The %s's copy was intact when last read, %s; Firmus reads it again now and writes what it finds", w.store(s), w.when(c.Read.At)), 2
		case c.Read.OK && !c.Read.At.IsZero():
			said, n = fmt.Sprintf("The %s's copy was intact when last read, %s", w.store(s), w.when(c.Read.At)), 3
		case !c.Reported.At.IsZero():
			said, n = fmt.Sprintf("The %s's copy has the right checksum, as reported by the service %s; it was not read", w.store(s), w.when(c.Reported.At)), 4
		}
		if n < rank {
			best, rank = said, n
		}
	}
	if n := len(f.IntactIn) - 1; n > 0 {
		best += ". "
		if n == 1 {
			best += "One more copy is listed below"
		} else {
			best += fixity.Count(int64(n), "more copy") + " are listed below"
		}
	}
	return best + "."
}

// please is what to do, in a sentence.
func (w writer) please(f ledger.Finding) string {
	if report.Edited(f, w.rules) {
		return "Please find out this week whether somebody edited it on purpose. Until then do not save, move or delete it."
	}
	switch f.Step {
	case care.StepDrive:
		return "Please try the disc in a second drive this week, before anything else: it may read there."
	case care.StepBurn:
		if f.Kind == fixity.Fading {
			return "Please copy it this week, while it can still be read."
		}
		if f.Kind == fixity.OtherDisc {
			return "Please look for it this week, and put both discs where they belong."
		}
		if f.Kind == fixity.WrongDirectory {
			return "Please burn it anew when you next burn discs: its files are whole, and its directory is not."
		}
		if f.Facts.Tells(fixity.DiscLevel) {
			return "Please decide this week whether discs that were burned so may stay. Nothing is lacking on it."
		}
		if f.Kind == fixity.Kind(fixity.Misplaced) {
			return "Please decide this week whether its order may stay. All of it is right."
		}
		return "Please burn it anew this week, from an intact copy, and keep the old disc until the new one was checked."
	case care.StepRecover:
		if fixity.State(f.Kind) == fixity.Missing {
			return "Please copy it back this week, by the steps below. Until then do not move or delete any other copy of it."
		}
		return "Please put it back this week, by the steps below. Until then do not open, save, move or delete the file."
	case care.StepDecide:
		return "Please listen to both and decide. Until then do not save, move or delete either."
	case care.StepReread:
		return "Please look at cable, port and hub. Do not put anything back before two readings agree."
	case care.StepCopy:
		return fmt.Sprintf("Please copy it to the %s this week, by the steps below.", w.store(f.Store))
	case care.StepTransfer:
		return "Please keep the reel and the recorder's stick, and transfer it again this week, while it can be played."
	case care.StepOther:
		return "Please look for another copy today. Do not open, save, move or delete any copy of it."
	}
	return "Please look at it this week. Until then do not open, save, move or delete the file."
}

// copies is a table of every copy of a file, with how and when it was last known.
func (w writer) copies(file int64) part {
	p := part{Title: "Each copy of this file"}
	disputed, edited := w.has(func(f ledger.Finding) bool { return fixity.State(f.Kind) == fixity.Disputed }), w.has(func(f ledger.Finding) bool { return report.Edited(f, w.rules) })
	unfinished := w.has(func(f ledger.Finding) bool { return f.Kind == fixity.Unfinished })
	word := func(s fixity.State) string {
		if unfinished && s == fixity.Intact { // of a recording that isn't whole
			return "as taken in"
		}
		return string(s)
	}
	for _, c := range w.x.files[file].copies {
		state, how := strings.ToUpper(string(c.State)), w.lastKnown(c)
		rule, _ := w.rules.Store(c.Store)
		switch {
		case disputed && report.Holds(c):
			state = strings.ToUpper(report.InWords(c, true))
		case disputed && c.State == fixity.Disputed:
			state, how = strings.ToUpper(report.InWords(c, true)), "read "+w.when(c.Read.At)
		case edited && c.State == fixity.Altered && rule.Arrivals:
			state, how = "CHANGED", "read "+w.when(c.Read.At)
		case c.State.Damaged() && c.State != fixity.Disputed:
			switch c.State {
			case fixity.Altered:
				state = "DAMAGED"
			case fixity.Unreadable:
				how = "could not be read, " + w.when(c.Read.At)
			}
		case c.State == fixity.Missing, c.State == fixity.Disputed:
		case c.State == fixity.Awaited:
			state, how = "not yet there", "awaited since "+w.when(c.Since)
		case w.x.away[c.Store] || rule.Visiting && w.x.stores[c.Store].Seen.Before(w.x.open[0].Opened.Add(-24*time.Hour)):
			state, how = "not known", fmt.Sprintf("not there now; %s when last known: %s", word(c.State), how)
		default:
			state = word(c.State)
			if c.ReadAtOnce() {
				how += "; is being read again now"
			}
		}
		if seen := w.x.stores[c.Store].Seen; w.x.away[c.Store] && state != "not known" && c.Carrier == 0 && !seen.IsZero() {
			how = "when last seen, " + w.day(seen) + ": " + how
		}
		p.Table.Rows = append(p.Table.Rows, []string{w.copyIn(c), state, how + w.place(c.Store)})
	}
	return p
}

// has says that an open finding of the matter is one of those.
func (w writer) has(one func(ledger.Finding) bool) bool { return slices.ContainsFunc(w.x.open, one) }

func (w words) place(store string) string {
	rule, _ := w.rules.Store(store)
	if rule.Place == "" {
		return ""
	}
	return " (" + clean(rule.Place) + ")"
}

// lastKnown is when and how a copy was last known.
func (w words) lastKnown(c ledger.Copy) string {
	var said []string
	if !c.Read.At.IsZero() {
		how := "read "
		if !c.Read.OK {
			how = "read, and not as it should be, "
		}
		if c.State == fixity.Missing {
			how = "last " + how
		}
		s := how + w.when(c.Read.At)
		switch {
		case c.Carrier != 0 && c.Read.Cache == fixity.Unknown:
			s += " (an image of it)"
		case c.Read.Cache != fixity.Bypassed && c.Read.Cache != fixity.Dropped:
			s += " (" + fixity.Means("cache", string(c.Read.Cache)) + ")"
		}
		said = append(said, s)
	}
	if !c.Reported.At.IsZero() {
		how := "reported right by the service "
		if !c.Reported.OK {
			how = "reported by the service, and not as it should be, "
		}
		said = append(said, how+w.when(c.Reported.At)+report.ReportedBy(c))
	}
	if len(said) == 0 {
		return "never read"
	}
	return strings.Join(said, "; ")
}

// failing says that the matter is a drive that gives several files no longer.
func (w writer) failing() bool { return w.matter(w.x.open...).Failing() }

// mass says that the matter is an incident.
func (w writer) mass() bool { return w.matter(w.x.open...).Mass() }

// matter is what steps are taken from, as the terminal and pages take them. A path to act
// on stands whole, titles in it too: cut, it could not be followed, or to another file.
func (w writer) matter(fs ...ledger.Finding) report.Matter {
	m := w.x.about
	m.Findings, m.Rules, m.Name, m.When = fs, w.rules, w.store, w.when
	return m
}

// act adds the steps, and what to save first from a failing drive.
func (w writer) act(p *page) {
	m := w.matter(w.x.open...)
	p.add(part{Title: "Do this", Steps: w.placed(w.steps(m.Steps()))})
	if m.Failing() {
		p.add(w.saveFirstTable(m))
	}
}

// saveFirstTable lists what has the fewest copies besides those on a failing drive, and from
// where to take each.
func (w writer) saveFirstTable(m report.Matter) part {
	p := part{Title: "What has the fewest other copies, on the " + w.store(m.Findings[0].Store)}
	for _, x := range m.Fewest {
		in := "no other store was shown to hold it"
		if len(x.In) > 0 {
			in = "also on the " + w.stores(x.In)
		}
		p.Listed = append(p.Listed, w.placed([]step{{report.Step{Lines: []report.Line{{Label: "FROM", Path: m.SaveFrom(x)}}}, report.Show(x.File.Set+"/"+w.path(x.File.Path)) + ": " + in, ""}})...)
	}
	return p
}

// close adds what every letter ends with.
func (w writer) close(p *page) {
	var goes, foot part
	if w.kind != ledger.LetterEnd {
		goes.fact("By itself", w.byItself())
		goes.fact("Not known", w.unknown())
		if w.deputy != "" && w.kind != ledger.LetterDeputy && !slices.Contains(w.to, w.deputy) {
			since := w.x.first
			if since.IsZero() {
				since = w.now
			}
			goes.fact("Otherwise", fmt.Sprintf("If nothing has been done by %s, a letter also goes to the deputy, %s.", w.whenDay(since.Add(DeputyAfter)), clean(w.deputy)))
		}
	}
	p.add(goes)
	first := w.x.first
	if first.IsZero() {
		first = w.now
	}
	ids := "Finding " + numbers(w.x.all())
	if len(w.x.all()) > 1 {
		ids = "Findings " + numbers(w.x.all())
	}
	if l := w.link(w.x.all()...); l != "" && w.kind != ledger.LetterEnd {
		p.add(part{Title: "On a page, with a form for what is to be done", Link: l})
	}
	foot.Lines = append(foot.Lines,
		fmt.Sprintf("%s, first told %s. All about it: firmus findings show %d", ids, w.when(first), w.x.all()[0].ID),
		fmt.Sprintf("%s. Written %s, when the record had %s.", clean(w.name), w.when(w.now), fixity.Count(w.events, "event")),
		"Sent to "+clean(fixity.And(w.to))+".",
		fmt.Sprintf("Next letter: %s, the weekly one, or sooner if there is news.", w.whenDay(w.next)))
	if w.kind != ledger.LetterEnd {
		foot.Lines[len(foot.Lines)-1] = fmt.Sprintf("Next letter: %s, the weekly one, or sooner if there is news. This stays in each of them until it is settled.", w.whenDay(w.next))
	}
	if w.withhold {
		foot.Lines = append(foot.Lines, fmt.Sprintf("A recording in this letter is restricted: its name, and the places that tell it, are left out. They stand in: firmus findings show %d", w.x.all()[0].ID))
	} else if !w.titles && w.shortened() {
		foot.Lines = append(foot.Lines, "Names are cut short (…) because titles and performers don't leave the house by mail. Only in the steps do paths stand whole: you could not follow a path that is cut short.")
	}
	p.add(foot)
}

// shortened says that a path in the letter isn't whole.
func (w writer) shortened() bool {
	return slices.ContainsFunc(w.x.all(), func(f ledger.Finding) bool {
		return w.path(f.Path) != clean(f.Path) || w.path(f.FoundAt) != clean(f.FoundAt)
	})
}

func (w writer) byItself() string {
	f := w.x.open[0]
	switch {
	case f.Carrier != 0:
		return "Firmus can't fetch a disc. It looks at the disc when you check it again, and a letter says what that showed."
	case f.Kind == fixity.Away:
		return "Firmus looks for it again in each audit, and a letter says when it is there."
	case f.Subject == fixity.OfStore, isLacking(f):
		return "Firmus looks again in each audit, and a letter says when it is done."
	case f.Kind == fixity.Unfinished:
		return "Firmus waits for a whole version, or for your reason. Until then it doesn't say that a stick with this recording may be erased."
	case w.failing():
		return "While the drive is connected, audits go on reading it. Once it is disconnected, no letter says that it is away."
	case w.x.reads:
		return "Firmus reads the other copies now, before anything else, and a letter says what they hold. It looks at this one again in each audit."
	}
	return "Firmus looks at it again in each audit, and a letter says when it is put right. It changes no copy."
}

func (w writer) unknown() string {
	var said []string
	f := w.x.open[0]
	switch {
	case f.Kind == fixity.Away:
		said = append(said, "why; and whether its files are what they were")
	case isLacking(f), f.Subject == fixity.OfStore:
	case f.Kind == fixity.Unfinished:
		said = append(said, "whether the stick or the reel still has the whole recording")
	default:
		said = append(said, "the cause")
	}
	for _, s := range w.rules.Stores {
		if s.Name == f.Store || f.Subject == fixity.OfStore || len(w.x.stores) == 0 || !s.Holds(f.Set) {
			continue
		}
		if w.x.away[s.Name] || s.Visiting && w.x.stores[s.Name].Seen.Before(f.Opened.Add(-24*time.Hour)) {
			said = append(said, "what the "+w.store(s.Name)+" holds now")
		}
	}
	if len(said) == 0 {
		return ""
	}
	s := strings.Join(said, "; ")
	return strings.ToUpper(s[:1]) + s[1:] + "."
}
