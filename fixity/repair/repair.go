// Package repair plans how a copy is put right: by which way, from which other copies,
// and what a person must know before. It is pure: values in, values out. What a plan
// names as a donor is what is known of it; it is read in full before anything follows.
package repair

import (
	"cmp"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Way is how a copy is put right; "" if it can't be.
type Way string

// The ways.
const (
	Replace  Way = "replace"   // a whole copy's bytes take the place of damaged or earlier ones
	Add      Way = "add"       // a whole copy's bytes come to where nothing lies
	MoveBack Way = "move-back" // the copy itself lies elsewhere in its store
	Upload   Way = "upload"    // a whole copy's bytes are laid ready for a person to upload
)

// Refusal says why a copy isn't put right; a closed set.
type Refusal string

// The refusals.
const (
	NotWrong      Refusal = "not-wrong"       // it is as it should be
	NoVersion     Refusal = "no-version"      // the stores disagree about the file: a person decides which is right
	Disputed      Refusal = "disputed"        // likewise about this copy
	Unsteady      Refusal = "unsteady"        // cable, port or memory: what is written may be as wrong as what is read
	ReadOnly      Refusal = "read-only"       // a service keeps it, and the program only reads there
	MovedThere    Refusal = "moved-there"     // likewise, and the copy itself lies elsewhere in it
	OnDisc        Refusal = "on-disc"         // what is on a disc stays there
	FailingDrive  Refusal = "failing-drive"   // the drive gives up its files one by one: nothing is written there
	SecondName    Refusal = "second-name"     // it is another store's file under a second name
	NoDonor       Refusal = "no-donor"        // no other copy is known to be whole
	UnknownDonor  Refusal = "unknown-donor"   // the store that was named holds no copy
	DonorNotWhole Refusal = "donor-not-whole" // the copy that was named isn't known to be the version
	DonorFollows  Refusal = "donor-follows"   // the store that was named is kept in step with this one: its copy may be the damage
	NotOnDisc     Refusal = "not-on-disc"     // the disc that was named doesn't hold this version
	OpenIncident  Refusal = "open-incident"   // so much is wrong on the donor's side that a person must look at that first
)

// Case is what is known when a copy is to be put right.
type Case struct {
	Copy   care.Copy   // the one that is to be put right
	Copies []care.Copy // of the file, in all stores
	// Same are copies of other files under care that hold the version's very bytes: donors of
	// last resort.
	Same    []care.Copy
	Found   map[string]string // by store: where a misplaced copy lies
	Current int64             // the file's version; 0 while none has authority
	Rules   care.Rules
	From    string // the store whose copy a person wants; "": the best
	// One says that the person wants it for files that were named, and not for all of a store:
	// an incident in From doesn't keep it from giving then. Its bytes are proved as any others.
	One bool
	// Disc is the disc that a person wants instead, "": none, and OnDisc says that it was
	// burned of this version. Parts are how many discs gave what they hold of it before.
	Disc   string
	OnDisc bool
	Parts  int
	Upload bool // what a service keeps is laid ready for a person to upload
	// Failing and Incident say of a store that its drive is failing, that an incident is open there.
	Failing, Incident func(store string) bool
}

// Plan is how a copy is put right.
type Plan struct {
	Way     Way
	Refused Refusal     // "" if Way isn't
	Donors  []care.Copy // best first; none for MoveBack, or if only joining is left
	// Joined says that the good parts of several copies may be joined if no donor is whole:
	// those of Merge, and what discs gave or are to give.
	Joined bool
	Merge  []care.Copy
	// InStep are the store that is written to and those that a program keeps in step with it;
	// none if there are none. It must be paused first, on each computer that has it.
	InStep []string
	// OneVolume says that the best donor lies on the volume that is written to: one drive
	// that dies takes both.
	OneVolume bool
}

// For plans how the copy is put right.
func For(c Case) Plan {
	own := c.Copy
	way := Replace
	refuse := func(why Refusal) Plan { return Plan{Refused: why} }
	rule, _ := c.Rules.Store(own.Store)
	switch own.State {
	case fixity.Altered, fixity.Unreadable:
	case fixity.Behind:
		if own.Held == c.Current {
			way = MoveBack // its bytes are right; the file has another name by now
		}
	case fixity.Missing, fixity.Awaited:
		way = Add
	case fixity.Misplaced:
		way = MoveBack
	case fixity.Disputed:
		return refuse(Disputed)
	case fixity.Unsteady:
		return refuse(Unsteady)
	default:
		return refuse(NotWrong)
	}
	switch {
	case own.Carrier != 0:
		return refuse(OnDisc)
	case c.Current == 0:
		return refuse(NoVersion)
	case rule.Kind == cloudKind && c.Upload && way != MoveBack:
		p := Plan{Way: Upload}
		p.Donors, p.Refused = c.donors()
		if p.Refused != "" {
			p.Way = ""
		}
		return p
	case rule.Kind != DiskKind && way == MoveBack:
		return refuse(MovedThere)
	case rule.Kind != DiskKind:
		return refuse(ReadOnly)
	case own.SameAs != "":
		return refuse(SecondName)
	case c.Failing != nil && c.Failing(own.Store):
		return refuse(FailingDrive)
	}
	p := Plan{Way: way, InStep: c.inStep()}
	if way == MoveBack {
		return p
	}
	if c.From == "" {
		p.Merge = c.pieces()
		parts := c.Parts
		if c.OnDisc {
			parts++
		}
		if p.Joined = parts > 0 || len(p.Merge) > 1; !p.Joined {
			p.Merge = nil
		}
	}
	if c.Disc != "" {
		if !c.OnDisc {
			return refuse(NotOnDisc)
		}
		return p // what the disc gives comes first
	}
	var why Refusal
	if p.Donors, why = c.donors(); why != "" && (why != NoDonor || !p.Joined) {
		return refuse(why)
	}
	p.OneVolume = len(p.Donors) > 0 && !c.Rules.Independent(p.Donors[0].Store, own.Store) && !c.Rules.InStep(p.Donors[0].Store, own.Store)
	return p
}

// DiskKind is the kind of store that files can be put back in; a service's is only read.
const (
	DiskKind  = "disk"
	cloudKind = "cloud"
)

// inStep are the store that is written to and those that are kept in step with it.
func (c Case) inStep() (out []string) {
	for _, s := range c.Rules.Stores {
		if s.Name == c.Copy.Store || c.Rules.InStep(s.Name, c.Copy.Store) {
			out = append(out, s.Name)
		}
	}
	if len(out) < 2 {
		return nil
	}
	return out
}

// donors are the copies that may give the bytes, best first. Those of other files with the
// same bytes come after all of the file's own.
func (c Case) donors() ([]care.Copy, Refusal) {
	var out, same []care.Copy
	why := NoDonor
	if c.From != "" {
		why = UnknownDonor
	}
	for _, d := range c.Copies {
		if c.From != "" && d.Store != c.From {
			continue
		}
		if d.State == fixity.Misplaced {
			d.At = c.Found[d.Store]
		}
		no := c.mayGive(d)
		switch {
		case no == "":
			out = append(out, d)
		case c.From != "" || (no == OpenIncident || no == DonorFollows) && why == NoDonor:
			why = no
		}
	}
	for _, d := range c.Same {
		if c.From != "" && d.Store != c.From {
			continue
		}
		if no := c.mayGiveSame(d); no == "" {
			same = append(same, d)
		} else if why == NoDonor || why == UnknownDonor {
			why = no
		}
	}
	if len(out)+len(same) == 0 {
		return nil, why
	}
	for _, some := range [][]care.Copy{out, same} {
		slices.SortStableFunc(some, func(a, b care.Copy) int { return Better(c.Rules, a, b) })
	}
	return append(out, same...), ""
}

// Givers are the copies whose bytes may be handed on, best first, where no copy is to be put
// right: Copies, Found, Current, Rules and Incident say what is known. A store in which so
// much is wrong that a person must look first comes last: its bytes are proved as any others.
func Givers(c Case) []care.Copy {
	c.Copy, c.From = care.Copy{}, ""
	wrong := c.Incident
	c.Incident = nil
	out, _ := c.donors()
	if wrong != nil {
		slices.SortStableFunc(out, func(a, b care.Copy) int {
			switch x, y := wrong(a.Store), wrong(b.Store); {
			case x == y:
				return 0
			case y:
				return -1
			}
			return 1
		})
	}
	return out
}

// pieces are the copies of which good blocks may be taken, damaged ones and whole ones.
func (c Case) pieces() (out []care.Copy) {
	for _, d := range c.Copies {
		rule, known := c.Rules.Store(d.Store)
		piece := d.State == fixity.Altered || d.State == fixity.Unreadable || d.Held == c.Current && care.HoldsVersion(d.State)
		if known && !c.follows(rule) && d.Carrier == 0 && !d.Lesser && d.SameAs == "" && d.Seen() && piece && d.State != fixity.Misplaced {
			out = append(out, d)
		}
	}
	return out
}

// mayGiveSame says why a copy of another file with the same bytes gives none, "" if it does.
// It may lie in the very store that is put right.
func (c Case) mayGiveSame(d care.Copy) Refusal {
	own := c
	own.Current, own.Copy.Store = d.Held, ""
	if rule, _ := c.Rules.Store(d.Store); c.follows(rule) {
		return DonorFollows
	}
	return own.mayGive(d)
}

// mayGive says why a copy gives no bytes, "" if it does.
func (c Case) mayGive(d care.Copy) Refusal {
	rule, ok := c.Rules.Store(d.Store)
	switch {
	case c.Copy.Store != "" && (d.Store == c.Copy.Store || d.SameAs == c.Copy.Store), !ok:
		return UnknownDonor
	case d.Carrier != 0:
		return OnDisc // a person brings it; the program can't
	case c.follows(rule):
		return DonorFollows
	case d.At == "" || d.Lesser || d.SettledAs != "" || d.Held != c.Current || !care.HoldsVersion(d.State):
		return DonorNotWhole
	case c.Incident != nil && c.Incident(d.Store) && !(c.One && c.From == d.Store):
		return OpenIncident
	}
	return ""
}

// follows says that a store is kept in step with the damaged one.
func (c Case) follows(s care.Store) bool {
	for seen := map[string]bool{}; s.Follows != "" && !seen[s.Name]; {
		if s.Follows == c.Copy.Store {
			return true
		}
		seen[s.Name] = true
		s, _ = c.Rules.Store(s.Follows)
	}
	return false
}

// Better orders copies from which bytes may be taken, the best first. What was read stands
// before what a service reported, and what is to be read again because something was wrong
// comes after it; then what is at hand: a drive that is there, a service, a drive that must
// be fetched; then the newer evidence before the older.
func Better(rules care.Rules, a, b care.Copy) int {
	evidence := func(c care.Copy) int {
		switch {
		case !c.Read.OK || c.Read.At.IsZero():
			return 2
		case !c.Due.IsZero() && c.Due.Before(time.Unix(0, 0)):
			return 1
		}
		return 0
	}
	fetched := func(c care.Copy) int {
		switch s, _ := rules.Store(c.Store); {
		case s.Visiting || c.Carrier != 0:
			return 2
		case s.Kind != DiskKind:
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(evidence(a), evidence(b)), cmp.Compare(fetched(a), fetched(b)),
		b.Read.At.Compare(a.Read.At), b.Reported.At.Compare(a.Reported.At))
}
