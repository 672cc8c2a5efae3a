// Package policy decides: what is due, what may be signed off, which finding a
// case is and how urgent, which files are left out. It is pure: values in,
// decision out; no clock, no storage.
package policy

import (
	"time"

	"firmus/fixity"
)

// Store is what the configuration promises of one store.
type Store struct {
	Name         string
	Kind         string // "disk", "cloud", "optical"
	Place        string
	Follows      string // the store that a program keeps it in step with
	Sets         []string
	Arrivals     bool
	Visiting     bool
	Manifests    bool
	OwnDrive     bool          // counts as a copy of its own although it shares a volume with another store
	ReadWithin   time.Duration // every byte read at least this often; 0 = no promise
	ExpectWithin time.Duration // new files and visits
	ReadADay     int64         // bytes that are read because it is their turn, in a local day; 0 = any number
	// Patterns are, by set, how the store names what it keeps where it files a set
	// in another way than the set itself.
	Patterns map[string]*Pattern
}

// Holds says that the store keeps files of set.
func (s Store) Holds(set string) bool {
	for _, n := range s.Sets {
		if n == set {
			return true
		}
	}
	return false
}

// Set is what the configuration says of one set.
type Set struct {
	Name    string
	Role    fixity.Role
	Editing time.Duration // an access file at rest this long counts as finished
	// Pattern finds the item and other fields in a path. nil, or one that doesn't fit:
	// the item is the first folder.
	Pattern *Pattern
}

// Rules is the part of the configuration that decisions rest on.
type Rules struct {
	Stores []Store // in the configuration's order
	Sets   []Set
	Copies int           // independent copies that each file should have; 0 is not asked
	Places int           // in so many different places; 0 is not asked
	Within time.Duration // fewer than that for longer is a finding

	volumes map[string][]string // by store, where its roots lie as far as is known; OnVolumes sets it
}

// Asked is how many independent copies, in how many places, a file of a set should
// have: no more than the stores that hold the set can give, for such a finding
// would never go away.
func (r Rules) Asked(set string) (copies, places int) {
	var holding []string
	where := map[string]bool{}
	for _, s := range r.Stores {
		if s.Holds(set) {
			holding = append(holding, s.Name)
			where[r.PlaceOf(s.Name)] = true
		}
	}
	return min(r.Copies, r.CountIndependent(holding)), min(r.Places, len(where))
}

// PlaceOf is the place of a store; one whose place isn't said is in a place of its own.
func (r Rules) PlaceOf(name string) string {
	if s, ok := r.Store(name); ok && s.Place != "" {
		return s.Place
	}
	return "of " + name
}

// Store finds a store by name; the zero Store stands for one no longer configured.
func (r Rules) Store(name string) (Store, bool) {
	for _, s := range r.Stores {
		if s.Name == name {
			return s, true
		}
	}
	return Store{Name: name}, false
}

// Set finds a set by name; an unknown one is treated as frozen.
func (r Rules) Set(name string) (Set, bool) {
	for _, s := range r.Sets {
		if s.Name == name {
			return s, true
		}
	}
	return Set{Name: name, Role: fixity.Master}, false
}

// Arrivals is the store in which set's new files appear.
func (r Rules) Arrivals(set string) (Store, bool) {
	for _, s := range r.Stores {
		if s.Arrivals && s.Holds(set) {
			return s, true
		}
	}
	return Store{}, false
}

// Leader is the store at the end of a chain of follows. A circle (refused by the
// configuration) ends at the first name seen twice.
func (r Rules) Leader(name string) string {
	seen := map[string]bool{}
	for !seen[name] {
		seen[name] = true
		s, ok := r.Store(name)
		if !ok || s.Follows == "" {
			return name
		}
		name = s.Follows
	}
	return name
}
