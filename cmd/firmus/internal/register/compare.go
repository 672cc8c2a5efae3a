package register

import (
	"cmp"
	"maps"
	"slices"
	"strings"
)

// Changes are how a register differs from an earlier one. Changed are rows of which cells
// differ, in the order in which they stand now.
type Changes struct {
	Added   []Row
	Deleted []Row
	Changed []Changed
	Moved   int // rows that are the same and stand in another order
	Torn    []Torn
	Filled  []Filled
}

// Changed is a row before and after, and what differs.
type Changed struct {
	Before, After Row
	Cells         []ChangedCell
}

// ChangedCell is a cell that differs. Field is blank if no field is mapped to its column;
// then Header is the column's words.
type ChangedCell struct {
	Field         Field
	Header        string
	Before, After string
}

// column is what a changed cell is of.
func (c ChangedCell) column() ofColumn { return ofColumn{c.Field, c.Header} }

type ofColumn struct {
	field  Field
	header string
}

// Torn says that values of columns stand in other rows than before: they were sorted without
// the rest of their rows, or a cell was put in or taken out above them.
type Torn struct {
	Columns []ChangedCell // Field or Header only
	// AllOthers: it is these columns that stayed together with nothing, because all others
	// stand in other rows. They were sorted by themselves, most likely.
	AllOthers bool
	Rows      int // in which other values stand
	Of        int // rows that were compared
	Example   Changed
}

// Filled says that many rows in a row took one value, where other values were before.
type Filled struct {
	Cell        ChangedCell // Field or Header, and After: the value; blank if they were emptied
	Line, Until int         // the first row and the last
	Rows        int
}

// fewest is how many rows make a pattern of changes one mistake.
const fewest = 5

// Mapped are rows that were read with columns, as they would be read with others: what no field
// is mapped to any more stands in the rest of the row, and what one is mapped to now doesn't.
func Mapped(rows []Row, was, now Columns) []Row {
	if maps.Equal(was, now) {
		return rows
	}
	out := make([]Row, len(rows))
	for i, r := range rows {
		r.Cells, r.Rest = maps.Clone(r.Cells), slices.Clone(r.Rest)
		if r.Cells == nil {
			r.Cells = map[Field]Cell{}
		}
		for _, f := range Fields {
			if c, ok := r.Cells[f]; ok && was[f] != now[f] {
				delete(r.Cells, f)
				r.Rest = append(r.Rest, Other{Header: was[f], Text: c.Text})
			}
		}
		for _, f := range Fields {
			if was[f] == now[f] || now[f] == "" {
				continue
			}
			if n := slices.IndexFunc(r.Rest, func(o Other) bool { return Word(o.Header) == Word(now[f]) }); n >= 0 {
				r.Cells[f] = Cell{Text: r.Rest[n].Text}
				r.Rest = slices.Delete(r.Rest, n, n+1)
			}
		}
		r.Rest = slices.DeleteFunc(r.Rest, func(o Other) bool { return o.Text == "" })
		out[i] = r
	}
	return out
}

// None says that nothing differs.
func (c Changes) None() bool {
	return len(c.Added)+len(c.Deleted)+len(c.Changed)+c.Moved == 0
}

// Compare says how a register differs from an earlier one. A row is known again by what it
// holds, then by the number, side and track that stand in it, then by its place between rows
// that are known again. The line it stands in doesn't count.
func Compare(before, after []Row) Changes {
	var c Changes
	before = renamed(before, after)
	was := make([]int, len(after)) // of each row after: which it was before; -1: none
	gone := make([]bool, len(before))
	for i := range was {
		was[i] = -1
	}
	for i := range gone {
		gone[i] = true
	}
	pair := func(i, j int) { was[j], gone[i] = i, false }
	fb, fa := flat(before), flat(after)
	match := func(key func(flatRow) string) {
		of := make(map[string][]int, len(before))
		for i, r := range fb {
			if !gone[i] {
				continue
			}
			if k := key(r); k != "" {
				of[k] = append(of[k], i)
			}
		}
		for j, r := range fa {
			if was[j] >= 0 {
				continue
			}
			k := key(r)
			if same := of[k]; k != "" && len(same) > 0 {
				pair(same[0], j)
				of[k] = same[1:]
			}
		}
	}
	match(flatRow.whole)
	c.Moved = len(after) - count(was, -1) - longest(was)
	match(flatRow.identity)
	byPlace(fb, fa, was, gone, pair)

	for j, i := range was {
		if i < 0 {
			c.Added = append(c.Added, after[j])
			continue
		}
		if cells := differ(fb[i], fa[j]); len(cells) > 0 {
			c.Changed = append(c.Changed, Changed{before[i], after[j], cells})
		}
	}
	for i, g := range gone {
		if g {
			c.Deleted = append(c.Deleted, before[i])
		}
	}
	c.torn(len(after) - count(was, -1))
	c.filled()
	return c
}

func count(xs []int, x int) (n int) {
	for _, y := range xs {
		if y == x {
			n++
		}
	}
	return n
}

// longest is how many of the rows that are known again stand in the order in which they stood:
// the rest has moved. It is the length of the longest rising run with gaps, by patience.
func longest(was []int) int {
	var piles []int
	for _, x := range was {
		if x < 0 {
			continue
		}
		i, _ := slices.BinarySearch(piles, x)
		if i == len(piles) {
			piles = append(piles, x)
		} else {
			piles[i] = x
		}
	}
	return len(piles)
}

// whole is all that stands in a row.
func (r flatRow) whole() string {
	n := len(r.sheet) + len(r.cells)
	for _, t := range r.cells {
		n += len(t)
	}
	var b strings.Builder
	b.Grow(n + 32*len(r.rest))
	b.WriteString(r.sheet)
	for _, t := range r.cells {
		b.WriteByte(0x1e)
		b.WriteString(t)
	}
	for _, o := range r.rest {
		b.WriteByte(0x1d)
		b.WriteString(o.Header)
		b.WriteByte(0x1f)
		b.WriteString(o.Text)
	}
	return b.String()
}

// identity is what the row is about, as it says itself; "" if it doesn't say it. The fields
// are the first of Fields.
func (r flatRow) identity() string {
	item := Word(r.cells[0])
	if item == "" {
		return ""
	}
	return strings.Join([]string{r.sheet, item, Word(r.cells[1]), Word(r.cells[2]), Word(r.cells[3])}, "\x1f")
}

// window is how many rows are looked at, so that a register that is all new takes no time.
const window = 32

// byPlace pairs rows that stand between the same two neighbours, if most of what they hold is
// the same: a row whose number was corrected is the same row.
func byPlace(before, after []flatRow, was []int, gone []bool, pair func(i, j int)) {
	last := -1 // row before that the last known row was
	for j := 0; j < len(after); j++ {
		if was[j] >= 0 {
			last = was[j]
			continue
		}
		for i := last + 1; i < min(last+window, len(before)) && gone[i]; i++ {
			if alike(before[i], after[j]) {
				pair(i, j)
				last = i
				break
			}
		}
	}
}

// flatRow is a row's cells by the order of Fields, and how many hold something.
type flatRow struct {
	sheet string
	cells []string
	rest  []Other
	n     int
}

func flat(rows []Row) []flatRow {
	out := make([]flatRow, len(rows))
	all := make([]string, len(rows)*len(Fields))
	for i, r := range rows {
		cells := all[i*len(Fields) : (i+1)*len(Fields) : (i+1)*len(Fields)]
		n := len(r.Rest)
		for k, f := range Fields {
			if cells[k] = r.Cells[f].Text; cells[k] != "" {
				n++
			}
		}
		out[i] = flatRow{r.Sheet, cells, r.Rest, n}
	}
	return out
}

// alike says that more cells of two rows are the same than not.
func alike(a, b flatRow) bool {
	most := max(a.n, b.n)
	differ := 0
	for k, x := range a.cells {
		if x != b.cells[k] {
			if differ++; 2*differ >= most {
				return false
			}
		}
	}
	for k := range max(len(a.rest), len(b.rest)) {
		if k >= len(a.rest) || k >= len(b.rest) || a.rest[k].Header != b.rest[k].Header || a.rest[k].Text != b.rest[k].Text {
			differ++
		}
	}
	return 2*differ < most
}

// renamed gives the rows of before under the headers of after, where a column that no field
// is mapped to has another header now and holds the same.
func renamed(before, after []Row) []Row {
	values := func(rows []Row) map[string]map[string]int {
		out := map[string]map[string]int{}
		for _, r := range rows {
			for _, o := range r.Rest {
				if out[o.Header] == nil {
					out[o.Header] = map[string]int{}
				}
				out[o.Header][o.Text]++
			}
		}
		return out
	}
	was, is := values(before), values(after)
	to := map[string]string{}
	for h, vs := range was {
		if is[h] != nil {
			continue
		}
		for g, ws := range is {
			if was[g] != nil {
				continue
			}
			same, all, others := 0, 0, 0
			for v, n := range vs {
				same, all = same+min(n, ws[v]), all+n
			}
			for _, n := range ws {
				others += n
			}
			if 10*same >= 9*max(all, others) {
				to[h] = g
			}
		}
	}
	if len(to) == 0 {
		return before
	}
	out := slices.Clone(before)
	for i := range out {
		out[i].Rest = slices.Clone(out[i].Rest)
		for k, o := range out[i].Rest {
			if g := to[o.Header]; g != "" {
				out[i].Rest[k].Header = g
			}
		}
	}
	return out
}

// differ is what differs in two rows, by the order of fields, then of columns. What a program
// made of a cell without changing what a person sees doesn't count.
func differ(a, b flatRow) (out []ChangedCell) {
	for k, x := range a.cells {
		if y := b.cells[k]; x != y {
			out = append(out, ChangedCell{Field: Fields[k], Before: x, After: y})
		}
	}
	if slices.EqualFunc(a.rest, b.rest, func(x, y Other) bool { return x.Header == y.Header && x.Text == y.Text }) {
		return out
	}
	then := map[string][]string{}
	for _, o := range b.rest {
		then[o.Header] = append(then[o.Header], o.Text)
	}
	for _, o := range a.rest {
		text := ""
		if same := then[o.Header]; len(same) > 0 {
			text, then[o.Header] = same[0], same[1:]
		}
		if o.Text != text {
			out = append(out, ChangedCell{Header: o.Header, Before: o.Text, After: text})
		}
	}
	for _, o := range b.rest {
		if left := then[o.Header]; len(left) > 0 && left[len(left)-1] == o.Text {
			out = append(out, ChangedCell{Header: o.Header, After: o.Text})
			then[o.Header] = left[:len(left)-1]
		}
	}
	return out
}

// torn finds columns whose values all stand somewhere else than before.
func (c *Changes) torn(of int) {
	type seen struct {
		rows          []int // of Changed
		before, after map[string]int
	}
	by := map[ofColumn]*seen{}
	var order []ofColumn
	for k, x := range c.Changed {
		for _, y := range x.Cells {
			s := by[y.column()]
			if s == nil {
				s = &seen{before: map[string]int{}, after: map[string]int{}}
				by[y.column()] = s
				order = append(order, y.column())
			}
			s.rows = append(s.rows, k)
			s.before[y.Before]++
			s.after[y.After]++
		}
	}
	var torn []ofColumn
	rows, example := 0, 0
	for _, col := range order {
		s := by[col]
		again, values := 0, 0
		for v, n := range s.before {
			if v == "" {
				continue
			}
			if m := min(n, s.after[v]); m > 0 {
				again, values = again+m, values+1
			}
		}
		// Almost all that was there is there still, in other rows; and it isn't one word that
		// is written in some rows and struck out in others.
		if len(s.rows) < fewest || values < 3 || 10*again < 9*(len(s.rows)-s.before[""]) || 2*again < len(s.rows) {
			continue
		}
		torn = append(torn, col)
		if len(s.rows) > rows {
			rows, example = len(s.rows), s.rows[0]
		}
	}
	if len(torn) == 0 {
		return
	}
	t := Torn{Rows: rows, Of: of, Example: c.Changed[example]}
	// A register that was sorted by its numbers alone shows as all other columns torn.
	rest := map[ofColumn]bool{}
	for _, x := range c.Changed {
		for f, y := range x.After.Cells {
			if y.Text != "" && !slices.Contains([]Field{Item, Base, Side, Track}, f) {
				rest[ofColumn{field: f}] = true
			}
		}
		for _, o := range x.After.Rest {
			rest[ofColumn{header: o.Header}] = true
		}
	}
	if len(torn) > 1 && 4*len(torn) >= 3*len(rest) {
		t.AllOthers = true
		torn = []ofColumn{{field: Item}}
		for col := range rest {
			if by[col] == nil {
				torn = append(torn, col)
			}
		}
		slices.SortFunc(torn[1:], func(a, b ofColumn) int {
			return cmp.Or(cmp.Compare(a.field, b.field), cmp.Compare(a.header, b.header))
		})
	}
	for _, col := range torn {
		t.Columns = append(t.Columns, ChangedCell{Field: col.field, Header: col.header})
	}
	c.Torn = append(c.Torn, t)
}

// filled finds runs of rows that took one value where others were.
func (c *Changes) filled() {
	type run struct {
		value      string
		first, end int // lines
		n          int
		other      map[string]bool
	}
	open := map[ofColumn]*run{}
	var order []ofColumn
	end := func(col ofColumn) {
		r := open[col]
		if r.n >= fewest && len(r.other) >= 3 {
			c.Filled = append(c.Filled, Filled{ChangedCell{Field: col.field, Header: col.header, After: r.value}, r.first, r.end, r.n})
		}
	}
	for _, x := range c.Changed {
		line := x.After.Line
		for _, y := range x.Cells {
			if y.Before == "" {
				continue // a blank that is filled in is work
			}
			col := y.column()
			r := open[col]
			if r == nil || r.value != y.After || r.end+1 != line {
				if r != nil {
					end(col)
				} else {
					order = append(order, col)
				}
				r = &run{value: y.After, first: line, other: map[string]bool{}}
				open[col] = r
			}
			r.end, r.n = line, r.n+1
			r.other[y.Before] = true
		}
	}
	for _, col := range order {
		end(col)
	}
	slices.SortStableFunc(c.Filled, func(a, b Filled) int { return cmp.Compare(a.Line, b.Line) })
}
