package letters

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

const listed = 8 // things of one sort that a weekly letter names; the rest is counted

// rest is what a weekly letter says below the table of stores.
func (w week) rest(p *page) {
	var x part
	x.fact("New", w.newFiles())
	x.fact("Discs", w.shelfLine())
	switch {
	case w.none > 0:
		x.fact("One copy only", fmt.Sprintf("%s; %s no store was shown to hold", w.alone(), fixity.Number(w.none)))
	case w.single > 0:
		x.fact("One copy only", w.alone()+"; stores that a program keeps in step count once")
	default:
		x.fact("One copy only", "none")
	}
	for i, s := range w.waits() {
		label := ""
		if i == 0 {
			label = "Waits for you"
		}
		x.fact(label, s)
	}
	for i, s := range w.registerLines() {
		label := ""
		if i == 0 {
			label = "Register"
		}
		x.fact(label, s)
	}
	for i, s := range w.putRight() {
		label := ""
		if i == 0 {
			label = "Ended"
		}
		x.fact(label, s)
	}
	for i, v := range w.visits {
		label := ""
		if i == 0 {
			label = "Visits"
		}
		x.fact(label, "the "+w.store(v.Store)+" "+clean(v.Words(w.zone)))
	}
	for i, d := range w.drills {
		label := ""
		if i == 0 {
			label = "Brought back"
		}
		x.fact(label, "from the "+w.store(d.Store)+": "+clean(d.Words(w.zone)))
	}
	for _, s := range w.rules.Stores {
		x.fact("Not done", w.notDone(s.Name))
	}
	for _, s := range w.owned(true) {
		x.fact("Account", s)
	}
	for _, f := range w.filling {
		x.fact("Being filled", fmt.Sprintf("the %s: %s of %s of %s there", w.store(f.Store), fixity.Number(f.There), fixity.Count(f.All, "file"), clean(f.Set)))
	}
	for _, o := range w.takenOut {
		x.fact("Taken out", clean(o.Words()))
	}
	x.fact("Letters", w.letters())
	for _, n := range w.notes {
		x.fact(clean(n.Label), clean(n.Text))
	}
	x.fact("Kept safe", w.safe())
	p.add(x)
}

// alone are the files that one store alone was shown to hold.
func (w week) alone() string {
	s := fixity.Count(w.single, "file")
	if w.singleFor > 0 {
		s += ", " + report.Hours(int64(w.singleFor/time.Second)) + " of sound"
	}
	return s
}

func (w week) newFiles() string {
	if len(w.taken) == 0 {
		return "nothing was taken in"
	}
	var names []string
	n := int64(0)
	for _, t := range w.taken {
		n += t.Files
		if name := w.path(t.Item); name != "" && len(names) < listed {
			names = append(names, name)
		}
	}
	s := fixity.And(names)
	if more := len(w.taken) - len(names); more > 0 {
		s += fmt.Sprintf(" and %s more", fixity.Count(int64(more), "item"))
	}
	s += ": " + fixity.Count(n, "file") + "."
	them := "them"
	if n == 1 {
		them = "it"
	}
	for _, store := range w.rules.Stores {
		there, awaited := int64(0), int64(0)
		for _, c := range w.takenCopies {
			switch {
			case c.Store != store.Name:
			case c.State == fixity.Awaited:
				awaited += c.Files
			default:
				there += c.Files
			}
		}
		switch {
		case awaited > 0 && there == 0:
			s += fmt.Sprintf(" The %s awaits %s.", w.store(store.Name), them)
		case awaited > 0:
			s += fmt.Sprintf(" The %s has %s and awaits %s.", w.store(store.Name), fixity.Number(there), fixity.Number(awaited))
		case there > 0:
			s += fmt.Sprintf(" The %s has %s.", w.store(store.Name), them)
		}
	}
	return s
}

// tidied draws findings of one kind in one store together where they are many.
func tidied(fs []ledger.Finding) [][]ledger.Finding {
	type key struct {
		store   string
		kind    fixity.Kind
		subject fixity.Subject
	}
	at := map[key]int{}
	var out [][]ledger.Finding
	for _, f := range fs {
		k := key{f.Store, f.Kind, f.Subject}
		if f.Subject == fixity.OfRegister {
			k.kind = "" // all of it is one thing to do
		}
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k], out = i, append(out, nil)
		}
		out[i] = append(out[i], f)
	}
	return out
}

// proposed are acts that a set may ask two people for, in a letter's words.
var proposed = map[string]string{"sign-off": "to sign off a change", "retire": "to retire files", "replace": "to put files in the place of others",
	"settle": "to leave findings as they are", "retire-store": "to retire a store", "replace-store": "to let another drive take the place of a store"}

func (w week) waits() []string {
	var out []string
	for _, p := range w.proposals { // first: nothing of it is done before
		out = append(out, fmt.Sprintf("Proposal %d of %s (%s) waits for a second person (%s). What to do: %s", p.ID, clean(p.By), proposed[p.Act], age(w.now.Sub(p.Made)), w.order(report.Order{Act: report.Confirm, Proposal: p.ID})))
	}
	for _, fs := range tidied(w.tidy) {
		f := fs[0]
		if f.Subject == fixity.OfRegister {
			continue // the register's own line says it
		}
		s := fmt.Sprintf("[%s] ", numbers(fs))
		switch {
		case len(fs) > 1:
			s += fmt.Sprintf("%s on the %s: %s", fixity.Count(len(fs), "finding"), w.liesOf(fs), means(f))
		case f.Subject == fixity.OfFile, f.Subject == fixity.OfStray:
			s += fmt.Sprintf("%s on the %s: %s", report.Show(w.path(f.Path)), w.lies(f), w.what(f))
		default:
			s += fmt.Sprintf("%s: %s", w.lies(f), w.what(f))
		}
		out = append(out, s+fmt.Sprintf(" (%s). What to do: %s", age(w.now.Sub(f.Opened)), w.show(f)))
	}
	for _, x := range w.public {
		out = append(out, clean(report.Fact(x)))
	}
	for _, k := range w.keep {
		out = append(out, fmt.Sprintf("Keep the source of %s received %s: not all of it was read in two independent stores yet", fixity.Count(len(k.Files), "file"), w.day(k.At)))
	}
	for _, s := range w.owned(false) {
		out = append(out, s+": "+w.order(report.Order{Act: report.ShowHoldings})+" names it")
	}
	if len(out) > listed {
		out = append(out[:listed:listed], fmt.Sprintf("and %s more: %s", fixity.Number(int64(len(out)-listed)), w.order(report.Order{Act: report.ShowFindings})))
	}
	return out
}

// owned says that files which services keep belong to accounts, and go with them: to
// the one whose the folder is, or to others.
func (w week) owned(folder bool) []string {
	var out []string
	for _, o := range w.owners {
		if o.Own == folder {
			out = append(out, report.Owner(o).Text(w.store(o.Store)))
		}
	}
	return out
}

func means(f ledger.Finding) string {
	if f.Subject == fixity.OfManifest {
		return "manifests that contradict the ledger"
	}
	if m := fixity.Means("state", string(f.Kind)); m != "" {
		return m
	}
	return fixity.Means("kind", string(f.Kind))
}

// putRight is what ended in the week.
func (w week) putRight() []string {
	var out []string
	for _, fs := range tidied(w.ended) {
		if fs[0].Subject == fixity.OfRegister {
			continue // rows come and go: what is open counts
		}
		if len(fs) > 2 {
			out = append(out, fmt.Sprintf("[%s] %s on the %s (%s): %s", numbers(fs), fixity.Count(len(fs), "finding"), w.liesOf(fs), was(fs[0]), endings(fs)))
			continue
		}
		for _, f := range fs {
			what := w.lies(f)
			if f.Path != "" && f.Subject != fixity.OfDisc {
				what = report.Show(w.path(f.Path)) + " on the " + what
			}
			out = append(out, fmt.Sprintf("[%d] %s (%s): %s", f.ID, what, was(f), clean(report.Ended(f, w.day))))
		}
	}
	if len(out) > listed {
		out = append(out[:listed:listed], fmt.Sprintf("and %s more", fixity.Number(int64(len(out)-listed))))
	}
	return out
}

// was is what a finding told, in a word or two.
func was(f ledger.Finding) string {
	switch {
	case f.Kind == fixity.TooFew:
		return "too few copies"
	case f.Kind == fixity.Late:
		return "not read within its time"
	case f.Subject == fixity.OfManifest:
		return "manifest"
	}
	return string(f.Kind)
}

// endings says how findings of one sort ended: by whom and why, if it was a person.
func endings(fs []ledger.Finding) string {
	var how []string
	n := map[string]int64{}
	for _, f := range fs {
		s := clean(report.EndedBy(f))
		if n[s]++; n[s] == 1 {
			how = append(how, s)
		}
	}
	if len(how) == 1 {
		return how[0]
	}
	for i, s := range how {
		how[i] = fixity.Number(n[s]) + " " + s
	}
	return strings.Join(how, "; ")
}

func (w week) notDone(store string) string {
	ms := w.missed[store]
	if len(ms) == 0 {
		return ""
	}
	var said []string
	for _, m := range ms[:min(len(ms), listed)] {
		s := w.whenDay(m.At)
		switch {
		case m.Why != "" && !m.MadeUp.IsZero():
			s += fmt.Sprintf(" (%s; made up %s)", clean(m.Why), w.whenDay(m.MadeUp))
		case !m.MadeUp.IsZero():
			s += fmt.Sprintf(" (made up %s)", w.whenDay(m.MadeUp))
		case m.Why != "":
			s += fmt.Sprintf(" (%s)", clean(m.Why))
		}
		said = append(said, s)
	}
	if more := len(ms) - len(said); more > 0 {
		said = append(said, fixity.Number(int64(more))+" more")
	}
	return "the " + w.store(store) + ": " + strings.Join(said, "; ")
}

// letters is what became of letters that did not leave.
func (w week) letters() string {
	if len(w.undelivered) == 0 {
		return ""
	}
	failed, waiting := 0, 0
	for _, d := range w.undelivered {
		if d.Failed.IsZero() {
			waiting++
		} else {
			failed++
		}
	}
	last := w.undelivered[len(w.undelivered)-1]
	return fmt.Sprintf("%d refused by the mail server, %d still waiting; the last: to %s, %q: %s", failed, waiting, clean(last.Address), cut(last.Letter.Subject, 60), clean(last.Trouble))
}

func (w week) safe() string {
	var good, bad []string
	for _, b := range w.backups {
		switch {
		case b.Trouble != "":
			bad = append(bad, fmt.Sprintf("NOT written to the %s: %s", w.store(b.Store), clean(b.Trouble)))
		case !b.At.IsZero():
			good = append(good, fmt.Sprintf("the %s %s", w.store(b.Store), w.day(b.At)))
		}
	}
	switch {
	case len(good)+len(bad) == 0:
		return "the ledger was not copied to any store yet"
	case len(good) == 0:
		return "the ledger: " + strings.Join(bad, "; ")
	}
	return "the ledger: written and read back, " + fixity.And(good) + strings.Join(append([]string{""}, bad...), "; ")
}

func (w week) foot(p *page) {
	noon := w.next.In(w.zone)
	noon = time.Date(noon.Year(), noon.Month(), noon.Day(), noon.Hour()+3, noon.Minute(), 0, 0, w.zone)
	where := "the computer that Firmus runs on"
	if w.host != "" {
		where = "the computer " + clean(w.host)
	}
	if s := slices.IndexFunc(w.stores, func(s ledger.StoreWeek) bool { r, _ := w.rules.Store(s.Store); return r.Arrivals && r.Place != "" }); s >= 0 {
		rule, _ := w.rules.Store(w.stores[s].Store)
		where += " (" + clean(rule.Place) + ")"
	}
	x := part{Lines: []string{
		fmt.Sprintf("If no letter has come by %s, Firmus has stopped: go to %s and run: firmus check", w.whenDay(noon), where),
		fmt.Sprintf("%s. Please keep this letter. Record mark: %s, %s.", clean(w.name), fixity.Count(w.events, "event"), w.root),
		"Sent to " + clean(fixity.And(w.to)) + ".",
	}}
	if w.first {
		x.Lines = append(x.Lines, "A calendar entry comes with this letter. It asks each week whether the letter has come.")
	}
	p.add(x)
}
