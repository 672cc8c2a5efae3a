package report

import (
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// Matter is what a person deals with as one: a finding, or all that belongs to it.
// Letters, the terminal and pages take what to do from its Steps, so that they can't
// disagree.
type Matter struct {
	Findings []ledger.Finding // open, by number; not empty
	Rules    policy.Rules
	// Name is what a store is called; nil: its name.
	Name func(store string) string
	// Only is how many files of a failing drive no other store holds; Fewest are those
	// that the fewest others do.
	Only   int64
	Fewest []ledger.Elsewhere
}

// fewest is how many files of a failing drive are named.
const fewest = 10

// MatterOf reads the matter of an open finding: that of its incident, or itself.
func MatterOf(t *ledger.Tx, rules policy.Rules, f ledger.Finding) (Matter, error) {
	m := Matter{Findings: []ledger.Finding{f}, Rules: rules}
	if f.Incident != 0 && f.Open() {
		all, err := t.OpenFindings(f.Store)
		if err != nil {
			return m, err
		}
		m.Findings = slices.DeleteFunc(all, func(o ledger.Finding) bool { return o.Incident != f.Incident })
		slices.SortFunc(m.Findings, func(a, b ledger.Finding) int { return int(a.ID - b.ID) })
	}
	return m, m.Look(t)
}

// Look reads what there is to save from a failing drive.
func (m *Matter) Look(t *ledger.Tx) (err error) {
	if m.Failing() {
		m.Fewest, m.Only, err = t.Fewest(m.Findings[0].Store, fewest)
	}
	return err
}

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
			if f.Subject == fixity.OfFile && s.Name != f.Store && !m.Rules.Independent(s.Name, f.Store) && !slices.Contains(out, s.Name) {
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

// Steps are what a person should do, in order.
func (m Matter) Steps() []string {
	var steps []string
	others := m.Followers()
	pause := len(others) > 0 && slices.ContainsFunc(m.Findings, func(f ledger.Finding) bool { return !lacking(f) })
	if pause {
		var names []string
		for _, s := range others {
			names = append(names, m.name(s))
		}
		steps = append(steps, fmt.Sprintf("Pause the program that keeps the %s in step: it could carry the damage on, or be hindered.", join(names)))
	}
	switch {
	case m.Failing():
		steps = append(steps, m.stopUsing()...)
	case m.Mass():
		steps = append(steps, m.lookFirst()...)
	default:
		steps = append(steps, m.each()...)
	}
	if pause {
		steps = append(steps, "Start that program again when this is put right.")
	}
	return steps
}

// stopUsing is for a drive that wears out while it is read.
func (m Matter) stopUsing() []string {
	store := m.Findings[0].Store
	steps := []string{fmt.Sprintf("Stop using the %s: no copying, no audit, no repair program. When nothing works on it any more, disconnect it.", m.name(store))}
	switch {
	case m.Only > 0:
		was, them := "were", "them"
		if m.Only == 1 {
			was, them = "was", "it"
		}
		steps = append(steps, fmt.Sprintf("%s on it %s shown to be in no other store. Let somebody qualified save %s first, to a new drive: see the list.", Count(m.Only, "file"), was, them))
	case len(m.Fewest) > 0:
		steps = append(steps, "Every file on it was shown to be in another store. From there, copy to a new drive first what has the fewest other copies: see the list.")
	}
	// A new drive must hold what arrives nowhere else before it may be the place for it.
	if rule, _ := m.Rules.Store(store); rule.Arrivals {
		return append(steps,
			fmt.Sprintf("When the new drive holds all of it and is in its place: firmus store adopt %s", store),
			fmt.Sprintf("Then have it read whole: firmus audit %s --full", store))
	}
	return append(steps, fmt.Sprintf("When the new drive is in its place: firmus store replace %s --reason \"…\" (it reads the new drive whole)", store))
}

// lookFirst is for what befell many files at once.
func (m Matter) lookFirst() []string {
	f, n := m.Findings[0], len(m.Findings)
	rule, _ := m.Rules.Store(f.Store)
	bulk := fmt.Sprintf("firmus findings signoff --incident %d --files %d", f.Incident, n)
	if fixity.State(f.Kind) == fixity.Misplaced {
		return []string{
			"Find out first what happened: were folders reorganised on purpose?",
			fmt.Sprintf("If so, look at some of them, then: %s --reason \"…\"", bulk),
			fmt.Sprintf("If not, move them back, for instance %s to %s. Then run: firmus audit %s", Show(f.FoundAt), Show(f.Path), f.Store),
		}
	}
	steps := []string{"Find out first what happened: was a folder moved, a drive changed, a program run over the files? So many at once are seldom damage."}
	if fixity.State(f.Kind) != fixity.Missing {
		return append(steps, m.each()...)
	}
	good := "from another store"
	if from := Donors(f, m.Rules); len(from) > 0 {
		good = "from " + from[0]
	}
	steps = append(steps, fmt.Sprintf("Put them back where they were, or copy each %s, for instance %s. Then run: firmus audit %s", good, Show(f.Path), f.Store))
	if rule.Arrivals {
		steps = append(steps, fmt.Sprintf("If they were taken away on purpose: %s --reason \"…\" (they are retired then)", bulk))
	}
	return steps
}

// each gives the steps of the findings one by one: those of one file as they are,
// for several files those of the first of each sort.
func (m Matter) each() []string {
	type sort struct {
		store string
		disc  string
		kind  fixity.Kind
		step  policy.Step
	}
	files, stores := map[string]bool{}, map[string]bool{}
	var sorts []sort
	of := map[sort][]ledger.Finding{}
	for _, f := range m.Findings {
		if f.Subject == fixity.OfFile {
			files[f.Set+"/"+f.Path], stores[f.Store] = true, true
		}
		s := sort{f.Store, f.Disc, f.Kind, f.Step}
		if of[s] == nil {
			sorts = append(sorts, s)
		}
		of[s] = append(of[s], f)
	}
	var steps []string
	for _, s := range sorts {
		f := of[s][0]
		if f.Step == policy.StepDecide && len(files) == 1 && len(steps) > 0 {
			continue // one decision for all stores
		}
		for _, text := range next(f, m.Rules) {
			switch {
			case f.Carrier != 0: // it names the disc, and is the same for all files on it
			case len(files) > 1 && len(sorts) == 1:
				text = fmt.Sprintf("For each file, for instance [%d]: %s", f.ID, text)
			case len(files) > 1 && len(of[s]) > 1:
				text = fmt.Sprintf("For each of [%s], for instance [%d]: %s", Numbers(of[s]), f.ID, text)
			case len(files) > 1:
				text = fmt.Sprintf("For [%d]: %s", f.ID, text)
			case len(stores) > 1 && f.Step != policy.StepDecide && f.Step != policy.StepOther:
				text = fmt.Sprintf("On the %s: %s", m.name(f.Store), text)
			}
			if !slices.Contains(steps, text) {
				steps = append(steps, text)
			}
		}
	}
	return steps
}

// Donors are the stores where an intact copy is known, in the order in which it should
// be taken: a drive that is there, a service, a drive that must be fetched.
func Donors(f ledger.Finding, rules policy.Rules) []string {
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

func join(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// next says what a person should do about one finding, whatever else is known.
func next(f ledger.Finding, rules policy.Rules) []string {
	rule, _ := rules.Store(f.Store)
	set, _ := rules.Set(f.Set)
	arrivals, role := rule.Arrivals, set.Role
	p := Show(f.Path)
	good := ""
	if from := Donors(f, rules); len(from) > 0 {
		if good = from[0]; len(from) > 1 {
			good += " (or else " + strings.Join(from[1:], ", ") + ")"
		}
	}
	if f.Carrier != 0 {
		return nextOnDisc(f, good)
	}
	if good == "" {
		good = "another store"
	}
	if rule.Kind == cloudKind {
		if s := nextInCloud(f, good); s != nil {
			return s
		}
	}
	switch f.Step {
	case policy.StepRecover:
		if fixity.State(f.Kind) == fixity.Missing {
			s := []string{fmt.Sprintf("Copy %s from %s back to %s, then run: firmus audit %s", p, good, f.Store, f.Store)}
			if arrivals {
				s = append(s, fmt.Sprintf("If it was taken away on purpose: firmus findings signoff %d --reason \"…\" (it is retired then)", f.ID))
			}
			return s
		}
		if fixity.State(f.Kind) == fixity.Unreadable {
			return []string{
				"Try another cable and port first. Run no repair program on the drive.",
				fmt.Sprintf("If it still can't be read: copy %s from %s over it and run: firmus audit %s", p, good, f.Store),
				"If that can't be done, or another file can't be read either, the drive is failing: stop using it.",
			}
		}
		s := []string{
			"Don't open, save or move the damaged file; run no repair program on the drive.",
			fmt.Sprintf("Keep it: copy it to a place outside the sets. Then copy %s from %s over it and run: firmus audit %s", p, good, f.Store),
		}
		if arrivals && fixity.State(f.Kind) == fixity.Altered && f.Anatomy != fixity.Zeroed && f.Anatomy != fixity.CutShort {
			master := ""
			if role == fixity.Master {
				master = " --master"
			}
			s = append(s, fmt.Sprintf("If somebody changed it on purpose: firmus findings signoff %d%s --reason \"…\"", f.ID, master))
		}
		return s
	case policy.StepDecide:
		return []string{
			"Nothing says which version is right. Listen to both, look at who made them and when.",
			fmt.Sprintf("Sign off the finding of the store that has the right one: firmus findings signoff %d --reason \"…\"", f.ID),
		}
	case policy.StepMoveBack:
		s := []string{fmt.Sprintf("Move it back from %s to %s in %s", Show(f.FoundAt), p, f.Store)}
		if arrivals {
			s = append(s, fmt.Sprintf("Or accept the new place: firmus findings signoff %d --reason \"…\"", f.ID))
		}
		return s
	case policy.StepReread:
		return []string{fmt.Sprintf("Check cable, port and hub, try another computer, then run: firmus audit %s. Put nothing back before two readings agree.", f.Store)}
	case policy.StepCopy:
		return []string{fmt.Sprintf("Copy %s from %s to %s, then run: firmus audit %s", p, good, f.Store, f.Store)}
	case policy.StepOther:
		return []string{"Don't touch any copy of it. Look for another one: discs, the recorder's stick, whoever was given a copy. If the drive is failing, stop using it and ask somebody qualified."}
	case policy.StepTakeOut:
		return []string{fmt.Sprintf("Take %s out of %s, or leave it in peace: firmus findings signoff %d --reason \"…\"", p, f.Store, f.ID)}
	}
	switch {
	case f.Subject == fixity.OfManifest:
		return []string{"Move the changed manifest aside; the next intake into that folder writes it anew."}
	case f.Kind == fixity.Away:
		return []string{fmt.Sprintf("Plug it in or mount it, then run: firmus audit %s", f.Store)}
	case f.Kind == fixity.Few:
		return []string{"See which stores lack them: firmus report holdings", "Copy the new files there, then run: firmus audit"}
	case f.Kind == fixity.Late:
		return []string{fmt.Sprintf("Run: firmus audit %s --full", f.Store)}
	}
	return nil
}
