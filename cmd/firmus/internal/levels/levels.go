// Package levels says which of the NDSA Levels of Digital Preservation (version 2.0, October
// 2019) an archive keeps, cell by cell. It is pure: what the ledger shows, and what people
// stated, go in.
//
// The matrix has five areas with four levels each; a cell has one point or several, named here
// in our own words and in the matrix's order. A point is shown by the ledger's figures, or
// stated by a named person with a day, or both are asked for. No point is kept by what the
// configuration says alone: a store counts for the files that a reading showed to be intact
// there, and for no others. A level is reached if its cell and those of all lower levels are
// kept.
package levels

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Area is a row of the matrix.
type Area string

// The areas.
const (
	Storage   Area = "storage"
	Integrity Area = "integrity"
	Control   Area = "control"
	Metadata  Area = "metadata"
	Content   Area = "content"
)

// Areas are all, in the matrix's order.
var Areas = []Area{Storage, Integrity, Control, Metadata, Content}

// Highest is the highest level of each area.
const Highest = 4

// Point is one demand of a cell.
type Point struct {
	Code  string
	Area  Area
	Level int
	Words string // what is asked for
	// shows says whether the ledger shows it, and by what; nil: the ledger can't.
	shows func(Facts) shown
	// stated says that a person's statement is asked for: in the place of figures where shows
	// is nil, else besides them.
	stated bool
}

// Computed says that the ledger's figures are asked for, Stated that a statement is.
func (p Point) Computed() bool { return p.shows != nil }
func (p Point) Stated() bool   { return p.stated }

// MayBeStated says that a statement stands in for figures while nothing has happened that
// could show it.
func (p Point) MayBeStated() bool { return p.shows != nil && p.shows(Facts{}).silent }

// shown is what the ledger shows of a point.
type shown struct {
	ok  bool
	why string
	// silent says that nothing has happened by which the ledger could show it: a statement
	// stands in its place.
	silent bool
}

// Statement is what a person stated of a point, and didn't withdraw.
type Statement struct {
	ID    int64
	Point string
	Day   string // since which
	Words string
	By    string
	At    time.Time
}

// Result is how an archive stands.
type Result struct {
	Levels map[Area]int
	Cells  []Cell
}

// Cell is a cell of the matrix as it is kept.
type Cell struct {
	Area   Area
	Level  int
	Kept   bool
	Points []Kept
}

// Kept is a point as it is kept, and by what that is known.
type Kept struct {
	Point
	Kept      bool
	Figures   string // what the ledger shows; "" where it can't
	Statement *Statement
	Lacks     string // what is lacking; "" if it is kept
}

// Judge says which cells are kept, and which levels are reached.
func Judge(f Facts, said []Statement) Result {
	r := Result{Levels: map[Area]int{}}
	for _, a := range Areas {
		reached := true
		for level := 1; level <= Highest; level++ {
			c := Cell{Area: a, Level: level, Kept: true}
			for _, p := range Points {
				if p.Area != a || p.Level != level {
					continue
				}
				k := judge(p, f, said)
				c.Kept = c.Kept && k.Kept
				c.Points = append(c.Points, k)
			}
			r.Cells = append(r.Cells, c)
			if reached = reached && c.Kept; reached {
				r.Levels[a] = level
			}
		}
		r.Levels[a] += 0 // an area without a level is there, too
	}
	return r
}

func judge(p Point, f Facts, said []Statement) Kept {
	k := Kept{Point: p, Kept: true}
	for i := range said {
		if said[i].Point == p.Code { // the newest stands for the others
			k.Statement = &said[i]
		}
	}
	wants := p.stated
	if p.shows != nil {
		s := p.shows(f)
		k.Figures = s.why
		switch {
		case s.ok:
		case s.silent:
			wants = true
		default:
			k.Kept, k.Lacks = false, "the ledger doesn't show it"
		}
	}
	if wants && k.Statement == nil {
		k.Kept = false
		if k.Lacks != "" {
			k.Lacks += ", and nobody has stated it"
		} else {
			k.Lacks = "nobody has stated it"
		}
	}
	return k
}

// Find is a point by its code.
func Find(code string) (Point, bool) {
	i := slices.IndexFunc(Points, func(p Point) bool { return p.Code == code })
	if i < 0 {
		return Point{}, false
	}
	return Points[i], true
}

// Evidence is what a cell rests on, in sentences.
func (c Cell) Evidence() string {
	var out []string
	for _, p := range c.Points {
		out = append(out, p.Evidence())
	}
	return strings.Join(out, " ")
}

// Evidence is what a point rests on, or lacks.
func (k Kept) Evidence() string {
	text := strings.ToUpper(k.Words[:1]) + k.Words[1:] + ": "
	var parts []string
	if k.Figures != "" {
		parts = append(parts, k.Figures)
	}
	if s := k.Statement; s != nil {
		parts = append(parts, fmt.Sprintf("stated by %s for %s: %s", s.By, s.Day, strings.TrimRight(s.Words, ". ")))
	}
	if k.Lacks != "" {
		parts = append(parts, "not kept, "+k.Lacks)
	}
	return text + strings.Join(parts, "; ") + "."
}
