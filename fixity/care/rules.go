package care

import (
	"slices"
	"time"

	"firmus/fixity"
)

// Store is what the configuration promises of one store.
type Store struct {
	Name         string
	Kind         string // "disk", "cloud", "optical"
	Service      string // of a cloud store: "drive", "s3", "webdav"
	Place        string
	Follows      string // the store that a program keeps it in step with
	Sets         []string
	Arrivals     bool
	Visiting     bool
	Manifests    bool
	OwnDrive     bool          // counts as a copy of its own although it shares a volume with another store
	ReadWithin   time.Duration // every byte read at least this often; 0 = no promise
	ExpectWithin time.Duration // new files and visits
	DrillWithin  time.Duration // files are brought back as a proof at least this often; 0 = no promise
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
	// Restricted says that not everybody may know what its files are called, or hear them.
	Restricted bool
	// TwoPeople says that a second person has to confirm what ends or changes a version.
	TwoPeople bool
}

// MasterRest is how long a new master must have been at rest before it is taken in.
// *Common practice.*
const MasterRest = 15 * time.Minute

// Rest is how long a new file of the set must have been at rest before it is taken in: a
// file that is edited, until it counts as finished.
func (s Set) Rest() time.Duration {
	if s.Role == fixity.Access {
		return max(s.Editing, time.Minute)
	}
	return MasterRest
}

// Rules is the part of the configuration that decisions rest on.
type Rules struct {
	Stores []Store // in the configuration's order
	Sets   []Set
	Copies int           // independent copies that each file should have; 0 is not asked
	Places int           // in so many different places; 0 is not asked
	Within time.Duration // fewer than that for longer is a finding
	// RestrictsItems says that the register has a column for it: what it doesn't plainly free
	// is restricted.
	RestrictsItems bool

	volumes map[string][]string // by store, where its roots lie as far as is known; OnVolumes sets it
}

// Asked is how many independent copies, in how many places, a file of a set should
// have: no more than the stores that hold the set can give, for such a finding
// would never go away.
//
// A store that is still being filled with it can't either: filling says of which that is so.
func (r Rules) Asked(set string, filling func(store string) bool) (copies, places int) {
	var holding []string
	where := map[string]bool{}
	for _, s := range r.Stores {
		if s.Holds(set) && !filling(s.Name) {
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

// Without are the rules without some stores.
func (r Rules) Without(stores []string) Rules {
	r.Stores = slices.DeleteFunc(slices.Clone(r.Stores), func(s Store) bool { return slices.Contains(stores, s.Name) })
	return r
}

// StoreNames are the stores' names, in the configuration's order.
func (r Rules) StoreNames() (out []string) {
	for _, s := range r.Stores {
		out = append(out, s.Name)
	}
	return out
}

// SetNames are the sets' names, in the configuration's order.
func (r Rules) SetNames() (out []string) {
	for _, s := range r.Sets {
		out = append(out, s.Name)
	}
	return out
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

// Discs is the name of the store that all discs belong to: the first one of that kind, or
// the one that stands for it where none is configured.
func (r Rules) Discs() string {
	for _, s := range r.Stores {
		if s.Kind == "optical" {
			return s.Name
		}
	}
	return UnnamedDiscs
}

// UnnamedDiscs is the store of all discs where the configuration has none.
const UnnamedDiscs = "discs"

// Keeps says that what a store, or a disc in it, has of a set may count: the
// configuration names the store, and the set among those that it holds. Discs count
// where their store has no name there, too.
func (r Rules) Keeps(store, set string) bool {
	s, ok := r.Store(store)
	return ok && (s.Kind == "optical" || s.Holds(set)) || !ok && store == r.Discs()
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
