package sheets

import (
	"slices"
	"strings"
)

// Ring is half a ring of the drawing.
type Ring = ring

// Geometry is where sectors lie on a disc.
type Geometry struct{ g geometry }

// Geometries by name, and the one that a sheet is drawn with.
func CDOf(sectors int64) Geometry { return Geometry{cd(sectors)} }
func DVDOne() Geometry            { return Geometry{dvd()} }

func (s CheckSheet) Drawn() (g Geometry, note string, ok bool) {
	x, note, ok := s.geometryOf()
	return Geometry{x}, note, ok
}

func (g Geometry) Name() string             { return g.g.name }
func (g Geometry) Fits() int64              { return g.g.fits() }
func (g Geometry) Radius(lba int64) float64 { return g.g.radius(lba) }
func (g Geometry) Doubt(last int64) int     { return g.g.doubt(last) }

// Rings are those that a sheet is drawn with.
func (s CheckSheet) Rings(g Geometry) []Ring { return s.rings(g.g) }

// Strip is the surface for a terminal, by the letters that stand beside the drawn disc.
func (s CheckSheet) Strip() (string, int64) {
	line, each := s.strip()
	signs := strings.Map(func(r rune) rune {
		return rune(looks[slices.IndexFunc(looks, func(l look) bool { return l.line == r })].sign)
	}, line)
	return signs, each
}

// Sentences are the verdict, and what stands below it.
func (s CheckSheet) Sentences() (main string, more []string) {
	main, lines := s.verdict()
	for _, l := range lines {
		more = append(more, l.text())
	}
	return main, more
}

// Sectors is what a file takes on a disc of the kind.
func (f BurnFile) Sectors(kind string) int64 { return f.sectors(kind) }

// Columns is how wide a text is on a terminal.
func Columns(s string) int { return columns(s) }

// Sign is the mark of a ring.
func (r ring) Sign() string { return string(lookOf(r.State).sign) }
