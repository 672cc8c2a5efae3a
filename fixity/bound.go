package fixity

// Bound says why no more hosts read a store at the same time. Stored: never change one.
type Bound string

// Bounds.
const (
	BoundOpen    Bound = ""        // it isn't known yet: more are being tried
	BoundGain    Bound = "gain"    // more of them brought too little
	BoundHosts   Bound = "hosts"   // there are no more that have it
	BoundRefused Bound = "refused" // with more of them the store asked to be left alone, or fell silent
	BoundSpindle Bound = "spindle" // its drive has a spindle
)
