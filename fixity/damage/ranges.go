package damage

import "firmus/fixity"

// gatherer builds ranges from pieces that come in ascending order. Memory is
// bounded: past fixity.MaxRanges it counts only.
type gatherer struct {
	gap     int64 // pieces with fewer bytes than this between them are one range; 1: those that touch
	from    int64 // the open range, [from, to); empty if from == to
	to      int64
	covered int64 // bytes in all ranges that were closed
	ranges  []fixity.Range
	more    bool
}

// add takes a piece, which isn't empty.
func (g *gatherer) add(from, to int64) {
	if g.from == g.to || from-g.to >= g.gap {
		g.close()
		g.from = from
	}
	g.to = to
}

func (g *gatherer) close() {
	if g.from == g.to {
		return
	}
	g.covered += g.to - g.from
	if len(g.ranges) < fixity.MaxRanges {
		g.ranges = append(g.ranges, fixity.Range{Offset: g.from, Length: g.to - g.from})
	} else {
		g.more = true
	}
	g.from, g.to = 0, 0
}
