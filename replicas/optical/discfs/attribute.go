package discfs

import (
	"cmp"
	"slices"
	"sort"
)

// Kind says what a sector is part of. The codes are stored: never change one.
type Kind string

// What a sector may be part of.
const (
	OfFile      Kind = "file"
	OfStructure Kind = "structure" // of the file system: without it files may not be found
	OfNothing   Kind = "free"      // no file and no structure of this view lies there
)

// MaxPlaces is the most places that Attribute gives.
const MaxPlaces = 1000

// Place is a file or structure that a sector is part of.
type Place struct {
	Path   string // "" for a structure of the whole volume
	Offset int64  // in the file, of the sector's first byte; negative if the file begins later in the sector; 0 for structure
}

// Attribute says what the sector at lba is part of. Files that share their blocks
// (hard links, contents that were recorded once) are all given, at most MaxPlaces,
// in no order of meaning. A sector that holds a file's bytes and structure (UDF
// records short files inside their entries) is a file's. Places of structure carry
// the path of the directory or file that they describe.
func (t *Tree) Attribute(lba int64) (Kind, []Place) {
	kind, places := OfNothing, []Place(nil)
	t.index.find(lba, func(s *span) bool {
		switch {
		case s.structure && kind == OfFile:
			return true
		case s.structure:
			kind = OfStructure
			places = append(places, Place{Path: s.path})
		case kind != OfFile:
			kind = OfFile
			places = places[:0]
			fallthrough
		default:
			places = append(places, Place{Path: s.path, Offset: s.offset + (lba-s.start)*SectorSize})
		}
		// Structure goes on being looked through for a file behind it.
		return len(places) < MaxPlaces || kind == OfStructure && len(places) < 10*MaxPlaces
	})
	return kind, places[:min(len(places), MaxPlaces)]
}

// span is a run of sectors from start to before end.
type span struct {
	start, end int64
	offset     int64
	path       string
	structure  bool
}

// index finds the spans over a sector: spans by their start, seen as a balanced
// tree whose root is the middle, and for each the greatest end below it.
type index struct {
	spans []span
	last  []int64
}

func newIndex(spans []span) *index {
	slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(a.start, b.start) })
	x := &index{spans: spans, last: make([]int64, len(spans))}
	x.fill(0, len(spans))
	return x
}

func (x *index) fill(lo, hi int) int64 {
	if lo >= hi {
		return -1
	}
	mid := (lo + hi) / 2
	x.last[mid] = max(x.spans[mid].end, x.fill(lo, mid), x.fill(mid+1, hi))
	return x.last[mid]
}

// find calls f for each span over lba, until it says false.
func (x *index) find(lba int64, f func(*span) bool) {
	hi := sort.Search(len(x.spans), func(i int) bool { return x.spans[i].start > lba })
	x.below(0, len(x.spans), hi, lba, f)
}

func (x *index) below(lo, hi, cut int, lba int64, f func(*span) bool) bool {
	if lo >= hi || lo >= cut {
		return true
	}
	mid := (lo + hi) / 2
	if x.last[mid] <= lba {
		return true
	}
	if !x.below(lo, mid, cut, lba, f) {
		return false
	}
	if mid < cut && lba < x.spans[mid].end && !f(&x.spans[mid]) {
		return false
	}
	return x.below(mid+1, hi, cut, lba, f)
}
