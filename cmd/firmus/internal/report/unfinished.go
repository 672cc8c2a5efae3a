package report

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// transferAgain is what to do about a recording that was not whole when it was first
// looked at.
func (m Matter) transferAgain(f ledger.Finding) []Step {
	return []Step{
		say("Keep the reel, and keep the recorder's stick or card. Erase nothing: every copy is a copy of this."),
		say("Look for the whole recording on the stick. If it is not there, transfer the reel again while it can be played."),
		{Text: text("Once you have it, move the file that is not whole aside, out of the store, and keep it:"), Lines: m.outOf(f)},
		{Text: text("Copy the whole recording to its place:"), Lines: []Line{{to, m.place(f)}}, Then: text(thenRead(f.Store), ". It finds a change: sign that off", m.asTransfer(f), ".")},
		say("If nothing better can be had, or it is meant to be so: ", settle(f), " (statements quote the reason)"),
	}
}

// perhapsWhole is for a copy that differs from a version that isn't a whole recording:
// it may be the whole one that was asked for. So neither is called good or damaged, and
// what keeps both comes first. good is empty if what is under care isn't there any more: a
// person who was told to has moved it aside.
func (m Matter) perhapsWhole(f ledger.Finding, good []donor) []Step {
	steps := []Step{{Text: text(m.longer(f), " Listen to it before anything is moved:"), Lines: []Line{{"OTHER", m.place(f)}}}}
	var put Step
	if len(good) > 0 {
		put = Step{Text: text("Then copy what is under care to its place:"), Lines: m.fromTo(f, good), Then: thenRead(f.Store)}
		steps = []Step{{Text: text(m.longer(f), " Listen to both before anything is moved:"), Lines: []Line{{"UNDER CARE", good[0].place}, {"OTHER", m.place(f)}}}}
	}
	move := "move it aside, out of the store,"
	rule, _ := m.Rules.Store(f.Store)
	if rule.Kind == cloudKind {
		put.Text, move = text("Then upload what is under care,"+m.service(f.Store).over+":"), "download it"
	}
	arrivals, known := m.Rules.Arrivals(f.Set)
	switch {
	case rule.Arrivals:
		word := ""
		if m.frozen(f) {
			word = "new-transfer"
		}
		steps = append(steps, say("If the other one is the whole recording, leave it where it is: ", signOffAs(f, word)))
	case known:
		there := m.Where.path(arrivals.Name, f.Set, f.Path)
		steps = append(steps,
			Step{Text: text("If the other one is the whole recording, move the one that is not whole aside, and keep it:"),
				Lines: []Line{{from, there}, {to, m.Where.aside(arrivals.Name, f.Set, f.Path, fmt.Sprintf("finding-%d", f.ID))}}},
			Step{Text: text("Then copy the whole recording to where files arrive:"), Lines: []Line{{from, m.place(f)}, {to, there}},
				Then: text(thenRead(arrivals.Name), ". It finds a change: sign that off", m.asTransfer(f), ".")})
	}
	if len(good) == 0 {
		return append(steps, say("If it is not, or you are in doubt, leave it as it is. Keep the reel, and look for another copy: on discs, on the recorder's stick, with whoever was given one."))
	}
	steps = append(steps, say("If you are in doubt, stop here and leave both as they are."))
	return append(steps, Step{Text: text(fmt.Sprintf("Only if the other one is damaged, %s and keep it:", move)), Lines: m.outOf(f)}, put)
}

// frozen says that a finding's file is a master.
func (m Matter) frozen(f ledger.Finding) bool {
	set, _ := m.Rules.Set(f.Set)
	return set.Role == fixity.Master
}

// asTransfer is the word with which a whole recording of a master is signed off.
func (m Matter) asTransfer(f ledger.Finding) Saying {
	if m.frozen(f) {
		return text(" with ", Order{Act: Choose, Means: "new-transfer"})
	}
	return nil
}

// isUnfinished says that a finding tells of a recording that is not whole.
func isUnfinished(f ledger.Finding) bool { return f.Kind == fixity.Unfinished }
