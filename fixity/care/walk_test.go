package care_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// saying is what may have been read of a copy: only these make it a known version's.
func shows(e care.Evidence) bool {
	switch e := e.(type) {
	case care.Reading:
		return e.Outcome == fixity.ReadIntact || e.Outcome == fixity.ReadEarlier
	case care.ServiceReport:
		return e.Version > 0
	case care.PlaceChanged:
		return e.Read && e.Version > 0 || e.Report != nil
	case care.OnDisc:
		return e.State == fixity.Intact
	case care.TakenIn:
		return e.Found && e.Version > 0
	case care.Accepted, care.Versioned:
		return true
	}
	return false
}

func isTakenIn(e care.Evidence) bool { _, is := e.(care.TakenIn); return is }

// A random walk over all evidence holds what must hold after any sequence.
func TestNoSequenceOfEvidenceBreaksWhatAlwaysHolds(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 1))
	for range 20_000 {
		c := copyIn(states[rnd.IntN(len(states))])
		r := given()
		c.Sole = c.Held == 2 && c.Wrong.IsZero() && rnd.IntN(2) == 0
		for range 30 {
			w := table[rnd.IntN(len(table))]
			r2 := w.rulesOf()
			r.Now = r.Now.Add(time.Duration(rnd.IntN(100)) * time.Hour)
			r2.Now, r2.Current, r2.Newest = r.Now, r.Current, r.Newest
			r2.Vouched = r2.Vouched || rnd.IntN(2) == 0
			if _, ok := w.e.(care.TakenIn); ok { // the beginning of a copy
				c = care.Copy{Store: c.Store, Set: c.Set, At: c.At, File: c.File, Size: -1}
			}
			after, out := care.After(c, w.e, r2)
			fail := func(rule string) {
				t.Helper()
				t.Fatalf("%s\nevidence: %s\nbefore: %+v\nafter:  %+v\neffects: %+v", rule, w.name, c, after, out)
			}
			_, notShown := w.e.(care.NotShown)
			_, refuted := w.e.(care.Refuted)
			_, onDisc := w.e.(care.OnDisc)
			_, versioned := w.e.(care.Versioned)
			reading, read := w.e.(care.Reading)
			report, reported := w.e.(care.ServiceReport)
			became := func(s fixity.State) bool { return after.State == s && c.State != s }
			switch {
			case became(fixity.Missing) && !notShown && !refuted:
				fail("missing is said without a complete listing")
			case notShown && c.Size < 0 && after != c:
				fail("what was never there is missing")
			case became(fixity.Altered) && !(read && reading.Outcome == fixity.ReadDiffers) && !onDisc && c.Wrong.IsZero():
				fail("altered is said without two readings that agree")
			case became(fixity.Intact) && !shows(w.e) && c.State != fixity.Editing && c.State != fixity.Misplaced:
				fail("intact is said without a reading or a report of a version")
			case reported && c.State.Damaged() && after.State != c.State:
				fail("a report ended what a reading opened")
			case reported && report.Version == 0 && after.State != c.State:
				fail("a report that disagrees changed the state: only a reading may")
			case after.Held != c.Held && !shows(w.e) && after.State != fixity.Misplaced && after.State != fixity.Awaited && !out.Saved && !out.Outvoted:
				fail("a version is held that nothing showed")
			case out.Outvoted && read && (c.Read.Cache != fixity.Bypassed || reading.At.Sub(c.Read.At) > 7*24*time.Hour):
				fail("what may be rot outvoted what was read before")
			case out.Outvoted && (!c.Sole || after.Sole || !after.Wrong.IsZero() || after.Held != r2.Newest+1 || after.State != fixity.Unsteady && after.State != fixity.Misplaced):
				fail("more than one reading was outvoted")
			case c.Sole && !after.Sole && after.State == fixity.Altered && read && reading.Size == c.Size && reading.ModTime == c.ModTime && reading.InodeAt == c.InodeAt && r2.Sole && c.State != fixity.Altered &&
				c.Read.Cache == fixity.Bypassed && reading.At.Sub(c.Read.At) <= 7*24*time.Hour:
				fail("altered is said of a copy that was read once, and nothing shows a change")
			case after.Sole && !c.Sole && !isTakenIn(w.e):
				fail("a copy rests on one reading that was taken in otherwise")
			case out.Saved && (r2.Role != fixity.Access || !r2.Editing || reading.Lost || !r2.Store.Arrivals):
				fail("what isn't a whole save in the window became a version")
			case out.Saved && reading.Outcome == fixity.ReadEarlier && r2.Vouched:
				fail("an earlier version took the place of what was signed off, in silence")
			case out.Saved && after.Held != r2.Newest+1, after.Held > r2.Newest && !out.Saved && !out.Outvoted && !shows(w.e):
				fail("a version that the file doesn't have")
			case out.Refused != "" && after != c:
				fail("a refused act changed the copy")
			case became(fixity.Altered) && after.Wrong.IsZero() && !onDisc:
				fail("an altered copy whose bytes aren't known")
			case (after.State == fixity.Intact || after.State == fixity.Editing || after.State == fixity.Behind && shows(w.e)) && !after.Wrong.IsZero() && !versioned:
				fail("a copy that holds a version is said to hold other bytes")
			case after.SettledAs != "" && after.SettledAs != after.Condition():
				fail("what was settled isn't what is so")
			case after.State != c.State && !after.Since.Equal(r2.Now):
				fail("the state began at another time")
			case after.File != c.File || after.Store != c.Store || after.Carrier != c.Carrier:
				fail("it is another copy")
			}
			if out.Saved || out.Outvoted {
				r.Newest++
				r.Current = r.Newest
			}
			if v, ok := w.e.(care.Versioned); ok {
				r.Newest, r.Current = max(r.Newest, v.Version), max(r.Newest, v.Version)
			}
			if a, ok := w.e.(care.Accepted); ok && out.Refused == "" {
				r.Newest, r.Current = max(r.Newest, a.Version), max(r.Newest, a.Version)
			}
			c = after
		}
	}
}
