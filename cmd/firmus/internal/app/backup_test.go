package app_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
)

// generations are the names in a store's folder of backups.
func (w *world) generations(store string) (out []string) {
	w.t.Helper()
	entries, err := os.ReadDir(w.path(store + "/masters/.firmus-ledger"))
	if err != nil {
		w.t.Fatal(err)
	}
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// backedUp is a world with files under care and a first backup.
func backedUp(t *testing.T, more string) *world {
	t.Helper()
	w := newWorld(t, worldConfig+more)
	w.now = w.now.Add(-time.Hour)
	for _, f := range []string{"masters/QV-0100/QV-0100_A.wav", "masters/QV-0101/QV-0101_A.wav"} {
		w.write("studio/"+f, f, 150_000)
		w.copy("studio/"+f, "vault/"+f)
	}
	w.now = w.now.Add(time.Hour)
	if res := w.intake(); res.Taken != 2 {
		t.Fatalf("intake: %+v", res)
	}
	w.audit(acts.AuditOrder{})
	return w
}

// backUp makes n backups, one each every.
func (w *world) backUp(n int, every time.Duration) {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	for range n {
		w.now = w.now.Add(every)
		if _, err := a.Backups.Backup(w.t.Context()); err != nil {
			w.t.Fatal(err)
		}
	}
}

// A newest backup never pushes out all that was known a month ago, and the oldest don't
// stay for ever.
func TestNoBackupOfTheLastWeekOrOfAMonthIsRemoved(t *testing.T) {
	t.Parallel()
	w := backedUp(t, "")
	begun := w.now
	w.backUp(32, 14*24*time.Hour) // more than a year
	got := w.generations("studio")
	months := map[string]bool{}
	for i, g := range got {
		months[g[:7]] = true
		at, err := time.Parse("2006-01-02T150405Z", g[:18])
		if err != nil {
			t.Fatal(err)
		}
		if age := w.now.Sub(at); age > 366*24*time.Hour {
			t.Errorf("%s is %s old", g, age)
		}
		if i >= len(got)-7 {
			if want := w.now.Add(-14 * 24 * time.Hour * time.Duration(len(got)-1-i)); !at.Equal(want) {
				t.Errorf("of the last seven: %s, not of %s", g, want)
			}
		}
	}
	if len(months) != 12 || len(got) < 7+8 || len(got) > 7+12 {
		t.Errorf("after %s there are %d of %d months: %v", w.now.Sub(begun), len(got), len(months), got)
	}
}

// Of the folders that lie in a drive's folder of backups, only those of this ledger's
// own record are ever removed.
func TestABackupOfAnotherRecordIsNeverReplaced(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		change func(w *world, gen string)
		why    string
	}{
		{"of other holdings", func(w *world, gen string) {
			w.put(gen+"/checkpoint.txt", []byte("firmus/00000000000000000000000000000000\n7\n"+strings.Repeat("A", 43)+"=\n"), w.now)
		}, "of other holdings"},
		{"of more events", func(w *world, gen string) {
			b, err := os.ReadFile(w.path(gen + "/checkpoint.txt"))
			if err != nil {
				w.t.Fatal(err)
			}
			lines := strings.SplitN(string(b), "\n", 4)
			w.put(gen+"/checkpoint.txt", []byte(lines[0]+"\n9999\n"+lines[2]+"\n"), w.now)
		}, "has events that this one doesn't have"},
		{"of as many events", func(w *world, gen string) {
			b, err := os.ReadFile(w.path(gen + "/checkpoint.txt"))
			if err != nil {
				w.t.Fatal(err)
			}
			lines := strings.SplitN(string(b), "\n", 4)
			w.put(gen+"/checkpoint.txt", []byte(lines[0]+"\n"+lines[1]+"\n"+strings.Repeat("A", 43)+"=\n"), w.now)
		}, "has events that this one doesn't have"},
		{"whose checkpoint can't be read", func(w *world, gen string) { w.put(gen+"/checkpoint.txt", make([]byte, 200), w.now) }, "can't be read"},
		{"whose checkpoint is gone", func(w *world, gen string) { w.remove(gen + "/checkpoint.txt") }, "can't be read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := backedUp(t, "")
			first := w.generations("studio")[0]
			c.change(w, "studio/masters/.firmus-ledger/"+first)
			w.backUp(12, 24*time.Hour)
			if _, err := os.Stat(w.path("studio/masters/.firmus-ledger/aside-" + first + "/ledger.db")); err != nil {
				t.Errorf("%v among %v", err, w.generations("studio"))
			}
			if text := strings.Join(w.said, "\n"); !strings.Contains(text, c.why) || !strings.Contains(text, "aside-"+first) {
				t.Errorf("said: %s", text)
			}
		})
	}
}

// A first run that was killed behind any of its steps goes on with the next one.
func TestAFirstRunThatWasKilledNeverBlocksTheNext(t *testing.T) {
	t.Parallel()
	for k := 1; ; k++ {
		w := newWorld(t, worldConfig)
		for _, f := range []string{"masters/QV-0100/QV-0100_A.wav", "masters/QV-0101/QV-0101_A.wav"} {
			w.write("studio/"+f, f, 5_000)
			w.copy("studio/"+f, "vault/"+f)
		}
		a := w.open()
		p := &power{cutAt: k}
		p.wire(a)
		_, err := a.Receiving.Intake(t.Context(), receiving.IntakeOrder{})
		a.Close()
		if !p.off {
			if err != nil {
				t.Fatal(err)
			}
			if k < 4 {
				t.Fatalf("it was cut %d times only", k-1)
			}
			return
		}
		w.now = w.now.Add(time.Minute)
		w.intake()
		for store, r := range w.audit(acts.AuditOrder{}) {
			if r.Exit() != 0 || r.States[fixity.Intact] != 2 {
				t.Errorf("after a kill at step %d: %s: exit %d, %+v", k, store, r.Exit(), r)
			}
		}
	}
}
