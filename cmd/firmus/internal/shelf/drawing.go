package shelf

import (
	"fmt"
	"math"
	"strings"

	"firmus/cmd/firmus/internal/report"
)

// drawing is the surface ready to be shown: a strip for a terminal, and half a disc
// (two halves where there are two layers) or a strip in SVG.
type drawing struct {
	Signs string // the strip
	Each  int64  // sectors a sign
	From  string // what lies left of the strip
	To    string
	Keys  []key
	Notes []string
	Head  string // which disc and when, on paper: the picture may be on a page of its own
	Alt   string // the same in words

	// The drawing's own; Disc is false where only the strip can be drawn.
	Disc         bool
	Box          string // viewBox, in mm
	W, H         string // mm, as it is printed
	Rings, Marks []shape
	Edges, Ticks []shape
	Cells        []shape
}

// shape is a path or a text of the SVG.
type shape struct {
	D           string // a path's
	Class       string
	X, Y        string
	Text        string
	X1, X2      string
	Y1, Y2      string
	Width, High string
}

// draw makes the picture, nil if nothing was read.
func (s CheckSheet) draw() *drawing {
	signs, each := s.strip()
	if signs == "" {
		return nil
	}
	d := &drawing{Signs: signs, Each: each, From: "inner edge", To: "outer edge"}
	g, taken, ok := s.geometryOf()
	if !ok || g.turn > 0 {
		d.From, d.To = "first", "last"
	}
	d.Head = strings.TrimSpace("Surface of the disc " + clean(s.Number))
	if !s.Begun.IsZero() {
		d.Head += ", read " + day(s.Begun)
	}
	if taken != "" {
		d.Notes = append(d.Notes, taken)
	}
	if ok {
		d.disc(s, g)
	} else {
		d.bar(s)
	}
	return d
}

const (
	rim  = 60.0 // mm: the disc's edge
	hole = 7.5
)

func (d *drawing) disc(s CheckSheet, g geometry) {
	rings := s.rings(g)
	d.Disc, d.Keys = true, s.keys(g, rings)
	var fewest, most int64 = math.MaxInt64, 0
	for _, r := range rings {
		d.Rings = append(d.Rings, shape{D: half(r.In, r.Out, r.Below), Class: lookOf(r.State).class})
		if r.Out-r.In > 0.99 {
			fewest, most = min(fewest, r.Sectors), max(most, r.Sectors)
		}
	}
	d.Edges = []shape{{D: half(hole, rim, false), Class: "disc"}}
	low := 9.0
	if g.turn > 0 {
		d.Edges = append(d.Edges, shape{D: half(hole, rim, true), Class: "disc"})
		low = rim
	}
	for _, r := range []float64{g.inner, g.outer} {
		d.Edges = append(d.Edges, shape{D: arc(r, false), Class: "edge"})
		if g.turn > 0 {
			d.Edges = append(d.Edges, shape{D: arc(r, true), Class: "edge"})
		}
	}
	d.letters(rings)
	if g.turn == 0 {
		d.ruler(g)
	}
	top := rim + 1
	if g.turn > 0 {
		d.Box = fmt.Sprintf("%.1f %.1f %.1f %.1f", -rim-6, -top, 2*rim+12, 2*top)
		d.W, d.H = fmt.Sprintf("%.0fmm", 2*rim+12), fmt.Sprintf("%.0fmm", 2*top)
	} else {
		d.Box = fmt.Sprintf("%.1f %.1f %.1f %.1f", -rim-1, -top, 2*rim+2, top+low)
		d.W, d.H = fmt.Sprintf("%.0fmm", 2*rim+2), fmt.Sprintf("%.0fmm", top+low)
	}

	if g.turn > 0 {
		d.Notes = append(d.Notes, "The disc has two layers. The upper half of the drawing is the first, which begins at the inner edge; the lower half is the second, which begins where the first ends and is read inwards. On the disc one lies above the other, all round.")
	} else {
		d.Notes = append(d.Notes, "Half of the disc is drawn, in its true size when printed at 100 %. The sectors begin at the inner edge; beyond the last ring nothing is recorded.")
	}
	many := ""
	if most > 0 {
		many = fmt.Sprintf(", here %s to %s sectors", report.Number(fewest), report.Number(most))
		if fewest == most {
			many = fmt.Sprintf(", here %s sectors", report.Number(most))
		}
	}
	d.Notes = append(d.Notes,
		fmt.Sprintf("Each ring stands for 1 mm%s, and is marked with the worst that is in it: a single bad sector marks a whole ring, all round, though it may be on one side only.", many),
		fmt.Sprintf("Radii are from the centre, worked out with constant linear velocity (%s); on this disc they may lie up to %d mm elsewhere.", g.source, g.doubt(s.LeadOut)))
	last := s.LeadOut
	if g.turn > 0 {
		last = min(last, g.turn)
	}
	d.Alt = d.words(fmt.Sprintf("Surface of the disc, drawn as half a %s from the inner edge, at %.0f mm from the centre, outwards to %.1f mm.", g.name, g.inner, g.radius(last)))
}

// words say what the drawing shows.
func (d *drawing) words(first string) string {
	var b strings.Builder
	b.WriteString(first)
	for _, k := range d.Keys {
		fmt.Fprintf(&b, " %s %s", k.Sectors, k.Words)
		if k.Where != "" {
			b.WriteString(", " + k.Where)
		}
		b.WriteByte('.')
	}
	return b.String()
}

// letters name rings that aren't as they should be, where they are cut: one for all
// that lie together.
func (d *drawing) letters(rings []ring) {
	type group struct {
		in, out float64
		r       ring
	}
	var gs []group
	for _, r := range rings {
		if lookOf(r.State).sign == '-' || r.State == Outside {
			continue
		}
		if n := len(gs); n > 0 && gs[n-1].r.State == r.State && gs[n-1].r.Below == r.Below && (math.Abs(gs[n-1].out-r.In) < 0.01 || math.Abs(gs[n-1].in-r.Out) < 0.01) {
			gs[n-1].in, gs[n-1].out = min(gs[n-1].in, r.In), max(gs[n-1].out, r.Out)
			continue
		}
		gs = append(gs, group{r.In, r.Out, r})
	}
	// Letters that would touch stand in three rows, so that each can be read.
	for i, g := range gs {
		x := -(g.in + g.out) / 2
		y, from, to := 3.2+2.4*float64(i%3), 0.2, 1.1+2.4*float64(i%3)
		if g.r.Below { // on the other side of the cut, at its other end
			x, y, from, to = -x, 2.1-y, -from, -to
		}
		d.Marks = append(d.Marks, shape{
			X: mm(x), Y: mm(y), Text: string(lookOf(g.r.State).sign),
			X1: mm(x), X2: mm(x), Y1: mm(from), Y2: mm(to),
		})
	}
}

// ruler marks radii on the right.
func (d *drawing) ruler(g geometry) {
	for _, r := range []float64{g.inner, 30, 35, 40, 45, 50, g.outer} {
		d.Ticks = append(d.Ticks, shape{X: mm(r), Y: "4.4", Text: fmt.Sprintf("%.0f", r), X1: mm(r), X2: mm(r), Y1: "0", Y2: "1.5"})
	}
	d.Ticks = append(d.Ticks, shape{X: "0", Y: "4.4", Text: "mm from the centre"})
}

// bar draws the strip, for a disc whose places can't be told.
func (d *drawing) bar(s CheckSheet) {
	d.Keys = s.keys(geometry{}, nil)
	d.Box, d.W, d.H = "0 0 120 12", "120mm", "12mm"
	each := 120.0 / float64(len(d.Signs))
	ends := make([]int64, len(d.Signs))
	for i := range ends {
		ends[i] = int64(i+1) * d.Each
	}
	for i, st := range s.worst(ends) {
		l, x := lookOf(st), float64(i)*each
		d.Cells = append(d.Cells, shape{X: mm(x), Y: "0", Width: mm(each), High: "8", Class: l.class})
		if l.sign != '-' && l.sign != ' ' {
			d.Marks = append(d.Marks, shape{X: mm(x + each/2), Y: "11.4", Text: string(l.sign), X1: mm(x + each/2), X2: mm(x + each/2), Y1: "8", Y2: "9"})
		}
	}
	d.Notes = append(d.Notes, fmt.Sprintf("The first sector is left. Each field stands for %s and is marked with the worst that is in it.", report.Count(d.Each, "sector")))
	d.Alt = d.words("Sectors of the disc as a strip, the first left.")
}

// half is the upper or lower half of a ring as a path.
func half(in, out float64, below bool) string {
	outward, inward := 1, 0
	if below {
		outward, inward = 0, 1
	}
	return fmt.Sprintf("M%s 0A%s %s 0 0 %d %s 0H%sA%s %s 0 0 %d %s 0Z",
		mm(-out), mm(out), mm(out), outward, mm(out), mm(in), mm(in), mm(in), inward, mm(-in))
}

func arc(r float64, below bool) string {
	way := 1
	if below {
		way = 0
	}
	return fmt.Sprintf("M%s 0A%s %s 0 0 %d %s 0", mm(-r), mm(r), mm(r), way, mm(r))
}

func mm(x float64) string {
	s := strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", x), "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

// text writes the strip and its legend.
func (d *drawing) text(b *strings.Builder) {
	fmt.Fprintf(b, "%s%s [%s] %s\n", pad("Surface", labelWidth), d.From, d.Signs, d.To)
	indent := strings.Repeat(" ", labelWidth)
	wrapped(b, indent, indent, fmt.Sprintf("Each sign stands for %s, and shows the worst of them.", report.Count(d.Each, "sector")))
	for _, k := range d.Keys {
		l := fmt.Sprintf("%s  %s: %s", k.Sign, k.Words, k.Sectors)
		if k.Where != "" {
			l += ", " + k.Where
		}
		wrapped(b, indent, indent+"   ", l)
	}
}
