package register

import (
	"slices"
	"strings"

	"firmus/fixity/expr"
)

var (
	apart   = expr.Once(`[,;/&+\n]| and `)
	twinned = expr.Once(`^(.+?)[ _-]?([ABab])$`)
	// medium are words before a disc's number.
	medium = expr.Once(`(?i)^(?:cd-?r?|dvd-?r?|discs?|no\.?)[ .:#-]+`)
)

// namedDisc is a disc as a row names it.
type namedDisc struct{ number, twin string }

// discsOf are the discs that a cell names: "0759, 0760", "CD 759 A+B".
func discsOf(text string) (out []namedDisc) {
	for _, x := range apart().Split(text, -1) {
		x = strings.TrimSpace(medium().ReplaceAllString(strings.Join(strings.Fields(x), " "), ""))
		v := strings.ToLower(x)
		switch {
		case nothing[v] || not[v] && v != "0" || did[v] && v != "1":
		case len(out) > 0 && (v == "a" || v == "b"): // of 759 A+B
			n := out[len(out)-1].number
			if m := twinned().FindStringSubmatch(n); m != nil {
				n = m[1]
			}
			out = append(out, namedDisc{n, strings.ToUpper(x)})
		default:
			out = append(out, namedDisc{number: x})
		}
	}
	return out
}

// shelf finds discs by their numbers.
type shelf struct {
	discs                 map[string][]int // by number
	loose, zeroless, tail map[string]string
}

func (t *tier) shelf() shelf {
	s := shelf{map[string][]int{}, map[string]string{}, map[string]string{}, map[string]string{}}
	for i, d := range t.known.Discs {
		s.discs[d.Number] = append(s.discs[d.Number], i)
		several(s.loose, loosely(d.Number), d.Number)
		several(s.zeroless, withoutZeros(d.Number), d.Number)
		if n := lastNumber(d.Number); n != "" {
			several(s.tail, n, d.Number)
		}
	}
	return s
}

// find gives the number as the list of discs has it, and the twin if the row says it.
func (s shelf) find(n namedDisc) (namedDisc, bool) {
	if x, ok := s.number(n.number); ok {
		return namedDisc{x, n.twin}, true
	}
	if m := twinned().FindStringSubmatch(n.number); m != nil {
		if x, ok := s.number(m[1]); ok {
			return namedDisc{x, strings.ToUpper(m[2])}, true
		}
	}
	return n, false
}

func (s shelf) number(n string) (string, bool) {
	if _, ok := s.discs[n]; ok {
		return n, true
	}
	z := withoutZeros(n)
	for _, x := range []string{s.loose[loosely(n)], s.zeroless[z]} {
		if x != "" && x != "-" {
			return x, true
		}
	}
	if x := s.tail[z]; isDigits(z) && x != "" && x != "-" {
		return x, true
	}
	return "", false
}

// discs compares the discs that rows name with the list of discs.
func (t *tier) discs() {
	s := t.shelf()
	ids := map[int64]int{}
	for i, f := range t.known.Files {
		ids[f.ID] = i
	}
	named := map[string]bool{}
	anyNamed := false
	type side struct {
		first *line
		on    map[namedDisc]bool
	}
	sides := map[group]*side{}
	var order []group
	for _, l := range t.lines {
		names := discsOf(l.row.Text(Disc))
		if len(names) == 0 {
			continue
		}
		anyNamed = true
		g := group{reel: l.reel, side: l.Side}
		if sides[g] == nil {
			sides[g], order = &side{l, map[namedDisc]bool{}}, append(order, g)
		}
		for _, n := range names {
			found, ok := s.find(n)
			sides[g].on[found] = true
			if !ok {
				if len(t.known.Discs) > 0 {
					t.say(l, Disc, RuleDisc, UnknownDisc, n.number)
				}
				continue
			}
			named[found.number] = true
			if other := t.holdsOther(s.discs[found.number], ids, l.reel); len(other) > 0 {
				t.say(l, Disc, RuleDisc, OthersDisc, l.what(), found.number, other)
			}
		}
	}
	if !anyNamed {
		return
	}
	t.unnamedDiscs(named, ids)
	for _, g := range order {
		x := sides[g]
		on := map[string]bool{}
		for n := range x.on {
			twins := s.discs[n.number]
			if n.twin != "" || len(twins) == 0 {
				on[n.number+"\x00"+n.twin] = true
				continue
			}
			for _, i := range twins {
				on[n.number+"\x00"+t.known.Discs[i].Twin] = true
			}
		}
		if want := t.settings.DiscsASide; len(on) < want {
			t.say(x.first, Disc, RuleFewDiscs, FewDiscs, len(on), about{g.reel.name, g.side, ""}, want)
		}
	}
}

// holdsOther names the items of discs that hold nothing of the reel.
func (t *tier) holdsOther(discs []int, ids map[int64]int, r *reel) []string {
	var items []string
	for _, d := range discs {
		for _, id := range t.known.Discs[d].Files {
			i, ok := ids[id]
			if !ok {
				continue
			}
			item := t.known.Files[i].Item
			if item == r.name {
				return nil
			}
			if !slices.Contains(items, item) && len(items) < 3 {
				items = append(items, item)
			}
		}
	}
	return items
}

// unnamedDiscs are those of the list that no row names, though their reel has rows.
func (t *tier) unnamedDiscs(named map[string]bool, ids map[int64]int) {
	rows := map[string][]*line{}
	for _, l := range t.lines {
		rows[l.Item] = append(rows[l.Item], l)
	}
	for _, d := range t.known.Discs {
		if named[d.Number] {
			continue
		}
		named[d.Number] = true
		var at *line
		var what about
		for _, id := range d.Files {
			i, ok := ids[id]
			if !ok {
				continue
			}
			f := t.known.Files[i]
			for _, l := range rows[f.Item] {
				if at == nil || at.Side != sideOf(f.Side) && l.Side == sideOf(f.Side) {
					at, what = l, about{f.Item, sideOf(f.Side), ""}
				}
			}
			if at != nil {
				break
			}
		}
		if at != nil {
			t.say(at, Disc, RuleDisc, UnnamedDisc, d.Number, what)
		}
	}
}
