package sheets

import (
	"fmt"
	"math"
	"strings"

	"firmus/replicas/optical"
)

// geometry says where on a disc a sector lies. The track is a spiral from the inner
// edge outwards whose turns lie a fixed pitch apart, and sectors are of one length
// along it (constant linear velocity). So the area, and with it the square of the
// radius, grows by the same amount with every sector.
type geometry struct {
	name         string  // "CD" or "DVD"
	inner, outer float64 // radii of where data may lie, in mm
	perSector    float64 // mm² of radius squared
	low, high    float64 // the least and the most that the standard allows, as parts of perSector
	source       string
}

// Lengths in mm.
const (
	// ECMA-130 (IEC 60908 has the same figures): program area from a
	// diameter of 50 to 116 mm at most, pitch 1.6 µm give or take 0.1, scanning
	// velocity 1.20 to 1.40 m/s, here the slowest, with which a disc holds 74 minutes.
	cdInner, cdOuter = 25.0, 58.0
	cdPitch          = 1.6e-3
	cdSector         = 1200.0 / audioSectors
	// A blank of 80 minutes has its 360,000 sectors in the same area, with both at
	// the lower end of what is allowed.
	cd80 = 80 * 60 * audioSectors

	// ECMA-267: data zone from a diameter of 48 to 116 mm at most,
	// pitch 0.74 µm, channel bits of 133.3 nm on a disc of one layer; a sector is 26 sync frames of 1488 channel bits.
	dvdInner, dvdOuter = 24.0, 58.0
	dvdPitch           = 0.74e-3
	dvdBits            = 26 * 1488
	dvdBit             = 133.3e-6

	dvdLayer    = 2298496 // the most that one layer holds: ECMA-359
	dvdLayerTwo = 2086912 // the most that each of two holds: ECMA-364, ECMA-382
)

func cd(sectors int64) geometry {
	g := geometry{name: "CD", inner: cdInner, outer: cdOuter, perSector: cdPitch * cdSector / math.Pi, source: "ECMA-130"}
	g.low, g.high = 1.5/1.6, 1.7*1.4/(1.6*1.2)
	if fit := g.fits(); sectors > fit {
		g.perSector = (cdOuter*cdOuter - cdInner*cdInner) / float64(max(sectors, cd80))
		g.low, g.high = 1, 1
		if sectors <= cd80 {
			g.low, g.high = 1, float64(cd80)/float64(sectors)
		}
	}
	return g
}

func dvd() geometry {
	return geometry{name: "DVD", inner: dvdInner, outer: dvdOuter, perSector: dvdPitch * dvdBits * dvdBit / math.Pi, low: 0.976, high: 1.024, source: "ECMA-267"}
}

// fits is how many sectors a layer holds.
func (g geometry) fits() int64 {
	return int64((g.outer*g.outer - g.inner*g.inner) / g.perSector)
}

// radius is where a sector begins, in mm from the centre.
func (g geometry) radius(lba int64) float64 {
	return min(math.Sqrt(g.inner*g.inner+g.perSector*float64(max(lba, 0))), g.outer)
}

// doubt is by how many mm the radius of the last sector may be another: pitch and
// velocity aren't known of a disc, but it ends within outer.
func (g geometry) doubt(last int64) int {
	most, r := 0.0, g.radius(last)
	for _, f := range []float64{g.low, g.high} {
		o := g
		o.perSector *= f
		most = max(most, math.Abs(o.radius(last)-r))
	}
	return max(int(math.Ceil(most)), 1)
}

// geometryOf chooses the disc to draw. taken says why where it isn't known what the
// disc is, and is empty else. There is none, and why is said, for a disc whose places
// can't be told.
func (s CheckSheet) geometryOf() (g geometry, taken string, ok bool) {
	n := s.About.LeadOut
	switch {
	case strings.HasPrefix(s.About.Medium, "CD"), s.About.Medium == "" && s.About.Kind != optical.Data:
		return cd(n), "", true
	case strings.HasPrefix(s.About.Medium, "DVD"):
	case s.About.Medium != "":
		return g, fmt.Sprintf("No disc is drawn: where the sectors of a %s lie isn't known here.", clean(s.About.Medium)), false
	case n <= cd80:
		return cd(n), "What kind of disc it is isn't known: it is drawn as a CD.", true
	default:
		taken = "What kind of disc it is isn't known: it is drawn as a DVD."
	}
	if n <= dvdLayer {
		return dvd(), taken, true
	}
	if n > 2*dvdLayerTwo {
		return g, "No disc is drawn: it has more sectors than a DVD holds.", false
	}
	return g, "No disc is drawn: it has two layers, and where the second begins isn't known. The strip isn't to scale: half of it or so lies above the other half on the disc.", false
}
