package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

// next says what a person should do about one finding, whatever else is known.
func (m Matter) next(f ledger.Finding) []Step {
	steps := m.nextOf(f)
	if s := m.wayFree(f); s != nil {
		steps = append(s, steps...)
	}
	if rule, _ := m.Rules.Store(f.Store); rule.Visiting && rule.Kind == repair.DiskKind && len(steps) > 0 && slices.Contains([]care.Step{care.StepRecover, care.StepCopy, care.StepMoveBack, care.StepTakeOut}, f.Step) {
		return append([]Step{say(fmt.Sprintf("Connect the %s first, if it isn't connected.", m.name(f.Store)))}, steps...)
	}
	return steps
}

// wayFree is for something that is no file and lies in a file's place: nothing can be put
// there until it is gone.
func (m Matter) wayFree(f ledger.Finding) []Step {
	x, ok := f.Facts.Find(fixity.Instead)
	rule, _ := m.Rules.Store(f.Store)
	if !ok || MoveAway(x.Code) == "" || rule.Kind != repair.DiskKind || f.Step != care.StepRecover && f.Step != care.StepMoveBack {
		return nil
	}
	what := instead[x.Code]
	if i := strings.IndexAny(what, ":;"); i >= 0 {
		what = what[:i]
	}
	s := Step{Text: text(strings.ToUpper(what[:1])+what[1:], ". ", MoveAway(x.Code), " Nothing is put there before that:")}
	if s.Lines = m.outOf(f); x.Code == "online" {
		s.Lines = []Line{{"AT", m.place(f)}}
	}
	return []Step{s}
}

func (m Matter) nextOf(f ledger.Finding) []Step {
	rule, _ := m.Rules.Store(f.Store)
	audit := thenRead(f.Store)
	ds := m.donors(f)
	good := sure(ds)
	if f.Carrier != 0 {
		return m.nextOnDisc(f)
	}
	if f.Subject == fixity.OfRegister {
		return m.registerSteps(f)
	}
	if f.Subject == fixity.OfFile && len(good) == 0 && (len(f.IntactIn) > 0 || len(ds) > 0) && (f.Step == care.StepRecover || f.Step == care.StepCopy) {
		if f.Step == care.StepRecover && fixity.State(f.Kind) != fixity.Missing {
			return append(m.onlyReported(f, ds), say(fmt.Sprintf("Until then don't open, save or move the damaged copy on the %s; run no repair program on that drive.", m.name(f.Store))))
		}
		return m.onlyReported(f, ds)
	}
	if f.Step == care.StepOther && fixity.State(f.Kind) == fixity.Altered && m.Files[f.File].Unfinished {
		return m.perhapsWhole(f, nil)
	}
	if f.Step == care.StepMoveBack {
		if s, ok := m.inOrder(f); ok {
			return []Step{s}
		}
	}
	if rule.Kind == cloudKind {
		if s := m.nextInCloud(f, good); s != nil {
			return s
		}
	}
	switch f.Step {
	case care.StepRecover:
		return m.recover(f, good)
	case care.StepDecide:
		return m.decide(f)
	case care.StepMoveBack:
		what := text("Have it moved back to its place: ", m.order(f))
		if FormerName(f) {
			what = text("The file was renamed, and has its former name here. Have it moved to its new one: ", m.order(f))
		}
		s := []Step{{Text: what, Lines: m.moveBack(f), Then: text("Nothing that lies there by now is replaced.")}}
		if rule.Arrivals {
			s = append(s, say("Or accept the new place: ", signOff(f)))
		}
		return s
	case care.StepReread:
		if f.Facts.Tells(fixity.FirstOther) {
			steps := []Step{say(fmt.Sprintf("Check cable, port and hub of the %s, and try another computer. ", m.name(f.Store)), audit, ". No copy says which bytes are the recorded ones: compare the file with what it came from while you have that.")}
			if rule.Kind == repair.DiskKind {
				steps = append(steps, Step{Text: text("Name the folder in which what it came from lies: ", Order{Act: Recognise, From: "FOLDER"}, ". If that says held, the bytes are right: leave the file where it is. Only if it says earlier version, the first reading was right and the drive has lost them: then keep the file outside the store, and put what it came from in its place:"),
					Lines: []Line{{"ITS PLACE", m.place(f)}}, Then: text("Then ", Order{Act: ReadStore, Stores: []string{f.Store}, Run: true}, ", and decide what it asks.")})
			}
			return steps
		}
		return []Step{say(fmt.Sprintf("Check cable, port and hub of the %s, and try another computer. ", m.name(f.Store)), audit, ". Put nothing back before two readings agree.")}
	case care.StepCopy:
		return m.bring(f, good)
	case care.StepOther:
		if f.Mergeable && rule.Kind == repair.DiskKind {
			return []Step{{Text: text("No copy is whole, but together the damaged ones hold every part of it. Have their good parts joined: ", m.order(m.mergeable()...)), Lines: m.there(f),
				Then: text("What is joined is used only if it has the checksum of the version. What lies there now is kept.")}}
		}
		s := say("Don't touch any copy of it. Look for another one: discs, the recorder's stick, whoever was given a copy. If the drive is failing, stop using it and ask somebody qualified.")
		if lines := m.there(f); len(lines) > 0 {
			s.Text = text(s.Text, " These are the copies that are there:")
			s.Lines = lines
		}
		steps := append([]Step{s}, m.found(f)...)
		if f.Anatomy == fixity.Replaced { // whoever changed it may know: a ledger that came back from a backup doesn't
			return append(steps, m.onPurpose(f)...)
		}
		return steps
	case care.StepTransfer:
		return m.transferAgain(f)
	case care.StepTakeOut:
		return []Step{
			{Text: text("Look at it first. If it isn't wanted there, move it out of the store, and keep it until you know what it is:"), Lines: m.outOf(f)},
			say("Or leave it in peace: ", signOff(f)),
		}
	}
	if x, ok := f.Facts.Find(fixity.BytesOf); ok && f.Subject == fixity.OfStray {
		return []Step{say(fmt.Sprintf("Leave it where it is: it has the bytes of %s/%s, and no copy in its own place on the %s is known to have them. Put that one right first.", x.Set, at1(x), m.name(f.Store)))}
	}
	return m.nextOfStore(f)
}

// found is what to do with a copy that a person finds where Firmus doesn't look. What can't be
// read, or isn't read alike, stays where it is: that drive is for somebody qualified.
func (m Matter) found(f ledger.Finding) []Step {
	rule, _ := m.Rules.Store(f.Store)
	if rule.Kind != repair.DiskKind || rule.Follows != "" || f.Facts.WrongWay != "" { // who copied the wrong way round first stops
		return nil
	}
	find := text("If you find another copy, look whether it is this recording: ", Order{Act: Recognise, From: "FOLDER"}, ". ")
	switch fixity.State(f.Kind) {
	case fixity.Missing:
		return []Step{{Text: text(find, "If that says that it is held as this file, copy it to its place:"), Lines: []Line{{"ITS PLACE", m.place(f)}}, Then: thenRead(f.Store)}}
	case fixity.Altered:
		return []Step{{Text: text(find, "Only if that says that it is held as this file, keep the damaged copy outside the store, and put the good one in its place:"), Lines: []Line{{"ITS PLACE", m.place(f)}}, Then: thenRead(f.Store)}}
	case fixity.Behind:
		return []Step{
			{Text: text(find, "Only if that says that it is held as this file, keep the earlier version outside the store, and put the newer one in its place:"), Lines: []Line{{"ITS PLACE", m.place(f)}}, Then: thenRead(f.Store)},
			say("If the newer one is lost for good, or isn't wanted any more, the earlier one stays where it is, and goes on being read: ", settle(f)),
		}
	}
	return nil
}

// decide is for a dispute: each choice with its own command, so that nobody signs off the
// one copy and means another.
func (m Matter) decide(f ledger.Finding) []Step {
	steps := []Step{{Text: text("Nothing says which version is right. Listen to each, look at who made them and when:"), Lines: m.there(f)}}
	word := ""
	file := m.Files[f.File].File
	if file.Vouched && m.frozen(f) {
		word = "new-transfer"
	}
	named := 0
	for _, o := range m.Findings {
		if o.File == f.File && o.Step == care.StepDecide && !OfOther(o, m.Rules) {
			steps = append(steps, say(fmt.Sprintf("If the copy on the %s%s is right: ", m.name(o.Store), m.sideOf(o)), signOffAs(o, word)))
			named++
		}
	}
	switch {
	case file.Version > 0:
		what := "the version that is under care"
		if v, ok := m.Files[f.File].version(file.Version); ok {
			dated, on := "", []string{}
			for _, c := range m.Files[f.File].Copies {
				if Holds(c) && c.Held == v.N {
					if on = append(on, m.name(c.Store)); dated == "" && c.ModTime != 0 {
						dated = ", dated " + m.when(time.Unix(0, c.ModTime))
					}
				}
			}
			if len(on) > 0 {
				what += ", on the " + fixity.And(on)
			}
			what += fmt.Sprintf(" (%s%s; %s)", m.side(v.Size, v.Duration), dated, m.made(v))
		}
		steps = append(steps, say(fmt.Sprintf("If %s is right: ", what), signOffAs(f, "keep-current")))
	case named == 1:
		steps = append(steps, say("If another copy is right, sign off the finding of its store instead: ", Order{Act: ShowFindings}))
	}
	return steps
}

// nextOfStore is for what is about no file under care.
func (m Matter) nextOfStore(f ledger.Finding) []Step {
	switch {
	case f.Subject == fixity.OfManifest:
		return []Step{{Text: text("Move the changed manifest aside; the next intake or audit writes it anew:"), Lines: m.outOf(f)}}
	case f.Kind == fixity.Away:
		s := Step{Text: text("Plug it in or mount it, and put no other drive or folder in its place."), Then: thenRead(f.Store)}
		rule, _ := m.Rules.Store(f.Store)
		for _, set := range rule.Sets {
			s.Lines = append(s.Lines, Line{"AT", m.Where.path(f.Store, set, "")})
		}
		if len(s.Lines) > 0 {
			s.Text = text(s.Text, " It is looked for here:")
		}
		return []Step{s}
	case f.Kind == fixity.TooFew:
		return append([]Step{say("See which stores lack them: ", Order{Act: ShowHoldings})}, m.spread(f)...)
	case f.Kind == fixity.Late:
		return []Step{say("Have it read in full: ", Order{Act: ReadStore, Stores: []string{f.Store}, Full: true})}
	}
	return nil
}

// spread says from which folder to which new files are copied.
func (m Matter) spread(f ledger.Finding) []Step {
	arrivals, _ := m.Rules.Store(f.Store)
	var out []Step
	for _, set := range arrivals.Sets {
		lines := []Line{{from, m.Where.path(f.Store, set, "")}}
		for _, s := range m.Rules.Stores {
			if s.Name != f.Store && s.Holds(set) && s.Kind != "optical" {
				lines = append(lines, Line{to, m.Where.path(s.Name, set, "")})
			}
		}
		if len(lines) > 1 {
			out = append(out, Step{Text: text(fmt.Sprintf("Copy to each store only the files of %s that it lacks. Replace no file:", set)), Lines: lines})
		}
	}
	return append(out, say("Then ", Order{Act: ReadStore, Run: true}))
}

// recover is for a copy on a drive that is gone, damaged or can't be read, if a good copy
// was read.
func (m Matter) recover(f ledger.Finding, good []donor) []Step {
	rule, _ := m.Rules.Store(f.Store)
	if len(good) == 0 {
		return []Step{say("Don't touch any copy of it. No copy of it was read and found intact.")}
	}
	first := m.good(good[0], f)
	switch fixity.State(f.Kind) {
	case fixity.Missing:
		s := m.bring(f, good)
		if rule.Arrivals {
			s = append(s, say("If it was taken away on purpose: ", signOff(f), " (it is retired then)"))
		}
		return s
	case fixity.Unreadable:
		return append([]Step{
			say(fmt.Sprintf("Try another cable and port for the %s first. Run no repair program on the drive.", m.name(f.Store))),
			say("If the file still can't be read, go on. ", first),
		}, append(m.replace(f, good, "Move the file that can't be read aside"),
			say("If that can't be done, or another file can't be read either, the drive is failing: stop using it."))...)
	}
	if m.Files[f.File].Unfinished {
		return m.perhapsWhole(f, good)
	}
	var s []Step
	if Edited(f, m.Rules) {
		s = m.askEdited(f)
	}
	if warning := m.longer(f); warning != "" {
		s = append(s, Step{Text: text(warning, " Listen to both before anything is moved:"), Lines: []Line{{"UNDER CARE", good[0].place}, {"OTHER", m.place(f)}}},
			say("If the other one is right or in doubt, stop here and leave both as they are. If it is damage all the same, go on."))
	}
	if Edited(f, m.Rules) {
		return append(append(s, say(first)), m.replace(f, good, "Move the changed file aside")...)
	}
	s = append(s, say(first, fmt.Sprintf(" The DAMAGED copy is on the %s: don't open or save it, and run no repair program on that drive.", m.name(f.Store))))
	s = append(s, m.replace(f, good, "Move the damaged file aside")...)
	return append(s, m.onPurpose(f)...)
}

// onPurpose is for a change that somebody meant.
func (m Matter) onPurpose(f ledger.Finding) []Step {
	rule, _ := m.Rules.Store(f.Store)
	if !rule.Arrivals || OfOther(f, m.Rules) || fixity.State(f.Kind) != fixity.Altered || f.Anatomy == fixity.Zeroed || f.Anatomy == fixity.CutShort {
		return nil
	}
	meant, word := "somebody changed it on purpose", ""
	switch {
	case f.Anatomy == fixity.DescriptionOnly:
		meant, word = "somebody changed the description on purpose", "description"
	case m.frozen(f):
		meant, word = "it is a better transfer, made on purpose", "new-transfer"
	case LooksDamaged(f, m.Rules):
		meant, word = "you know who edited it on purpose, and you listened to it", "edited"
	}
	return []Step{say(fmt.Sprintf("If %s: ", meant), signOffAs(f, word))}
}

// replace moves what lies in a copy's place aside, then copies the good copy there. Once
// nothing lies in the place any more, copying the wrong way round can't harm the good
// copy: there is nothing to copy from.
//
// On a drive the program does that, from a copy that it names.
func (m Matter) replace(f ledger.Finding, good []donor, move string) []Step {
	if lines := m.recoverable(f); lines != nil {
		return []Step{{Text: text("Have the good file put in its place: ", m.order(f)), Lines: lines,
			Then: text("It reads the good file first, keeps what lies there now, and reads the new file back. ", Order{Act: DryRun})}}
	}
	return []Step{
		{Text: text(move + ", out of the store, and keep it. Then nobody can copy it over the good copy by mistake:"), Lines: m.outOf(f)},
		{Text: text("Copy the good file to its place:"), Lines: m.fromTo(f, good), Then: thenRead(f.Store)},
	}
}

// bring is for a file that is lacking in a store, or an earlier version there.
func (m Matter) bring(f ledger.Finding, good []donor) []Step {
	if len(good) == 0 {
		return []Step{say("Don't touch any copy of it. No copy of it was read and found intact.")}
	}
	first := m.good(good[0], f)
	if fixity.State(f.Kind) != fixity.Behind {
		if lines := m.recoverable(f); lines != nil {
			return []Step{{Text: text(first, " Have it copied to its place: ", m.order(f)), Lines: lines, Then: text("It reads the good file first, and the new one when it is there.")}}
		}
		return []Step{{Text: text(first, " Copy the good file to its place:"), Lines: m.fromTo(f, good), Then: thenRead(f.Store)}}
	}
	if warning := m.longer(f); warning != "" {
		return []Step{
			{Text: text(warning, " Don't copy the newer one over it. Listen to both:"), Lines: []Line{{"NEWER", good[0].place}, {"EARLIER", m.place(f)}}},
			say("Keep the earlier one where it is if you are in doubt: ", settle(f)),
		}
	}
	if m.frozen(f) { // a new transfer, made on purpose: nothing says yet that it is better
		listen := say(first, fmt.Sprintf(" The copy on the %s is the earlier transfer. Listen to the new one first, all of it.", m.name(f.Store)))
		if lines := m.recoverable(f); lines != nil {
			return []Step{listen, {Text: text("Have the new transfer put in its place: ", m.order(f)), Lines: lines,
				Then: text("The earlier transfer is kept in the folder .firmus-kept of that store. Copy it from there to where you keep recordings.")}}
		}
		return []Step{
			listen,
			{Text: text("Move the earlier transfer aside, out of the store. Keep it as long as you keep recordings, or until somebody decides otherwise:"), Lines: m.outOf(f)},
			{Text: text("Copy the new transfer to its place:"), Lines: m.fromTo(f, good), Then: thenRead(f.Store)},
		}
	}
	return append([]Step{say(first, fmt.Sprintf(" The copy on the %s is an earlier version.", m.name(f.Store)))}, m.replace(f, good, "Move the earlier version aside")...)
}

// mergeable are the findings of copies on drives whose good parts may be joined.
func (m Matter) mergeable() (out []ledger.Finding) {
	for _, f := range m.Findings {
		if rule, _ := m.Rules.Store(f.Store); f.Mergeable && rule.Kind == repair.DiskKind {
			out = append(out, f)
		}
	}
	return out
}

// order puts right what findings tell of.
func (m Matter) order(fs ...ledger.Finding) Order {
	o := Order{Act: Recover, Paused: len(m.Followers()) > 0}
	for _, f := range fs {
		o.Findings = append(o.Findings, f.ID)
	}
	if len(fs) == 1 {
		if disc, ok := m.fromDisc(fs[0]); ok {
			o.Disc = disc.copy.Disc
		}
	}
	return o
}

// fromDisc is the data disc that is to give a file's bytes to a drive, where no other copy
// can.
func (m Matter) fromDisc(f ledger.Finding) (donor, bool) {
	p, ok := m.planned(f)
	if !ok || p.Refused != repair.NoDonor {
		return donor{}, false
	}
	for _, d := range sure(m.donors(f)) {
		if d.copy.Carrier != 0 && (d.other != "" || d.copy.Held == m.Files[f.File].File.Version) && f.Carrier == 0 {
			return d, true
		}
	}
	return donor{}, false
}

func (m Matter) planned(f ledger.Finding) (repair.Plan, bool) {
	k := m.Files[f.File]
	own, ok := k.own(f)
	if !ok {
		return repair.Plan{}, false
	}
	return repair.For(repair.Case{Copy: own, Copies: k.Copies, Same: k.Same, Found: k.Found, Current: k.File.Version, Rules: m.Rules}), true
}

// recoverable is from where to where the program would copy by itself; nil if it doesn't.
func (m Matter) recoverable(f ledger.Finding) []Line {
	if d, ok := m.fromDisc(f); ok {
		return []Line{{from, d.place}, {to, m.place(f)}}
	}
	p, _ := m.planned(f)
	if len(p.Donors) == 0 {
		return nil
	}
	return []Line{{from, m.Where.path(p.Donors[0].Store, p.Donors[0].Set, p.Donors[0].At)}, {to, m.place(f)}}
}

// fromTo is from which good copies a file is copied to the place of the one that a
// finding is about.
func (m Matter) fromTo(f ledger.Finding, good []donor) []Line {
	lines := []Line{{from, good[0].place}, {to, m.place(f)}}
	for _, d := range good[1:] {
		if d.rank() == good[0].rank() { // one that is known less well isn't offered beside it
			lines = append(lines, Line{or, d.place})
		}
	}
	return lines
}

// moveBack is from where to where a misplaced file goes back, or one under its former name
// goes to its new one.
func (m Matter) moveBack(f ledger.Finding) []Line {
	place := m.place(f)
	if FormerName(f) { // its copy's place is still the former one
		place = m.Where.path(f.Store, f.Set, f.Path)
	}
	return []Line{{from, m.Where.path(f.Store, f.Set, f.FoundAt)}, {to, place}}
}

// inOrder is for a file under its former name whose new one is the former name of another
// that was renamed, too: they are moved one after the other, and nothing is moved over
// anything. false if nothing is known to be in its way.
func (m Matter) inOrder(f ledger.Finding) (Step, bool) {
	row := m.Files[f.File].InTheWay[f.Store]
	if !FormerName(f) || len(row.Moves) == 0 {
		return Step{}, false
	}
	at := func(p string) string { return m.Where.path(f.Store, f.Set, p) }
	own, s := m.moveBack(f), Step{Text: text("The file was renamed, and has its former name here. In its way lies another that was renamed, too, under its former name. Nothing is damaged. Move them in this order:"), Then: thenRead(f.Store)}
	first := own[0].Path
	if row.Ring {
		first = m.outOf(f)[1].Path
		s.Lines = append(s.Lines, own[0], Line{to, first})
	}
	for _, x := range slices.Backward(row.Moves) {
		s.Lines = append(s.Lines, Line{from, at(x.From)}, Line{to, at(x.To)})
	}
	s.Lines = append(s.Lines, Line{from, first}, own[1])
	return s, true
}

// outOf is from where to where something goes out of its store.
func (m Matter) outOf(f ledger.Finding) []Line {
	at := m.place(f)
	return []Line{{from, at}, {to, m.Where.aside(f.Store, f.Set, f.Path, fmt.Sprintf("finding-%d", f.ID))}}
}

// there are the places of all copies of a finding's file that are there.
func (m Matter) there(f ledger.Finding) []Line {
	var out []Line
	for _, c := range m.Files[f.File].Copies {
		if c.Size < 0 || c.State == fixity.Missing || c.State == fixity.Awaited {
			continue
		}
		if at := m.PlaceOf(f, c); at != "" {
			out = append(out, Line{m.on(c, f.File), at})
		}
	}
	return out
}

// What is longer by more than this is no slip of an editor. *Common practice.*
const (
	longerShare = 0.1
	longerBy    = time.Minute
)

// longer says that the copy a finding is about is longer than the version under care, or
// may be whole because that one isn't; "" if not. Then nothing may be copied over it: the
// version under care may be the one that was cut short.
func (m Matter) longer(f ledger.Finding) string {
	k := m.Files[f.File]
	c, ok := k.own(f)
	now, known := k.version(k.File.Version)
	if !ok || c.Size < 0 {
		return ""
	}
	if k.Unfinished {
		return fmt.Sprintf("The version under care isn't a whole recording. The copy on the %s differs from it and may be the whole one.", m.name(f.Store))
	}
	if !known {
		return ""
	}
	size, took := c.Size, time.Duration(0)
	if old, ok := k.version(c.Held); ok && fixity.State(f.Kind) == fixity.Behind {
		size, took = old.Size, old.Duration
	}
	if now.Duration > 0 && took > 0 {
		if more := took - now.Duration; more <= longerBy || float64(more) <= longerShare*float64(took) {
			return ""
		}
		return fmt.Sprintf("The copy on the %s is longer than the version under care: %s against %s. The version under care may have been cut short.",
			m.name(f.Store), took.Round(time.Second), now.Duration.Round(time.Second))
	}
	if size-now.Size <= int64(longerShare*float64(size)) {
		return ""
	}
	return fmt.Sprintf("The copy on the %s is longer than the version under care: %s against %s. The version under care may have been cut short.",
		m.name(f.Store), Size(size), Size(now.Size))
}
