package register

import (
	"cmp"
	"slices"
	"strings"
)

// carrier are the columns about the reel itself: what one row of it says is so of all its
// sides, unless they say otherwise.
var carrier = []Field{Base, Condition, Hazard, TreatedFrom, TreatedTo, PlayBy, Priority, Playable, Box}

// free are values of the column of restrictions that say plainly that there is none, as long
// as nobody has said what its values mean.
var free = map[string]bool{"no": true, "n": true, "none": true, "open": true, "free": true, "public": true, "unrestricted": true, "false": true, "not restricted": true}

// says is what the register adds to each side, by item and side.
func (t *tier) says() (out []Says) {
	seen := map[*reel]bool{}
	for _, l := range t.lines {
		if !seen[l.reel] {
			seen[l.reel] = true
			out = append(out, t.saysOf(l.reel)...)
		}
	}
	slices.SortStableFunc(out, func(a, b Says) int {
		return cmp.Or(cmp.Compare(a.Item, b.Item), cmp.Compare(a.Base, b.Base), cmp.Compare(a.Side, b.Side))
	})
	return out
}

func (t *tier) saysOf(r *reel) (out []Says) {
	var sides []string
	for _, l := range r.rows {
		if l.Side != "" && !slices.Contains(sides, l.Side) {
			sides = append(sides, l.Side)
		}
	}
	for s := range r.sides {
		if s != "" && !slices.Contains(sides, s) && slices.ContainsFunc(r.rows, func(l *line) bool { return l.Side == "" }) {
			sides = append(sides, s)
		}
	}
	if len(sides) == 0 {
		sides = []string{""}
	}
	all := map[Field]string{}
	for _, f := range carrier {
		all[f] = one(r.rows, f)
	}
	for _, side := range sides {
		var own, of []*line // rows of the side; with those of the whole reel
		for _, l := range r.rows {
			if l.Side == side {
				own = append(own, l)
			}
			if l.Side == side || l.Side == "" {
				of = append(of, l)
			}
		}
		text := func(f Field) string { return first(own, f, first(of, f, all[f])) }
		x := Says{Item: r.name, Side: side, Base: text(Base), Title: first(own, Title, first(of, Title, "")), Condition: text(Condition), Hazard: text(Hazard),
			TreatedFrom: text(TreatedFrom), TreatedTo: text(TreatedTo), PlayBy: text(PlayBy), Priority: text(Priority), Box: text(Box),
			Sheet: of[0].row.Sheet, Line: of[0].row.Line, ToTransfer: !r.there(side)}
		x.Playable, _ = t.settings.playable(text(Playable))
		for _, l := range of {
			if l.claims() {
				x.ToTransfer = false
			}
			if c, ok := l.row.Cells[Restricted]; ok && t.settings.restricted(c.Text) {
				x.Restricted = true
			}
			for _, d := range discsOf(l.row.Text(Disc)) {
				name := strings.TrimSpace(d.number + " " + d.twin)
				if !slices.Contains(x.Discs, name) {
					x.Discs = append(x.Discs, name)
				}
			}
		}
		for _, l := range own {
			if l.Track == "" && !l.Piece && !shared(r.rows, l) {
				x.Length, _ = ReadLength(l.row.Cells[Length])
				break
			}
		}
		out = append(out, x)
	}
	return out
}

// shared says that a row's length is merged with that of another side: whose it is isn't known.
func shared(ls []*line, l *line) bool {
	return l.over() != 0 && slices.ContainsFunc(ls, func(o *line) bool { return o.over() == l.over() && o.row.Sheet == l.row.Sheet && o.Side != l.Side })
}

// restricted says that a value restricts what its row is about.
func (s Settings) restricted(text string) bool {
	v := Word(text)
	if len(s.Restricted) == 0 {
		return !free[v]
	}
	is, said := s.Restricted[v]
	return v == "" || !said || is
}

// first is what the first row that says something in a column says.
func first(ls []*line, f Field, or string) string {
	for _, l := range ls {
		if v := strings.TrimSpace(l.row.Text(f)); v != "" {
			return v
		}
	}
	return or
}

// one is what all rows of a reel say in a column that isn't blank there; "" if they differ.
func one(ls []*line, f Field) string {
	out := ""
	for _, l := range ls {
		switch v := strings.TrimSpace(l.row.Text(f)); {
		case v == "" || v == out:
		case out == "":
			out = v
		default:
			return ""
		}
	}
	return out
}
