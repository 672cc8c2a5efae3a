package checking

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/discs/sampling"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Monthly is how many discs are drawn a month where no promise needs more (common practice:
// what one person reads in an afternoon).
const Monthly = 10

// Why says why a disc is on a month's list.
type Why string

// Reasons for which a disc is on the list. Drawn ones alone count in the estimate.
const (
	Drawn   Why = "drawn"   // by chance
	Overdue Why = "overdue" // its store promises that it is read sooner
	Twin    Why = "twin"    // of a disc that is not as it should be
	Batch   Why = "batch"   // of the brand and month of one whose twin was read since
)

// Pulled is a disc of a month's list.
type Pulled struct {
	registering.Listed
	Why  Why
	Of   string    // Twin, Batch: the bad disc
	Read time.Time // when it was read for this list; zero: not yet
	Good bool      // what that reading found
}

// Sample is a month's list, and what the draws of its round say of all discs.
type Sample struct {
	Month time.Time // its first moment, UTC
	Discs []Pulled  // in the order of boxes
	All   int       // discs on the shelf, control discs apart
	Sides int       // what is drawn: a side is one, however many twins hold it
	Needs int       // discs a month that the stores' promises need; 0: none
	Count int       // discs a month that are drawn

	Round       int64
	Since       time.Time // the round's first draw
	Read, Bad   int       // sides whose disc was drawn in this round and read; of them bad ones
	Unread      int       // drawn in this round, and not read yet
	Low, High   int       // bad sides of all, probably: only if Read > 0
	BadDiscs    []string
	UnreadDrawn []string // drawn in an earlier month of the round, and not read yet
	OneIn       []Chance // of noticing a bad disc
}

// Chance is that of noticing a bad disc where one disc in In is bad.
type Chance struct {
	In, Bad     int
	Month, Year float64
}

// Confidence of the interval in a Sample.
const Confidence = 0.95

// Draw gives the month's list. The first call in a month draws its discs; a later one gives
// the same ones, and draws more if count has grown. count 0 is Monthly, or what the stores'
// promises need if that is more. What is added to the list for a reason isn't drawn.
func (e Desk) Draw(ctx context.Context, count int) (Sample, error) {
	all, err := e.List(ctx)
	if err != nil {
		return Sample{}, err
	}
	return e.sample(ctx, all, count, true)
}

// sample is the month's list of all discs, as far as they were drawn; draw draws what lacks.
func (e Desk) sample(ctx context.Context, all []registering.Listed, count int, draw bool) (s Sample, err error) {
	now := e.Now().UTC()
	s.Month = time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
	listed := slices.DeleteFunc(slices.Clone(all), func(d registering.Listed) bool { return d.Disc.Control })
	sides := sidesOf(listed)
	s.All, s.Sides, s.Needs = len(listed), len(sides), e.needs(listed)
	s.Count = max(count, s.Needs)
	if count <= 0 {
		s.Count = max(Monthly, s.Needs)
	}
	var draws []ledger.Draw
	var decisions []ledger.DiscDecision
	read := func(t *ledger.Tx) (err error) {
		if draws, err = t.Discs.Draws(); err != nil {
			return err
		}
		decisions, err = t.Discs.Decisions()
		return err
	}
	if err := e.Ledger.View(ctx, read); err != nil {
		return s, err
	}
	if _, lacks := lacking(s, sides, draws); draw && len(lacks) > 0 {
		err = e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
			if err := read(t); err != nil { // another may just have drawn
				return err
			}
			for {
				round, ds := lacking(s, sides, draws)
				if len(ds) == 0 {
					return nil
				}
				if err := t.Discs.Drawn(s.Month.Format("2006-01"), round, ds, e.By); err != nil {
					return err
				}
				for _, d := range ds {
					draws = append(draws, ledger.Draw{Month: s.Month.Format("2006-01"), Round: round, Disc: d.ID, At: e.Now()})
				}
			}
		})
		if err != nil {
			return s, err
		}
	}
	if err := e.pull(ctx, &s, listed, draws, decisions); err != nil {
		return s, err
	}
	s.estimate(sides, draws)
	return s, nil
}

// sidesOf are the discs, each group of twins as one: twins of one burning aren't independent.
func sidesOf(ds []registering.Listed) (out [][]ledger.Disc) {
	at := map[string]int{}
	for _, d := range ds {
		side := fmt.Sprintf("%s part %d", d.Disc.Number, d.Disc.Part)
		i, ok := at[side]
		if !ok {
			i = len(out)
			at[side], out = i, append(out, nil)
		}
		out[i] = append(out[i], d.Disc)
	}
	return out
}

// needs is how many discs a month have to be read so that each store keeps its promise.
func (e Desk) needs(ds []registering.Listed) int {
	const month = 365 * 24 * time.Hour / 12
	n := 0.0
	for _, d := range ds {
		if s, ok := e.Rules.Store(d.Disc.Store); ok && s.ReadWithin > 0 {
			n += float64(month) / float64(s.ReadWithin)
		}
	}
	return int(n + 0.999)
}

// lacking draws what the month still lacks, of one round; none if it lacks nothing.
func lacking(s Sample, sides [][]ledger.Disc, draws []ledger.Draw) (round int64, ds []ledger.Disc) {
	times, last := map[int64]int{}, map[int64]int64{} // each disc was drawn, and in which round last
	month, lacks := map[int64]bool{}, min(s.Count, len(sides))
	round = 1
	for _, d := range draws {
		times[d.Disc]++
		last[d.Disc] = max(last[d.Disc], d.Round)
		round = max(round, d.Round)
		if d.Month == s.Month.Format("2006-01") {
			month[d.Disc] = true
			lacks--
		}
	}
	if lacks <= 0 {
		return round, nil
	}
	free := func() (units []sampling.Unit) {
		for i, side := range sides {
			if !slices.ContainsFunc(side, func(d ledger.Disc) bool { return month[d.ID] || last[d.ID] == round }) {
				units = append(units, sampling.Unit{ID: int64(i), Stratum: stratum(side[0])})
			}
		}
		return units
	}
	units := free()
	if len(units) == 0 {
		round++
		units = free()
	}
	for _, i := range sampling.Draw(units, lacks, rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64()))) {
		// Of twins one that was drawn less often.
		side := slices.Clone(sides[i])
		rand.Shuffle(len(side), func(i, j int) { side[i], side[j] = side[j], side[i] })
		ds = append(ds, slices.MinFunc(side, func(a, b ledger.Disc) int { return times[a.ID] - times[b.ID] }))
	}
	return round, ds
}

// stratum is the year in which a disc was burned, and its brand.
func stratum(d ledger.Disc) string {
	return fmt.Sprintf("%.4s %s", d.Burned, brand(d))
}

func brand(d ledger.Disc) string { return strings.ToLower(strings.TrimSpace(d.Blank)) }

// pull makes the list.
func (e Desk) pull(ctx context.Context, s *Sample, listed []registering.Listed, draws []ledger.Draw, decisions []ledger.DiscDecision) error {
	month, drawn := s.Month.Format("2006-01"), map[int64]bool{}
	for _, x := range draws {
		if x.Month == month {
			drawn[x.Disc] = true
		}
	}
	on := map[int64]bool{}
	add := func(p Pulled) {
		if on[p.Disc.ID] {
			return
		}
		on[p.Disc.ID] = true
		if p.Last != nil && !p.Last.Ended.Before(s.Month) && telling(*p.Last) {
			p.Read, p.Good = p.Last.Ended, ledger.GoodCheck(*p.Last, decisions)
		}
		s.Discs = append(s.Discs, p)
	}
	bad := func(d registering.Listed) bool {
		return d.Last != nil && telling(*d.Last) && !ledger.GoodCheck(*d.Last, decisions)
	}
	since := func(d registering.Listed, at time.Time) bool {
		return d.Last != nil && d.Last.Ended.After(at) && telling(*d.Last)
	}
	for _, d := range listed {
		if drawn[d.Disc.ID] {
			add(Pulled{Listed: d, Why: Drawn})
		}
	}
	for _, b := range listed {
		if !bad(b) {
			continue
		}
		twins := false // one wasn't read since
		for _, d := range listed {
			if d.Disc.Number == b.Disc.Number && d.Disc.Part == b.Disc.Part && d.Disc.ID != b.Disc.ID && !since(d, b.Last.Ended) {
				add(Pulled{Listed: d, Why: Twin, Of: b.Disc.Name()})
				twins = true
			}
		}
		if twins || brand(b.Disc) == "" || len(b.Disc.Burned) < len("2006-01") {
			continue // its twin is read first; or which were burned with it isn't known
		}
		for _, d := range listed {
			if brand(d.Disc) == brand(b.Disc) && strings.HasPrefix(d.Disc.Burned, b.Disc.Burned[:len("2006-01")]) && d.Disc.ID != b.Disc.ID && !since(d, b.Last.Ended) && !bad(d) {
				add(Pulled{Listed: d, Why: Batch, Of: b.Disc.Name()})
			}
		}
	}
	for _, d := range listed {
		if r, ok := e.Rules.Store(d.Disc.Store); ok && r.ReadWithin > 0 && (d.Last == nil || e.Now().Sub(d.Last.Ended) > r.ReadWithin) {
			add(Pulled{Listed: d, Why: Overdue})
		}
	}
	var lists []registering.Listed
	by := map[int64]Pulled{}
	for _, p := range s.Discs {
		lists, by[p.Disc.ID] = append(lists, p.Listed), p
	}
	s.Discs = s.Discs[:0]
	for _, l := range InBoxes(lists) {
		s.Discs = append(s.Discs, by[l.Disc.ID])
	}
	// What the draws of the round found, each by its first telling check since it was drawn.
	if len(draws) == 0 {
		return nil
	}
	s.Round = draws[len(draws)-1].Round
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, x := range draws {
			if x.Round != s.Round {
				continue
			}
			if s.Since.IsZero() || x.At.Before(s.Since) {
				s.Since = x.At
			}
			d, err := t.Discs.Get(x.Disc)
			if err != nil {
				return err
			}
			checks, err := t.Discs.Checks(x.Disc)
			if err != nil {
				return err
			}
			i := slices.IndexFunc(checks, func(c ledger.DiscCheck) bool { return !c.Ended.Before(x.At) && telling(c) })
			switch {
			case i < 0:
				s.Unread++
				if x.Month < month {
					s.UnreadDrawn = append(s.UnreadDrawn, d.Name())
				}
			case !ledger.GoodCheck(checks[i], decisions):
				s.Bad++
				s.BadDiscs = append(s.BadDiscs, d.Name())
				fallthrough
			default:
				s.Read++
			}
		}
		return nil
	})
}

// telling says that a check tells whether its disc is good.
func telling(c ledger.DiscCheck) bool {
	return c.Verdict != fixity.DiscNotCompared && c.Verdict != fixity.DiscUnsteady && c.Verdict != fixity.DiscSaysNothing
}

// estimate says what the round lets be said of all sides, and how likely a bad one is noticed.
func (s *Sample) estimate(sides [][]ledger.Disc, draws []ledger.Draw) {
	on := map[int64]bool{}
	for _, side := range sides {
		for _, d := range side {
			on[d.ID] = true
		}
	}
	all := len(sides)
	for _, x := range draws { // retired since, often since it was bad
		if x.Round == s.Round && !on[x.Disc] {
			all++
		}
	}
	if s.Read > 0 {
		s.Low, s.High = sampling.Between(all, s.Read, s.Bad, Confidence)
	}
	for _, in := range []int{100, 50, 20} { // shares to think with; none is assumed to be so
		bad := max(1, (len(sides)+in/2)/in)
		if n := len(s.OneIn); n > 0 && s.OneIn[n-1].Bad == bad {
			continue // of a small shelf: one disc
		}
		n := min(s.Count, len(sides))
		s.OneIn = append(s.OneIn, Chance{In: in, Bad: min(bad, len(sides)), Month: sampling.Notice(len(sides), min(bad, len(sides)), n),
			Year: sampling.Notice(len(sides), min(bad, len(sides)), min(12*n, len(sides)))})
	}
}

// Because says in words why a disc is on the list.
func (p Pulled) Because() string {
	switch p.Why {
	case Overdue:
		if p.Last == nil {
			return "never read; its store promises it"
		}
		return "not read for longer than its store promises"
	case Twin:
		return p.Of + " holds the same, and is bad"
	case Batch:
		return "burned with " + p.Of + ", which is bad"
	}
	return "drawn by chance"
}

// Words say what the draws let be said, a paragraph each.
func (s Sample) Words() (out []string) {
	what := "disc"
	if s.Sides < s.All {
		what = "side"
	}
	of := fixity.Count(int64(s.Sides), what)
	drawn := fmt.Sprintf("%s a month of %s, drawn by chance", fixity.Number(int64(min(s.Count, s.Sides))), of)
	if s.Sides < s.All {
		drawn += fmt.Sprintf(" (%s; of twins one is drawn)", fixity.Count(int64(s.All), "disc"))
	}
	if s.Needs > Monthly {
		drawn += ": so many are needed for the stores' promises to be kept"
	}
	out = append(out, drawn+".")
	var chances []string
	for _, c := range s.OneIn {
		chances = append(chances, fmt.Sprintf("where %s bad: %s in a month, %s in a year", fixity.Counted(int64(c.Bad), what, "is", "are"), percent(c.Month), percent(c.Year)))
	}
	out = append(out, "The chance that at least one bad "+what+" is noticed: "+strings.Join(chances, "; ")+".")
	if s.Read == 0 {
		return append(out, "Nothing that was drawn was read yet, so nothing can be said of all "+what+"s.")
	}
	found := fmt.Sprintf("Of those drawn since %s %s read", s.Since.Local().Format("2 January 2006"), fixity.Counted(int64(s.Read), what, "was", "were"))
	if s.Bad == 0 {
		found += "; none is bad."
	} else {
		found += fmt.Sprintf("; %s %s bad: %s.", fixity.Number(int64(s.Bad)), fixity.OneOr(int64(s.Bad), "is", "are"), fixity.And(s.BadDiscs))
	}
	if s.Low == s.High {
		found += " No others are left."
	} else {
		found += fmt.Sprintf(" Of all %s probably between %s and %s are bad (an exact interval for such draws; it is right 95 times in 100 or more).",
			of, fixity.Number(int64(s.Low)), fixity.Number(int64(s.High)))
	}
	if what == "side" {
		found += " A side counts by the one disc that was drawn of its twins."
	}
	out = append(out, found)
	if n := len(s.UnreadDrawn); n > 0 {
		out = append(out, fmt.Sprintf("Drawn in an earlier month and not read yet: %s. Nothing is drawn in the place of a disc that was not, or could not be, read.", fixity.And(s.UnreadDrawn)))
	}
	return out
}

func percent(p float64) string {
	switch {
	case p >= 0.995 && p < 1:
		return "over 99 %"
	case p > 0 && p < 0.005:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}
