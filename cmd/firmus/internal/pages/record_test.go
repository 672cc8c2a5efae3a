package pages_test

import (
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	"firmus/fixity"
)

// change changes the ledger's database past the program.
func (w *world) change(statement string) {
	w.t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(w.dir, "state", "ledger.db"))
	if err != nil {
		w.t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(statement); err != nil {
		w.t.Fatal(err)
	}
}

// Today and Record say when the record was last found to be what was written, and that it
// isn't; what exactly is wrong is for those who see the record.
func TestTodaySaysWhetherTheRecordIsUnbroken(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.intake()
	reviewer, viewer := w.person("Ada Wren", fixity.Reviewer), w.person("Tom Reed", fixity.Viewer)
	if r := reviewer.get("/"); r.says("Log unbroken") {
		t.Fatal("Today says it of a record that nobody checked")
	}
	if r := reviewer.get("/record"); !r.says("It was never checked as a whole") {
		t.Errorf("Record doesn't say that it was never checked: %s", r.text)
	}
	if _, done, err := w.app.Acts.CheckRecordIfDue(t.Context()); err != nil || !done {
		t.Fatal(done, err)
	}
	unbroken := "Log unbroken since " + time.Now().Format("2 January 2006") + ", checked today"
	for _, p := range []string{"/", "/record"} {
		if r := reviewer.get(p); !r.says(unbroken) {
			t.Errorf("%s doesn't say %q: %s", p, unbroken, r.text)
		}
	}
	w.change(`UPDATE event SET reason = reason || '~' WHERE seq = 1`)
	if r := reviewer.get("/"); !r.says(unbroken) {
		t.Error("a page reads the whole record")
	}
	if r := reviewer.follow(reviewer.post("/record/check")); !r.says("THE RECORD IS NOT WHAT WAS WRITTEN") || !r.says("Change nothing") {
		t.Errorf("the check doesn't say so: %d %s", r.code, r.text)
	}
	for _, p := range []string{"/", "/record"} {
		if r := reviewer.get(p); !r.says("THE RECORD IS NOT WHAT WAS WRITTEN, as checked today") || !r.says("event 1") || r.says("unbroken since") {
			t.Errorf("%s doesn't say so: %s", p, r.text)
		}
	}
	if r := viewer.get("/"); !r.says("THE RECORD IS NOT WHAT WAS WRITTEN") || r.says("event 1") {
		t.Errorf("a viewer is told what is wrong with the record: %s", r.text)
	}
	if r := reviewer.get("/health"); !r.says(">the record</td>") || !r.says("broken: event 1") {
		t.Errorf("Health doesn't list it: %s", r.text)
	}
	w.change(`UPDATE event SET reason = rtrim(reason, '~') WHERE seq = 1`)
	if r := reviewer.follow(reviewer.post("/record/check")); !r.says("Log unbroken since") {
		t.Errorf("what was put right isn't found so: %s", r.text)
	}
	if r := reviewer.get("/"); !r.says(unbroken) {
		t.Errorf("Today doesn't say that it is right again: %s", r.text)
	}
}
