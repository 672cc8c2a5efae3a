package fixity

import "time"

// Range is a stretch of a file, in bytes.
type Range struct {
	Offset int64 `json:"offset"`
	Length int64 `json:"length"`
}

// MaxRanges is the most ranges that a finding carries.
const MaxRanges = 1000

// Evidence is what was last seen of one file in one store, by one strength.
type Evidence struct {
	Strength Strength
	At       time.Time // UTC; zero if there is none
	OK       bool      // agreed with a version that the store was known to hold
	Cache    Cache     // only for Read
}

// Finding is something that is no longer as it should be.
type Finding struct {
	ID         int64
	Subject    Subject
	Kind       Kind
	Urgency    Urgency
	Store, Set string
	Path       string // where it should be (misplaced), or where it lies; "" for a whole store
	FoundAt    string // where its bytes lie, if they are the right ones: misplaced, or behind under its former name
	Anatomy    Anatomy
	Ranges     []Range // whole 64 KiB blocks, or exact bytes; at most MaxRanges
	RangesMore bool    // there are more than MaxRanges
	IntactIn   []string
	Mergeable  bool  // damaged copies together hold every block intact
	Incident   int64 // 0 if it belongs to none
	Count      int64 // files concerned, for a finding about a root or a store
	Facts      Facts
	Opened     time.Time
	Seen       time.Time // last time an audit showed it
	Settled    Settled   // "" while open
	SettledAt  time.Time
	SettledBy  string
	Reason     string
}

// Open says that the finding waits for a person or for better evidence.
func (f Finding) Open() bool { return f.Settled == "" }
