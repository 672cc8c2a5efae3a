package fixity

import "time"

// MarkerPrefix begins the name of the marker in a store's root; the store's name follows it.
const MarkerPrefix = ".firmus-store."

// KeptFolder is where what was in the way of a file that was put back is kept: in a store's
// root, or in the first-level folder that lies on a volume of its own.
const KeptFolder = ".firmus-kept"

// PuttingBack is what takes a place in a store that nothing, or nothing but a damaged
// file, has now.
type PuttingBack struct {
	Path string
	// Was is what lies at the path, as it was shown; nil if nothing may lie there. If
	// anything else does by then, nothing is changed.
	Was *Entry
	// Keep is the folder, one of our own, in which what lay there is kept.
	Keep string
	// As is what its name there ends with: "damaged", "earlier".
	As string
	// ModTime is the new file's, zero for now.
	ModTime time.Time
}

// Kept is a file that was in the way of one that was put back.
type Kept struct {
	Path string // below the root
	Size int64
	Time time.Time // when the file that it is was written last
}
