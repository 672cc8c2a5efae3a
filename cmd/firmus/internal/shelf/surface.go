package shelf

import (
	"fmt"
	"math"
	"strings"

	"firmus/cmd/firmus/internal/report"
)

// look is how a state is shown: by a letter and a pattern, and by colour as well.
type look struct {
	state RunState
	sign  byte   // in the strip of a terminal, and beside the disc
	class string // of the pattern
	words string
}

// looks are the states in the order of the legend.
var looks = []look{
	{RunAtOnce, '-', "once", "read at once"},
	{RunRetried, 't', "tries", "read after more tries"},
	{RunDoubtful, 'd', "doubt", "doubtful: the drive gave it and called it uncertain"},
	{RunDiffers, 'X', "differs", "differs: read well, and not what was burned"},
	{RunUnreadable, 'U', "unread", "unreadable"},
	{RunUntried, '?', "untried", "not read yet"},
	{Outside, ' ', "outside", "of no track"},
}

func lookOf(s RunState) look {
	for _, l := range looks {
		if l.state == s {
			return l
		}
	}
	return look{s, '?', "untried", "not known"}
}

// rank orders states by what must not be lost sight of.
func (s RunState) rank() int {
	switch s {
	case Outside:
		return 0
	case RunAtOnce:
		return 1
	case RunUntried:
		return 2
	case RunRetried:
		return 3
	case RunDoubtful:
		return 4
	case RunDiffers:
		return 5
	case RunUnreadable:
		return 6
	}
	return 2
}

// worst gives, for parts of the disc that follow each other from the sector 0 on and
// end before the sectors named in ends, the worst state in each. So no damaged place
// is too small to be seen; how much of the part it is isn't shown.
func (s CheckSheet) worst(ends []int64) []RunState {
	out := make([]RunState, len(ends))
	if len(ends) == 0 {
		return out
	}
	paint := func(lba, count int64, st RunState) {
		end := lba + count
		for i := after(ends, lba); count > 0 && i < len(ends); i++ {
			if st.rank() > out[i].rank() {
				out[i] = st
			}
			if ends[i] >= end {
				return
			}
		}
	}
	for _, r := range s.Runs {
		paint(r.LBA, r.Count, r.State)
	}
	for _, p := range s.DifferingAt {
		paint(p.LBA, p.Count, RunDiffers)
	}
	for _, p := range s.UnreadableAt {
		paint(p.LBA, p.Count, RunUnreadable)
	}
	return out
}

// after is the first part that ends behind the sector.
func after(ends []int64, lba int64) int {
	lo, hi := 0, len(ends)
	for lo < hi {
		if mid := (lo + hi) / 2; ends[mid] > lba {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// stripWidth is how many signs the strip for a terminal has.
const stripWidth = 52

// strip is the surface in one line: the first sector left, each sign the worst of as
// many sectors. It is empty if nothing was read.
func (s CheckSheet) strip() (signs string, each int64) {
	if s.LeadOut <= 0 || len(s.Runs) == 0 {
		return "", 0
	}
	each = ceil(s.LeadOut, stripWidth)
	ends := make([]int64, ceil(s.LeadOut, each))
	for i := range ends {
		ends[i] = int64(i+1) * each
	}
	var b strings.Builder
	for _, st := range s.worst(ends) {
		b.WriteByte(lookOf(st).sign)
	}
	return b.String(), each
}

// ring is half a ring of the drawing: 1 mm of one layer.
type ring struct {
	In, Out float64 // radii in mm
	State   RunState
	Below   bool // of the second layer
	Sectors int64
}

// rings are those of the surface, from the inner edge of the first layer to where the
// second ends.
func (s CheckSheet) rings(g geometry) []ring {
	var out []ring
	var ends []int64
	layer := func(from, to int64, below bool) {
		// From mm to mm; on the second layer inwards.
		a, b := g.radius(from), g.radius(to)
		step := 1.0
		if below {
			step = -1
		}
		for r, lba := a, from; lba < to; {
			next := r + step
			if (below && next <= b) || (!below && next >= b) {
				next = b
			}
			end := to
			if next != b {
				end = int64(math.Round((next*next - g.inner*g.inner) / g.perSector))
				if below {
					end = 2*g.turn - end
				}
				end = min(max(end, lba), to)
			}
			out = append(out, ring{In: min(r, next), Out: max(r, next), Below: below, Sectors: end - lba})
			ends = append(ends, end)
			r, lba = next, end
		}
	}
	first := s.LeadOut
	if g.turn > 0 {
		first = min(first, g.turn)
	}
	layer(0, first, false)
	if g.turn > 0 {
		layer(g.turn, s.LeadOut, true)
	}
	for i, st := range s.worst(ends) {
		out[i].State = st
	}
	// What is thinner than a line can be is drawn as wide as one.
	for i := range out {
		if w := out[i].Out - out[i].In; w < leastRing {
			out[i].Out = out[i].In + leastRing
		}
	}
	return out
}

const leastRing = 0.4 // mm

// key is a line of the legend.
type key struct {
	Sign    string
	Class   string
	Words   string
	Sectors string // how many
	Where   string // radii, "" where that tells nothing
}

// keys are the states that the surface shows, with how many sectors there are of each.
func (s CheckSheet) keys(g geometry, rings []ring) []key {
	count := map[RunState]int64{}
	for _, r := range s.Runs {
		count[r.State] += r.Count
	}
	var differs int64
	for _, p := range s.DifferingAt {
		differs += p.Count
	}
	if differs > 0 { // they are among those of the runs
		count[RunDiffers] = differs
	}
	var out []key
	for _, l := range looks {
		if count[l.state] == 0 {
			continue
		}
		k := key{Sign: string(l.sign), Class: l.class, Words: l.words, Sectors: report.Count(count[l.state], "sector")}
		if l.state.rank() > RunAtOnce.rank() && len(rings) > 0 {
			k.Where = whereabouts(rings, l.state, g.turn > 0)
		}
		out = append(out, k)
	}
	return out
}

// mostSpans is how many places a line of the legend names.
const mostSpans = 6

// whereabouts names the rings of a state by their radii: "at 31 to 32 mm from the
// centre".
func whereabouts(rings []ring, st RunState, two bool) string {
	var spans []ring
	for _, r := range rings {
		if r.State != st {
			continue
		}
		if n := len(spans); n > 0 && spans[n-1].Below == r.Below && (math.Abs(spans[n-1].Out-r.In) < 0.01 || math.Abs(spans[n-1].In-r.Out) < 0.01) {
			spans[n-1].In, spans[n-1].Out = min(spans[n-1].In, r.In), max(spans[n-1].Out, r.Out)
			continue
		}
		spans = append(spans, r)
	}
	var parts []string
	for i, r := range spans {
		if i == mostSpans {
			parts = append(parts, fmt.Sprintf("and %s more", report.Count(int64(len(spans)-i), "place")))
			break
		}
		p := fmt.Sprintf("%.0f to %.0f mm", math.Floor(r.In), math.Ceil(r.Out))
		switch {
		case two && r.Below:
			p += " (second layer)"
		case two:
			p += " (first layer)"
		}
		parts = append(parts, p)
	}
	if len(parts) == 0 {
		return "near worse places, which hide it here"
	}
	return "at " + strings.Join(parts, ", ") + " from the centre"
}
