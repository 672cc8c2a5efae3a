package sheets

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// mark is how a part of the surface is shown. The later must not be lost sight of for the
// earlier.
type mark uint8

const (
	outside    mark = iota // of no track
	atOnce                 // read at the first try
	untried                // not read yet
	retried                // read after more
	doubtful               // given, but called doubtful
	differs                // read well, and not what was burned
	unreadable             // not given
)

// markOf is how a row of sectors that were read alike is shown.
func markOf(r optical.Run) mark {
	switch r.State {
	case optical.Outside:
		return outside
	case optical.Read, optical.ReadTwice:
		if r.Tries > 1 && !(r.State == optical.ReadTwice && r.Tries == 2) {
			return retried
		}
		return atOnce
	case optical.Doubtful:
		return doubtful
	case optical.Unreadable:
		return unreadable
	}
	return untried
}

// look is how a mark is drawn: by a letter and a pattern, and by colour as well.
type look struct {
	mark  mark
	sign  byte   // beside the drawn disc
	line  rune   // in the line of a terminal, as findings draw a recording
	class string // of the pattern
	words string
}

// looks are the marks in the order of the legend.
var looks = []look{
	{atOnce, '-', '━', "once", "read at once"},
	{retried, 't', '╍', "tries", "read after more tries"},
	{doubtful, 'd', '░', "doubt", "doubtful: the drive gave it and called it uncertain"},
	{differs, 'X', '▒', "differs", "differs: read well, and not what was burned"},
	{unreadable, 'U', ' ', "unread", "unreadable"},
	{untried, '?', '┈', "untried", "not read yet"},
	{outside, ' ', '·', "outside", "of no track, or the end that a burner adds"},
}

func lookOf(m mark) look {
	return looks[slices.IndexFunc(looks, func(l look) bool { return l.mark == m })]
}

// span is a row of sectors that are shown alike.
type span struct {
	lba, count int64
	mark       mark
}

// surface is the whole disc in order, by how it is shown. All numbers on the sheet that
// say how many sectors are good or bad are sums of it.
func (s CheckSheet) surface() []span {
	if s.Report.Check.Map == nil {
		return nil
	}
	var all []span
	for r := range s.Report.Check.Map.Runs() {
		m := markOf(r)
		if m == unreadable { // the end of a data track that a burner adds is none of the recording
			for r.Count > 0 && s.About.RunOut(r.LBA+r.Count-1) && !slices.ContainsFunc(s.Report.Unreadable, func(p burned.Sectors) bool { return p.LBA+p.Count == r.LBA+r.Count }) {
				r.Count--
			}
		}
		if r.Count > 0 {
			all = append(all, span{r.LBA, r.Count, m})
		}
	}
	var lost, other []optical.Range
	for _, p := range s.Report.Unreadable {
		if !p.Doubtful {
			lost = append(lost, optical.Range{LBA: p.LBA, Count: p.Count})
		}
	}
	for _, p := range s.Report.Differing {
		other = append(other, optical.Range{LBA: p.LBA, Count: p.Count})
	}
	lost, other = append(lost, s.Report.UnreadableRest...), append(other, s.Report.DifferingRest...)
	return over(over(all, other, differs), lost, unreadable)
}

// over lays rows of sectors over a surface, where nothing worse is shown.
func over(all []span, rows []optical.Range, m mark) []span {
	slices.SortFunc(rows, func(a, b optical.Range) int { return cmp.Compare(a.LBA, b.LBA) })
	var out []span
	put := func(lba, end int64, m mark) {
		if n := len(out) - 1; n >= 0 && out[n].mark == m && out[n].lba+out[n].count == lba {
			out[n].count += end - lba
		} else if end > lba {
			out = append(out, span{lba, end - lba, m})
		}
	}
	k := 0
	for _, x := range all {
		at, end := x.lba, x.lba+x.count
		for i := k; i < len(rows) && rows[i].LBA < end; i++ {
			from, to := max(rows[i].LBA, at), min(rows[i].LBA+rows[i].Count, end)
			if to <= from {
				if rows[i].LBA+rows[i].Count <= x.lba && i == k {
					k++
				}
				continue
			}
			put(at, from, x.mark)
			put(from, to, max(x.mark, m))
			at = to
		}
		put(at, end, x.mark)
	}
	return out
}

// tally is how many sectors are shown by each mark.
type tally [unreadable + 1]int64

func (s CheckSheet) tally() (t tally) {
	for _, x := range s.surface() {
		t[x.mark] += x.count
	}
	return t
}

// parts gives, for parts of the disc that follow each other from the sector 0 on and end
// before the sectors named in ends, how many sectors of each mark lie in them.
func (s CheckSheet) parts(ends []int64) []tally {
	out := make([]tally, len(ends))
	for _, x := range s.surface() {
		end := x.lba + x.count
		for i, at := after(ends, x.lba), x.lba; i < len(ends) && at < end; i++ {
			n := min(end, ends[i]) - at
			out[i][x.mark] += n
			at += n
		}
	}
	return out
}

// worst is the worst mark in a part. So no damaged place is too small to be seen.
func (t tally) worst() mark {
	for m := unreadable; m > outside; m-- {
		if t[m] > 0 {
			return m
		}
	}
	return outside
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
	if s.About.LeadOut <= 0 || s.Report.Check.Map == nil {
		return "", 0
	}
	each = ceil(s.About.LeadOut, stripWidth)
	ends := make([]int64, ceil(s.About.LeadOut, each))
	for i := range ends {
		ends[i] = int64(i+1) * each
	}
	var b strings.Builder
	for _, t := range s.parts(ends) {
		b.WriteRune(lookOf(t.worst()).line)
	}
	return b.String(), each
}

// ring is half a ring of the drawing: 1 mm of the disc.
type ring struct {
	In, Out float64 // radii in mm
	State   mark    // the worst in it
	Sectors int64
	by      tally
}

// rings are those of the surface, from the inner edge outwards.
func (s CheckSheet) rings(g geometry) []ring {
	var out []ring
	var ends []int64
	last := g.radius(s.About.LeadOut)
	for r, lba := g.radius(0), int64(0); lba < s.About.LeadOut; {
		next, end := min(r+1, last), s.About.LeadOut
		if next < last {
			end = min(max(int64(math.Round((next*next-g.inner*g.inner)/g.perSector)), lba), s.About.LeadOut)
		}
		out = append(out, ring{In: r, Out: next, Sectors: end - lba})
		ends = append(ends, end)
		r, lba = next, end
	}
	for i, t := range s.parts(ends) {
		out[i].State, out[i].by = t.worst(), t
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
	Line    string // its sign in the line of a terminal
	Class   string
	Words   string
	Sectors string // how many
	Where   string // radii, "" where that tells nothing
}

// keys are the states that the surface shows, with how many sectors there are of each.
func (s CheckSheet) keys(g geometry, rings []ring) []key {
	count := s.tally()
	var out []key
	for _, l := range looks {
		if count[l.mark] == 0 {
			continue
		}
		k := key{Sign: string(l.sign), Line: string(l.line), Class: l.class, Words: s.words(l), Sectors: fixity.Count(count[l.mark], "sector")}
		if l.mark > atOnce && len(rings) > 0 {
			k.Where = whereabouts(rings, l.mark)
		}
		out = append(out, k)
	}
	return out
}

// words are what a mark means on this disc.
func (s CheckSheet) words(l look) string {
	if l.mark == differs && s.Report.InBlocks {
		return "differs: parts of 64 KiB in which something isn't what was burned"
	}
	return l.words
}

// mostSpans is how many places a line of the legend names.
const mostSpans = 6

// whereabouts names the rings of a state by their radii: "at 31 to 32 mm from the
// centre".
func whereabouts(rings []ring, st mark) string {
	var spans []ring
	for _, r := range rings {
		if r.by[st] == 0 {
			continue
		}
		if n := len(spans); n > 0 && math.Abs(spans[n-1].Out-r.In) < 0.01 {
			spans[n-1].In, spans[n-1].Out = min(spans[n-1].In, r.In), max(spans[n-1].Out, r.Out)
			continue
		}
		spans = append(spans, r)
	}
	var parts []string
	for i, r := range spans {
		if i == mostSpans {
			parts = append(parts, fmt.Sprintf("and %s more", fixity.Count(len(spans)-i, "place")))
			break
		}
		parts = append(parts, fmt.Sprintf("%.0f to %.0f mm", math.Floor(r.In), math.Ceil(r.Out)))
	}
	return "at " + strings.Join(parts, ", ") + " from the centre"
}
