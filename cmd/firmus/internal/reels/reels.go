// Package reels says where each side of each reel is in the work, and what comes next, from
// what the ledger knows. It is pure: it gets rows, rules and a time, and gives values. What
// the ledger doesn't know stays blank.
package reels

import (
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Next is what comes next with a side. Pages have it in their addresses: never change one.
type Next string

// What may come next, what is most urgent first.
const (
	PutRight Next = "put-right" // a copy is damaged, gone or not whole
	Decide   Next = "decide"    // a person must say which version is right, or accept a change
	Finish   Next = "finish"    // its access files are being edited
	Edit     Next = "edit"      // there is a master, and no access file yet
	Burn     Next = "burn"      // its access files are on no disc
	Bring    Next = "bring"     // a store awaits some of its files
	Done     Next = "done"      // nothing that the ledger knows of

	// Of sides of which no file is under care, by the register:
	Seek       Next = "seek"       // it says that files are there
	Transfer   Next = "transfer"   // it is on the shelf
	Unplayable Next = "unplayable" // it is on the shelf, and can't be played
)

// Nexts are all, in the order in which they come.
var Nexts = []Next{PutRight, Decide, Finish, Edit, Burn, Bring, Seek, Transfer, Unplayable, Done}

// Words say what comes next, as a label of sides.
func (n Next) Words() string {
	switch n {
	case PutRight:
		return "to put right"
	case Decide:
		return "to decide"
	case Finish:
		return "being edited"
	case Edit:
		return "to edit"
	case Burn:
		return "to burn"
	case Bring:
		return "to bring to a store"
	case Seek:
		return "to look for"
	case Transfer:
		return "to transfer"
	case Unplayable:
		return "not playable"
	case Done:
		return "nothing open"
	}
	return ""
}

// Column is a store in which files of a role are kept.
type Column struct {
	Role  fixity.Role
	Store string
	Place string
}

// Plan is what the archive does with its reels.
type Plan struct {
	Rules   care.Rules
	Columns []Column // masters first, stores in the configuration's order
	Access  bool     // there is a set of access files
	Discs   bool     // there are discs on the shelf, or a store for them
	Said    Said     // what the register says; its sides are listed too
}

// PlanOf is the plan that rules say; shelf says that discs are registered.
func PlanOf(r care.Rules, shelf bool) Plan {
	p := Plan{Rules: r, Discs: shelf}
	for _, role := range []fixity.Role{fixity.Master, fixity.Access} {
		for _, s := range r.Stores {
			if s.Kind == "optical" {
				p.Discs = true
				continue
			}
			if slices.ContainsFunc(r.Sets, func(set care.Set) bool { return set.Role == role && s.Holds(set.Name) }) {
				p.Columns = append(p.Columns, Column{role, s.Name, s.Place})
			}
		}
	}
	p.Access = slices.ContainsFunc(r.Sets, func(s care.Set) bool { return s.Role == fixity.Access })
	return p
}

// Order is what comes next with a side, as an order; "" if nothing does.
func (s Side) Order() string {
	switch s.Next {
	case PutRight:
		return "put right"
	case Decide:
		return "decide"
	case Finish:
		return "finish the edit"
	case Edit:
		return "edit"
	case Burn:
		return "burn"
	case Bring:
		return "bring to " + fixity.And(s.Of)
	case Seek:
		return "look for its files"
	case Transfer:
		return "transfer"
	case Unplayable:
		return "not playable"
	}
	return ""
}

// Side is where one side is in the work.
type Side struct {
	Item, Side string // the side is blank where names don't say it
	Next       Next
	// Of is, where the next thing concerns a store, which; Findings are those to put right
	// or to decide.
	Of       []string
	Findings []ledger.WorkingFinding
	Length   time.Duration // of its masters, else of its access files; 0: not known
	Cells    []Cell        // one a column of the plan
	Masters  int
	Access   int
	Discs    []int64 // ids of those that hold one of its files in its version
	OnDisc   int     // files of them
	Files    []ledger.Working
	// Transferred is when the first of its masters, else of its files, was taken under care.
	Transferred time.Time
	Unfinished  bool           // one of its files wasn't whole when it was first looked at
	Editing     bool           // one is being edited
	Says        *register.Says // what the register says of it; nil: nothing
	Once        bool           // its reel can't be transferred again
}

// Cell is what one store has of a side's files of one role.
type Cell struct {
	// State is that of the file that needs somebody most; "" where nothing of it is there.
	State fixity.State
	// Of are its files that are so, of All.
	Of, All int
	// Expected says that the store should have files of this role.
	Expected bool
	// Since is the oldest time at which one of the files was last shown to be so.
	Since time.Time
}

// order is how much a state needs somebody.
var order = []fixity.State{fixity.Altered, fixity.Unreadable, fixity.Missing, fixity.Disputed, fixity.Unsteady, fixity.Misplaced, fixity.Behind, fixity.Awaited, fixity.Editing, fixity.Intact}

func worse(a, b fixity.State) int { return slices.Index(order, a) - slices.Index(order, b) }

// SidesOf are the sides of files and those that the register says, by item and side, but
// what can't be transferred again comes first. The files may lack their intact copies:
// then cells aren't whole, but what comes next is.
func (p Plan) SidesOf(files []ledger.Working) []Side {
	type key struct{ item, side string }
	at := map[key]int{}
	var out []Side
	for _, f := range files {
		set, _ := p.Rules.Set(f.File.Set)
		fields := set.FieldsOf(f.File.Path)
		k := key{f.File.Item, strings.ToUpper(fields.Side)}
		i, ok := at[k]
		if !ok {
			i, at[k] = len(out), len(out)
			out = append(out, Side{Item: k.item, Side: k.side})
		}
		out[i].Files = append(out[i].Files, f)
	}
	out = p.Said.add(out)
	for i := range out {
		p.work(&out[i])
		p.Said.note(&out[i])
	}
	slices.SortStableFunc(out, inOrder)
	return out
}

func (p Plan) roleOf(f ledger.Working) fixity.Role {
	set, _ := p.Rules.Set(f.File.Set)
	return set.Role
}

// work fills in a side from its files.
func (p Plan) work(s *Side) {
	var masters, access time.Duration
	editing, master := false, false
	waits := map[string]bool{}
	for _, f := range s.Files {
		if p.roleOf(f) == fixity.Master {
			s.Masters, masters = s.Masters+1, masters+f.Sound
		} else {
			s.Access, access = s.Access+1, access+f.Sound
		}
		if len(f.Discs) > 0 {
			s.OnDisc++
		}
		for _, d := range f.Discs {
			if !slices.Contains(s.Discs, d) {
				s.Discs = append(s.Discs, d)
			}
		}
		if m := p.roleOf(f) == fixity.Master; s.Transferred.IsZero() || m && (!master || f.File.TakenAt.Before(s.Transferred)) || m == master && f.File.TakenAt.Before(s.Transferred) {
			s.Transferred, master = f.File.TakenAt, m
		}
		s.Findings = append(s.Findings, f.Open...)
		s.Unfinished = s.Unfinished || slices.ContainsFunc(f.Open, func(x ledger.WorkingFinding) bool { return x.Kind == fixity.Unfinished })
		for _, c := range f.Copies {
			switch c.State {
			case fixity.Editing:
				editing = true
			case fixity.Awaited, fixity.Behind:
				waits[c.Store] = true
			}
		}
	}
	s.Editing = editing
	if s.Length = masters; masters == 0 {
		s.Length = access
	}
	for _, c := range p.Columns {
		s.Cells = append(s.Cells, p.cell(c, s))
	}
	first := func(of func(ledger.WorkingFinding) bool) (out []ledger.WorkingFinding) {
		for _, f := range s.Findings {
			if of(f) {
				out = append(out, f)
			}
		}
		return out
	}
	decide := func(f ledger.WorkingFinding) bool { return f.Step == care.StepDecide || f.Step == care.StepAsk }
	wait := func(f ledger.WorkingFinding) bool {
		return f.Kind == fixity.Kind(fixity.Awaited) || f.Kind == fixity.Kind(fixity.Behind)
	}
	bad := first(func(f ledger.WorkingFinding) bool { return !decide(f) && !wait(f) })
	chosen := first(decide)
	for _, st := range p.Rules.StoreNames() {
		if waits[st] {
			s.Of = append(s.Of, st)
		}
	}
	switch {
	case len(bad) > 0:
		s.Next, s.Findings, s.Of = PutRight, bad, nil
	case len(chosen) > 0:
		s.Next, s.Findings, s.Of = Decide, chosen, nil
	case editing:
		s.Next, s.Of = Finish, nil
	case p.Access && s.Masters > 0 && s.Access == 0:
		s.Next, s.Of = Edit, nil
	case p.Discs && s.OnDisc == 0 && (s.Access > 0 || !p.Access):
		s.Next, s.Of = Burn, nil
	case len(s.Of) > 0:
		s.Next = Bring
	default:
		s.Next = Done
	}
}

func (p Plan) cell(c Column, s *Side) Cell {
	rule, _ := p.Rules.Store(c.Store)
	out := Cell{}
	for _, set := range p.Rules.Sets {
		out.Expected = out.Expected || set.Role == c.Role && rule.Holds(set.Name)
	}
	for _, f := range s.Files {
		if p.roleOf(f) != c.Role {
			continue
		}
		for _, x := range f.Copies {
			if x.Store != c.Store {
				continue
			}
			out.All++
			switch d := worse(x.State, out.State); {
			case out.State == "" || d < 0:
				out.State, out.Of, out.Since = x.State, 1, known(x)
			case d == 0:
				out.Of++
				if t := known(x); t.Before(out.Since) {
					out.Since = t
				}
			}
		}
	}
	return out
}

// known is when a copy was last shown to be what it is.
func known(c ledger.Copy) time.Time {
	t := c.Read.At
	if c.Reported.At.After(t) {
		t = c.Reported.At
	}
	if c.State == fixity.Awaited || c.State == fixity.Missing || t.IsZero() {
		return c.Since
	}
	return t
}
