package discs

import (
	"slices"
	"time"

	"firmus/fixity/ledger"
)

// Sat is what came of one disc of a sitting.
type Sat struct {
	Disc string    `json:"disc"` // that was read; "" it isn't known which
	Box  string    `json:"box"`
	Says string    `json:"says"` // one line
	At   time.Time `json:"at"`
	Good bool      `json:"good"`
	Open []int64   `json:"findings"`
	// Unfinished says that the check of the disc wasn't finished, or compared nothing.
	Unfinished bool `json:"unfinished"`
}

// Sitting is discs that are read one after the other.
type Sitting struct {
	Began time.Time `json:"began"`
	Of    string    `json:"of"` // which discs, in words
	Done  []Sat     `json:"done"`
	Left  []string  `json:"-"` // discs that were asked for, and not read
}

// Has says that a disc was read in this sitting.
func (s Sitting) Has(d ledger.Disc) bool {
	return slices.ContainsFunc(s.Done, func(x Sat) bool { return x.Disc == d.Name() })
}
