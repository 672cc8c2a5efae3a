package sheets

import (
	"bytes"
	"fmt"
	"html/template"
	"math"
	"strings"
	"unicode/utf8"

	"firmus/fixity"
)

// drawing is the surface ready to be shown: a strip for a terminal, and half a disc or a
// strip in SVG.
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
	Style        template.CSS // of a picture that stands alone; "" on the sheet, which has it
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

// Surface is the picture alone, as an SVG that needs no other file, and the same in words; nil
// if nothing was read. style is all of the style in it.
func (s CheckSheet) Surface() (svg []byte, style, words string, err error) {
	d := s.draw()
	if d == nil {
		return nil, "", "", nil
	}
	for line := range strings.Lines(sheetText) {
		if rule, ok := strings.CutPrefix(line, "svg "); ok { // the sheet's own rules for pictures
			style += strings.TrimSpace(rule)
		}
	}
	d.Style = template.CSS(style)
	var b bytes.Buffer
	err = sheetPage().ExecuteTemplate(&b, "picture", d)
	return b.Bytes(), style, d.Alt, err
}

// draw makes the picture, nil if nothing was read.
func (s CheckSheet) draw() *drawing {
	signs, each := s.strip()
	if signs == "" {
		return nil
	}
	d := &drawing{Signs: signs, Each: each, From: "inner edge", To: "outer edge"}
	g, taken, ok := s.geometryOf()
	if !ok {
		d.From, d.To = "first", "last"
	}
	d.Head = strings.TrimSpace("Surface of the disc " + clean(s.number()))
	if !s.Row.Began.IsZero() {
		d.Head += ", read " + day(s.Row.Began)
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
		d.ring(r)
		if r.Out-r.In > 0.99 {
			fewest, most = min(fewest, r.Sectors), max(most, r.Sectors)
		}
	}
	d.Edges = []shape{{D: half(hole, rim), Class: "disc"}}
	for _, r := range []float64{g.inner, g.outer} {
		d.Edges = append(d.Edges, shape{D: arc(r), Class: "edge"})
	}
	d.letters(rings)
	d.ruler(g)
	const top, low = rim + 1, 9.0
	d.Box = fmt.Sprintf("%.1f %.1f %.1f %.1f", -rim-1, -top, 2*rim+2, top+low)
	d.W, d.H = fmt.Sprintf("%.0fmm", 2*rim+2), fmt.Sprintf("%.0fmm", top+low)
	d.Notes = append(d.Notes, "Half of the disc is drawn, in its true size when printed at 100 %. The sectors begin at the inner edge; beyond the last ring nothing is recorded.")
	many := ""
	if most > 0 {
		many = fmt.Sprintf(", here %s to %s sectors", fixity.Number(fewest), fixity.Number(most))
		if fewest == most {
			many = fmt.Sprintf(", here %s sectors", fixity.Number(most))
		}
	}
	d.Notes = append(d.Notes,
		fmt.Sprintf("Each ring stands for 1 mm%s. A mark on a ring is as long as its share of the ring's sectors is, and at least long enough to be seen. It stands at the left; where on the ring the sectors lie isn't known.", many),
		fmt.Sprintf("Radii are from the centre, worked out with constant linear velocity (%s); on this disc they may lie up to %d mm elsewhere.", g.source, g.doubt(s.About.LeadOut)))
	d.Alt = d.words(fmt.Sprintf("Surface of the disc, drawn as half a %s from the inner edge, at %.0f mm from the centre, outwards to %.1f mm.", g.name, g.inner, g.radius(s.About.LeadOut)))
}

// leastArc is how long a mark is drawn at least, in degrees: it must be seen.
const leastArc = 3.0

// ring draws a ring in what most of it is, and on it each other mark, the worst first
// from the left: as long as its share of the ring is.
func (d *drawing) ring(r ring) {
	ground := outside
	for m, n := range r.by {
		if n > r.by[ground] {
			ground = mark(m)
		}
	}
	d.Rings = append(d.Rings, shape{D: half(r.In, r.Out), Class: lookOf(ground).class})
	at := 0.0
	for m := unreadable; m > outside; m-- {
		if r.by[m] == 0 || m == ground {
			continue
		}
		end := min(at+max(180*float64(r.by[m])/float64(r.Sectors), leastArc), 180)
		d.Rings = append(d.Rings, shape{D: piece(r.In, r.Out, at, end), Class: lookOf(m).class})
		at = end
	}
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
	var gs []ring
	for _, r := range rings {
		if r.State <= atOnce {
			continue
		}
		if n := len(gs); n > 0 && gs[n-1].State == r.State && math.Abs(gs[n-1].Out-r.In) < 0.01 {
			gs[n-1].Out = r.Out
			continue
		}
		gs = append(gs, r)
	}
	// Letters that would touch stand in three rows, so that each can be read.
	for i, g := range gs {
		x := -(g.In + g.Out) / 2
		d.Marks = append(d.Marks, shape{
			X: mm(x), Y: mm(3.2 + 2.4*float64(i%3)), Text: string(lookOf(g.State).sign),
			X1: mm(x), X2: mm(x), Y1: "0.2", Y2: mm(1.1 + 2.4*float64(i%3)),
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
	n := utf8.RuneCountInString(d.Signs)
	each := 120.0 / float64(n)
	ends := make([]int64, n)
	for i := range ends {
		ends[i] = int64(i+1) * d.Each
	}
	for i, t := range s.parts(ends) {
		l, x := lookOf(t.worst()), float64(i)*each
		d.Cells = append(d.Cells, shape{X: mm(x), Y: "0", Width: mm(each), High: "8", Class: l.class})
		if l.sign != '-' && l.sign != ' ' {
			d.Marks = append(d.Marks, shape{X: mm(x + each/2), Y: "11.4", Text: string(l.sign), X1: mm(x + each/2), X2: mm(x + each/2), Y1: "8", Y2: "9"})
		}
	}
	d.Notes = append(d.Notes, fmt.Sprintf("The first sector is left. Each field stands for %s and is marked with the worst that is in it.", fixity.Count(d.Each, "sector")))
	d.Alt = d.words("Sectors of the disc as a strip, the first left.")
}

// half is the upper half of a ring as a path.
func half(in, out float64) string {
	return fmt.Sprintf("M%s 0A%s %s 0 0 1 %s 0H%sA%s %s 0 0 0 %s 0Z", mm(-out), mm(out), mm(out), mm(out), mm(in), mm(in), mm(in), mm(-in))
}

// piece is a part of a half ring, between angles in degrees from the left.
func piece(in, out, from, to float64) string {
	at := func(r, deg float64) string {
		sin, cos := math.Sincos(deg * math.Pi / 180)
		return mm(-r*cos) + " " + mm(-r*sin)
	}
	return fmt.Sprintf("M%sA%s %s 0 0 1 %sL%sA%s %s 0 0 0 %sZ", at(out, from), mm(out), mm(out), at(out, to), at(in, to), mm(in), mm(in), at(in, from))
}

func arc(r float64) string { return fmt.Sprintf("M%s 0A%s %s 0 0 1 %s 0", mm(-r), mm(r), mm(r), mm(r)) }

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
	wrapped(b, indent, indent, fmt.Sprintf("Each sign stands for %s, and shows the worst of them.", fixity.Count(d.Each, "sector")))
	for _, k := range d.Keys {
		l := fmt.Sprintf("%s  %s: %s", k.Line, k.Words, k.Sectors)
		if strings.TrimSpace(k.Line) == "" {
			l = fmt.Sprintf("a gap: %s: %s", k.Words, k.Sectors)
		}
		if k.Where != "" {
			l += ", " + k.Where
		}
		wrapped(b, indent, indent+"   ", l)
	}
}
