package letters_test

import (
	"fmt"
	"io/fs"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// reels fills the archive: masters and access files on both drives.
func reels(w *world, masters, access int) {
	w.Helper()
	for i := range masters {
		p := fmt.Sprintf("masters/QV-01%02d/QV-01%02d_A.wav", i, i)
		w.write("studio/"+p, fmt.Sprint("master", i), 150_000+i)
		w.copy("studio/"+p, "vault/"+p)
	}
	for i := range access {
		p := fmt.Sprintf("access/QV-02%02d/QV-02%02d_A_01.wav", i, i)
		w.write("studio/"+p, fmt.Sprint("access", i), 20_000+i)
		w.copy("studio/"+p, "vault/"+p)
	}
	w.now = w.now.Add(-10 * 24 * time.Hour)
	w.intake()
	w.now = w.now.Add(10 * 24 * time.Hour)
}

// TestBadMonth is four weeks with one rotten master, one drive that is away, and one
// mass change: each is told once and loudly, and put right at last.
func TestBadMonth(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a month, day by day")
	}
	w := newWorld(t, "")
	reels(w, 8, 30)
	w.post()
	for day := range 29 {
		switch day {
		case 2: // rot, in a master whose name holds a title
			w.rot("studio/masters/QV-0103/QV-0103_A.wav", 65536, 65536)
		case 7: // a week is lost before somebody acts, so that the deputy is told
			w.copy("vault/masters/QV-0103/QV-0103_A.wav", "studio/masters/QV-0103/QV-0103_A.wav")
		case 10:
			w.move("vault", "elsewhere")
		case 12:
			w.move("elsewhere", "vault")
		case 16: // somebody drags a shelf of folders away
			for i := range 25 {
				w.move(fmt.Sprintf("studio/access/QV-02%02d", i), fmt.Sprintf("desk/QV-02%02d", i))
			}
		case 17:
			for i := range 25 {
				w.move(fmt.Sprintf("desk/QV-02%02d", i), fmt.Sprintf("studio/access/QV-02%02d", i))
			}
		}
		w.pass(5 * time.Hour) // night
		w.audit(day%7 == 2)
		w.post()
		w.pass(19 * time.Hour)
	}
	golden(t, "bad-month.txt", w.printAll())
	var subjects []string
	for _, l := range w.outbox() {
		subjects = append(subjects, l.Made.In(zone).Format("Mon 2 Jan 15:04  ")+l.Subject)
	}
	golden(t, "bad-month-subjects.txt", strings.Join(subjects, "\n")+"\n")
}

// TestOrdinaryMonth is four weeks in which nothing is damaged: four weekly letters
// and nothing else.
func TestOrdinaryMonth(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a month, day by day")
	}
	w := newWorld(t, `
[store.safe]
kind = "disk"
own_drive = true
visiting = true
place = "Safe, town hall"
sets = { masters = "safe/masters" }
read_within = "90d"
expect_within = "20d"
`)
	reels(w, 8, 0)
	w.now = w.now.Add(-40 * time.Hour) // Sunday, so that four Mondays follow
	w.post()
	for day := range 28 {
		item := fmt.Sprintf("QV-03%02d", day)
		last := fmt.Sprintf("QV-03%02d", day-2)
		switch {
		case day >= 12 && day < 17: // a holiday: nobody is there
		case day%3 == 0:
			w.write("studio/masters/"+item+"/"+item+"_A.wav", item+"A", 200_000+day)
			w.write("studio/access/"+item+"/"+item+"_A_01.wav", item+"a", 90_000+day)
			w.write("studio/masters/"+item+"/Thumbs.db", "litter", 10)
		case day%3 == 1:
			item = fmt.Sprintf("QV-03%02d", day-1)
			w.write("studio/access/"+item+"/"+item+"_A_01.wav", item+"a, trimmed", 80_000+day)
		case day == 17: // what would have been copied was not made
		default:
			for _, f := range []string{"masters/" + last + "/" + last + "_A.wav", "access/" + last + "/" + last + "_A_01.wav"} {
				w.copy("studio/"+f, "vault/"+f)
			}
		}
		visit := day == 4 || day == 20
		if visit {
			if day == 20 {
				w.move("safe-away", "safe")
			}
			for _, from := range w.glob("studio/masters/*/*.wav") {
				w.copy(from, strings.Replace(from, "studio/", "safe/", 1))
			}
		}
		w.pass(5 * time.Hour)
		w.intake()
		w.audit(false)
		w.post()
		if visit {
			w.move("safe", "safe-away")
		}
		w.pass(19 * time.Hour)
	}
	for i, l := range w.outbox() {
		if l.Kind != "weekly" {
			t.Errorf("letter %d is no weekly one:\n%s", i, w.printed(l))
		}
	}
	if n := len(w.outbox()); n != 4 {
		t.Errorf("%d letters: %q, want 4", n, w.subjects())
	}
	if n := len(w.server.Got()); n != 8 {
		t.Errorf("%d mails left, want one for each of two people and four weeks", n)
	}
	golden(t, "ordinary-month.txt", w.printAll())
}

// glob gives slash paths below the world's folder.
func (w *world) glob(pattern string) []string {
	w.Helper()
	fsys := os.DirFS(w.dir)
	names, err := fs.Glob(fsys, pattern)
	if err != nil || len(names) == 0 {
		w.Fatalf("%s: %v, %v", pattern, names, err)
	}
	return names
}

// TestSecondLetter: the first letter leaves as soon as the damage is known, the second
// when the other copy was read, in one thread.
func TestSecondLetter(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name  string
		rot   bool // the other copy is damaged too
		kinds []fixity.Urgency
	}{
		{"other intact", false, nil},
		{"other damaged", true, nil},
	} {
		t.Run(strings.ReplaceAll(tc.name, " ", "-"), func(t *testing.T) {
			w := newWorld(t, "")
			reels(w, 4, 0)
			w.post()
			w.rot("studio/masters/QV-0102/QV-0102_A.wav", 0, 70_000)
			if tc.rot {
				w.rot("vault/masters/QV-0102/QV-0102_A.wav", 65536, 70_000)
			}
			// The daemon fills beside the audit: here whenever a file's reading begins.
			w.pass(7 * time.Hour)
			a := w.open()
			l := w.letters(a)
			w.watch.File = func(_ fixity.Shard, path string, _ int64) {
				if path == "QV-0102/QV-0102_A.wav" {
					w.tick(time.Second)
				}
				if _, err := l.Fill(t.Context()); err != nil {
					t.Error(err)
				}
			}
			w.audit(true, "studio")
			w.watch.File = nil
			a.Close()
			w.now = w.now.Add(time.Minute)
			w.post()
			w.now = w.now.Add(time.Minute)
			w.post() // nothing new
			golden(t, "second-"+strings.ReplaceAll(tc.name, " ", "-")+".txt", w.printAll())
		})
	}
}

// A proposal that waits for a second person stands in the weekly letter, and no more once it
// has ended.
func TestProposalsInTheWeeklyLetter(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	reels(w, 1, 0)
	w.post()
	id := int64(0)
	do := func(fn func(*ledger.Tx) error) {
		t.Helper()
		w.with(func(a *app.App) {
			if err := a.Ledger.Tx(t.Context(), w.now, fn); err != nil {
				t.Fatal(err)
			}
		})
	}
	do(func(x *ledger.Tx) (err error) {
		id, err = x.Proposals.Add(ledger.Proposal{Act: "retire", What: "{}", By: "Ada Wren", Reason: "given back"}, nil)
		return err
	})
	week := func() string {
		t.Helper()
		w.pass(8 * 24 * time.Hour)
		w.post()
		all := w.outbox()
		return w.printed(all[len(all)-1])
	}
	if l := strings.Join(strings.Fields(week()), " "); !strings.Contains(l, "Proposal 1 of Ada Wren (to retire files) waits for a second person") || !strings.Contains(l, "proposal confirm 1") {
		t.Errorf("it isn't told:\n%s", l)
	}
	do(func(x *ledger.Tx) error { return x.Proposals.End(id, fixity.ProposalTakenBack, "Ada Wren", "") })
	if l := week(); strings.Contains(l, "Proposal 1") {
		t.Errorf("it is told though it has ended:\n%s", l)
	}
}
