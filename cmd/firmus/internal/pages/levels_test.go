package pages_test

import (
	"net/http"
	"testing"

	"firmus/fixity"
)

// A reviewer states on the page what the record can't show, and withdraws it; Record says
// which levels are reached.
func TestAPointOfTheLevelsIsStatedOnThePage(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.intake()
	reviewer, viewer := w.person("Ada Wren", fixity.Reviewer), w.person("Tom Reed", fixity.Viewer)
	if r := reviewer.get("/record"); !r.says("Preservation levels") || !r.says("none yet") {
		t.Errorf("Record says nothing of the levels: %s", r.text)
	}
	if r := viewer.post("/record/levels/state", "point", "control-1-who", "day", "2026-03-01", "words", "x"); r.code != http.StatusForbidden {
		t.Errorf("a viewer states a point: %d", r.code)
	}
	for _, bad := range [][]string{{"point", "control-1-who", "day", "2999-01-01", "words", "x"}, {"point", "control-1-who", "day", "2026-03-01", "words", " "}, {"point", "nosuch", "day", "2026-03-01", "words", "x"},
		{"point", "storage-1-copies", "day", "2026-03-01", "words", "x"}} {
		if r := reviewer.follow(reviewer.post("/record/levels/state", bad...)); r.says("statement 1") {
			t.Errorf("%q was kept", bad)
		}
	}
	reviewer.follow(reviewer.post("/record/levels/state", "point", "control-1-who", "day", "2026-03-01", "words", "A list <by> the door."))
	r := reviewer.get("/record/levels")
	if !r.says("Stated by Ada Wren for 2026-03-01: A list <by> the door.") || !r.says("Control, level 1: kept") {
		t.Errorf("the statement isn't shown: %s", r.text)
	}
	if r := reviewer.get("/record"); !r.says("level 1 of 4") {
		t.Errorf("Record doesn't say it: %s", r.text)
	}
	reviewer.follow(reviewer.post("/record/levels/1/withdraw", "reason", "the list is gone"))
	if r := reviewer.get("/record/levels"); !r.says("Control, level 1: not kept") || !r.says("Withdrawn by Ada Wren") || !r.says("the list is gone") {
		t.Errorf("it isn't withdrawn: %s", r.text)
	}
	if r := reviewer.post("/record/levels/x/withdraw", "reason", "x"); r.code != http.StatusNotFound {
		t.Errorf("a statement that isn't there: %d", r.code)
	}
}
