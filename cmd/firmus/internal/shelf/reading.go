package shelf

import (
	"fmt"
	"math"
	"strings"

	"firmus/cmd/firmus/internal/report"
)

func (s CheckSheet) read() []line {
	if s.Sectors == 0 {
		return []line{sayf("nothing")}
	}
	tries := ""
	if s.MostTries == 2 {
		tries = "2 tries"
	} else if s.MostTries > 2 {
		tries = fmt.Sprintf("2 to %d tries", s.MostTries)
	} else {
		tries = "more tries"
	}
	parts := []string{report.Number(s.AtOnce) + " at once"}
	if s.Twice {
		parts[0] = report.Number(s.AtOnce) + " at once, twice the same"
	}
	if s.Retried > 0 {
		parts = append(parts, report.Number(s.Retried)+" after "+tries)
	} else {
		parts = append(parts, "0 after more tries")
	}
	if s.Doubtful > 0 {
		parts = append(parts, report.Number(s.Doubtful)+" doubtful")
	}
	parts = append(parts, report.Number(s.Unreadable)+" unreadable")
	if s.Untried > 0 {
		parts = append(parts, report.Number(s.Untried)+" not read yet")
	}
	done := s.AtOnce + s.Retried
	return []line{sayf("%s of %s: %s", report.Number(done), report.Count(s.Sectors, "sector"), strings.Join(parts, ", "))}
}

// places lists rows of sectors, the first ones by where they are.
func places(ps []Place) []line {
	var out []line
	for i, p := range ps {
		if i == mostPlaces {
			out = append(out, sayf("and %s more (%s)", report.Count(int64(len(ps)-i), "place"), report.Count(total(ps[i:]), "sector")))
			break
		}
		out = append(out, sayf("%s", p.words()))
	}
	return out
}

// words say where a place is: "disc track 3 at 00:02:12, 8 sectors from 12,345".
func (p Place) words() string {
	t := fmt.Sprintf("%s from %s", report.Count(p.Count, "sector"), report.Number(p.LBA))
	if p.Count == 1 {
		t = "sector " + report.Number(p.LBA)
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
func (s CheckSheet) bad(ps []Place, sum bool) []line {
	var out []line
	for i, p := range ps {
		if i == mostPlaces {
			out = append(out, sayf("and %s more (%s)", report.Count(int64(len(ps)-i), "place"), report.Count(total(ps[i:]), "sector")))
			break
		}
		t := p.words()
		switch {
		case len(p.Of) > 0:
			var names []string
			for k, n := range p.Of {
				if k == 3 {
					names = append(names, fmt.Sprintf("%d more", len(p.Of)-k))
					break
				}
				names = append(names, name(n))
			}
			t += ": " + list(names)
			if p.Structure {
				t += " and the disc's own structures"
			}
		case p.Structure:
			t += ": the disc's own structures (its folders and names)"
		case s.Kind == Data:
			t += ": space that no file uses"
		case p.Track == 0 && s.Kind == Audio:
			t += ": in a gap between disc tracks"
		}
		out = append(out, sayf("%s", t))
	}
	if sum && len(out) > 0 && s.Kind == Data && s.Structure+s.Free > 0 {
		out = append(out, sayf("Of all these, %s belong to the disc's own structures and %s to no file.", report.Number(s.Structure), report.Number(s.Free)))
	}
	return out
}

// way says what happened to the sound between the files and the disc.
func (s CheckSheet) way() []line {
	if s.Kind == Data || (!s.Way.Located && s.Verdict != Changed && s.Verdict != Alike) {
		return nil
	}
	var parts []string
	if s.Way.Located && (s.Way.PausesKnown || len(s.Way.Pauses) > 0) {
		parts = append(parts, pauses(s.Way.Pauses))
	}
	switch {
	case s.Way.Unchanged:
		parts = append(parts, "level unchanged")
	case s.Way.SpreadDB >= 1:
		parts = append(parts, fmt.Sprintf("%s in the middle, and %.1f dB between its softest and loudest places", louder(s.Way.GainDB), s.Way.SpreadDB))
	case math.Abs(s.Way.GainDB) >= 0.05:
		parts = append(parts, louder(s.Way.GainDB)+" than the files")
	default:
		parts = append(parts, "as loud as the files")
	}
	if s.Way.Inverted {
		parts = append(parts, "upside down (inverted polarity)")
	}
	if s.Way.Located {
		parts = append(parts, "shift "+report.Count(int64(s.Way.Shift), "sample"))
	}
	if s.Way.Slips > 0 {
		parts = append(parts, "the drive lost its place "+times(s.Way.Slips))
	}
	return []line{sayf("%s", strings.Join(parts, "; "))}
}

// pauses gathers equal pauses of tracks that follow each other.
func pauses(ps []Pause) string {
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
	return list(out)
}

func times(n int64) string {
	if n == 1 {
		return "once"
	}
	return report.Number(n) + " times"
}

func (s CheckSheet) noticed() []line {
	var out []line
	for _, p := range s.Problems {
		if p = clean(p); p != "" {
			out = append(out, sayf("%s", p))
		}
	}
	return out
}
