package letters_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/letters"
)

const withRegister = `
[register]
file = "register.csv"
columns = { item = "Number", side = "Side", title = "Title", length = "Length", condition = "Condition", playable = "Playable", restricted = "Closed" }
playable = { worn = "not again" }
`

func (w *world) register(rows ...string) {
	w.Helper()
	if err := os.WriteFile(w.path("register.csv"), []byte("Number,Side,Title,Length,Condition,Playable,Closed\n"+strings.Join(rows, "\n")+"\n"), 0o644); err != nil {
		w.Fatal(err)
	}
	w.readRegister()
}

func (w *world) readRegister() {
	w.Helper()
	w.with(func(a *app.App) {
		if _, err := a.Register().Read(w.Context()); err != nil {
			w.Fatal(err)
		}
	})
}

// A letter about a file says what the register says of its reel; the register itself makes
// no letter but two lines of the weekly one.
func TestLettersAndTheRegister(t *testing.T) {
	t.Parallel()
	w := newWorld(t, withRegister)
	reels(w, 3, 0)
	w.post()
	w.audit(true)
	w.register(`QV-0100,A,The mill,9:59:00,"sheds, do not play again",worn,no`, "QV-0101,A,The salt road,,good,,no", "QV-0102,A,Grey mare,,,,no")
	w.post()
	if n := w.subjects(); len(n) != 0 {
		t.Errorf("a length that doesn't fit made letters: %q", n)
	}
	w.rot("studio/masters/QV-0100/QV-0100_A.wav", 0, 70_000)
	w.now = w.now.Add(time.Hour)
	w.audit(true)
	w.post()
	all := w.outbox()
	if len(all) == 0 {
		t.Fatal("no letter")
	}
	flat := strings.Join(strings.Fields(all[0].Text), " ")
	for _, s := range []string{`register row 2. Condition there: "sheds, do not play again".`, "This transfer cannot be repeated.", w.path("vault/masters/QV-0100/QV-0100_A.wav")} {
		if !strings.Contains(flat, s) {
			t.Errorf("%q isn't said:\n%s", s, all[0].Text)
		}
	}
	w.now = w.now.Add(time.Hour)
	w.register(`QV-0100,A,The mill,9:59:00,"sheds, do not play again",worn,no`, "QV-0101,A,The salt road,,brittle,,no", "QV-0102,A,Grey mare,,,,no", "QV-0103,A,New,,,,no")
	w.pass(7 * 24 * time.Hour)
	w.post()
	weekly := w.newest("weekly")
	for _, s := range []string{"Register", "4 rows, read", "this week: 1 added, 1 changed", "1 row has a length that does not fit. What to do: firmus findings show 1"} {
		if !strings.Contains(weekly, s) {
			t.Errorf("%q isn't said:\n%s", s, weekly)
		}
	}
	if err := os.WriteFile(w.path("register.csv"), []byte("Reel\nQV-0100\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	w.readRegister()
	w.pass(7 * 24 * time.Hour)
	w.post()
	weekly = w.newest("weekly")
	for _, s := range []string{"Register it could not be read, last tried", "stays in force", "none of the first 50 lines names the columns"} {
		if !strings.Contains(weekly, s) {
			t.Errorf("%q isn't said:\n%s", s, weekly)
		}
	}
}

// newest is the newest letter of a kind, on one line.
func (w *world) newest(kind string) string {
	w.Helper()
	out := ""
	for _, l := range w.outbox() {
		if l.Kind == kind {
			out = strings.Join(strings.Fields(l.Text), " ")
		}
	}
	if out == "" {
		w.Fatal("no such letter")
	}
	return out
}

// A letter never says what a restricted recording is called, not even where titles may leave
// the house and not in the places of its steps; and something to act on is in it all the same.
func TestLettersWithholdRestrictedNames(t *testing.T) {
	t.Parallel()
	w := newWorld(t, withRegister)
	w.options = func(o *letters.Options) { o.Titles = true }
	for _, p := range []string{"masters/QV-0100/QV-0100_A hollow hill.wav", "masters/QV-0101/QV-0101_A salt road.wav"} {
		w.write("studio/"+p, p, 150_000)
		w.copy("studio/"+p, "vault/"+p)
	}
	w.now = w.now.Add(-10 * 24 * time.Hour)
	w.intake()
	w.now = w.now.Add(10 * 24 * time.Hour)
	w.post()
	w.audit(true)
	w.register("QV-0100,A,Hollow hill,,,,yes", "QV-0101,A,The salt road,,,,no")
	for _, x := range []struct {
		path, name string
		withheld   bool
	}{{"QV-0101/QV-0101_A salt road.wav", "salt road", false}, {"QV-0100/QV-0100_A hollow hill.wav", "hollow hill", true}} {
		before := len(w.outbox())
		w.now = w.now.Add(30 * time.Hour)
		w.rot("studio/masters/"+x.path, 0, 70_000)
		w.audit(true)
		w.post()
		all := w.outbox()
		if len(all) == before {
			t.Fatalf("no letter about %s", x.path)
		}
		for _, l := range all[before:] {
			if l.Kind == "weekly" {
				continue
			}
			says := strings.Contains(l.Subject+l.Text+l.HTML, x.name)
			if says == x.withheld {
				t.Errorf("%s: %q is said: %v\n%s\n%s", x.path, x.name, says, l.Subject, l.Text)
			}
			if !strings.Contains(l.Subject, x.path[:7]) || !strings.Contains(l.Text, "firmus recover") {
				t.Errorf("nothing to act on: %s\n%s", l.Subject, l.Text)
			}
		}
	}
}
