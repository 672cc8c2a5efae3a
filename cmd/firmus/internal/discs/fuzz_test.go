package discs_test

import (
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity/ledger"
)

// FuzzNumbers: whatever two discs are called, all that is written on one of them leads to that
// one, and never to the other.
func FuzzNumbers(f *testing.F) {
	f.Add("QD-0031 A", "", "qd 31", "B")
	f.Add("Ferry", "A", "Ferry A", "")
	f.Add("0031", "", "QD-0031", "")
	f.Add("31 part 2 b", "", "31", "")
	f.Add("a", "A", "A a", "A")
	f.Add("1234567890123", "", "x part 0", "")
	f.Add("ſ part 1", "", "S", "Z")
	f.Fuzz(func(t *testing.T, one, twinOne, two, twinTwo string) {
		var all []ledger.Disc
		for i, typed := range []string{one, two} {
			twin := []string{twinOne, twinTwo}[i]
			r, err := discs.New(typed, all)
			if err != nil || len(twin) > 1 || twin != "" && (twin[0] < 'A' || twin[0] > 'Z' || r.Twin != "" && r.Twin != twin) {
				return
			}
			if twin == "" {
				twin = r.Twin
			}
			d := ledger.Disc{ID: int64(i + 1), Number: r.Number, Twin: twin, Part: r.Part}
			for _, x := range all {
				if strings.EqualFold(x.Name(), d.Name()) {
					return // it is that disc, or refused
				}
			}
			all = append(all, d)
			if got, err := discs.Find(d.Name(), all[i:]); err != nil || got.ID != d.ID {
				t.Errorf("%q is registered as %+v, and isn't found by its name: %+v, %v", typed, d, got, err)
			}
		}
		for _, d := range all {
			if got, err := discs.Find(d.Name(), all); err == nil && got.ID != d.ID {
				t.Errorf("the name of %+v leads to %+v", d, got)
			}
		}
	})
}
