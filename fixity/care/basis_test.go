package care_test

import (
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// TestAServiceThatStopsReporting: what it said is of then; a copy that nobody has read is due,
// and one that was read goes on by its reading.
func TestAServiceThatStopsReporting(t *testing.T) {
	shown := care.Shown{Size: 1000, ModTime: 1, InodeAt: 7, Basis: fixity.BySign}
	report := care.ServiceReport{Version: 2, Size: 1000, ModTime: 1, InodeAt: 7, Basis: fixity.ByCRC64}
	for name, c := range map[string]struct {
		read       bool
		then       care.Evidence
		due, still bool // at once; the report is what the service says now
		by         fixity.Basis
	}{
		"it goes on":                {false, report, false, true, fixity.ByCRC64},
		"never read":                {false, shown, true, false, fixity.BySign},
		"read":                      {true, shown, false, false, fixity.BySign},
		"another one, of parts":     {false, care.Shown{Size: 1000, ModTime: 1, InodeAt: 7, Basis: fixity.ByParts}, true, false, fixity.ByParts},
		"another one, not yet":      {false, care.Shown{Size: 1000, ModTime: 1, InodeAt: 7, Basis: fixity.NotYet}, true, false, fixity.NotYet},
		"another one":               {false, care.ServiceReport{Version: 2, Size: 1000, ModTime: 1, InodeAt: 7, Basis: fixity.BySHA256}, false, true, fixity.BySHA256},
		"another one, that differs": {true, care.ServiceReport{Size: 1000, ModTime: 1, InodeAt: 7, Basis: fixity.BySHA256}, true, true, fixity.ByOther},
		"other bytes":               {true, care.Shown{Size: 1000, ModTime: 2, InodeAt: 7, Basis: fixity.BySign}, true, false, fixity.BySign},
	} {
		x := copyIn(fixity.Intact)
		if !c.read {
			x = copyIn(fixity.Awaited)
		}
		x, _ = care.After(x, report, given())
		if !x.ReportedNow() || x.ReportedBy() != fixity.ByCRC64 || !x.Reported.OK || !x.Due.After(now) {
			t.Fatalf("%s: reported, %+v", name, x)
		}
		later := given()
		later.Now = now.Add(time.Hour / 2)
		if (shown.News(fixity.Known{State: x.State, Size: x.Size, ModTime: x.ModTime, InodeAt: x.InodeAt, Basis: x.Basis})) == false {
			t.Errorf("%s: that nothing is reported any more is no news", name)
		}
		is, _ := care.After(x, c.then, later)
		if is.State != fixity.Intact || is.Due.Equal(care.Now) != c.due || is.ReportedNow() != c.still || is.ReportedBy() != c.by {
			t.Errorf("%s: %+v", name, is)
		}
		if name != "other bytes" && c.by != fixity.ByOther && !is.Reported.At.Equal(x.Reported.At) {
			t.Errorf("%s: the time of the report became %s", name, is.Reported.At)
		}
		if again, _ := care.After(is, c.then, later); again != is {
			t.Errorf("%s: seen again it is another: %+v", name, again)
		}
	}
}
