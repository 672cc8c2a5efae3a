package register

import (
	"slices"
	"time"

	"firmus/fixity"
)

// candidate is how long what a row is about may be by its files.
type candidate struct {
	d    time.Duration
	gaps time.Duration // that may have been cut away between and around tracks
	what sum
	one  bool // it is a file
}

// gap is how much may lie between two tracks and at both ends of a side. *Common practice*:
// leader, announcements and the silence between songs.
const gap = 15 * time.Second

// lengths compares the register's lengths with the files'.
func (t *tier) lengths() {
	read, blocks := make([]Lengths, len(t.lines)), t.blocks()
	for i, l := range t.lines {
		var trouble Trouble
		if block := blocks[i]; len(block) > 1 && block[0] != l {
			read[i] = read[i-1]
			continue
		}
		if read[i], trouble = ReadLength(l.row.Cells[Length]); trouble != Understood {
			t.trouble(l, read[i].Text, trouble)
		}
	}
	type parts struct {
		lines    []*line
		sum, off time.Duration
		unknown  bool
	}
	// The rows of pieces, of tracks and of sides that files don't tell, by what they add up to.
	sums := map[group]*parts{}
	var order []group
	add := func(g group, l *line, n Lengths) {
		p := sums[g]
		if p == nil {
			p = &parts{}
			sums[g], order = p, append(order, g)
		}
		p.lines = append(p.lines, l)
		if len(n.Readings) == 0 {
			p.unknown = true
			return
		}
		p.sum, p.off = p.sum+n.Readings[0].Length, p.off+n.Readings[0].Tolerance
	}
	rows := map[group]Lengths{} // of whole sides and reels
	for i, l := range t.lines {
		n := read[i]
		if block := blocks[i]; len(block) > 1 { // one length for several rows
			if block[0] != l {
				continue
			}
			if l.Track != "" {
				add(group{reel: l.reel, side: l.Side}, l, n)
			}
			if l.named || !l.Piece && !(l.Side != "" && l.reel.unsided()) {
				t.together(block, n)
				continue
			}
		}
		switch {
		case l.Piece && !l.named:
			add(group{reel: l.reel, side: l.Side}, l, n)
		case l.Track != "" || l.named:
			if l.Track != "" {
				add(group{reel: l.reel, side: l.Side}, l, n)
			}
			t.compare(l, n, t.each(l.Files))
		case l.Side != "" && l.reel.unsided():
			add(group{reel: l.reel}, l, n)
		default:
			rows[group{reel: l.reel, side: l.Side}] = n
			t.compare(l, n, t.of(l.Files))
		}
	}
	// A side is at least as long as its tracks.
	for _, g := range order {
		p := sums[g]
		if side := rows[g]; len(side.Readings) > 0 && p.lines[0].Track != "" {
			fits := p.sum == 0
			for _, r := range side.Readings {
				// 20:00 may be hours and minutes, but not where its tracks are 30 minutes.
				fits = fits || r.Length+r.Tolerance+p.off >= p.sum && r.Length < 4*p.sum
			}
			if !fits {
				t.say(p.lines[0], Length, RuleLength, TracksLonger, about{g.reel.name, g.side, ""}, p.sum, side.Text)
			}
			continue
		}
		files := g.reel.of(g.side)
		if p.lines[0].Track != "" || len(files) == 0 {
			continue
		}
		var longest, shortest time.Duration
		for _, c := range t.of(files) {
			if longest == 0 || c.d+c.gaps > longest {
				longest = c.d + c.gaps
			}
			if shortest == 0 || c.d < shortest {
				shortest = c.d
			}
		}
		cut := time.Duration(len(p.lines)+1) * gap
		if longest > 0 && (p.sum > longest+p.off || !p.unknown && p.sum < shortest-p.off-cut) {
			t.say(p.lines[0], Length, RuleLength, RowsApart, about{g.reel.name, g.side, ""}, p.sum, shortest)
		}
	}
}

// over is the line where the merged cells begin that give the row its length; 0: it has its own.
func (l *line) over() int { return l.row.Cells[Length].Over }

// blocks are for each line those of its reel whose cell of lengths is one with its own.
func (t *tier) blocks() [][]*line {
	out := make([][]*line, len(t.lines))
	for first, last := 0, 0; first < len(t.lines); first = last {
		l := t.lines[first]
		for last = first + 1; last < len(t.lines) && l.over() != 0; last++ {
			if o := t.lines[last]; o.row.Sheet != l.row.Sheet || o.over() != l.over() || o.reel != l.reel {
				break
			}
		}
		for i := first; i < last; i++ {
			out[i] = t.lines[first:last]
		}
	}
	return out
}

// together compares a length that is merged over several rows: it may be that of all they
// are about, or that of each.
func (t *tier) together(ls []*line, n Lengths) {
	var files []int
	var whats []about
	each := true
	for _, l := range ls {
		for _, i := range l.Files {
			if !slices.Contains(files, i) {
				files = append(files, i)
			}
		}
		whats = append(whats, l.what())
		cs := t.of(l.Files)
		each = each && (len(cs) == 0 || n.fits(cs))
	}
	all := t.whole(files)
	if each || len(n.Readings) == 0 || len(all) == 0 || n.fits(all) {
		return
	}
	t.say(ls[0], Length, RuleLength, MergedApart, n.Text, all[0].d, whats)
}

// whole are the lengths that files of several sides may have together.
func (t *tier) whole(files []int) []candidate {
	all := t.of(files)
	if sums := slices.DeleteFunc(slices.Clone(all), func(c candidate) bool { return c.one }); len(sums) > 0 {
		return sums
	}
	return all
}

// fits says that one of the readings is one of the lengths.
func (n Lengths) fits(cs []candidate) bool {
	for _, c := range cs {
		for _, r := range n.Readings {
			if (r.Length-c.d).Abs() <= r.Tolerance || r.Length > c.d && r.Length <= c.d+c.gaps+r.Tolerance {
				return true
			}
		}
	}
	return false
}

// trouble says why a length isn't understood. The row still serves.
func (t *tier) trouble(l *line, text string, why Trouble) {
	if k := l.row.Cells[Length].Kind; k == ErrorCell || k == UnsavedCell {
		return // told where the cell was read
	}
	switch why {
	case Negative:
		t.say(l, Length, RuleLength, LessThanNone, text)
	case ADate:
		t.say(l, Length, RuleLength, DateStored, text)
	case AnError:
		t.say(l, Length, RuleLength, ErrorStored, text)
	default:
		t.say(l, Length, RuleLength, NotALength, text)
	}
}

// each are the lengths of single files.
func (t *tier) each(files []int) (out []candidate) {
	for _, i := range files {
		if f := t.known.Files[i]; f.Length > 0 {
			out = append(out, candidate{d: f.Length, what: sum{path: f.Path}, one: true})
		}
	}
	return out
}

// of are the lengths that a side or a reel may have: that of its masters, of any one of them
// or of all, and if there is none that of its access files.
func (t *tier) of(files []int) []candidate {
	for _, role := range []fixity.Role{fixity.Master, fixity.Access} {
		var out []candidate
		some := false
		for _, set := range t.sets(files, role) {
			some = true
			out = append(out, t.ofSet(set, role)...)
		}
		if some {
			return out
		}
	}
	return nil
}

// sets are the files of a role, by set.
func (t *tier) sets(files []int, role fixity.Role) (out [][]int) {
	at := map[string]int{}
	for _, i := range files {
		f := t.known.Files[i]
		if f.Role != role {
			continue
		}
		k, ok := at[f.Set]
		if !ok {
			k, at[f.Set] = len(out), len(out)
			out = append(out, nil)
		}
		out[k] = append(out[k], i)
	}
	return out
}

func (t *tier) ofSet(files []int, role fixity.Role) (out []candidate) {
	var all, tracks, longest time.Duration
	n, sides := 0, map[string]time.Duration{}
	for _, i := range files {
		f := t.known.Files[i]
		if f.Length <= 0 {
			return nil // not all is known
		}
		all += f.Length
		if f.Track != "" {
			tracks += f.Length
			n++
			continue
		}
		out = append(out, candidate{d: f.Length, what: sum{path: f.Path}, one: true})
		sides[f.Side] = max(sides[f.Side], f.Length)
	}
	for _, d := range sides {
		longest += d
	}
	gaps := time.Duration(0)
	if n > 0 {
		gaps = time.Duration(n+1) * gap
	}
	if n > 0 && n < len(files) {
		out = append(out, candidate{d: tracks, gaps: gaps, what: sum{kind: "tracks", n: n}})
	}
	if len(files) > 1 || n == 1 {
		what := sum{kind: "files", n: len(files)}
		if len(files) == 1 {
			what = sum{path: t.known.Files[files[0]].Path}
		}
		out = append(out, candidate{d: all, gaps: gaps, what: what})
	}
	if len(sides) > 1 && longest != all {
		out = append(out, candidate{d: longest, what: sum{kind: "sides", n: len(sides)}})
	}
	return out
}

// compare says if none of a row's readings fits any of the candidates.
func (t *tier) compare(l *line, n Lengths, cs []candidate) {
	if len(n.Readings) == 0 || len(cs) == 0 {
		return
	}
	near, apart := cs[0], time.Duration(-1)
	if n.fits(cs) {
		return
	}
	for _, c := range cs {
		for _, r := range n.Readings {
			if d := (r.Length - c.d).Abs(); apart < 0 || d < apart {
				near, apart = c, d
			}
		}
	}
	for _, c := range cs {
		for _, r := range n.Readings {
			switch is := func(d time.Duration) bool { return (d - c.d).Abs() <= max(typed(c.d), typed(d)) }; {
			case r.Length >= time.Hour && is(r.Length/60):
				t.say(l, Length, RuleSixty, SixtyTimes, n.Text, c.what, c.d)
				return
			case is(r.Length / 2):
				t.say(l, Length, RuleSpeed, TwiceAsLong, n.Text, c.what, c.d)
				return
			case is(r.Length * 2):
				t.say(l, Length, RuleSpeed, HalfAsLong, n.Text, c.what, c.d)
				return
			}
		}
	}
	var all []time.Duration
	if len(n.Readings) > 1 {
		for _, r := range n.Readings {
			all = append(all, r.Length)
		}
	}
	t.say(l, Length, RuleLength, LengthApart, n.Text, near.what, near.d, all)
}
