package care

import (
	"slices"
	"time"

	"firmus/fixity"
)

// Holding is a copy of a file with what must be known besides to judge it.
type Holding struct {
	Copy
	Arrived time.Time // as in Given
	// Overdue says of a copy that is awaited, or behind, that a listing of its store showed it
	// so after the promise was over. What other evidence knows of the file doesn't: the copy
	// may have come since that store was listed.
	Overdue  bool
	Unproved bool   // it is misplaced, and nothing shows yet that what lies elsewhere has the version's bytes
	Blocks   []bool // of a damaged copy: which blocks agree with the version; nil = not known
}

// Case is all that is known of one file, the input of Judge.
type Case struct {
	Set       Set
	Version   int64     // the file's; 0 while none has authority: the stores disagreed at intake
	VersionAt time.Time // since when it is the file's
	Vouched   bool      // a provided checksum or a person stands behind the version
	Holdings  []Holding
	// Same are copies of other files under care that hold the version's very bytes, where no
	// copy of the file itself is intact.
	Same     []Copy
	Anatomy  fixity.Anatomy // of the copy that is judged
	Once     bool           // the register says that its carrier can't be transferred again
	WrongWay bool           // that copy was intact and holds another's wrong bytes: somebody copies the wrong way round
	Now      time.Time
}

// holds says that a copy was shown to hold the file's version, by a reading or by the
// service's report, whatever became of it since.
func (c Case) holds(r Rules, h Holding) bool { return r.IsOf(h.Copy, c.Version) }

// vouched says that a provided checksum, a second store or a person stands behind the
// version.
func (c Case) vouched(r Rules) bool {
	if c.Vouched {
		return true
	}
	first := ""
	for _, h := range c.Holdings {
		switch {
		case !c.holds(r, h):
		case first == "":
			first = h.Store
		case h.Store != first:
			return true
		}
	}
	return false
}

// old says that the copy is on a disc that was burned from another version, and is held
// against that.
func (c Case) old(h Holding) bool { return h.Burned != 0 && h.Burned != c.Version }

// otherOnDisc says that the copy on a disc is all of another version than was to be burned.
func (h Holding) otherOnDisc() bool {
	return h.Carrier != 0 && h.State == fixity.Altered && h.Held != 0 && h.Held != h.Burned && h.Wrong.IsZero()
}

// wentBack says of a copy that is behind that it was not left behind by a newer version,
// which puts copies into that state as it comes: an earlier one came into its place later.
func (c Case) wentBack(h Holding) bool {
	return c.Version > 0 && h.Held != c.Version && h.Since.After(c.VersionAt)
}

// Step is the act that Judge recommends, a closed set.
type Step string

// Recommended next steps.
const (
	StepNone     Step = ""
	StepRecover  Step = "recover"   // put an intact copy's bytes in the damaged one's place
	StepAsk      Step = "ask"       // find out whether it was edited on purpose; then sign off, or recover
	StepDecide   Step = "decide"    // listen to both versions, sign off the right one
	StepCopy     Step = "copy"      // copy the file to where it is lacking
	StepMoveBack Step = "move-back" // put it where it should be, or sign off the new place
	StepReread   Step = "re-read"   // check cable, port and memory, then audit again
	StepOther    Step = "other"     // look for another copy: none intact is known
	StepTakeOut  Step = "take-out"  // move it out, or leave it in peace
	StepDrive    Step = "drive"     // try the disc in a second drive first
	StepBurn     Step = "burn"      // burn the disc anew
	StepRegister Step = "register"  // correct the register, or settle it as it is
	StepTransfer Step = "transfer"  // keep stick and reel, and transfer it once more
)

// Verdict is what Judge says of one copy.
type Verdict struct {
	Finding  bool
	Kind     fixity.Kind
	Urgency  fixity.Urgency
	IntactIn []string // stores that were shown to hold the version, full quality; never nil
	// Same are copies of other files that have the version's bytes and are intact; none while
	// a copy of the file itself is.
	Same      []Copy
	Mergeable bool
	Step      Step
}

// known says that the version's bytes are known to be intact somewhere.
func (v Verdict) known() bool { return len(v.IntactIn) > 0 || len(v.Same) > 0 }

// Judge says what one file's copy in a store is, or on one of the discs there (carrier, or
// 0): whether that is a finding, which kind, how urgent, where an intact copy is, and what
// to do next. Kind, urgency and step come from here alone, so that page, letter and JSON
// can't disagree.
func Judge(r Rules, c Case, store string, carrier int64) Verdict {
	v := Verdict{IntactIn: []string{}}
	var own Holding
	for _, h := range c.Holdings {
		if h.Store == store && h.Carrier == carrier {
			own = h
		}
		// All discs are one store: they go in one fire.
		if r.Counts(h.Copy, c.Version) && !h.Unproved && !slices.Contains(v.IntactIn, h.Store) {
			v.IntactIn = append(v.IntactIn, h.Store)
		}
	}
	rule, _ := r.Store(store)
	v.Kind = fixity.Kind(own.State)
	switch own.State {
	case fixity.Intact, fixity.Editing, "":
		return v
	case fixity.Awaited, fixity.Behind:
		// A disc that nobody has read yet is told by the list of discs. Elsewhere it is
		// ordinary life while the store's promise runs, but where files arrive nothing brings
		// a newer version by itself: there somebody put an earlier one over it.
		back := own.State == fixity.Behind && rule.Arrivals && c.wentBack(own)
		if carrier != 0 || !back && (!own.Overdue || !Waited(own.WaitsSince(own.Arrived, c.Now), c.Now, rule.ExpectWithin)) {
			return v
		}
	case fixity.Disputed:
		// One store against one: having come first is no authority, so no copy is
		// known to be intact.
		if c.Version == 0 || !c.vouched(r) {
			v.IntactIn, c.Same = []string{}, nil
		}
		if c.sole(r) && c.Now.Before(c.VersionAt.Add(secondWithin)) {
			return v // the other side was read once only, and is read again first
		}
	}
	if len(v.IntactIn) == 0 {
		v.Same = slices.DeleteFunc(slices.Clone(c.Same), func(x Copy) bool { return !r.Counts(x, x.Held) })
	}
	if own.Quiet() {
		return v
	}
	v.Finding = true
	v.Urgency = Raised(urgency(r, c, own, v, rule), c.Once && !c.old(own))
	v.Mergeable = len(v.IntactIn) == 0 && c.mergeable()
	v.Step = step(own, c, v)
	return v
}

// Raised is an urgency one step up, of a recording that can't be transferred again. That no
// intact copy is known is a fact, so nothing is raised to it: there such a recording comes
// before others.
func Raised(u fixity.Urgency, once bool) fixity.Urgency {
	if once && u == fixity.Tidy {
		return fixity.AtRisk
	}
	return u
}

func urgency(r Rules, c Case, own Holding, v Verdict, rule Store) fixity.Urgency {
	intact := v.IntactIn
	if c.old(own) || own.otherOnDisc() {
		return fixity.Tidy // nothing that is to be kept now hangs on it
	}
	if !v.known() {
		return fixity.NoneIntact
	}
	if len(intact) == 0 {
		return fixity.AtRisk // the bytes are there, but no copy of the file is
	}
	switch own.State {
	case fixity.Misplaced, fixity.Behind:
		return fixity.Tidy
	case fixity.Awaited:
		// Copied late is untidy; one copy only is a risk.
		if r.CountIndependent(intact) < 2 {
			return fixity.AtRisk
		}
		return fixity.Tidy
	}
	if c.WrongWay {
		return fixity.AtRisk // the next good copy may be overwritten likewise
	}
	if c.Anatomy == fixity.DescriptionOnly && own.State == fixity.Altered {
		return fixity.Tidy
	}
	if c.Set.Role == fixity.Access && r.CountIndependent(intact) >= 2 {
		return fixity.Tidy
	}
	return fixity.AtRisk
}

// mergeable says that the damaged copies together hold every block intact.
func (c Case) mergeable() bool {
	var have []bool
	for _, h := range c.Holdings {
		if h.Blocks == nil || h.Lesser || c.old(h) {
			continue
		}
		if have == nil {
			have = make([]bool, len(h.Blocks))
		}
		for i, ok := range h.Blocks {
			if ok && i < len(have) {
				have[i] = true
			}
		}
	}
	return len(have) > 0 && !slices.Contains(have, false)
}

func step(own Holding, c Case, v Verdict) Step {
	s, old := own.State, c.old(own)
	switch {
	case own.Carrier == 0:
	case s == fixity.Unreadable || s == fixity.Unsteady:
		return StepDrive // IASA-TC 04, 8.1.7: another drive may read it
	case v.known() || old:
		return StepBurn
	}
	switch s {
	case fixity.Disputed:
		return StepDecide
	case fixity.Unsteady:
		return StepReread
	case fixity.Misplaced:
		return StepMoveBack
	case fixity.Behind:
		if own.Held == c.Version { // it has its former name there
			return StepMoveBack
		}
	}
	if !v.known() {
		return StepOther
	}
	switch s {
	case fixity.Awaited, fixity.Behind:
		return StepCopy
	case fixity.Missing, fixity.Unreadable:
		return StepRecover
	case fixity.Altered:
		return StepRecover
	}
	return StepNone
}

// Stray is what is known of something that lies in a store under no one's care.
type Stray struct {
	Since time.Time // it was first seen there
	// Of says that it was read, and has the bytes of a version of a file under care; Spare that
	// this file's own copy in the same store has a version's bytes too.
	Of, Spare bool
}

// JudgeStray is the verdict on something that lies in a store under no one's care. What has
// a file's bytes is what a rename leaves that was followed by copying: it is quiet while the
// store's promise to follow runs, and nobody is told to take it out while it may be needed.
func JudgeStray(s Stray, promise time.Duration, now time.Time) Verdict {
	v := Verdict{Finding: true, Kind: fixity.Kind(fixity.Unexpected), Urgency: fixity.Tidy, IntactIn: []string{}, Step: StepTakeOut}
	switch {
	case s.Of && !s.Spare:
		v.Step = StepNone
	case s.Of:
		v.Finding = Waited(s.Since, now, promise)
	}
	return v
}

// IncidentLeast and IncidentShare bound an incident: more than so many files and
// more than such a share of a store's set, altered, missing or misplaced in one
// audit (command-line contract).
const (
	IncidentLeast = 20
	IncidentShare = 0.05
)

// FailingWithin is how far apart two unreadable files on one drive may be told for
// the drive to count as failing. *Common practice.*
const FailingWithin = 30 * 24 * time.Hour

// IsFailing says that a drive is failing of which so many files became unreadable within
// FailingWithin.
func IsFailing(files int) bool { return files >= 2 }

// IsIncident says that so many files of a store's set that holds total are one
// incident rather than so many findings.
func IsIncident(files, total int64) bool {
	return files > IncidentLeast && float64(files) > IncidentShare*float64(total)
}
