package letters

import (
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// ofStore is about a whole store.
func (w writer) ofStore(f ledger.Finding) (string, page) {
	var p page
	var what part
	name := "the " + w.store(f.Store)
	subject := fmt.Sprintf("%s - %s could not be reached [%d]", urgency(f.Urgency), name, f.ID)
	switch f.Kind {
	case fixity.Away:
		p.Lead = []string{
			fmt.Sprintf("The %s could not be reached since %s.", w.storeAt(f.Store), w.when(f.Opened)),
			fmt.Sprintf("It was last there %s. %s expected on it; Firmus calls none of them missing while it is away.", w.when(w.x.stores[f.Store].Seen), are(f.Count)),
			"Please connect it, or find out where it is. Do not put another drive or folder in its place.",
		}
		if rule, _ := w.rules.Store(f.Store); rule.Kind == "cloud" {
			p.Lead[2] = "Please find out what is wrong: the check below says it, and what to do."
			if shut(f) {
				opens := report.Credential(f.Store, w.rules)
				subject = fmt.Sprintf("%s - the %s to the %s doesn't work any more [%d]", urgency(f.Urgency), opens, w.store(f.Store), f.ID)
				p.Lead[0] = fmt.Sprintf("The %s to the %s doesn't work any more, since %s: nothing of it can be checked.", opens, w.storeAt(f.Store), w.when(f.Opened))
				p.Lead[2] = "Please renew the " + opens + " this week. The check below says what is wrong, and how."
			}
		}
		what.fact("What", w.told(f))
		what.fact("How sure", fmt.Sprintf("tried first %s, last %s", w.when(f.Opened), w.when(f.Seen)))
	case fixity.TooFew:
		subject = fmt.Sprintf("%s - %s with too few copies [%d]", urgency(f.Urgency), w.suchAs(f), f.ID)
		p.Lead = []string{
			fmt.Sprintf("%s fewer independent copies than the rule asks, for longer than it allows. New files arrive on the %s.", has(f.Count), w.storeAt(f.Store)),
			"If the only copy fails or is overwritten, the recording is gone.",
			"Please copy what is new to the other stores this week. Do not erase the recorder's sticks yet.",
		}
		what.fact("What", w.told(f))
		what.fact("How sure", "counted "+w.when(f.Seen)+", from what was read or seen in each store")
	default:
		subject = fmt.Sprintf("%s - %s: %s [%d]", urgency(f.Urgency), w.store(f.Store), fixity.Means("kind", string(f.Kind)), f.ID)
		p.Lead = []string{
			fmt.Sprintf("The %s: %s.", w.storeAt(f.Store), w.what(f)),
			"Please look at it this week.",
		}
	}
	p.add(what)
	if rest := w.x.open[1:]; len(rest) > 0 {
		p.add(w.filesTable("Of these", rest))
	}
	p.add(part{Title: "Do this", Steps: w.steps(w.matter(f).Steps())})
	return subject, p
}

// shut says that a store which is away won't come back by itself: its key, password or sign-in is refused.
func shut(f ledger.Finding) bool { return f.Facts.Tells(fixity.SignedOut) }

func are(n int64) string {
	if n == 1 {
		return "1 file is"
	}
	return fixity.Number(n) + " files are"
}

func holds(n int64) string {
	if n == 1 {
		return "1 copy was"
	}
	return fixity.Number(n) + " copies were"
}

func has(n int64) string {
	if n == 1 {
		return "1 file has"
	}
	return fixity.Number(n) + " files have"
}

// ofMany is about several files: a mass change, a failing drive, or what one audit
// found.
func (w writer) ofMany() (string, page) {
	open := w.x.open
	kinds := map[fixity.Kind]int64{}
	var stores []string
	none := int64(0)
	for _, f := range open {
		kinds[f.Kind]++
		if !slices.Contains(stores, f.Store) {
			stores = append(stores, f.Store)
		}
		if f.Urgency == fixity.NoneIntact {
			none++
		}
	}
	n := int64(len(w.x.fileIDs()))
	what, sentence := "not as they should be", "are not as they should be"
	if len(kinds) == 1 {
		what, sentence = plural(open[0].Kind)
	}
	m := w.matter(open...)
	was, is, folder := m.Folder()
	switch {
	case m.Swap():
		what, sentence = "exchanged with each other", "have each other's bytes"
	case folder:
		what, sentence = "of a folder that was moved", fmt.Sprintf("of %s lie in %s now,", report.ShowFolder(w.path(was)), report.ShowFolder(w.path(is)))
	}
	on := "on the " + w.stores(stores)
	if k := fixity.State(open[0].Kind); (k == fixity.Missing || k == fixity.Unreadable) && len(kinds) == 1 {
		on = "from the " + w.stores(stores)
	}
	drive := ""
	if w.failing() {
		drive = ": the drive may be failing"
	}
	subject := fmt.Sprintf("%s - %s %s %s%s [%s]", heading(w.x.open), w.named(n), what, on, drive, numbers(open))

	var p page
	where := "the " + w.stores(stores)
	if len(stores) == 1 {
		where = "the " + w.storeAt(stores[0])
	}
	first := fmt.Sprintf("%s %s %s.", fixity.Count(n, "file"), sentence, strings.Replace(on, "the "+w.stores(stores), where, 1))
	if open[0].Incident != 0 {
		first += " It is one incident."
	}
	p.Lead = append(p.Lead, first)
	if wrong := int64(len(w.wrongWay())); wrong > 0 {
		subject = strings.TrimSuffix(subject, " ["+numbers(open)+"]") + askWrongWay + " [" + numbers(open) + "]"
		p.Lead = append(p.Lead, fmt.Sprintf("%s intact before and hold the same damaged bytes as another copy now. They may have been copied the wrong way round. Please stop copying.", holds(wrong)))
	}
	switch {
	case m.Swap():
		p.Lead = append(p.Lead, "Nothing of them is damaged. Please find out whether somebody exchanged their names, and do not save, move or delete them before.")
	default:
		p.Lead = append(p.Lead, w.goodOfMany(n, none), w.pleaseOfMany(none))
	}
	var parts []string
	for _, t := range fixity.Vocabulary {
		if k := kinds[fixity.Kind(t.Code)]; k > 0 && (t.Group == "state" || t.Group == "kind") && len(kinds) > 1 {
			_, s := plural(fixity.Kind(t.Code))
			parts = append(parts, fixity.Number(k)+" "+strings.TrimPrefix(s, "are "))
		}
	}
	var facts part
	facts.fact("What", strings.Join(parts, ", "))
	facts.fact("How sure", fmt.Sprintf("[%d]: %s", open[0].ID, w.told(open[0])))
	if len(w.x.ended) > 0 {
		facts.fact("Ended", fixity.Count(len(w.x.ended), "more finding")+" of this matter, told before")
	}
	p.add(facts)
	p.add(w.filesTable("The files", open))
	w.act(&p)
	return subject, p
}

// suchAs counts the files of a finding about several, and names one.
func (w writer) suchAs(f ledger.Finding) string {
	x, ok := f.Facts.Find(fixity.SuchAs)
	if !ok || len(x.Places) == 0 { // told by an earlier version
		return fixity.Count(f.Count, "file")
	}
	name := w.words.nameIn(x.Set, string(x.Places[0]))
	if f.Count == 1 {
		return name
	}
	return fmt.Sprintf("%s (%s and %s more)", fixity.Count(f.Count, "file"), name, fixity.Number(f.Count-1))
}

// named counts the files of the matter, and names them: something to act on stands in
// every subject.
func (w writer) named(n int64) string {
	f := w.x.open[0]
	first := w.words.nameIn(f.Set, f.Path)
	if n == 2 {
		for _, o := range w.x.open {
			if o.File != f.File {
				return first + " and " + w.words.nameIn(o.Set, o.Path)
			}
		}
	}
	return fmt.Sprintf("%s (%s and %s more)", fixity.Count(n, "file"), first, fixity.Number(n-1))
}

func plural(k fixity.Kind) (short, sentence string) {
	if k == fixity.Unfinished {
		return "not whole recordings", "were not whole recordings when they were first looked at,"
	}
	switch fixity.State(k) {
	case fixity.Missing:
		return "missing", "are missing"
	case fixity.Unreadable:
		return "can't be read", "can't be read"
	case fixity.Unsteady:
		return "read differently each time", "give other bytes each time they are read"
	case fixity.Disputed:
		return "differ between the stores", "are not the same in all stores"
	case fixity.Awaited:
		return "not yet", "are still awaited"
	case fixity.Altered:
		return "damaged", "are damaged"
	}
	return string(k), "are " + string(k)
}

func (w writer) goodOfMany(n, none int64) string {
	if w.x.open[0].Kind == fixity.Unfinished {
		return "Every known copy of each is a copy of that."
	}
	if none > 0 && none == n {
		return "No intact copy of any of them is known."
	}
	var stores []string
	same := 0
	for _, f := range w.x.open {
		if len(f.IntactIn) == 0 && len(f.Facts.SameBytes) > 0 {
			same++
		}
		for _, s := range f.IntactIn {
			if !slices.Contains(stores, s) {
				stores = append(stores, s)
			}
		}
	}
	s := fmt.Sprintf("Each is known to be intact elsewhere: on the %s.", w.stores(stores))
	switch {
	case len(stores) == 0 && same > 0:
		s = fmt.Sprintf("No copy of any of them is intact. Of %s another file with the same checksum is: see each finding.", fixity.Number(int64(same)))
	case none > 0 || same > 0:
		s = fmt.Sprintf("No intact copy of %s is known; the others are intact on the %s.", fixity.Number(none), w.stores(stores))
		if same > 0 {
			s = fmt.Sprintf("No copy of %s is intact, and of %s of these another file with the same checksum is. The others are intact on the %s.",
				fixity.Number(none+int64(same)), fixity.Number(int64(same)), w.stores(stores))
		}
	}
	switch {
	case w.x.reads:
		s += " These copies are being read now; you will hear."
	case len(w.x.read) > 0:
		s += " The copies on the " + w.stores(w.x.read) + " were read since."
	}
	return s
}

func (w writer) pleaseOfMany(none int64) string {
	switch {
	case w.failing():
		return "Please stop using the drive today: each reading may harm it further. Run no repair program on it, and ask somebody qualified."
	case w.x.open[0].Kind == fixity.Unfinished:
		return "Please keep the reels and the recorder's sticks. Find out this week what can be transferred again."
	case isLacking(w.x.open[0]):
		return "Please copy them this week."
	case w.mass():
		return "Please find out today what happened, and change nothing before. Do not let a copying program bring the other stores into line."
	case none > 0:
		return "Please look at them today. Until then do not open, save, move or delete any copy of them."
	}
	return "Please look at them this week. Until then do not open, save, move or delete them."
}

// filesTable is a table of findings about files, so many as can be read.
func (w writer) filesTable(title string, fs []ledger.Finding) part {
	p := part{Title: title}
	for _, f := range fs[:min(len(fs), sampled)] {
		state := string(f.Kind)
		if fixity.State(f.Kind) == fixity.Altered {
			state = "damaged"
		}
		switch {
		case w.swappedWith(f) != "":
			state = "exchanged with " + w.swappedWith(f)
		case report.Edited(f, w.rules):
			state = "changed"
		case report.OtherVersion(f):
			state = "another version"
		}
		if f.WrongWay() != "" {
			state += ", perhaps copied the wrong way round"
		}
		p.Table.Rows = append(p.Table.Rows, []string{fmt.Sprintf("[%d]", f.ID), report.Show(w.path(f.Path)), w.lies(f) + ": " + state + "; " + report.Good(f)})
	}
	if more := len(fs) - sampled; more > 0 {
		p.Table.Rows = append(p.Table.Rows, []string{"", "", fmt.Sprintf("and %s more: %s", fixity.Number(int64(more)), w.order(report.Order{Act: report.ShowFindings}))})
	}
	return p
}

// ended is the last letter of a matter.
func (w writer) ended() (string, page) {
	fs := w.x.ended
	f := fs[0]
	byPerson := slices.ContainsFunc(fs, func(f ledger.Finding) bool { return f.Settled != fixity.IntactAgain && f.Settled != fixity.PutBack })
	verdict, is, are := "PUT RIGHT", "is intact again", "are intact again"
	gone := !slices.ContainsFunc(fs, func(f ledger.Finding) bool { return f.Settled != fixity.Overtaken || f.Kind == fixity.Unfinished })
	switch {
	case gone:
		return w.overtaken()
	case byPerson:
		verdict, is, are = "SETTLED", "is settled", "are settled"
	case f.Kind == fixity.Away:
		is = "is there again"
	case f.Subject == fixity.OfStore, f.Subject == fixity.OfDisc, isLacking(f):
		is, are = "is as it should be", "are as they should be"
	}
	var what string
	switch {
	case f.Subject == fixity.OfDisc:
		what = "the " + w.lies(f)
	case f.Subject == fixity.OfStore:
		what = "the " + w.store(f.Store)
	case len(w.x.files) == 1:
		what = fmt.Sprintf("%s - %s on the %s", w.words.nameIn(f.Set, f.Path), w.role(f.Set), w.lies(f))
		if byPerson {
			is = ""
		}
	default:
		what, is = fmt.Sprintf("%s on the %s", fixity.Count(len(fs), "file"), w.lies(f)), are
	}
	subject := fmt.Sprintf("%s - %s [%s]", verdict, strings.TrimSpace(what+" "+is), numbers(fs))
	var p page
	switch {
	case f.Subject == fixity.OfStore, f.Subject == fixity.OfDisc:
		p.Lead = append(p.Lead, fmt.Sprintf("The %s %s.", w.liesAt(f), is))
	case len(w.x.files) == 1:
		s := fmt.Sprintf("The %s %s on the %s %s.", w.role(f.Set), w.words.nameIn(f.Set, f.Path), w.liesAt(f), is)
		if byPerson {
			s = fmt.Sprintf("The finding about the %s %s on the %s is settled.", w.role(f.Set), w.words.nameIn(f.Set, f.Path), w.liesAt(f))
		}
		p.Lead = append(p.Lead, s)
	default:
		p.Lead = append(p.Lead, fmt.Sprintf("%s on the %s %s.", fixity.Count(len(fs), "file"), w.liesAt(f), are))
	}
	if !byPerson && len(w.matter(fs...).Followers()) > 0 && f.Subject == fixity.OfFile {
		p.Lead = append(p.Lead, fmt.Sprintf("The program that keeps the %s in step may run again.", w.stores(w.matter(fs...).Followers())))
	}
	p.Lead = append(p.Lead, "There is nothing more to do about it.")
	var how part
	for _, like := range alike(fs) {
		f := like[0]
		how.fact("["+numbers(like)+"]", clean(report.Ended(f, w.when)))
	}
	if len(how.Facts) > sampled {
		more := fixity.Number(int64(len(how.Facts) - sampled))
		how.Facts = append(how.Facts[:sampled:sampled], fact{"", fmt.Sprintf("and %s more, likewise ended", more)})
	}
	p.add(how)
	if len(w.x.files) == 1 && f.File != 0 {
		p.add(w.copiesEnded(f.File))
	}
	return subject, p
}

// overtaken is the last letter of a matter whose subject is there no more: a drive
// that was replaced, a file that was retired.
func (w writer) overtaken() (string, page) {
	fs := w.x.ended
	f := fs[0]
	what := "the " + w.store(f.Store)
	if f.Subject == fixity.OfFile {
		what = fmt.Sprintf("%s - %s on the %s", w.words.name(f.Path), w.role(f.Set), w.store(f.Store))
		if len(fs) > 1 {
			what = fmt.Sprintf("%s on the %s", fixity.Count(len(fs), "file"), w.store(f.Store))
		}
	}
	var p page
	p.Lead = []string{
		fmt.Sprintf("What was said of %s is at an end: that drive, or file, is not in use any more.", strings.Replace(what, " - ", ", ", 1)),
		"What is there now is checked anew, and a letter comes if anything is wrong with it.",
	}
	var how part
	for _, like := range alike(fs) {
		s := w.when(like[0].SettledAt)
		if by := like[0].SettledBy; by != "" {
			s += " by " + clean(by)
		}
		if why := like[0].Reason; why != "" {
			s += ": " + clean(why)
		}
		how.fact("["+numbers(like)+"]", s)
	}
	p.add(how)
	return fmt.Sprintf("ENDED - %s [%s]", what, numbers(fs)), p
}

// alike draws findings that ended at one time in one way together.
func alike(fs []ledger.Finding) [][]ledger.Finding {
	var out [][]ledger.Finding
	for _, f := range fs {
		i := slices.IndexFunc(out, func(o []ledger.Finding) bool {
			return o[0].Settled == f.Settled && o[0].SettledAt.Equal(f.SettledAt) && o[0].SettledBy == f.SettledBy && o[0].Reason == f.Reason
		})
		if i < 0 {
			i, out = len(out), append(out, nil)
		}
		out[i] = append(out[i], f)
	}
	return out
}

func (w writer) copiesEnded(file int64) part {
	p := part{Title: "Each copy of this file"}
	for _, c := range w.x.files[file].copies {
		p.Table.Rows = append(p.Table.Rows, []string{w.copyIn(c), string(c.State), w.lastKnown(c) + w.place(c.Store)})
	}
	return p
}
