package sheets

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
)

func (s CheckSheet) read() []line {
	c := s.Counts()
	if c.Sectors == 0 {
		return []line{sayf("nothing")}
	}
	tries := "more tries"
	if most := s.mostTries(); most == 2 {
		tries = "2 tries"
	} else if most > 2 {
		tries = fmt.Sprintf("2 to %d tries", most)
	}
	parts := []string{fixity.Number(c.AtOnce) + " at once"}
	if s.Twice {
		parts[0] = fixity.Number(c.AtOnce) + " at once, twice the same"
	}
	if c.Retried > 0 {
		parts = append(parts, fixity.Number(c.Retried)+" after "+tries)
	} else {
		parts = append(parts, "0 after more tries")
	}
	if c.Doubtful > 0 {
		parts = append(parts, fixity.Number(c.Doubtful)+" doubtful")
	}
	lost := s.tally()[unreadable]
	parts = append(parts, fixity.Number(lost)+" unreadable")
	switch more := c.Unreadable - lost; {
	case more > 0:
		parts = append(parts, fmt.Sprintf("%s at the end that the burner added, which is none of the recording", fixity.Number(more)))
	case more < 0:
		parts = append(parts, fmt.Sprintf("%s of them were read once, and not again", fixity.Number(-more)))
	}
	if left := c.Untried + c.Failed; left > 0 {
		parts = append(parts, fixity.Number(left)+" not read yet")
	}
	done := c.AtOnce + c.Retried
	return []line{sayf("%s of %s: %s", fixity.Number(done), fixity.Count(c.Sectors, "sector"), strings.Join(parts, ", "))}
}

// mostTries is the most that a sector was read at last needed; 0: none needed more.
func (s CheckSheet) mostTries() (most int) {
	if s.Report.Check.Map == nil {
		return 0
	}
	for r := range s.Report.Check.Map.Runs() {
		if r.State == optical.Read || r.State == optical.ReadTwice {
			most = max(most, r.Tries)
		}
	}
	return most
}

// places lists rows of sectors, the first ones by where they are.
func places(ps []burned.Sectors) []line {
	var out []line
	for i, p := range ps {
		if i == mostPlaces {
			out = append(out, sayf("and %s more (%s)", fixity.Count(len(ps)-i, "place"), fixity.Count(total(ps[i:]), "sector")))
			break
		}
		out = append(out, sayf("%s", placeWords(p)))
	}
	return out
}

// placeWords say where a place is: "disc track 3 at 00:02:12, 8 sectors from 12,345".
func placeWords(p burned.Sectors) string {
	t := fmt.Sprintf("%s from %s", fixity.Count(p.Count, "sector"), fixity.Number(p.LBA))
	if p.Count == 1 {
		t = "sector " + fixity.Number(p.LBA)
	}
	at, _, _ := strings.Cut(clean(p.Time), ".") // whole seconds: what a player shows
	switch {
	case p.Track > 0 && at != "":
		t = fmt.Sprintf("disc track %d at %s, %s", p.Track, at, t)
	case p.Track > 0:
		t = fmt.Sprintf("disc track %d, %s", p.Track, t)
	}
	return t
}

// bad lists places with what they belong to; sum adds the file system's and free
// space, once.
func (s CheckSheet) bad(ps []burned.Sectors, all int64, sum bool) []line {
	var out []line
	for i, p := range ps {
		if i == mostPlaces {
			out = append(out, s.rest(ps[i:], all-total(ps[:i])))
			break
		}
		t := placeWords(p)
		switch {
		case len(p.Of) > 0:
			var names []string
			for k, x := range p.Of {
				if k == 3 {
					names = append(names, fmt.Sprintf("%d more", len(p.Of)-k))
					break
				}
				names = append(names, name(x.Path))
			}
			t += ": " + fixity.And(names)
			if p.Kind == discfs.OfStructure {
				t += " and the disc's own structures"
			}
		case p.Kind == discfs.OfStructure:
			t += ": the disc's own structures (its folders and names)"
		case s.About.Kind == optical.Data:
			t += ": space that no file uses"
		case p.Track == 0 && s.About.Kind == optical.Audio:
			t += ": in a gap between disc tracks"
		}
		out = append(out, sayf("%s", t))
	}
	if sum && len(out) > 0 && s.About.Kind == optical.Data && s.Report.Structure+s.Report.Free > 0 {
		out = append(out, sayf("Of all these, %s belong to the disc's own structures and %s to no file.", fixity.Number(s.Report.Structure), fixity.Number(s.Report.Free)))
	}
	return out
}

// rest says how much isn't listed: some places, and sectors whose places aren't known here.
func (s CheckSheet) rest(ps []burned.Sectors, sectors int64) line {
	if total(ps) == sectors {
		return sayf("and %s more (%s)", fixity.Count(len(ps), "place"), fixity.Count(sectors, "sector"))
	}
	return sayf("and more than %s more (%s)", fixity.Count(len(ps), "place"), fixity.Count(sectors, "sector"))
}

// way says what happened to the sound between the files and the disc.
func (s CheckSheet) way() []line {
	h, located := s.sound()
	if s.About.Kind == optical.Data || (!located && s.Report.Verdict != fixity.DiscChanged && s.Report.Verdict != fixity.DiscAlike) {
		return nil
	}
	var parts []string
	if located && (s.PausesKnown || len(s.Pauses) > 0) {
		parts = append(parts, pauses(s.Pauses))
	}
	c, changed := s.Change()
	switch {
	case located && !changed:
		parts = append(parts, "level unchanged")
	case c.SpreadDB >= 1:
		parts = append(parts, fmt.Sprintf("%s in the middle, and %.1f dB between its softest and loudest places", louder(c.GainDB), c.SpreadDB))
	case math.Abs(c.GainDB) >= 0.05:
		parts = append(parts, louder(c.GainDB)+" than the files")
	default:
		parts = append(parts, "as loud as the files")
	}
	if c.Inverted {
		parts = append(parts, "upside down (inverted polarity)")
	}
	if located {
		parts = append(parts, "shift "+fixity.Count(int64(h.Offset), "sample"))
	}
	if h.SlipsAll > 0 {
		parts = append(parts, "the drive lost its place "+times(h.SlipsAll))
	}
	return []line{sayf("%s", strings.Join(parts, "; "))}
}

// sound is how the disc's sound lies beside the files', and whether it was found there
// sample for sample.
func (s CheckSheet) sound() (h cdda.Result, located bool) {
	if s.Report.Sound == nil {
		return h, false
	}
	return *s.Report.Sound, s.Report.Sound.Located
}

// pauses gathers equal pauses of tracks that follow each other.
func pauses(ps []discs.Pause) string {
	if len(ps) == 0 {
		return "no silence between disc tracks"
	}
	type span struct {
		from, to int
		sectors  int64
	}
	var spans []span
	for _, p := range ps {
		if n := len(spans); n > 0 && spans[n-1].sectors == p.Sectors && spans[n-1].to+1 == p.Track {
			spans[n-1].to = p.Track
			continue
		}
		spans = append(spans, span{p.Track, p.Track, p.Sectors})
	}
	var out []string
	for i, sp := range spans {
		if i == mostPlaces {
			out = append(out, fmt.Sprintf("%d more", len(spans)-i))
			break
		}
		t := fmt.Sprintf("%.2f s silence before disc track %d", float64(sp.sectors)/audioSectors, sp.from)
		if sp.to > sp.from {
			t = fmt.Sprintf("%.2f s silence before disc tracks %d to %d", float64(sp.sectors)/audioSectors, sp.from, sp.to)
		}
		out = append(out, t)
	}
	return fixity.And(out)
}

func times(n int64) string {
	if n == 1 {
		return "once"
	}
	return fixity.Number(n) + " times"
}

func (s CheckSheet) noticed() []line {
	var out []line
	var told []string
	for _, p := range slices.Concat(s.About.Problems, s.Report.Problems) {
		if t := clean(p.Error()); t != "" && !slices.Contains(told, t) {
			told = append(told, t)
			out = append(out, sayf("%s", t))
		}
	}
	return out
}
