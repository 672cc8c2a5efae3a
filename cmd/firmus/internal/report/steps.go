package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Matter is what a person deals with as one: a finding, or all that belongs to it.
// Letters, the terminal and pages take what to do from its Steps, so that they can't
// disagree.
type Matter struct {
	Findings []ledger.Finding // open, by number; not empty
	Rules    care.Rules
	// Name is what a store is called; nil: its name.
	Name func(store string) string
	// When is a time in words; nil: in the zone of this computer.
	When  func(time.Time) string
	Where Where
	// Files is what is known of the files that steps tell of, by number.
	Files map[int64]Known
	// Amount is how much the findings are about.
	Amount ledger.Amount
	// Only is how many files of a failing drive no other store holds; Fewest are those
	// that the fewest others do.
	Only   int64
	Fewest []ledger.Elsewhere
}

// fewest is how many files of a failing drive are named.
const fewest = 10

// Mass says that the matter is an incident of several files.
func (m Matter) Mass() bool { return m.Findings[0].Incident != 0 && len(m.Findings) > 1 }

// Failing says that the matter is a drive that gives several files no longer.
func (m Matter) Failing() bool {
	return m.Mass() && !slices.ContainsFunc(m.Findings, func(f ledger.Finding) bool { return fixity.State(f.Kind) != fixity.Unreadable })
}

func (m Matter) name(store string) string {
	if m.Name == nil {
		return store
	}
	return m.Name(store)
}

// Followers are the stores that a program keeps in step with one of the findings', or
// the other way round.
func (m Matter) Followers() []string {
	var out []string
	for _, f := range m.Findings {
		for _, s := range m.Rules.Stores {
			if f.Subject == fixity.OfFile && m.Rules.InStep(s.Name, f.Store) && !slices.Contains(out, s.Name) {
				out = append(out, s.Name)
			}
		}
	}
	return out
}

// lacking says that nothing is damaged: a copy has only not come yet.
func lacking(f ledger.Finding) bool {
	s := fixity.State(f.Kind)
	return s == fixity.Awaited || s == fixity.Behind
}

// Steps are what a person should do, in order. Where something is copied, FROM and TO
// are whole paths; the damaged file is moved aside first and never copied from into a
// store; and only what a reading showed to be intact is copied.
func (m Matter) Steps() []Step {
	var steps []Step
	others := m.Followers()
	keeper := "the program that keeps the " + fixity.And(m.names(others)) + " in step"
	pause := len(others) > 0 && slices.ContainsFunc(m.Findings, func(f ledger.Finding) bool { return !lacking(f) && !isUnfinished(f) })
	if slices.ContainsFunc(m.Findings, func(f ledger.Finding) bool { return f.WrongWay() != "" }) {
		steps = append(steps, say("Stop copying. Do nothing with any copy of this file until you have read to the end."))
	}
	if pause {
		steps = append(steps, say("Pause "+keeper+": it could carry the damage on."))
	}
	switch {
	case m.Failing():
		steps = append(steps, m.stopUsing()...)
	case m.Swap():
		steps = append(steps, m.swapBack()...)
	case m.isFolder():
		was, is, _ := m.Folder()
		steps = append(steps, m.moved(was, is)...)
	case m.Mass() && !isUnfinished(m.Findings[0]):
		steps = append(steps, m.lookFirst()...)
	default:
		steps = append(steps, m.each()...)
	}
	if pause {
		steps = append(steps, say("Start "+keeper+" again once this is put right."))
	}
	return steps
}

func (m Matter) names(stores []string) []string {
	var out []string
	for _, s := range stores {
		out = append(out, m.name(s))
	}
	return out
}

// stopUsing is for a drive that wears out while it is read.
func (m Matter) stopUsing() []Step {
	store := m.Findings[0].Store
	steps := []Step{say(fmt.Sprintf("Stop using the %s: no copying, no audit, no repair program. Disconnect it once no program works on it any more.", m.name(store)))}
	switch {
	case m.Only > 0:
		was, them := "were", "them"
		if m.Only == 1 {
			was, them = "was", "it"
		}
		steps = append(steps, say(fmt.Sprintf("%s on it %s shown to be in no other store. Let somebody qualified save %s first, to a new drive: see the list.", fixity.Count(m.Only, "file"), was, them)))
	case len(m.Fewest) > 0:
		steps = append(steps, say("Every file on it was shown to be in another store. From there, copy to a new drive first what has the fewest other copies: see the list."))
	}
	// A new drive must hold what arrives nowhere else before it may be the place for it.
	if rule, _ := m.Rules.Store(store); rule.Arrivals {
		return append(steps,
			say("When the new drive holds all of it and is in its place: ", Order{Act: AdoptStore, Stores: []string{store}}),
			say("Then have it read whole: ", Order{Act: ReadStore, Stores: []string{store}, Full: true}))
	}
	return append(steps, say("When the new drive is in its place: ", Order{Act: ReplaceStore, Stores: []string{store}}, " (it reads the new drive whole)"))
}

// SaveFrom is where a file of a failing drive is to be taken from: another store that
// holds it, or the drive itself if none does.
func (m Matter) SaveFrom(x ledger.Elsewhere) string {
	f := ledger.Finding{File: x.File.ID, Finding: fixity.Finding{Store: m.Findings[0].Store, Set: x.File.Set, Path: x.File.Path, IntactIn: x.In}}
	if ds := m.donors(f); len(ds) > 0 {
		return ds[0].place
	}
	if len(x.In) > 0 {
		return m.Where.path(x.In[0], f.Set, f.Path)
	}
	return m.place(f)
}

// lookFirst is for what befell many files at once.
func (m Matter) lookFirst() []Step {
	f, n := m.Findings[0], len(m.Findings)
	rule, _ := m.Rules.Store(f.Store)
	bulk := Order{Act: SignOff, Incident: f.Incident, Files: n}
	if fixity.State(f.Kind) == fixity.Misplaced {
		return []Step{
			say("Find out first what happened: were folders reorganised on purpose?"),
			say("If so, look at some of them, then: ", bulk),
			{Text: text("If not, have each moved back to its place: ", m.orderAll()), Lines: m.moveBack(f)},
		}
	}
	steps := []Step{say("Find out first what happened: was a folder moved, a drive changed, a program run over the files? So many at once are seldom damage.")}
	if fixity.State(f.Kind) != fixity.Missing {
		return append(steps, m.each()...)
	}
	steps = append(append(steps, say("If they were only moved, put them back where they were.")), m.wayFree(f)...)
	if good := sure(m.donors(f)); len(good) > 0 && m.recoverable(f) != nil {
		steps = append(steps, Step{Text: text("If not, have each copied from an intact copy: ", m.orderAll(), ". For instance: ", m.good(good[0], f)), Lines: m.recoverable(f)})
	} else if len(good) > 0 {
		steps = append(steps, Step{Text: text("If not, copy each from a copy that was read and is intact. For instance: ", m.good(good[0], f)), Lines: m.fromTo(f, good), Then: thenRead(f.Store)})
	} else if len(f.IntactIn) > 0 {
		steps = append(steps, m.onlyReported(f, m.donors(f))...)
	}
	if rule.Arrivals {
		steps = append(steps, say("If they were taken away on purpose: ", bulk, " (they are retired then)"))
	}
	return steps
}

// orderAll puts right all of an incident.
func (m Matter) orderAll() Order {
	return Order{Act: Recover, Incident: m.Findings[0].Incident, Paused: len(m.Followers()) > 0}
}

// sorts are the findings whose steps are told one by one: those of one store, disc,
// kind and step together, of which the first stands for all.
func (m Matter) sorts() [][]ledger.Finding {
	type sort struct {
		store string
		disc  string
		kind  fixity.Kind
		step  care.Step
		wrong bool
	}
	at := map[sort]int{}
	of, many := make([]int, len(m.Findings)), []int{}
	for i, f := range m.Findings {
		s := sort{f.Store, f.Disc, f.Kind, f.Step, f.WrongWay() != ""}
		if _, ok := at[s]; !ok {
			at[s], many = len(many), append(many, 0)
		}
		of[i] = at[s]
		many[of[i]]++
	}
	if len(many) == 1 {
		return [][]ledger.Finding{m.Findings}
	}
	out := make([][]ledger.Finding, len(many))
	for i, f := range m.Findings {
		if out[of[i]] == nil {
			out[of[i]] = make([]ledger.Finding, 0, many[of[i]])
		}
		out[of[i]] = append(out[of[i]], f)
	}
	return out
}

// each gives the steps of the findings one by one: those of one file as they are,
// for several files those of the first of each sort.
func (m Matter) each() []Step {
	files := map[string]bool{} // or two of them: whether it is more than one is asked
	for _, f := range m.Findings {
		if f.Subject == fixity.OfFile && len(files) < 2 {
			files[f.Set+"/"+f.Path] = true
		}
	}
	sorts := m.sorts()
	var steps []Step
	for _, of := range sorts {
		f := of[0]
		if f.Step == care.StepDecide && len(files) == 1 && len(steps) > 0 {
			continue // one decision for all stores
		}
		if f.Step == care.StepOther && f.Mergeable && len(files) == 1 && len(steps) > 0 {
			continue // one order for all copies
		}
		for _, s := range m.next(f) {
			switch {
			case f.Carrier != 0: // it names the disc, and is the same for all files on it
			case len(files) > 1 && len(sorts) == 1:
				s.Text = text(fmt.Sprintf("For each file, for instance [%d]: ", f.ID), s.Text)
			case len(files) > 1 && len(of) > 1:
				s.Text = text(fmt.Sprintf("For each of [%s], for instance [%d]: ", Numbers(of), f.ID), s.Text)
			case len(files) > 1:
				s.Text = text(fmt.Sprintf("For [%d]: ", f.ID), s.Text)
			}
			if !has(steps, s) {
				steps = append(steps, s)
			}
		}
	}
	return steps
}

// Donors are the stores where an intact copy is known, in the order in which it should
// be taken: a drive that is there, a service, a drive that must be fetched.
func Donors(f ledger.Finding, rules care.Rules) []string {
	rank := func(name string) int {
		switch s, _ := rules.Store(name); {
		case s.Visiting:
			return 2
		case s.Kind != "disk":
			return 1
		}
		return 0
	}
	out := slices.Clone(f.IntactIn)
	slices.SortStableFunc(out, func(a, b string) int { return rank(a) - rank(b) })
	return out
}

// Numbers are those of findings, runs drawn together: "7, 9, 12-36".
func Numbers(fs []ledger.Finding) string {
	var out []string
	for i := 0; i < len(fs); {
		j := i
		for j+1 < len(fs) && fs[j+1].ID == fs[j].ID+1 {
			j++
		}
		switch {
		case j == i:
			out = append(out, fmt.Sprint(fs[i].ID))
		case j == i+1:
			out = append(out, fmt.Sprint(fs[i].ID), fmt.Sprint(fs[j].ID))
		default:
			out = append(out, fmt.Sprintf("%d-%d", fs[i].ID, fs[j].ID))
		}
		i = j + 1
	}
	if len(out) > 6 {
		out = append(out[:5], "…")
	}
	return strings.Join(out, ", ")
}
